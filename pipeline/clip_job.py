"""What is done with one clip, in a process of its own: look at it (the only decoding), then measure its shots.

Every function takes a small task that pickles, keeps its tables under .work/, and gives back a small record. Nothing is
raised for a clip that can't be measured: its record says what is wrong, and the other clips go on.
"""

from __future__ import annotations

import threading
import time
import traceback
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.store import Calibration, write_calibrations
from pipeline.ball_pictures import PictureKeeper
from pipeline.camera_watch import CameraWatch
from pipeline.chroma_siting import ChromaSiting, measure_siting
from pipeline.clock_jumps import STAMPS, find_clock_jumps
from pipeline.corrections import Correction, corrected, correction_of
from pipeline.detections import DetectSettings, detect_balls
from pipeline.executor import report
from pipeline.exposures import Exposure, Smears
from pipeline.faults import Fault
from pipeline.frames import Clip, Frame, Plane, open_clip
from pipeline.freezes import find_freezes, find_frozen_end, find_gone
from pipeline.hidden_balls import hidden_words
from pipeline.knowledge import prior_friction
from pipeline.learning import ClothAndBalls
from pipeline.memory import give_back
from pipeline.physics import Friction
from pipeline.quiet import skimming
from pipeline.repeats import find_repeats
from pipeline.shutter import (
    exposure_changes,
    odd_shutters,
    possible_readout,
    possible_shutter,
    usual_readout_s,
    with_read_offsets,
)
from pipeline.smears import Shutter
from pipeline.stills import first_view
from pipeline.streaks import REMEDY
from pipeline.work import DamagedError, Entry, clip_stamp, look_key, measures_key
from shared.columns import CONTACTS, SHOTS, TRACKS, join_notes
from shared.errors import ClipError, NoShotError, ReboundryError, disk_words
from shared.files import file_sha256
from shared.settings import SessionSettings

if TYPE_CHECKING:
    from pipeline.shot_motion import Fit
    from pipeline.shots import ClipMeasures
    from pipeline.spin import SideSpin

REPORT_FRAMES = 30
_MEASURED = ("shots", "contacts", "tracks")
MIN_FRAMES = 12  # fewer can't hold a path before and after a cushion


@dataclass(frozen=True, kw_only=True)
class ClipTask:
    """One clip to look at and measure. ``learnt`` None: each shot fits cloth and balls from what is published."""

    clip: Path
    entry: Entry
    settings: SessionSettings
    learnt: Mapping[int, ClothAndBalls] | None = None  # by shot number
    targets: Mapping[int | None, str] = field(default_factory=dict)  # declared target pocket by shot; None: the clip's
    again: bool = False
    weight: float = 0.0  # of the whole run's work, for its progress
    tables: bool = False  # the tables themselves are wanted, not only what the clip says of cloth and balls
    sha256: str = ""  # of the clip's content where that is known; a clip looked at before need not be there then
    corrections: Mapping[str, Correction] = field(default_factory=dict)  # of all clips' corners by hand

    def of_recording(self, sha256: str) -> ClipTask:
        """With the clip's content known, and with its corrected corners if they are of this recording."""
        correction = correction_of(self.corrections, self.clip.name, sha256)
        return replace(self, sha256=sha256, settings=corrected(self.settings, correction, sha256))

    @property
    def remarks(self) -> tuple[str, ...]:
        """What to say where its corrected corners are not used."""
        correction = correction_of(self.corrections, self.clip.name, self.sha256)
        if correction is None or correction.is_of(self.sha256):
            return ()
        return ("its corners were corrected for another recording of this name, and are not used; look at the "
                "calibration in `reboundry review`",)


@dataclass(frozen=True, kw_only=True)
class ClipRecord:
    """What came of it. ``failure`` is one line for the user; ``details`` are for the log only: a traceback, and what
    libraries warned of.
    """

    clip: str
    failure: str = ""
    details: str = ""
    warnings: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()  # which of them say that part of the clip was not measured
    shots: int = 0
    told: Mapping[int, ClothAndBalls] = field(default_factory=dict)  # by shot number, each from its own frames
    seconds: Mapping[str, float] = field(default_factory=dict)
    frames: int = 0
    info: Mapping[str, Any] = field(default_factory=dict)
    sha256: str = ""
    reused: bool = False  # nothing had to be decoded
    look: str = ""  # key of the look that lay in the entry
    tables: str = ""  # and of the tables; empty where these are another run's that no longer hold


