"""The camera over the table: K, distortion, R, t, which give the map of every plane."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.homography import Homography
from shared.errors import CalibrationError


@dataclass(frozen=True, eq=False)
class CameraPose:
    """``X_cam = R X_table + t`` in mm, then K and OpenCV's distortion (k1, k2, p1, p2, k3).

    ``covariance`` is of the parameters that were fitted, in the order of ``parameters``; empty (0, 0) when unknown.
    Parameter names: f, cx, cy, k1, k2, rx, ry, rz (rotation vector of R), tx, ty, tz.
    """

    K: NDArray[np.float64]  # (3, 3)
    distortion: NDArray[np.float64]  # (5,)
    R: NDArray[np.float64]  # (3, 3)
    t_mm: NDArray[np.float64]  # (3,)
    width_px: int
    height_px: int
    parameters: tuple[str, ...] = ()
    covariance: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        for name, shape in (("K", (3, 3)), ("distortion", (5,)), ("R", (3, 3)), ("t_mm", (3,))):
            value = np.array(getattr(self, name), dtype=float).reshape(shape)
            if not np.isfinite(value).all():
                raise CalibrationError(f"camera {name} holds a value that is not a number.")
            value.setflags(write=False)
            object.__setattr__(self, name, value)

    @property
    def centre_mm(self) -> NDArray[np.float64]:
        """(3,) the camera's own place in the table frame."""
        return -self.R.T @ self.t_mm

    def to_image(self, xyz_mm: ArrayLike) -> NDArray[np.float64]:
        """(N, 3) table mm -> (N, 2) px as displayed, distortion included."""
        points = np.atleast_2d(np.asarray(xyz_mm, dtype=float))
        rvec, _ = cv2.Rodrigues(self.R)
        px, _ = cv2.projectPoints(points.reshape(-1, 1, 3), rvec, self.t_mm.reshape(3, 1), self.K, self.distortion)
        return np.asarray(px.reshape(-1, 2), dtype=float)

    def rays(self, xy_px: ArrayLike) -> NDArray[np.float64]:
        """(N, 2) px -> (N, 3) directions in the camera frame with z = 1."""
        px = np.atleast_2d(np.asarray(xy_px, dtype=float)).reshape(-1, 1, 2)
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-12)  # the default stops at 0.01 px
        normal = cv2.undistortPoints(px, self.K, self.distortion, criteria=criteria).reshape(-1, 2)
        return np.column_stack([normal, np.ones(len(normal))])

    def to_table(self, xy_px: ArrayLike, z_mm: float) -> NDArray[np.float64]:
        """(N, 2) px -> (N, 2) mm in the plane ``z = z_mm``."""
        directions = self.rays(xy_px) @ self.R  # rows: R^T d
        centre = self.centre_mm
        scale = (z_mm - centre[2]) / directions[:, 2]
        return np.asarray(centre[:2] + scale[:, None] * directions[:, :2])

    def plane(self, z_mm: float) -> Homography:
        """The map of one plane for *undistorted* picture points (distortion taken out beforehand)."""
        table_to_image = self.K @ np.column_stack([self.R[:, 0], self.R[:, 1], self.R[:, 2] * z_mm + self.t_mm])
        return Homography(np.linalg.inv(table_to_image), z_mm)
