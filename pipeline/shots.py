"""One clip's detections to its shots: tracks, strikes, events, the fitted motion, and the measures from it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd

from calibration.store import Calibration
from pipeline.already_rolling import already_rolling_words, begins_rolling, shows_its_beginning
from pipeline.ball_contact import contact_shown
from pipeline.event_rows import contact_rows
from pipeline.exposures import Exposure, longest_s
from pipeline.faults import Fault, fault_of
from pipeline.knowledge import ANY_TWO, prior_friction
from pipeline.launch import Launch, TrackQuality, measure_launch
from pipeline.learning import ClothAndBalls, pool_friction
from pipeline.measured import Measured
from pipeline.motions import DOUBTFUL_CHI2, STRAINED, ShotMotion
from pipeline.overlooked import NOW_S, hidden_contact, no_such_answer, no_white_ball
from pipeline.parts import follow_parts, parts_of, splices_s, without_splices
from pipeline.paths import MotionEvent, Seen
from pipeline.physics import Array, Friction
from pipeline.pockets import Pocketed
from pipeline.rebound import Rebound, measure_rebound
from pipeline.shot_motion import Fit, FollowedShot, Scene, follow_shot
from pipeline.spin import SideSpin, cue_side_spin
from pipeline.splices import splice_words
from pipeline.streaks import streak_words
from pipeline.strikes import NOTHING_STRUCK, Strike, find_strikes, whiteness, why_none
from pipeline.systematic import displacement_fields
from pipeline.track_rows import track_rows
from pipeline.tracks import detection_covariance
from shared.columns import ALL_MEASURES, CONTACTS, SHOTS, TRACKS
from shared.equipment import Table
from shared.settings import SessionSettings

MET_NOTHING = "kind, banked_ball: the cue ball met neither a ball nor a cushion while it was filmed"
NO_RESIDUAL = "calibration_rms_px: corners given by hand leave no residual"
UNLIKE_BALLS = ("cue_impact_speed_mps, cue_roll_ratio: these lean on equal balls, but the balls answer each other "
                "unlike two of a set: unequal weights? weigh them")
POOR_FIT_MM = 1.0  # as good as published tracking of snooker balls (Mathavan et al. 2009)
POOR_FIT = "the paths fit the frames only to {:.1f} mm: an event may be missing, look at the shot before using it"


@dataclass(frozen=True, eq=False)
class MeasuredShot:
    """One shot with everything that was derived from it."""

    shot_id: str
    number: int
    followed: FollowedShot
    launch: Launch
    rebound: Rebound
    quality: TrackQuality
    end_s: float
    target: str | None = None  # pocket the banked ball was meant for

    @property
    def motion(self) -> ShotMotion:
        return self.followed.motion


@dataclass(frozen=True, eq=False)
class ClipMeasures:
    """All of a clip: tables in the schemas of shared/columns, the shots behind them, cloth and balls as they show them.

    ``shots`` lacks what is declared, judged or reviewed; those columns are empty.
    """

    shots: pd.DataFrame
    contacts: pd.DataFrame
    tracks: pd.DataFrame
    measured: Sequence[MeasuredShot] = field(default_factory=tuple)
    friction: Friction | None = None
    told: Mapping[int, ClothAndBalls] = field(default_factory=dict)  # by shot number, what each says of them itself
    notes: tuple[str, ...] = ()
    spins: Mapping[int, SideSpin] = field(default_factory=dict)  # by shot number
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)  # balls as followed, each under its track's name

    @property
    def fits(self) -> dict[int, Fit]:
        """By shot number: what each was found to be."""
        return {shot.number: shot.followed.fit for shot in self.measured}

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
    learnt: Mapping[int, ClothAndBalls] | None = None,
    targets: Mapping[int | None, str] | None = None,
    pictures: pd.DataFrame | None = None,
    spins: Mapping[int, SideSpin] | None = None,
    rows: pd.DataFrame | None = None,
    fits: Mapping[int, Fit] | None = None,
    looked_at: pd.DataFrame | None = None,
    withheld: str = "",
    faults: Sequence[Fault] = (),
    exposures: Sequence[Exposure] = (),
) -> ClipMeasures:
    """Measure every shot of a clip.

    detections : DETECTIONS of the whole clip
    friction   : what is known of the cloth beforehand; None: the published band, or what the settings fix
    learnt     : by shot number, what other shots say of the cloth and the balls, in place of ``friction``
    targets    : declared target pocket by shot number, "" where there is none; under None that of the other shots
    pictures   : windows of white balls (``PictureKeeper.table``), in which marks on the cue ball are looked for
    spins      : by shot number, side spin found before in the same pictures: it hangs on the marks, hardly on the fit
    rows, fits : of an earlier measuring of the same detections with other ``learnt``, which need not be found again
    looked_at  : frame, t_s of all frames in which balls were looked for; None: only those in which one was found
    withheld   : why nothing of any shot is measured, in words; empty: it is
    faults     : of the recording, by which shots are lost, or may be
    exposures  : shutter times that hold for some of it, in place of the settings'
    returns    : ClipMeasures; no shot found gives empty tables and a note
    """
    table = calibration.table
    known = friction or prior_friction(settings)
    if rows is None:
        rows = follow_parts(detections, table)
    faults = without_splices(faults, rows)
    frames = _frames(detections, rows, looked_at)
    frames_t = frames["t_s"].to_numpy(float)
    if not len(frames_t) or rows["ball"].isna().all():
        return _nothing("no ball was followed")
    fields = displacement_fields(calibration)
    scene = Scene(table, known, frames_t, _shutter(settings, frames_t))
    stem = PurePath(clip).stem
    shots: list[MeasuredShot] = []
    tracks: dict[str, Seen] = {}
    rolling: list[float] = []
    for own, inside in parts_of(rows, frames):
        seen = {str(k): _seen(str(k), g, fields) for k, g in own.dropna(subset=["ball"]).groupby("ball", observed=True)}
        tracks |= seen
        part = replace(scene, frames_t=frames_t[inside])
        white = {k: whiteness(own[own["ball"] == k]) for k in seen}
        end_s = float(part.frames_t[-1]) + 1e-6
        strikes = find_strikes(seen, white, end_s, table.ball.radius_mm, faults) if seen else []
        if shows_its_beginning(own) and begins_rolling(seen.values(), strikes, float(part.frames_t[0])):
            rolling.append(float(part.frames_t[0]))
        own_scenes = [_in_its_light(part, strike, exposures) for strike in strikes]
        for followed in _followed_shots(strikes, seen, white, own_scenes, fits or {}, learnt or {}, len(shots), faults):
            if followed.lost and (exposures or settings.camera.shutter_s):
                own_s = _in_its_light(scene, followed.strike, exposures).shutter_s
                followed = _smeared(followed, seen, own_s, table.ball.radius_mm, faults)
            followed = replace(followed, lost=withheld or followed.lost)
            number = len(shots) + 1
            target = _target(targets, number)
            shots.append(_one_shot(f"{stem}-{number:02d}", number, followed, scene, target, calibration))
    notes = tuple(filter(None, [splice_words(splices_s(rows)), already_rolling_words(rolling)]))
    if not shots:
        why = why_none(tracks, faults)
        if why == NOTHING_STRUCK:
            longest = max((one.shutter.seconds for one in exposures), default=settings.camera.shutter_s)
            why = streak_words(tracks.values(), longest, table.ball.radius_mm) or why
        return _nothing(why, *notes)
    shutters = {shot.number: _in_its_light(scene, shot.followed.strike, exposures).shutter_s for shot in shots}
    found = {shot.number: _side_spin(shot, spins or {}, pictures, calibration, shutters[shot.number]) for shot in shots}
    shots = [_with_side_spin(shot, found[shot.number]) for shot in shots]
    return ClipMeasures(
        shots=SHOTS.conform(pd.DataFrame([_row(shot, clip, calibration) for shot in shots])),
        contacts=CONTACTS.conform(pd.DataFrame([r for shot in shots for r in contact_rows(shot, table)])),
        tracks=TRACKS.conform(track_rows(shots, tracks, frames, clip)),
        measured=tuple(shots),
        friction=_clip_friction(shots, known),
        told={shot.number: _told(shot.motion) for shot in shots if not shot.followed.lost},
        notes=notes,
        spins=found,
        rows=rows,
    )


def _followed_shots(
    strikes: Sequence[Strike], tracks: Mapping[str, Seen], white: Mapping[str, float], scenes: Sequence[Scene],
    fits: Mapping[int, Fit], learnt: Mapping[int, ClothAndBalls], before: int, faults: Sequence[Fault],
) -> Iterator[FollowedShot]:
    """The shots of one part; as many came ``before`` it."""
    for strike, scene in zip(strikes, scenes, strict=True):
        own = learnt.get(before + 1, ClothAndBalls(scene.friction, scene.cue_mass))
        known = replace(scene, friction=own.friction, cue_mass=own.cue_mass or ANY_TWO)
        followed = follow_shot(strike, tracks, known, fits.get(before + 1))
        if followed is not None:
            before += 1
            yield _doubted(followed, tracks, white, faults, scene.frames_t)


def _doubted(
    followed: FollowedShot, tracks: Mapping[str, Seen], white: Mapping[str, float], faults: Sequence[Fault],
    frames_t: Array,
) -> FollowedShot:
    """The shot, lost if what happened can't be told: out of sight, in a way that never is, or in a faulty recording."""
    _, banked = kind_of(followed.motion.events)
    lost = followed.lost or hidden_contact(followed.motion, banked) or no_such_answer(followed.motion, banked)
    strike = followed.strike
    end_s = _end(followed.motion, followed.pocketed, strike, frames_t)
    meanwhile = [f for f in faults if lost or f.froze or f.from_s < end_s]  # not where balls lie still
    doubt = fault_of(meanwhile, strike.t_s, strike.until_s, surely=not lost or bool(followed.jumped))
    lost = strike.spoilt or doubt or lost
    lost = lost or no_white_ball(strike, tracks, white)
    if not lost and followed.last_seen_s("cue") - followed.motion.events[0].t_s < NOW_S:
        lost = "the struck ball was lost to sight at once"
    return replace(followed, lost=lost)


