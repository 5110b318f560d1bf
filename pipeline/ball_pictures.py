"""Small luma windows of white balls, kept while frames go by: marks on the cue ball are looked for in them later."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

COLUMNS = ("t_s", "x_px", "y_px", "x_mm", "y_mm", "left_px", "top_px", "rows", "luma")
WHITE_SHARE = 0.2  # a ball with less white than this on its disc is no cue ball


@dataclass(frozen=True, eq=False)
class BallPictures:
    """Small luma windows of one ball, in order of time: ``corner_px`` (x, y) of the first pixel of each."""

    t_s: Array  # (N,)
    corner_px: Array  # (N, 2)
    luma: tuple[NDArray[np.uint8], ...]

    def between(self, first_s: float, last_s: float) -> BallPictures:
        """Those strictly between two times."""
        inside = np.flatnonzero((self.t_s > first_s) & (self.t_s < last_s))
        return BallPictures(self.t_s[inside], self.corner_px[inside], tuple(self.luma[i] for i in inside))

    def at_most(self, many: int) -> BallPictures:
        """So many of them, spread evenly."""
        if len(self.t_s) <= many:
            return self
        some = np.unique(np.round(np.linspace(0, len(self.t_s) - 1, many)).astype(int))
        return BallPictures(self.t_s[some], self.corner_px[some], tuple(self.luma[i] for i in some))


class PictureKeeper:
    """Takes windows of balls as they are found; ``table`` has a row per window, for a parquet file."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, float, float, float, float, int, int, int, bytes]] = []

    def keep(
        self, t_s: float, xy_px: tuple[float, float], xy_mm: tuple[float, float], left_px: int, top_px: int,
        luma: NDArray[np.uint8],
    ) -> None:
        """One ball's window: luma (rows, columns) whose first pixel lies at (left, top); its middle in px and in mm."""
        self._rows.append((t_s, *xy_px, *xy_mm, left_px, top_px, luma.shape[0], luma.tobytes()))

    @property
    def table(self) -> pd.DataFrame:
        return pd.DataFrame(self._rows, columns=COLUMNS)


def pictures_along(table: pd.DataFrame, t_s: Array, xy_mm: Array, radius_mm: float) -> BallPictures:
    """The windows of the ball that was at ``xy_mm`` (N, 2); of two in one frame, the first.

    t_s : (N,) when the rows of ``table`` were read, and the ball was there
    """
    away = np.hypot(table["x_mm"].to_numpy(float) - xy_mm[:, 0], table["y_mm"].to_numpy(float) - xy_mm[:, 1])
    mine = table.assign(read_s=t_s)[away < radius_mm].drop_duplicates("t_s").sort_values("t_s")
    luma = tuple(
        np.frombuffer(data, np.uint8).reshape(int(rows), -1)
        for data, rows in zip(mine["luma"], mine["rows"], strict=True)
    )
    return BallPictures(mine["read_s"].to_numpy(float), mine[["left_px", "top_px"]].to_numpy(float), luma)
