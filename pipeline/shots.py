"""One clip's detections to its shots: tracks, strikes, events, the fitted motion, and the measures from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.contacts import find_events, find_starts
from pipeline.event_rows import contact_rows
from pipeline.launch import Launch, TrackQuality, measure_launch
from pipeline.measured import Measured
from pipeline.motions import MotionEvent, Seen, ShotMotion, fit_shot
from pipeline.physics import Array, Friction
from pipeline.pockets import Pocketed, find_pocketed
from pipeline.rebound import Rebound, measure_rebound
from pipeline.shutter import at_read_times
from pipeline.strikes import Strike, find_strikes, shot_rows, whiteness
from pipeline.systematic import displacement_fields
from pipeline.track_rows import track_rows
from pipeline.tracks import TrackSettings, detection_covariance, track_balls
from shared.columns import CONTACTS, SHOTS, TRACKS
from shared.equipment import Table
from shared.settings import SessionSettings

REST_BIAS = 0.6  # share of a frame's position noise that stays the same while a ball lies still
REST_ROWS = 15  # so many frames of a ball at rest say all there is


@dataclass(frozen=True, eq=False)
class MeasuredShot:
    """One shot with everything that was derived from it."""

    shot_id: str
    number: int
    strike: Strike
    names: Mapping[str, str]  # track -> ball name
    motion: ShotMotion
    pocketed: Mapping[str, Pocketed]  # by ball name
    launch: Launch
    rebound: Rebound
    quality: TrackQuality
    end_s: float


@dataclass(frozen=True, eq=False)
class ClipMeasures:
    """All of a clip: tables in the schemas of shared/columns, the shots behind them, friction as this clip shows it.

    ``shots`` lacks what is declared, judged or reviewed; those columns are empty.
    """

    shots: pd.DataFrame
    contacts: pd.DataFrame
    tracks: pd.DataFrame
    measured: Sequence[MeasuredShot] = field(default_factory=tuple)
    friction: Friction | None = None
    notes: tuple[str, ...] = ()

    @property
    def motions(self) -> list[ShotMotion]:
        return [shot.motion for shot in self.measured]

    @property
    def launches(self) -> dict[str, Launch]:
        """By shot_id."""
        return {shot.shot_id: shot.launch for shot in self.measured}


def measure_shots(
    detections: pd.DataFrame,
    *,
    calibration: Calibration,
    settings: SessionSettings,
    clip: str,
    friction: Friction | None = None,
    targets: Mapping[int | None, str] | None = None,
) -> ClipMeasures:
    """Measure every shot of a clip.

    detections : DETECTIONS of the whole clip
    friction   : what is known of the cloth beforehand; None: the published band, or what the settings fix
    targets    : declared target pocket by shot number; under None the clip's
    returns    : ClipMeasures; no shot found gives empty tables and a note
    """
    table = calibration.table
    known = friction or _settings_friction(settings)
    rows = at_read_times(track_balls(detections, table=table, settings=TrackSettings()))
    frames = detections[["frame", "t_s"]].drop_duplicates("frame").sort_values("t_s")
    frames_t = frames["t_s"].to_numpy(float)
    fields = displacement_fields(calibration)
    tracks = {str(k): _seen(str(k), g, fields) for k, g in rows.dropna(subset=["ball"]).groupby("ball", observed=True)}
    if not tracks or not len(frames_t):
        return _nothing("no ball was followed")
    white = {k: whiteness(rows[rows["ball"] == k]) for k in tracks}
    stem = PurePath(clip).stem
    shots = []
    for number, strike in enumerate(find_strikes(tracks, white, float(frames_t[-1]) + 1e-6), start=1):
        target = _target(targets, number)
        shots.append(_one_shot(f"{stem}-{number:02d}", number, strike, tracks, table, known, frames_t, target, calibration))
    if not shots:
        return _nothing("nothing was struck")
    return ClipMeasures(
        shots=SHOTS.conform(pd.DataFrame([_row(shot, clip, calibration) for shot in shots])),
        contacts=CONTACTS.conform(pd.DataFrame([r for shot in shots for r in contact_rows(shot, table)])),
        tracks=TRACKS.conform(track_rows(shots, tracks, frames, clip)),
        measured=tuple(shots),
        friction=_clip_friction(shots, known),
    )


def _settings_friction(settings: SessionSettings) -> Friction:
    base, fixed = Friction(), settings.friction
    if fixed.sliding is not None:
        base = replace(base, sliding=fixed.sliding, sliding_u=1e-4 * fixed.sliding)
    if fixed.rolling is not None:
        base = replace(base, rolling=fixed.rolling, rolling_u=1e-4 * fixed.rolling)
    return base


def _nothing(why: str) -> ClipMeasures:
    return ClipMeasures(SHOTS.empty(), CONTACTS.empty(), TRACKS.empty(), notes=(why,))


def _target(targets: Mapping[int | None, str] | None, number: int) -> str | None:
    if not targets:
        return None
    return targets.get(number) or targets.get(None)


def _seen(name: str, rows: pd.DataFrame, fields: Any) -> Seen:
    xy = rows[["x_mm", "y_mm"]].to_numpy(float)
    return Seen(name, rows["t_s"].to_numpy(float), xy, detection_covariance(rows, 0.03), fields(xy))


def _one_shot(
    shot_id: str, number: int, strike: Strike, tracks: Mapping[str, Seen], table: Table, known: Friction,
    frames_t: Array, target: str | None, calibration: Calibration,
) -> MeasuredShot:
    windows: dict[str, Seen] = {}
    pocketed: dict[str, Pocketed] = {}
    for name, seen in tracks.items():
        part = seen.at(shot_rows(seen, strike, find_starts(seen)))
        if len(part.t_s) < 4:
            continue
        fell, rows = find_pocketed(part, table, frames_t, strike.until_s)
        if fell is not None:
            pocketed[name] = fell
            part = part.at(slice(0, rows))
        windows[name] = part
    events = find_events(list(windows.values()), MotionEvent("strike", strike.t_s, strike.track), table)
    names = name_balls(events, strike.track, list(windows))
    moving = [b for b in windows if any(e.concerns(b) for e in events)]
    events = [replace(e, ball=names[e.ball], other=names.get(e.other, e.other)) for e in events]
    seen = [replace(thin_rest(windows[b], [e.t_s for e in events if e.concerns(names[b])]), ball=names[b]) for b in moving]
    motion = fit_shot(seen, events, table=table, friction=known)
    fallen = {names[k]: replace(v, ball=names[k]) for k, v in pocketed.items() if k in moving}
    kind, banked = kind_of(motion.events)
    end_s = _end(motion, fallen, strike, frames_t)
    last_seen = {names[b]: float(windows[b].t_s[-1]) for b in moving}
    cue_end = fallen["cue"].t_s if "cue" in fallen else None
    launch = measure_launch(motion, kind=kind, banked_ball=banked, cue_end_s=cue_end)
    rebound = measure_rebound(
        motion, ball=banked, table=table, pocketed=fallen.get(banked), target=target, seen_until_s=last_seen[banked]
    )
    quality = TrackQuality(
        {names[b]: _share_seen(windows[b], strike, frames_t, end_s) for b in moving}, motion.rms_mm, calibration.rms_px
    )
    return MeasuredShot(shot_id, number, strike, names, motion, fallen, launch, rebound, quality, end_s)


def name_balls(events: Sequence[MotionEvent], cue: str, tracks: Sequence[str]) -> dict[str, str]:
    """Track to ball name: cue, object (the first ball it hits), ball-3 ... in order of being hit, then of appearance."""
    order = [cue]
    for event in sorted((e for e in events if e.kind == "ball"), key=lambda e: e.t_s):
        for ball in (event.ball, event.other):
            if ball not in order:
                order.append(ball)
    hit = len(order) > 1
    order += [t for t in tracks if t not in order]
    names = {cue: "cue"}
    for place, track in enumerate(order[1:], start=2):
        names[track] = "object" if place == 2 and hit else f"ball-{place if hit else place + 1}"
    return names


def kind_of(events: Sequence[MotionEvent]) -> tuple[str, str]:
    """Bank or kick, and the ball that is banked: the cue ball when it meets a cushion before any ball."""
    for event in events:
        if event.kind == "ball" and event.concerns("cue"):
            return "bank", "object"
        if event.kind in ("cushion", "jaw") and event.ball == "cue":
            return "kick", "cue"
    return "kick", "cue"


def thin_rest(seen: Seen, event_times: Sequence[float]) -> Seen:
    """Fewer frames of a ball at rest, before it moves and at the end, saying no more than their shared error allows.

    What a lamp, a mark or the video's compression shifts at rest stays the same in all frames: it does not average out.
    """
    if not event_times:
        return seen
    keep = np.ones(len(seen.t_s), dtype=bool)
    covariance = seen.covariance.copy()
    before = np.flatnonzero(seen.t_s < min(event_times) - 0.02)
    after = _final_rest(seen, max(event_times))
    for rows, spare in ((before, before[:-REST_ROWS]), (after, after[REST_ROWS:])):
        keep[spare] = False
        covariance[rows] *= 1 + min(len(rows), REST_ROWS) * REST_BIAS**2
    return replace(seen, covariance=covariance).at(keep)


def _final_rest(seen: Seen, since_s: float) -> NDArray[np.intp]:
    """Rows at the end in which the ball stays where it is last seen."""
    rows = np.flatnonzero(seen.t_s > since_s)
    if len(rows) < 8:
        return rows[:0]
    place = np.median(seen.xy_mm[rows[-5:]], axis=0)
    noise = np.sqrt(np.trace(seen.covariance[rows], axis1=1, axis2=2))
    away = np.flatnonzero(np.hypot(*(seen.xy_mm[rows] - place).T) > np.maximum(2.5 * noise, 0.6))
    return rows[away[-1] + 1 :] if len(away) else rows


def _end(motion: ShotMotion, pocketed: Mapping[str, Pocketed], strike: Strike, frames_t: Array) -> float:
    """All at rest or out, or the clip's end."""
    ends = []
    for ball in motion.layout.balls:
        rest = motion.rest_s(ball)
        ends.append(pocketed[ball].t_s if ball in pocketed else (rest if rest is not None else strike.t_s))
    return float(min(max(ends), strike.until_s, frames_t[-1]))