def _smeared(
    followed: FollowedShot, tracks: Mapping[str, Seen], shutter_s: float, radius_mm: float, faults: Sequence[Fault]
) -> FollowedShot:
    """A lost shot; where balls smeared too far in it, and nothing was wrong with the recording, that is why."""
    strike = followed.strike
    if followed.jumped or strike.spoilt or any(followed.lost == fault.words for fault in faults):
        return followed
    times = strike.t_s - NOW_S, strike.until_s
    meanwhile = (one.at(slice(*np.searchsorted(one.t_s, times))) for one in tracks.values())
    words = streak_words(meanwhile, shutter_s, radius_mm)
    return replace(followed, lost=f"{words} ({followed.lost})") if words else followed


def _frames(detections: pd.DataFrame, rows: pd.DataFrame, looked_at: pd.DataFrame | None) -> pd.DataFrame:
    """The clip's frames (frame, t_s, in order) with a ball, those between in which all were hidden, and a bare end.

    Between two recordings, and after the last find but of an only ball, the table may be out of the picture: of several
    balls, all don't fall at once.
    """
    found = detections[["frame", "t_s"]]
    if looked_at is None or not len(found):
        return found.drop_duplicates("frame").sort_values("frame", ignore_index=True)
    every = pd.concat([found, looked_at]).drop_duplicates("frame").sort_values("frame", ignore_index=True)
    number = every["frame"].to_numpy(np.int64)
    parts = rows.groupby("part")["frame"].agg(["min", "max"]).to_numpy(np.int64)
    own = np.any((number[:, None] >= parts[:, 0]) & (number[:, None] <= parts[:, 1]), axis=1)
    last = int(found["frame"].max())
    if (found["frame"] == last).sum() == 1:
        own |= number > last
    return every[own].reset_index(drop=True)


