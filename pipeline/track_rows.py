"""Rows of tracks.parquet: the fitted path in a shot, a smoothed track between shots, hidden frames bridged.

Where a shot could not be followed its path is not what happened: there the balls are shown where they were found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import count
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.paths import Seen
from pipeline.physics import Array, local_velocity
from pipeline.tracks import smooth

if TYPE_CHECKING:
    from pipeline.shots import MeasuredShot

_FIT_IS_OFF_MM = 4.0  # a find further from the fitted path than this (and 6 u) is shown where it was found


def track_rows(
    shots: Sequence[MeasuredShot], tracks: Mapping[str, Seen], frames: pd.DataFrame, clip: str
) -> pd.DataFrame:
    """A row per frame and ball, in TRACKS' columns."""
    frame_t = frames["t_s"].to_numpy(float)
    frame_no = frames["frame"].to_numpy()
    parts: list[pd.DataFrame] = []
    strangers: dict[str, str] = {}
    for track, seen in tracks.items():
        covered = np.zeros(len(seen.t_s), dtype=bool)
        for shot in shots:
            name = shot.followed.names.get(track)
            if name is None:
                continue
            inside = (seen.t_s >= shot.motion.events[0].t_s - 1e-9) & (seen.t_s <= shot.end_s + 1e-9)
            lost = bool(shot.followed.lost)
            moves = name in shot.motion.layout.balls
            if moves:
                fell = shot.followed.pocketed.get(name)
                last = fell.t_s if fell is not None else shot.followed.last_seen_s(name)
                inside &= seen.t_s <= last
            if inside.any() and moves and not lost:
                parts.append(_fitted(shot, name, seen, inside, frame_t, frame_no))
            elif inside.any():
                found = _smoothed(seen, inside, frame_t, frame_no, name, shot.shot_id, met=lost)
                parts.append(_bridged(found, frame_t, frame_no))
            covered |= (seen.t_s >= shot.motion.events[0].t_s - 1e-9) & (seen.t_s <= shot.end_s + 1e-9)
        for piece in _pieces(~covered):
            mask = np.zeros(len(seen.t_s), dtype=bool)
            mask[piece] = True
            name = _name_between(shots, track, float(seen.t_s[piece[0]]), strangers)
            parts.append(_smoothed(seen, mask, frame_t, frame_no, name, None))
    rows = pd.concat(parts, ignore_index=True)
    return rows.assign(clip=clip).sort_values(["t_s", "ball"]).reset_index(drop=True)


def _name_between(shots: Sequence[MeasuredShot], track: str, t_s: float, strangers: dict[str, str]) -> str:
    """What a ball is called outside the shots: as in the next one that it is in, else as in the last.

    strangers : names of balls that are in no shot; one may be added
    """
    knowing = [shot for shot in shots if track in shot.followed.names]
    if knowing:
        later = [shot for shot in knowing if shot.followed.strike.t_s > t_s]
        return (later[0] if later else knowing[-1]).followed.names[track]
    if track not in strangers:
        taken = {name for shot in shots for name in shot.followed.names.values()} | set(strangers.values())
        strangers[track] = next(name for n in count(3) if (name := f"ball-{n}") not in taken)
    return strangers[track]


def _pieces(mask: NDArray[np.bool_]) -> list[Any]:
    rows = np.flatnonzero(mask)
    return [p for p in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(p)]


def _nearest(t: Array, known: Array) -> NDArray[np.intp]:
    """Index of the nearest of the ``known`` times (ascending). A rolling shutter puts a find off its frame's time."""
    after = np.clip(np.searchsorted(known, t), 1, max(len(known) - 1, 1))
    before = after - 1
    if len(known) == 1:
        return np.zeros(len(t), dtype=np.intp)
    return np.where(t - known[before] <= known[after] - t, before, after)