def measure_clip(task: ClipTask) -> ClipRecord:
    """Look at a clip unless that was done before, then measure its shots."""
    clock = _Clock()

    def work(task: ClipTask, stamp: list[int]) -> ClipRecord:
        look, reused = _looked(task, stamp, clock, measured_here=True)
        try:
            measured = _measure(task, look, clock)
        except DamagedError:  # of what is kept; it is made again from the clip
            task.entry.forget()
            look, reused = _looked(task, stamp, clock, measured_here=True)
            if task.learnt is not None:  # which begins from what is found without
                _measure(replace(task, learnt=None), look, clock)
            measured = _measure(task, look, clock)
        return ClipRecord(
            clip=task.clip.name, warnings=(*task.remarks, *look["warnings"], *measured["warnings"]),
            shots=measured["shots"], failure=measured["failure"], told=_told(measured["told"]), seconds=clock.seconds,
            frames=look["frames"], info=look["info"], sha256=look["sha256"], reused=reused,
            left_out=tuple(look["left_out"]),
            look=look["key"], tables=_tables_that_hold(task, look["key"]),
        )

    return _guarded(task, clock, work)


def look_clip(task: ClipTask) -> ClipRecord:
    """Only the first half of `measure_clip`, which then finds it done, here or in another process."""
    clock = _Clock()

    def work(task: ClipTask, stamp: list[int]) -> ClipRecord:
        look, reused = _looked(task, stamp, clock, measured_here=False)
        return ClipRecord(clip=task.clip.name, sha256=look["sha256"], seconds=clock.seconds, reused=reused)

    return _guarded(task, clock, work)


def _guarded(task: ClipTask, clock: _Clock, work: Callable[[ClipTask, list[int]], ClipRecord]) -> ClipRecord:
    """What ``work`` gives, or a record of what is wrong. What libraries warn of is told to the log, not to the user."""
    with warnings.catch_warnings(record=True) as heard:
        record = _tried(task, clock, work)
    said = [warnings.formatwarning(one.message, one.category, one.filename, one.lineno) for one in heard]
    return replace(record, details="".join([record.details, *dict.fromkeys(said)])) if said else record


def _tried(task: ClipTask, clock: _Clock, work: Callable[[ClipTask, list[int]], ClipRecord]) -> ClipRecord:
    """What ``work`` gives of the clip as it is and its stamp from before it was read; or a record of what is wrong."""
    try:
        stamp = clip_stamp(task.clip)
        task = task.of_recording(task.sha256 or file_sha256(task.clip))
        return work(task, stamp)
    except ReboundryError as error:
        return ClipRecord(clip=task.clip.name, failure=_named(task.clip, str(error)), warnings=task.remarks,
                          seconds=clock.seconds)
    except OSError as error:
        words = f"{task.clip.name}: {disk_words(error)}"
        return ClipRecord(clip=task.clip.name, failure=words, warnings=task.remarks,
                          seconds=clock.seconds)
    except Exception as error:  # noqa: BLE001  a fault of ours in one clip must not cost the others
        words = (f"{task.clip.name}: could not be measured, through a fault of the program "
                 f"({type(error).__name__}: {_one_line(error)}); log.jsonl has the details to report.")
        return ClipRecord(clip=task.clip.name, failure=words, details=traceback.format_exc(), warnings=task.remarks,
                          seconds=clock.seconds)


def _looked(
    task: ClipTask, stamp: list[int], clock: _Clock, *, measured_here: bool
) -> tuple[dict[str, Any], bool]:
    """What is kept of the look at a clip, after looking where need be; and whether it was there already."""
    key = look_key(task.sha256, task.settings)
    look = task.entry.record("look")
    if not task.again and look.get("key") == key:
        return look, True
    if look.get("key") == key:
        task.entry.forget_measuring()  # what was measured before holds until it is measured anew
    else:
        task.entry.forget()
    look = {"key": key, "sha256": task.sha256, "stamp": stamp, **_look(task, clock, measured_here=measured_here)}
    task.entry.keep_record("look", look)
    return look, False