def _share_seen(seen: Seen, strike: Strike, frames_t: Array, end_s: float) -> float:
    """Share of the frames between the strike and the ball's last sight or the shot's end in which it was seen."""
    last = min(end_s, float(seen.t_s[-1]))
    frames = int(((frames_t >= strike.t_s) & (frames_t <= last)).sum())
    mine = int(((seen.t_s >= strike.t_s) & (seen.t_s <= last)).sum())
    return min(mine / frames, 1.0) if frames else 1.0


def _clip_friction(shots: Sequence[MeasuredShot], known: Friction) -> Friction:
    if len(shots) == 1:
        return shots[0].motion.friction
    from pipeline.friction import pool_friction

    return pool_friction([shot.motion.friction for shot in shots], known)


def _row(shot: MeasuredShot, clip: str, calibration: Calibration) -> dict[str, Any]:
    row: dict[str, Any] = {
        "shot_id": shot.shot_id, "clip": clip, "shot": shot.number, "start_s": shot.motion.events[0].t_s,
        "end_s": shot.end_s, "kind": shot.launch.kind, "banked_ball": shot.launch.banked_ball, "rails": shot.rebound.rails,
        "rail": shot.rebound.rail, "outcome": shot.rebound.outcome, "pocket": shot.rebound.pocket,
        "frames_seen": min(shot.quality.frames_seen.values()), "residual_mm": shot.quality.residual_mm,
        "calibration_rms_px": shot.quality.calibration_rms_px,
    }
    for measures in (shot.launch.measures(), shot.rebound.measures()):
        for name, got in measures.items():
            if name != "departure_deg":
                _put(row, name, got)
    notes = [*calibration.warnings, *shot.launch.notes, *shot.rebound.notes, *shot.quality.notes]
    row["notes"] = "; ".join(dict.fromkeys(notes)) or None
    return row


def _put(row: dict[str, Any], name: str, got: Measured) -> None:
    if np.isfinite(got.value) and np.isfinite(got.u):
        row[name], row[f"{name}_u"] = got.value, got.u
