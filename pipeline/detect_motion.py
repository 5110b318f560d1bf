"""How far balls move during one exposure, from where they are found in the frames before and after."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Plane = NDArray[np.complex128]  # x + iy
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
    guess, which the picture must bear out. In a clip's last frame the two before it tell, where what was in them lies
    on a steady motion.
    """
    out, guessed = np.zeros(xy_mm.shape), np.zeros(len(xy_mm), dtype=bool)
    if not len(xy_mm):
        return out, guessed
    still = _plane(others_mm)
    earlier, later = ([(_elsewhere(_plane(p), still, radius_mm), t) for p, t in side if len(p)]
                      for side in (past, future))
    if not future:
        _plane(out)[:] = _as_it_came(_plane(xy_mm), t_s, earlier)
    if not past or not future or not len(past[0][0]) or not len(future[0][0]):
        return out, guessed
    (before, t_before), (after, t_after) = earlier[0], later[0]
    if not len(before) or not len(after):
        return out, guessed
    here, v = _plane(xy_mm), _plane(out)
    back_v, ahead_v = (here[:, None] - before) / (t_s - t_before), (after - here[:, None]) / (t_after - t_s)
    change = np.abs(back_v[:, :, None] - ahead_v[:, None])  # (N, P, F) mm/s
    speed = np.abs(back_v[:, :, None] + ahead_v[:, None]) / 2
    flat = (change + 0.2 * speed).reshape(len(here), -1).argmin(axis=1)
    p, f = np.divmod(flat, len(after))
    rows = np.arange(len(here))
    arriving, leaving = back_v[rows, p], ahead_v[rows, f]
    steady = change[rows, p, f] < 0.3 * speed[rows, p, f] + 0.3 * radius_mm / (t_after - t_s)
    v[steady] = (arriving[steady] + leaving[steady]) / 2
    if steady.all():
        return out, guessed
    came = _turn(before[p], t_before, arriving, earlier[1:])
    goes_on = _turn(after[f], t_after, leaving, later[1:])
    unknown = ~np.isfinite(goes_on)
    goes_on[unknown] = 0.1 * np.abs(arriving[unknown]) + 0.2 * radius_mm / (t_s - t_before)
    met = np.where(came < goes_on, arriving, leaving)
    guessed = ~steady & np.isfinite(came) & (np.abs(met) < TOP_SPEED_MM_S)
    v[guessed] = met[guessed]
    return out, guessed


def _as_it_came(here: Plane, t_s: float, past: Sequence[tuple[Plane, float]]) -> Plane:
    """(N,) mm/s of balls that come from where two frames before have something on a steady motion; else 0. Without
    allowance for how roughly places are known: a ball at rest is not to move by it.
    """
    if len(past) < 2:
        return np.zeros(len(here), dtype=complex)
    (before, t_before), (earlier, t_earlier) = past[:2]
    last = (here[:, None, None] - before[:, None]) / (t_s - t_before)  # (N, P, 1)
    first = (before[:, None] - earlier) / (t_before - t_earlier)  # (P, Q)
    change, mean = (each.reshape(len(here), -1) for each in (np.abs(last - first), (last + first) / 2))
    if not change.shape[1]:
        return np.zeros(len(here), dtype=complex)
    best = (np.arange(len(here)), (change + 0.2 * np.abs(mean)).argmin(axis=1))
    steady = (change[best] < 0.3 * np.abs(mean[best])) & (np.abs(mean[best]) < TOP_SPEED_MM_S)
    return np.where(steady, mean[best], 0)


def _plane(xy: Array) -> Plane:
    """(K, 2) as complex numbers, of which one operation does what several do to pairs; in the same memory."""
    return np.ascontiguousarray(xy, dtype=float).view(np.complex128)[:, 0]


def _elsewhere(places: Plane, others: Plane, radius_mm: float) -> Plane:
    """The places (K,) that aren't those of other balls."""
    if len(places) == 0 or len(others) == 0:
        return places
    return np.asarray(places[np.abs(places[:, None] - others).min(axis=1) > 0.5 * radius_mm])


def _turn(place: Plane, t_s: float, v: Plane, further: Sequence[tuple[Plane, float]]) -> Array:
    """(N,) mm/s by which balls with velocity v turn at a place at least, if they are in a further frame, too."""
    if not further or len(further[0][0]) == 0:
        return np.full(len(place), np.inf)
    there, t_there = further[0]
    on = (there - place[:, None]) / (t_there - t_s)  # (N, K)
    return np.asarray(np.abs(on - v[:, None]).min(axis=1))