def earlier_record(task: ClipTask) -> ClipRecord | None:
    """What an earlier run left of a clip, where it still holds and its tables are whole; else None.

    raises : OSError for a clip that can't be read
    """
    look, tables = task.entry.record("look"), task.entry.record("tables")
    if not tables.get("shots") or not task.entry.is_whole(*_MEASURED):
        return None
    sha256 = unchanged_sha256(task)
    task = task.of_recording(sha256)
    if not sha256 or look.get("key") != look_key(sha256, task.settings) or not _tables_that_hold(task, look["key"]):
        return None
    alone = task.entry.record("alone")
    return ClipRecord(
        clip=task.clip.name, warnings=(*task.remarks, *look["warnings"], *alone.get("warnings", [])),
        shots=tables["shots"], told=_told(alone.get("told", {})), frames=look["frames"], info=look["info"],
        sha256=sha256, reused=True, look=look["key"], tables=tables["key"], left_out=tuple(look["left_out"]),
    )


def unchanged_sha256(task: ClipTask) -> str:
    """SHA-256 of a clip that is still the one looked at before; empty for another, or one never looked at.

    raises : OSError for a clip that can't be read
    """
    look = task.entry.record("look")
    kept = str(look.get("sha256", ""))
    return kept if kept and (look.get("stamp") == clip_stamp(task.clip) or kept == file_sha256(task.clip)) else ""


def needs_look(task: ClipTask) -> bool:
    """Whether a clip that is unchanged must be looked at again all the same: with other settings, another program."""
    look = task.entry.record("look")
    sha256 = str(look.get("sha256", ""))
    return look.get("key") != look_key(sha256, task.of_recording(sha256).settings)


def has_arrived(entry: Entry, record: ClipRecord) -> bool:
    """Whether the entry, as it is seen here, holds what whoever made the record kept there."""
    if record.look and entry.record("look").get("key") != record.look:
        return False
    return not record.tables or entry.record("tables").get("key") == record.tables


def _tables_that_hold(task: ClipTask, look: str) -> str:
    tables = task.entry.record("tables")
    return str(tables["key"]) if tables.get("basis") == _basis(look, task) else ""


def _basis(look: str, task: ClipTask) -> str:
    """Changes with all that goes into measuring a clip's shots but what other shots tell of cloth and balls."""
    return measures_key(look, prior_friction(task.settings), _targets(task))


def _targets(task: ClipTask) -> list[tuple[int | None, str]]:
    return sorted(task.targets.items(), key=str)