def _nothing(*why: str) -> ClipMeasures:
    return ClipMeasures(SHOTS.empty(), CONTACTS.empty(), TRACKS.empty(), notes=why)


def _shutter(settings: SessionSettings, frames_t: Array) -> float:
    """Exposure as given, or half the time between frames."""
    if settings.camera.shutter_s:
        return settings.camera.shutter_s
    return 0.5 * float(np.median(np.diff(frames_t))) if len(frames_t) > 1 else 0.0


def _in_its_light(scene: Scene, strike: Strike, exposures: Sequence[Exposure]) -> Scene:
    """With the longest shutter time that held during a shot: a frame more that is left out costs little."""
    if not exposures:
        return scene
    return replace(scene, shutter_s=longest_s(exposures, strike.t_s, strike.until_s))


def _target(targets: Mapping[int | None, str] | None, number: int) -> str | None:
    if not targets:
        return None
    return targets.get(number, targets.get(None)) or None


def _seen(name: str, rows: pd.DataFrame, fields: Any) -> Seen:
    xy = rows[["x_mm", "y_mm"]].to_numpy(float)
    return Seen(name, rows["t_s"].to_numpy(float), xy, detection_covariance(rows, 0.03), fields(xy))


def _one_shot(
    shot_id: str, number: int, followed: FollowedShot, scene: Scene, target: str | None, calibration: Calibration
) -> MeasuredShot:
    motion, fallen, strike = followed.motion, followed.pocketed, followed.strike
    kind, _ = kind_of(motion.events)
    end_s = _end(motion, fallen, strike, scene.frames_t)
    launch, rebound = launch_and_rebound(followed, scene.table, target)
    shares = {b: _share_seen(followed.windows[b], strike, scene.frames_t, end_s) for b in motion.layout.balls}
    notes = (POOR_FIT.format(motion.rms_mm),) if motion.poor and motion.rms_mm > POOR_FIT_MM else ()
    first = next((i for i, event in enumerate(motion.events) if event.kind == "ball" and event.concerns("cue")), None)
    if first is not None and motion.strains[first, 0] > STRAINED:
        notes = (*notes, UNLIKE_BALLS)
    if followed.lost:
        notes = (f"{ALL_MEASURES}{followed.lost}",)
    if not kind:
        notes = (*notes, MET_NOTHING)
    rms_px = calibration.rms_px if np.isfinite(calibration.rms_px) else None
    if rms_px is None:
        notes = (*notes, NO_RESIDUAL)
    quality = TrackQuality(shares, motion.rms_mm, rms_px, notes)
    return MeasuredShot(shot_id, number, followed, launch, rebound, quality, end_s, target)


