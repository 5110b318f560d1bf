"""One plane's map between picture and table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.errors import CalibrationError


def _apply(matrix: NDArray[np.float64], points: ArrayLike) -> NDArray[np.float64]:
    xy = np.atleast_2d(np.asarray(points, dtype=float))
    mapped = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


@dataclass(frozen=True, eq=False)
class Homography:
    """Undistorted picture px (x right, y down) to table mm, in the one plane ``z = z_mm``."""

    matrix: NDArray[np.float64]  # (3, 3), image to table
    z_mm: float  # 0 cloth, h noses, R ball centres: a map says which plane it is for

    def __post_init__(self) -> None:
        matrix = np.array(self.matrix, dtype=float)
        if matrix.shape != (3, 3) or not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-15:
            raise CalibrationError(f"a homography needs a finite, invertible 3 x 3 matrix; got shape {matrix.shape}.")
        matrix.setflags(write=False)
        object.__setattr__(self, "matrix", matrix)

    def to_table(self, xy_px: ArrayLike) -> NDArray[np.float64]:
        """(N, 2) px -> (N, 2) mm."""
        return _apply(self.matrix, xy_px)

    def to_image(self, xy_mm: ArrayLike) -> NDArray[np.float64]:
        """(N, 2) mm -> (N, 2) px."""
        return _apply(np.asarray(np.linalg.inv(self.matrix), dtype=float), xy_mm)