def _look(task: ClipTask, clock: _Clock, *, measured_here: bool) -> dict[str, Any]:
    """Open, find the table, detect the balls in every frame; keep calibration and detections."""
    clip = open_clip(task.clip)
    with clock("calibrate"):
        settings = task.settings
        calibration, still, lead_in = first_view(clip, lambda still: calibrate_clip(still, clip.info.name, settings))
        siting = measure_siting(still, clip.info)
        give_back()
    if measured_here:
        threading.Thread(target=_warm, daemon=True).start()
    with clock("detect"):
        clip = skimming(clip, calibration)
        shutter_s, left_out = settings.camera.shutter_s, frozenset(range(lead_in))
        seen = _Seen(clip, calibration, still.luma, siting, task, left_out, shutter_s)
        repeats = find_repeats(seen.found)
        again_s = seen.frames.times_of(repeats.frames)
        if len(repeats.frames):
            left_out = frozenset([*range(lead_in), *repeats.frames.tolist()])
            seen = _Seen(clip, calibration, still.luma, siting, task, left_out, shutter_s)
        shutter_s, no_shutter = possible_shutter(shutter_s, seen.frames.intervals_s)
        if no_shutter:
            seen = _Seen(clip, calibration, still.luma, siting, task, left_out, None)
        frames, watch, pictures = seen.frames, seen.watch, seen.pictures
        detections, windows = watch.correct(seen.found), watch.correct_windows(pictures.table)
        looked_at = watch.until_lost(frames.looked_at)
        over = repeats.left_over(detections)
        radius_mm = calibration.table.ball.radius_mm
        clock_jumps = find_clock_jumps(detections[~over], radius_mm)
        right = clock_jumps.with_again([*again_s, *detections.loc[over, "t_s"].unique().tolist()])
        detections, windows, looked_at = map(right.corrected, (detections, windows, looked_at))
        freezes = [] if clock_jumps.uneven else find_freezes(detections, radius_mm, table=calibration.table)
        gone = [] if clock_jumps.uneven else find_gone(
            detections, radius_mm, shutter_s=_longest_shutter_s(shutter_s, seen.smears))
        ends = [] if clock_jumps.uneven else find_frozen_end(detections, radius_mm)
    give_back()
    if frames.count < MIN_FRAMES:
        many = f"only {frames.count} frames" if frames.count > 1 else "only one frame"
        raise ClipError(f"{task.clip.name}: holds {many}; film from before the strike until the balls lie still.")
    readout_s, odd_readout = possible_readout(task.settings.camera.readout_s, frames.interval_s)
    for name, rows in (("detections", detections), ("pictures", windows)):
        task.entry.keep_table(name, with_read_offsets(
            rows, width_px=clip.info.width, height_px=clip.info.height, rotation_deg=-clip.info.rotation_deg,
            readout_s=readout_s,
        ))
    task.entry.keep_table("frames", looked_at)
    write_calibrations(task.entry.folder / "calibration.json", [
        replace(calibration, clock=right.clock, moves=watch.moves(right.clock))])
    remarks = watch.remarks()
    since = {one.words: one.from_s for one in remarks}
    info = clip.info
    first_s = frames.first_s
    lit = f"what comes before {first_s:.2f} s is lit otherwise, or another picture: it is left out" if lead_in else ""
    uneven = clock_jumps.warning() if clock_jumps.uneven else ""
    set_right = "" if uneven else clock_jumps.warning()
    exposures = [replace(one, from_s=float(right.clock.taken(one.from_s)),
                          until_s=float(right.clock.taken(one.until_s)))
                 for one in seen.smears.exposures]
    told = exposures[0].shutter if exposures else None
    change = exposure_changes(exposures)
    since |= {change: exposures[1].from_s} if change else {}
    odd = (odd_readout, no_shutter, odd_shutters(shutter_s, exposures))
    said = (info.advice, lit, *since, repeats.warning(), set_right, *odd, clip.damage)
    marks = [word for word in said if word]
    scattered = [Fault(frames.first_s, frames.last_s, STAMPS)] if clock_jumps.by_stamps else []
    return {
        "warnings": [*calibration.warnings, *marks, *([uneven] if uneven else []),
                     *(fault.words for fault in freezes if fault.surely)],
        "uneven": uneven,
        "faults": [asdict(fault) for fault in (*freezes, *gone, *scattered, *ends)],
        "doubts": [asdict(fault) for fault in (*freezes, *gone) if fault in gone or not fault.surely],
        "marks": [[since.get(words), _one_line(words).replace(";", ",")] for words in marks],  # on shots since then
        "left_out": [*(one.words for one in remarks if one.left_out), *filter(None, [clip.damage])],
        "frames": frames.count,
        "info": {"width_px": info.width, "height_px": info.height, "codec": info.codec, "bit_depth": info.bit_depth,
                 "rotation_deg": info.rotation_deg, "chroma_shift_px": list(siting.shift_px),
                 "chroma_shift_u_px": list(siting.u_px), "frame_rate_nominal": info.frame_rate_nominal,
                 "shutter_seen_s": told and told.seconds, "shutter_seen_u_s": told and told.u,
                 "readout_s": readout_s or None,  # as it was used; none given and none at all are measured alike
                 "shutter_used_s": shutter_s,
                 "exposures_seen": [asdict(one) for one in exposures],
                 "first_s": frames.first_s, "last_s": frames.last_s, "frames_passed_over": frames.passed_over},
    }


def _longest_shutter_s(given_s: float | None, smears: Smears) -> float | None:
    """As given, or as balls' smears show it, if that is longer; None where neither tells."""
    seen_s = [one.shutter.seconds for one in smears.exposures]
    return max((shutter_s for shutter_s in (given_s, *seen_s) if shutter_s), default=None)


class _Seen:
    """What a walk through a clip's frames gives, but for those to be ``left_out``."""

    def __init__(
        self, clip: Clip, calibration: Calibration, luma: Plane, siting: ChromaSiting, task: ClipTask,
        left_out: frozenset[int], shutter_s: float | None,
    ) -> None:
        self.frames = _Counted((frame for frame in clip if frame.index not in left_out), clip.info.frames_estimate,
                               task.weight)
        self.watch = CameraWatch(self.frames, calibration, luma)
        self.pictures, self.smears = PictureKeeper(), Smears()
        settings = DetectSettings(shutter_s=shutter_s, chroma=siting)
        self.found = detect_balls(self.watch, calibration, settings=settings, pictures=self.pictures,
                                  smears=self.smears)