def launch_and_rebound(followed: FollowedShot, table: Table, target: str | None) -> tuple[Launch, Rebound]:
    """All that a shot's fitted motion says of the hit and of the first cushion; side spin, which marks tell, not."""
    motion, fallen = followed.motion, followed.pocketed
    kind, banked = kind_of(motion.events)
    launch = measure_launch(
        motion, kind=kind, banked_ball=banked, cue_fell=fallen.get("cue"), seen_until_s=followed.last_seen_s("cue")
    )
    rebound = measure_rebound(
        motion, ball=banked, table=table, pocketed=fallen.get(banked), target=target,
        seen_until_s=followed.last_seen_s(banked),
    )
    return launch, rebound


def _side_spin(
    shot: MeasuredShot, known: Mapping[int, SideSpin], pictures: pd.DataFrame | None, calibration: Calibration,
    shutter_s: float,
) -> SideSpin:
    kept = known.get(shot.number)
    if kept is not None and kept.of(shot.motion):
        return kept
    return cue_side_spin(pictures, shot.motion, pose=calibration.pose, radius_mm=shot.motion.radius_mm,
                         shutter_s=shutter_s)


def _with_side_spin(shot: MeasuredShot, spin: SideSpin) -> MeasuredShot:
    """The shot with the cue ball's side spin where marks show it, else with the reason why not."""
    notes = (*shot.launch.notes, *([f"cue_side_spin_rps: {spin.why}"] if spin.why else []))
    return replace(shot, launch=replace(shot.launch, cue_side_spin_rps=spin.found, notes=notes))


def kind_of(events: Sequence[MotionEvent]) -> tuple[str, str]:
    """Bank or kick, and the ball that is banked: the cue ball when it meets a cushion before any ball.

    Neither ("") where the cue ball was seen to meet nothing: what the shot was to become, nobody knows.
    """
    for event in events:
        if event.kind == "ball" and event.concerns("cue"):
            return "bank", "object"
        if event.kind in ("cushion", "jaw") and event.ball == "cue":
            return "kick", "cue"
    return "", "cue"


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


def _told(motion: ShotMotion) -> ClothAndBalls:
    """What a shot says of cloth and balls; of the balls nothing where the frames don't bear out how they answered."""
    vague = motion.poor or motion.off_at_hits > DOUBTFUL_CHI2
    if vague:
        return ClothAndBalls(motion.friction)
    return ClothAndBalls(motion.friction, motion.cue_mass, *contact_shown(motion))


def _clip_friction(shots: Sequence[MeasuredShot], known: Friction) -> Friction | None:
    shots = [shot for shot in shots if not shot.followed.lost]
    if not shots:
        return None
    if len(shots) == 1:
        return shots[0].motion.friction
    return pool_friction([shot.motion.friction for shot in shots], known)


def _row(shot: MeasuredShot, clip: str, calibration: Calibration) -> dict[str, Any]:
    row: dict[str, Any] = {
        "shot_id": shot.shot_id, "clip": clip, "shot": shot.number, "start_s": shot.motion.events[0].t_s,
        "end_s": shot.end_s, "kind": shot.launch.kind or None,
        "banked_ball": shot.launch.banked_ball if shot.launch.kind else None,
        "rails": shot.rebound.rails, "rail": shot.rebound.rail, "outcome": shot.rebound.outcome,
        "pocket": shot.rebound.pocket, "frames_seen": min(shot.quality.frames_seen.values()),
        "residual_mm": shot.quality.residual_mm,
        "calibration_rms_px": shot.quality.calibration_rms_px,
    }
    if shot.followed.lost:
        row |= dict.fromkeys(("kind", "banked_ball", "rails", "rail", "outcome", "pocket"))
        row["notes"] = "; ".join(dict.fromkeys([*calibration.warnings, *shot.quality.notes]))
        return row
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
