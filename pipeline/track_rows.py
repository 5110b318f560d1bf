"""Rows of tracks.parquet: the fitted path in a shot, a smoothed track between shots, hidden frames bridged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import count
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.paths import Seen
from pipeline.physics import Array
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
            if name in shot.motion.layout.balls:
                fell = shot.followed.pocketed.get(name)
                last = fell.t_s if fell is not None else shot.followed.last_seen_s(name)
                inside &= seen.t_s <= last
                if inside.any():
                    parts.append(_fitted(shot, name, seen, inside, frame_t, frame_no))
            elif inside.any():
                parts.append(_smoothed(seen, inside, frame_t, frame_no, name, shot.shot_id))
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
    wrong = off > np.maximum(_FIT_IS_OFF_MM, 6 * noise * shot.motion.scale[name])
    rows = np.flatnonzero(found)[wrong]
    if np.mean(wrong) > 0.2:  # the fit, not the finds, is off here
        place[rows] = seen.xy_mm[at[wrong]]
        u[rows] = np.sqrt(np.diagonal(seen.covariance[at[wrong]], axis1=1, axis2=2))
    return pd.DataFrame({
        "shot_id": shot.shot_id, "frame": frame_no[rows_t], "t_s": t, "ball": name,
        "x_mm": place[:, 0], "y_mm": place[:, 1], "x_u_mm": u[:, 0], "y_u_mm": u[:, 1],
        "vx_mps": v[:, 0] / 1e3, "vy_mps": v[:, 1] / 1e3, "state": np.where(found, "seen", "bridged"),
    })


def _smoothed(
    seen: Seen, inside: NDArray[np.bool_], frame_t: Array, frame_no: Array, name: str, shot_id: str | None
) -> pd.DataFrame:
    t, xy, r = seen.t_s[inside], seen.xy_mm[inside], seen.covariance[inside]
    state, spread = smooth(t, xy, r)
    frames = _nearest(t, frame_t)
    state[:, :2] += state[:, 2:] * (frame_t[frames] - t)[:, None]
    calibration = (seen.systematic[inside] ** 2).sum(axis=2)
    variance = np.diagonal(spread, axis1=1, axis2=2)[:, :2] + calibration
    return pd.DataFrame({
        "shot_id": shot_id, "frame": frame_no[frames], "t_s": frame_t[frames], "ball": name,
        "x_mm": state[:, 0], "y_mm": state[:, 1], "x_u_mm": np.sqrt(variance[:, 0]), "y_u_mm": np.sqrt(variance[:, 1]),
        "vx_mps": state[:, 2] / 1e3, "vy_mps": state[:, 3] / 1e3, "state": "seen",
    })