def _warm() -> None:
    """Import, while frames are decoded, what the measuring needs: half a second where it isn't there yet."""
    import filterpy.kalman  # noqa: F401

    import pipeline.compiled_ready
    import pipeline.shots  # noqa: F401


def calibrate_clip(still: Plane, clip: str, settings: SessionSettings) -> Calibration:
    """The table in a clip's still picture, with the session's table, corners and lens."""
    from calibration.find import find_table

    return find_table(still, table=settings.table, camera=settings.camera, head=settings.head, clip=clip)


def _measure(task: ClipTask, looked: Mapping[str, Any], clock: _Clock) -> dict[str, Any]:
    """Measure the shots from the kept detections (and what else was ``looked``) and keep them, unless exactly that was
    done before.

    Two records: ``alone`` (nothing ``learnt`` from other shots; kept for the next pooling) and ``together``. The
    tables are those of the last measuring; ``tables`` says which. Only they know of targets: where a shot was meant to
    go bears on no fit.
    """
    look, prior = looked["key"], prior_friction(task.settings)
    name = "alone" if task.learnt is None else "together"
    key = measures_key(look, prior, sorted((task.learnt or {}).items()))
    tables_key = measures_key(key, _targets(task))
    kept = task.entry.record(name)
    holds = kept.get("key") == key and (not task.tables or task.entry.record("tables").get("key") == tables_key)
    if holds and not task.again and task.entry.is_whole(*(_MEASURED if kept["shots"] else ())):
        return kept
    with clock("measure"):
        try:
            alone = task.entry.record("alone")
            measures = _shots(task, prior, alone if alone.get("look") == look else {}, looked)
            looked = _without_splices(looked, measures.rows)
            spoilt = looked["uneven"] or any(fault["surely"] for fault in looked["faults"])
            pace = "" if spoilt else _pace(task, prior, measures, looked)
        except NoShotError as error:
            record = {"shots": 0, "failure": _named(task.clip, str(error)), "warnings": [], "told": {}}
            measures, pace = None, ""
    if measures is not None:
        task.entry.keep_record("tables", {})  # nothing vouches for the tables of a run that is killed among them
        shots = SHOTS.conform(measures.shots)
        shots, doubts = _noted(shots, looked, pace)
        task.entry.keep_table("shots", shots)
        task.entry.keep_table("contacts", CONTACTS.conform(measures.contacts))
        task.entry.keep_table("tracks", TRACKS.conform(measures.tracks.assign(clip=task.clip.name)))
        record = {"shots": len(measures.shots), "failure": "",
                  "warnings": list(filter(None, (*measures.notes, pace, *doubts))),
                  "told": {number: asdict(told) for number, told in measures.told.items()},
                  "spins": {number: [spin.strike_s, spin.found, spin.why] for number, spin in measures.spins.items()}}
        if task.learnt is None:  # what the fit with all that is learnt begins from
            record["fits"] = {number: asdict(fit) for number, fit in measures.fits.items()}
            task.entry.keep_table("rows", measures.rows)
    record["key"], record["look"] = key, look
    task.entry.keep_record(name, record)
    task.entry.keep_record("tables", {"key": tables_key, "shots": record["shots"], "basis": _basis(look, task),
                                      "by_readout": _by_readout(task, looked, prior, measures)})
    return record


def _without_splices(looked: Mapping[str, Any], rows: pd.DataFrame) -> dict[str, Any]:
    """What was ``looked``, but for jumps where another recording follows, as the balls in ``rows`` tell."""
    from pipeline.parts import without_splices

    kept = {name: without_splices([Fault(**fault) for fault in looked[name]], rows) for name in ("faults", "doubts")}
    return {**looked, **{name: [asdict(fault) for fault in faults] for name, faults in kept.items()}}


