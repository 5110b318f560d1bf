"""How far balls move during one exposure, from where they are found in the frames before and after."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
TOP_SPEED_MM_S = 15e3  # faster than a ball is struck (common practice, no source)
Places = tuple[Array, float]  # (N, 2) mm of what was found in a frame, and its time


def velocities(
    xy_mm: Array, others_mm: Array, t_s: float, past: Sequence[Places], future: Sequence[Places], radius_mm: float
) -> tuple[Array, NDArray[np.bool_]]:
    """(N, 2) mm/s of balls at (N, 2) mm at ``t_s``, zero where nothing goes together; and (N,) where it is a guess.

    others_mm    : (M, 2) balls in that frame that lie still: what is in their places before and after is theirs
    past, future : places in the frames before and after, the nearest first; two each tell most

    Where a place before and one after lie on a steady motion, its mean. Where they don't, the ball met something on the
    way from the one or to the other. If it came to the place before as fast as from there to here, it met that
    afterwards and moves as it came; if it goes on from the place after as it got there, it met that before. That is a
    guess, which the picture must bear out.
    """
    out, guessed = np.zeros_like(xy_mm), np.zeros(len(xy_mm), dtype=bool)
    past, future = ([(_elsewhere(p, others_mm, radius_mm), t) for p, t in side] for side in (past, future))
    if len(xy_mm) == 0 or not past or not future or len(past[0][0]) == 0 or len(future[0][0]) == 0:
        return out, guessed
    (before, t_before), (after, t_after) = past[0], future[0]
    back_v, ahead_v = (xy_mm[:, None] - before) / (t_s - t_before), (after - xy_mm[:, None]) / (t_after - t_s)
    change = np.linalg.norm(back_v[:, :, None] - ahead_v[:, None], axis=-1)  # (N, P, F) mm/s
    speed = np.linalg.norm(back_v[:, :, None] + ahead_v[:, None], axis=-1) / 2
    cost = change + 0.2 * speed
    flat = cost.reshape(len(xy_mm), -1).argmin(axis=1)
    p, f = np.unravel_index(flat, cost.shape[1:])
    rows = np.arange(len(xy_mm))
    arriving, leaving = back_v[rows, p], ahead_v[rows, f]
    steady = change[rows, p, f] < 0.3 * speed[rows, p, f] + 0.3 * radius_mm / (t_after - t_s)
    out[steady] = (arriving[steady] + leaving[steady]) / 2
    came = _turn(before[p], t_before, arriving, past[1:])
    goes_on = _turn(after[f], t_after, leaving, future[1:])
    unknown = ~np.isfinite(goes_on)
    goes_on[unknown] = 0.1 * np.linalg.norm(arriving, axis=1)[unknown] + 0.2 * radius_mm / (t_s - t_before)
    met = np.where((came < goes_on)[:, None], arriving, leaving)
    guessed = ~steady & np.isfinite(came) & (np.linalg.norm(met, axis=1) < TOP_SPEED_MM_S)
    out[guessed] = met[guessed]
    return out, guessed


def _elsewhere(places: Array, others_mm: Array, radius_mm: float) -> Array:
    """The places (K, 2) that aren't those of other balls."""
    if len(places) == 0 or len(others_mm) == 0:
        return places
    apart = np.linalg.norm(places[:, None] - others_mm, axis=-1)
    return np.asarray(places[apart.min(axis=1) > 0.5 * radius_mm])


def _turn(place: Array, t_s: float, v: Array, further: Sequence[Places]) -> Array:
    """(N,) mm/s by which balls with velocity v turn at a place at least, if they are in a further frame, too."""
    if not further or len(further[0][0]) == 0:
        return np.full(len(place), np.inf)
    there, t_there = further[0]
    on = (there - place[:, None]) / (t_there - t_s)  # (N, K, 2)
    return np.asarray(np.linalg.norm(on - v[:, None], axis=-1).min(axis=1))
