"""From what was kept of each clip to the session's files: declared, judged, reviewed, written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.lens import read_lens
from calibration.store import write_calibrations
from pipeline.clip_job import ClipRecord
from pipeline.fingerprint import fingerprint, levels_by
from pipeline.judging import add_aim, judge_shots, say_why_no_aim
from pipeline.knowledge import prior_friction
from pipeline.learning import ClothAndBalls
from pipeline.patterns import read_patterns
from pipeline.results import (
    NOT_MEASURED,
    declare,
    extra_columns,
    read_all,
    write_csv,
    write_datapackage,
    write_log,
    write_shots,
    write_tracks,
)
from pipeline.review_file import read_review_file
from pipeline.reviews import apply_reviews, review_problems
from pipeline.sessions import Session
from pipeline.targets import with_pattern_targets
from pipeline.tolerances import read_tolerances
from pipeline.unknown_readout import say_it_of_the_table, say_what_a_readout_changes
from pipeline.work import Entry, code_version
from shared.columns import CONTACTS, SHOTS, why_lost
from shared.errors import SettingsError
from shared.names import same_letters
from shared.session_file import SESSION_FILE

_STOPPED = "the run was stopped before it was measured; measure again."


def check_settings(session: Session) -> None:
    """Raise SettingsError, before anything is decoded, for tolerances, patterns or a lens file of no use."""
    try:
        read_tolerances(session.settings.table, session.settings.tolerances)
    except SettingsError as error:
        raise SettingsError(f"{session.folder / SESSION_FILE}: {error}") from error
    read_patterns(session.folder)
    if session.settings.camera.lens is not None:
        read_lens(session.settings.camera.lens)


def write_results(
    session: Session, out: Path, entries: Sequence[Entry], records: Sequence[ClipRecord], *,
    calibrated: Sequence[Entry], missing: Sequence[str] = (),
) -> tuple[pd.DataFrame, list[str], tuple[str, ...]]:
    """Write the tables of all clips measured so far; return the shots as written, the problems, and remarks.

    ``entries``: of clips with shots; ``calibrated``: of all whose table was found; ``missing``: clips that were not
    reached yet, for the log. The problems are a line for each cell of no use.
    """
    settings = session.settings
    shots, lines = declare(read_all(entries, "shots", SHOTS), session.takes, settings)
    remarks: tuple[str, ...] = ()
    given_s, foretold = settings.camera.readout_s, {}
    if given_s != 0:
        foretold = {entry.folder.name: by for entry in entries if (by := entry.record("tables").get("by_readout"))}
        shots, remarks = say_what_a_readout_changes(shots, foretold, given_s=given_s)
    contacts = read_all(entries, "contacts", CONTACTS)
    recordings = {same_letters(record.clip): record.sha256 for record in records}
    shots = counted(apply_reviews(_judged(session, shots, contacts, entries), out, recordings))
    names = extra_columns(session.takes, settings)
    rows = write_shots(out / "shots.csv", shots, names)
    write_csv(out / "contacts.csv", contacts)
    table = fingerprint(contacts, rows, told=_told(rows, records), by=names, prior=prior_friction(settings),
                        fixed=settings.friction)
    if remarks:
        off = set(rows.loc[rows["clip"].isin(foretold), "shot_id"].astype(str))
        levels = [condition for condition, ids in levels_by(rows, names) if ids & off]
        table = say_it_of_the_table(table, levels, given_s=given_s)
    write_csv(out / "table.csv", table)
    write_tracks(out / "tracks.parquet", entries)
    write_calibrations(out / "calibration.json", [entry.calibration() for entry in calibrated])
    write_datapackage(
        out / "datapackage.json", session.name, rows, names, code_version(), session.declared_sha256, remarks
    )
    left_out = [{"clip": place, "status": "left out", "shots": 0, "problem": line} for place, line in session.left_out]
    stopped = [{"clip": clip, "status": NOT_MEASURED, "shots": 0, "problem": f"{clip}: {_STOPPED}"} for clip in missing]
    write_log(out / "log.jsonl", [*map(_log_line, records), *stopped, *left_out])
    lines += review_problems(rows, read_review_file(out), recordings, clips=[entry.folder.name for entry in entries])
    return rows, [f"{session.name}: {line}" for line in lines], tuple(f"{session.name}: {line}" for line in remarks)


def _told(shots: pd.DataFrame, records: Sequence[ClipRecord]) -> dict[str, ClothAndBalls]:
    """By shot_id, what each shot says of cloth and balls."""
    told = {(record.clip, number): of for record in records for number, of in record.told.items()}
    of_shots = zip(shots["shot_id"], shots["clip"], shots["shot"], strict=True)
    return {str(shot): told[clip, number] for shot, clip, number in of_shots if (clip, number) in told}


def lost_shots(shots: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Clip, shot_id and the reason of each shot of which nothing could be measured."""
    rows = zip(shots["clip"], shots["shot_id"], map(why_lost, shots["notes"]), strict=True)
    return [(str(clip), str(shot), why) for clip, shot, why in rows if why]


def _judged(
    session: Session, shots: pd.DataFrame, contacts: pd.DataFrame, entries: Sequence[Entry]
) -> pd.DataFrame:
    """Aim against the pattern's line, clip by clip so that few tracks are held; then the verdict over all shots."""
    patterns = read_patterns(session.folder)
    if patterns and len(shots):
        by_clip = {entry.folder.name: entry for entry in entries}
        parts = []
        for clip, rows in shots.groupby("clip", sort=False):
            events = contacts[contacts["shot_id"].isin(rows["shot_id"])]
            tracks = by_clip[str(clip)].table("tracks")
            parts.append(add_aim(rows, events, tracks, table=session.settings.table, patterns=patterns))
        shots = with_pattern_targets(pd.concat(parts), patterns)
    return judge_shots(say_why_no_aim(shots, patterns), session.settings, patterns)


def counted(shots: pd.DataFrame) -> pd.DataFrame:
    """The shots with ``counted``: the person's decision where there is one, else verdict = clean."""
    review, verdict = shots["review"].astype("string"), shots["verdict"].astype("string")
    decided = review.isin(["accept", "reject"])
    value = (review == "accept").where(decided, verdict == "clean")
    return shots.assign(counted=value.where(decided | verdict.notna()).astype("boolean"))


def write_page(session: Session, out: Path) -> None:
    """report.html, beside the tables it shows."""
    from pipeline.report import write_report

    write_report(out, name=session.name)


def _log_line(record: ClipRecord) -> dict[str, Any]:
    spent = sum(record.seconds.values())
    return {
        "clip": record.clip,
        "status": "failed" if record.failure else "measured",
        "shots": record.shots,
        "problem": record.failure or " ".join(record.left_out),
        "warnings": list(record.warnings),
        "details": record.details,
        "seconds": {**record.seconds, "all": round(spent, 4)},
        "reused": record.reused,
        "frames": record.frames,
        "frames_per_s": round(record.frames / spent, 1) if spent and not record.reused else None,
        "picture": dict(record.info),
        "sha256": record.sha256,
        "program": code_version(),
    }
