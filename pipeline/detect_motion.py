"""How far balls move during one exposure, from where they are found in the frames before and after."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
TOP_SPEED_MM_S = 15e3  # faster than a ball is struck (common practice, no source)
Places = tuple[Array, float]  # (N, 2) mm of what was found in a frame, and its time


def velocities(
    xy_mm: Array, others_mm: Array, t_s: float, past: Sequence[Places], after: Places | None, radius_mm: float
) -> Array:
    """(N, 2) mm/s of balls at (N, 2) mm at time ``t_s``; zero where nothing goes together.

    others_mm : (M, 2) further balls in that frame, whose places before and after are theirs
    past      : places in the frames before, the nearest first; one will do, two tell more
    after     : places in the next frame

    Where a place before and one after lie on a steady motion, its mean. Where they don't, the ball met something on the
    way from the one or to the other. If it came to the place before as fast as from there to here, it met that
    afterwards and moves as it came; else it moves as it goes on.
    """
    out = np.zeros_like(xy_mm)
    if len(xy_mm) == 0 or not past or after is None or len(past[0][0]) == 0 or len(after[0]) == 0:
        return out
    (before, t_before), (future, t_future) = past[0], after
    here = np.concatenate([xy_mm, others_mm])
    back_v, ahead_v = (here[:, None] - before) / (t_s - t_before), (future - here[:, None]) / (t_future - t_s)
    change = np.linalg.norm(back_v[:, :, None] - ahead_v[:, None], axis=-1)  # (N, P, F) mm/s
    speed = np.linalg.norm(back_v[:, :, None] + ahead_v[:, None], axis=-1) / 2
    cost = change + 0.2 * speed
    flat = cost.reshape(len(here), -1).argmin(axis=1)[: len(xy_mm)]
    p, f = np.unravel_index(flat, cost.shape[1:])
    rows = np.arange(len(xy_mm))
    own = (cost.min(axis=2).argmin(axis=0)[p] == rows) & (cost.min(axis=1).argmin(axis=0)[f] == rows)
    arriving, leaving = back_v[rows, p], ahead_v[rows, f]
    steady = change[rows, p, f] < 0.3 * speed[rows, p, f] + 0.3 * radius_mm / (t_future - t_s)
    out[steady] = (arriving[steady] + leaving[steady]) / 2
    if len(past) > 1 and len(past[1][0]):
        earlier, t_earlier = past[1]
        came_v = (before[p][:, None] - earlier) / (t_before - t_earlier)  # (N, E, 2)
        turned = np.linalg.norm(came_v - arriving[:, None], axis=-1).min(axis=1)
        as_it_came = turned < 0.1 * np.linalg.norm(arriving, axis=1) + 0.2 * radius_mm / (t_before - t_earlier)
        met = np.where(as_it_came[:, None], arriving, leaving)
        possible = ~steady & own & (np.linalg.norm(met, axis=1) < TOP_SPEED_MM_S)
        out[possible] = met[possible]
    return out