def _noted(shots: pd.DataFrame, looked: Mapping[str, Any], pace: str) -> tuple[pd.DataFrame, list[str]]:
    """Shots with what is noted of them besides their own notes, and what to tell of doubts: those about a shot."""
    marks = _marks([*looked["marks"], (None, pace)], shots["end_s"])
    shots = shots.assign(notes=join_notes(shots["notes"], marks))
    told: dict[str, None] = {}
    for doubt in (Fault(**fault) for fault in looked["doubts"]):
        reason = shots["notes"].str.contains(doubt.what, regex=False).fillna(False).astype(bool)  # why it was lost
        meanwhile = (shots["start_s"] < doubt.until_s) & (shots["end_s"] > doubt.from_s)
        noted = meanwhile & ~reason & (not doubt.surely)
        shots = shots.assign(notes=join_notes(shots["notes"], np.where(noted, doubt.remark, "")))
        told |= {words: None for words, some in ((doubt.words, reason), (doubt.remark, noted)) if some.any()}
    return shots, list(told)


def _marks(marks: list[tuple[float | None, str]], ends_s: Iterable[float]) -> list[str]:
    """What is noted of shots that end at these times: what holds for all, or began before (from when on, words)."""
    return ["; ".join(words for from_s, words in marks if words and (from_s is None or not end_s <= from_s))
            for end_s in ends_s]


def _by_readout(
    task: ClipTask, looked: Mapping[str, Any], prior: Friction, measures: ClipMeasures | None
) -> dict[str, Any]:
    """Where no read-out time was used: a usual one, and what it would change in each shot."""
    from pipeline.unknown_readout import changes_by_readout

    if measures is None or looked["info"]["readout_s"]:
        return {}
    calibration, info = task.entry.calibration(), looked["info"]
    readout_s = usual_readout_s((info["last_s"] - info["first_s"]) / max(looked["frames"] - 1, 1))
    known = task.learnt or {}
    shots = {
        shot.number: changes_by_readout(shot, calibration, known.get(shot.number, ClothAndBalls(prior)),
                                        rotation_deg=-info["rotation_deg"], readout_s=readout_s)
        for shot in measures.measured if not shot.followed.lost
    }
    return {"readout_s": readout_s, "shots": shots}


def _shots(task: ClipTask, prior: Friction, alone: Mapping[str, Any], looked: Mapping[str, Any]) -> ClipMeasures:
    """Measure the shots, with what an earlier measuring (``alone``) of the same detections has found already."""
    from pipeline.shots import measure_shots

    uneven = looked["uneven"]
    spins, fits = _found(alone)
    calibration = task.entry.calibration()
    measures = measure_shots(
        task.entry.table("detections"), calibration=calibration,
        settings=_as_filmed(task, looked), clip=task.clip.name, friction=prior, learnt=task.learnt,
        targets=task.targets,
        pictures=task.entry.table("pictures"), spins=spins,
        fits=fits if task.learnt is not None else None,
        rows=task.entry.table("rows") if fits and task.learnt is not None else None,
        looked_at=task.entry.table("frames"),
        withheld=uneven,
        faults=[Fault(**fault) for fault in looked["faults"]],
        exposures=[] if looked["info"]["shutter_used_s"] else _exposures(looked),
    )
    if len(measures.shots) == 0 and uneven:
        raise NoShotError(f"{task.clip.name}: no shot was found; {uneven}.")
    if len(measures.shots) == 0:
        why = "; ".join(measures.notes) or "nothing was struck"
        # on a table that was taken for another the balls have another size than expected, and are not found
        first = f" Look at this first: {'; '.join(calibration.warnings)}." if calibration.warnings else ""
        hidden = hidden_words(task.entry.table("detections"), task.entry.table("frames"))
        remedy = hidden or "film from before the strike until the balls lie still"
        if f": {REMEDY}" in why:
            why, remedy = why.replace(f": {REMEDY}", ""), REMEDY
        raise NoShotError(f"{task.clip.name}: no shot was found ({why}); {remedy}.{first}")
    return measures


def _exposures(looked: Mapping[str, Any]) -> list[Exposure]:
    return [Exposure(one["from_s"], one["until_s"], Shutter(**one["shutter"]))
            for one in looked["info"]["exposures_seen"]]


def _as_filmed(task: ClipTask, looked: Mapping[str, Any]) -> SessionSettings:
    """The settings, with the shutter that the balls' smears show where none that can be is given."""
    shutter_s = looked["info"]["shutter_used_s"] or looked["info"]["shutter_seen_s"]
    return replace(task.settings, camera=replace(task.settings.camera, shutter_s=shutter_s))


