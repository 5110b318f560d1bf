"""How far balls move during one exposure, from where they are found in the frames before and after."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def velocities(
    xy_mm: Array, t_s: float, before: tuple[Array, float] | None, after: tuple[Array, float] | None, radius_mm: float
) -> Array:
    """(N, 2) mm/s at time ``t_s``: steady motion through a place before and one after, else zero.

    before, after : places found in the neighbouring frames and their times
    """
    out = np.zeros_like(xy_mm)
    if len(xy_mm) == 0 or before is None or after is None or len(before[0]) == 0 or len(after[0]) == 0:
        return out
    (past, t_past), (future, t_future) = before, after
    back, ahead = xy_mm[:, None] - past, future[None] - xy_mm[:, None]  # (N, P, 2), (N, F, 2)
    back_v, ahead_v = back / (t_s - t_past), ahead / (t_future - t_s)
    change = np.linalg.norm(back_v[:, :, None] - ahead_v[:, None], axis=-1)  # (N, P, F) mm/s
    speed = np.linalg.norm(back_v[:, :, None] + ahead_v[:, None], axis=-1) / 2
    cost = change + 0.2 * speed
    flat = cost.reshape(len(xy_mm), -1).argmin(axis=1)
    p, f = np.unravel_index(flat, cost.shape[1:])
    rows = np.arange(len(xy_mm))
    steady = change[rows, p, f] < 0.3 * speed[rows, p, f] + 0.3 * radius_mm / (t_future - t_s)
    mean = (back_v[rows, p] + ahead_v[rows, f]) / 2
    out[steady] = mean[steady]
    return out