def _fitted(
    shot: MeasuredShot, name: str, seen: Seen, inside: NDArray[np.bool_], frame_t: Array, frame_no: Array
) -> pd.DataFrame:
    """All frames from the first to the last sight; those without a detection are bridged by the fitted path."""
    frames = _nearest(seen.t_s[inside], frame_t)
    rows_t = np.arange(frames[0], frames[-1] + 1)
    t = frame_t[rows_t]
    place, v, _ = shot.motion.states(name, t)
    u = np.sqrt(np.diagonal(shot.motion.position_covariance(name, t), axis1=1, axis2=2))
    found = np.isin(rows_t, frames)
    at = np.flatnonzero(inside)[np.searchsorted(frames, rows_t[found])]
    off = np.hypot(*(seen.xy_mm[at] - shot.motion.states(name, seen.t_s[at])[0]).T)
    noise = np.sqrt(np.trace(seen.covariance[at], axis1=1, axis2=2))
    wrong = off > np.maximum(_FIT_IS_OFF_MM, 6 * noise)
    if np.mean(wrong) > 0.2:  # the fit, not the finds, is off here
        rows = np.flatnonzero(found)[wrong]
        for states, shown in zip((place, v, u), _as_found(seen, at, t[found], met=True), strict=True):
            states[rows] = shown[wrong]
    return pd.DataFrame({
        "shot_id": shot.shot_id, "frame": frame_no[rows_t], "t_s": t, "ball": name,
        "x_mm": place[:, 0], "y_mm": place[:, 1], "x_u_mm": u[:, 0], "y_u_mm": u[:, 1],
        "vx_mps": v[:, 0] / 1e3, "vy_mps": v[:, 1] / 1e3, "state": np.where(found, "seen", "bridged"),
    })


def _smoothed(
    seen: Seen, inside: NDArray[np.bool_], frame_t: Array, frame_no: Array, name: str, shot_id: str | None,
    *, met: bool = False,
) -> pd.DataFrame:
    """The frames with a detection; ``met``: the ball may have met something."""
    at = np.flatnonzero(inside)
    frames = _nearest(seen.t_s[at], frame_t)
    place, v, u = _as_found(seen, at, frame_t[frames], met=met)
    return pd.DataFrame({
        "shot_id": shot_id, "frame": frame_no[frames], "t_s": frame_t[frames], "ball": name,
        "x_mm": place[:, 0], "y_mm": place[:, 1], "x_u_mm": u[:, 0], "y_u_mm": u[:, 1],
        "vx_mps": v[:, 0] / 1e3, "vy_mps": v[:, 1] / 1e3, "state": "seen",
    })


def _as_found(seen: Seen, at: NDArray[np.intp], t_s: Array, *, met: bool) -> tuple[Array, Array, Array]:
    """(N, 2) place mm, velocity mm/s and u mm at the times ``t_s`` (N,) by the finds ``at`` them; ``met``: of a ball
    that may have met something, which smoothing would carry past it.
    """
    found_s, xy, spread = seen.t_s[at], seen.xy_mm[at], seen.covariance[at]
    if met:
        v = local_velocity(found_s, xy)
    else:
        state, spread = smooth(found_s, xy, spread)
        xy, v = state[:, :2], state[:, 2:]
    variance = np.diagonal(spread, axis1=1, axis2=2)[:, :2] + (seen.systematic[at] ** 2).sum(axis=2)
    return xy + v * (t_s - found_s)[:, None], v, np.sqrt(variance)


def _bridged(rows: pd.DataFrame, frame_t: Array, frame_no: Array) -> pd.DataFrame:
    """The rows, in order, and between them those of the frames without one: on the straight line from the last find to
    the next, where the ball may be off by as far as it rolls until the nearer one.
    """
    t = rows["t_s"].to_numpy(float)
    gap = frame_t[(frame_t > t[0]) & (frame_t < t[-1]) & ~np.isin(frame_t, t)]
    if not len(gap):
        return rows
    after = np.searchsorted(t, gap)
    before = after - 1
    xy, v = rows[["x_mm", "y_mm"]].to_numpy(float), rows[["vx_mps", "vy_mps"]].to_numpy(float)
    span = (t[after] - t[before])[:, None]
    line = (xy[after] - xy[before]) / span
    speed = np.max([np.hypot(*(1e3 * v[before]).T), np.hypot(*(1e3 * v[after]).T), np.hypot(*line.T)], axis=0)
    off = speed * np.minimum(gap - t[before], t[after] - gap)
    u = rows[["x_u_mm", "y_u_mm"]].to_numpy(float)
    u = np.hypot(np.maximum(u[before], u[after]), off[:, None])
    place = xy[before] + line * (gap - t[before])[:, None]
    hidden = pd.DataFrame({
        "shot_id": rows["shot_id"].iloc[0], "frame": frame_no[np.isin(frame_t, gap)], "t_s": gap,
        "ball": rows["ball"].iloc[0], "x_mm": place[:, 0], "y_mm": place[:, 1], "x_u_mm": u[:, 0], "y_u_mm": u[:, 1],
        "vx_mps": line[:, 0] / 1e3, "vy_mps": line[:, 1] / 1e3, "state": "bridged",
    })
    return pd.concat([rows, hidden], ignore_index=True)