def _pace(task: ClipTask, prior: Friction, measures: ClipMeasures, looked: Mapping[str, Any]) -> str:
    """What to do where no shot moves as balls do, but would in a clip that plays slower or faster; else empty."""
    from pipeline.pace import pace_words
    from pipeline.shots import measure_shots

    if not measures.measured or not all(shot.followed.lost and not shot.followed.jumped for shot in measures.measured):
        return ""
    calibration, settings = task.entry.calibration(), _as_filmed(task, looked)
    return pace_words(
        task.entry.table("detections"),
        lambda rows: measure_shots(rows, calibration=calibration, settings=settings, clip=task.clip.name,
                                   friction=prior).friction,
        task.clip.name,
    )


def _found(alone: Mapping[str, Any]) -> tuple[dict[int, SideSpin], dict[int, Fit]]:
    """By shot: side spin, which is the costliest part and the same each time, and what each shot was found to be."""
    from pipeline.measured import Measured
    from pipeline.paths import MotionEvent
    from pipeline.shot_motion import Fit
    from pipeline.spin import SideSpin

    spins = {int(number): SideSpin(strike_s, None if found is None else Measured(*found), why)
             for number, (strike_s, found, why) in alone.get("spins", {}).items()}
    fits = {int(number): Fit(**{**fit, "events": [MotionEvent(**event) for event in fit["events"]]})
            for number, fit in alone.get("fits", {}).items()}
    return spins, fits


def _told(kept: Mapping[str, Any]) -> dict[int, ClothAndBalls]:
    return {int(number): ClothAndBalls.kept(told) for number, told in kept.items()}


def _named(clip: Path, words: str) -> str:
    """The line, with the clip's name in front unless it names the clip already."""
    return _one_line(words if clip.name in words else f"{clip.name}: {words}")


def _one_line(words: object) -> str:
    return " ".join(str(words).split())


class _Counted:
    """Frames passed on, counted, with the first and last time; reports how much of the clip's ``weight`` is done."""

    def __init__(self, frames: Iterable[Frame], expected: int | None, weight: float) -> None:
        self.frames = frames
        self.passed_over = 0
        self._looked_at: list[tuple[int, float]] = []
        self._t_s: list[float] = []
        self._expected, self._weight = expected or 0, weight

    def __iter__(self) -> Iterator[Frame]:
        for frame in self.frames:
            self._t_s.append(frame.t_s)
            self.passed_over += frame.undecoded
            if not frame.undecoded:
                self._looked_at.append((frame.index, frame.t_s))
            if self.count % REPORT_FRAMES == 0 and self.count < self._expected:
                report(self._weight * REPORT_FRAMES / self._expected)
            yield frame

    @property
    def count(self) -> int:
        return len(self._t_s)

    @property
    def first_s(self) -> float:
        return self._t_s[0] if self._t_s else 0.0

    @property
    def last_s(self) -> float:
        return self._t_s[-1] if self._t_s else 0.0

    @property
    def intervals_s(self) -> NDArray[np.float64]:
        """(N - 1,) from frame to frame."""
        return np.diff(self._t_s)

    @property
    def interval_s(self) -> float:
        """From frame to frame, mostly; 0 of fewer than two."""
        return float(np.median(self.intervals_s)) if self.count > 1 else 0.0

    def times_of(self, frames: NDArray[np.int64]) -> list[float]:
        """Their ``t_s``, of those not passed over."""
        rows = self.looked_at
        return rows.loc[rows["frame"].isin(frames), "t_s"].tolist()

    @property
    def looked_at(self) -> pd.DataFrame:
        """frame, t_s of those not passed over."""
        index, t_s = zip(*self._looked_at, strict=True) if self._looked_at else ((), ())
        return pd.DataFrame({"frame": np.array(index, np.int64), "t_s": np.array(t_s, float)})


class _Clock:
    """Seconds by stage: ``with clock("detect"): ...``."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._running: tuple[str, float] = ("", 0.0)

    def __call__(self, stage: str) -> _Clock:
        self._running = (stage, time.perf_counter())
        return self

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        stage, start = self._running
        self.seconds[stage] = round(self.seconds.get(stage, 0.0) + time.perf_counter() - start, 4)
