"""Sessions from any number of evenings, tables and people joined into one dataset, with where each shot came from.

Pooling again redoes only sessions that changed. See `pool_dataset` for the dataset's files.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.compare.counting import counted_mask
from pipeline.pool_dataset import MANIFEST, edited_copies, no_shots, read_manifest, read_partition, write_dataset
from pipeline.pool_duplicates import Standing, without_duplicates
from pipeline.pool_evenings import evenings
from pipeline.pool_gathered import gathered_line, tying
from pipeline.pool_parameters import one_reading_an_evening
from pipeline.pool_read import SessionTables, content_hash, read_session_tables
from pipeline.pool_spellings import levels_spelled_alike, other_spellings, spelled_alike, spelling_lines
from pipeline.pool_stack import one_type, stacked
from shared.errors import ReboundryError, SchemaError, SettingsError
from shared.files import tool_version


@dataclass(frozen=True, eq=False)
class PoolReport:
    """``shots``: the whole dataset; ``lines``: what the user should know; ``failed``: sessions that can't be read."""

    out: Path
    shots: pd.DataFrame
    sessions: pd.DataFrame
    added: tuple[str, ...]
    unchanged: tuple[str, ...]
    lines: tuple[str, ...]
    failed: tuple[str, ...] = field(default=())


def pool_sessions(paths: Sequence[Path], out: Path) -> PoolReport:
    """Add measured sessions to the dataset ``out`` (made if it isn't there).

    A session whose folder and one of whose clips are those of a session in it takes that one's place. A session that
    can't be read is named in ``failed``; the others are pooled. Raises SettingsError where ``out`` holds something
    else, or none of the sessions can be read.
    """
    manifest = read_manifest(out)
    known: dict[str, dict[str, Any]] = manifest["sessions"]
    lines = edited_copies(out)  # before they are written anew
    failed: list[str] = []
    added: list[str] = []
    unchanged: list[str] = []
    fresh: dict[str, SessionTables] = {}
    for path in _expand(paths, lines, failed):
        try:
            session = read_session_tables(path)
        except ReboundryError as problem:
            failed.append(str(problem))
            continue
        source = os.path.relpath(session.place.resolve(), out.resolve())
        before = next((name for name, entry in known.items() if entry["source"] == source), "")
        if before and not _shares_clips(session, known[before]):
            lines.append(_replaced(path, before))
            known[before] = {**known[before], "source": ""}  # what lies there now is none of it
            before = ""
        name = before or _name_for(session, known)
        digest = session.origin["content_sha256"]
        session = _renamed(session, name, known)
        if session.shots.empty:
            lines.append(f"{name}: has no shots, so none of it can be compared; report.html and log.jsonl in "
                         f"{session.place} say what became of its clips.")
        lines += [f"{name}: {line}" for line in session.behind]  # also of a session that was pooled so before
        if name in known and known[name]["content_sha256"] == digest and known[name]["source"] == source:
            unchanged.append(name)
            if _not_as_measured(known[name]):
                fresh[name] = session
            continue
        lines += session.notes
        fresh[name] = session
        known[name] = {**session.origin, "session": name, "source": source}
        added.append(name)
    if not fresh and not unchanged:
        raise SettingsError(f"no session could be pooled. {' '.join(failed)}".strip())
    if fresh:
        lines += _read_whole(out, known, fresh)
    tracks = {name: session.tracks for name, session in fresh.items() if session.tracks}
    shots, contacts, fingerprints, spelled = _joined(out, known, fresh)
    lines += spelled
    there = {name: _is_there(out, entry) for name, entry in known.items()}
    once = without_duplicates(
        shots, {name: Standing(there[name], entry.get("measured_at", "")) for name, entry in known.items()}
    )
    lines += once.lines
    pooled = once.shots["session"].value_counts()
    for name, entry in list(known.items()):
        entry["pooled_shots"] = int(pooled.get(name, 0))
        entry["borrowed_decisions"] = int(once.borrowed.get(name, 0))
        keepers = once.kept_by.get(name, set())
        if keepers and not there[name] and not entry["pooled_shots"] and all(there[keeper] for keeper in keepers):
            del known[name]  # measured anew under another name
            lines.append(f"{name}: taken out of the dataset, as its results are gone and others have all its shots.")
    recordings = {name: {clip["sha256"] for clip in entry["clips"]} for name, entry in known.items()}
    tied = tying(once.gathered, once.kept_by, recordings) | (once.gathered & set(pooled.index))
    for name in filter(once.gathered.__contains__, known):
        holders = [keeper for keeper in known if keeper in once.kept_by[name]]
        lines.append(gathered_line(name, holders, one_evening=name in tied))
    with_shots = [name for name in known if name in pooled]  # first: an evening is named after one of them
    filmed = {name: recordings[name] for name in (*with_shots, *sorted(tied - set(with_shots)))}
    shared = [(name, keeper) for name, keepers in once.kept_by.items() for keeper in keepers]
    shots = one_type(_with_evening(once.shots, evenings(filmed, shared)))
    if not fingerprints.empty:
        fingerprints = fingerprints[fingerprints["session"].isin(list(known))]
    measured_at = {name: entry.get("measured_at", "") for name, entry in known.items()}
    read = set() if fingerprints.empty else set(fingerprints["session"])
    fingerprints, left_out = one_reading_an_evening(fingerprints, shots, measured_at)
    lines += left_out.values()
    for name in read:  # those that weren't read are as they were
        known[name]["parameters_left_out"] = name in left_out
    if not contacts.empty:
        contacts = contacts[(contacts["session"] + "/" + contacts["shot_id"]).isin(shots["shot_key"])]
    lines += _version_lines(known)
    lines += _condition_lines(shots)
    sessions = _session_table(known, shots)
    write_dataset(out, {"shots": shots, "contacts": contacts, "table": fingerprints}, sessions, tracks, known)
    return PoolReport(out, shots, sessions, tuple(added), tuple(unchanged), tuple(dict.fromkeys(lines)), tuple(failed))


def _expand(paths: Sequence[Path], lines: list[str], failed: list[str]) -> list[Path]:
    """Sessions themselves, or the sessions inside a folder of them; each once. What is neither goes to ``failed``."""
    out: dict[Path, Path] = {}
    for path in paths:
        if not path.is_dir():
            failed.append(f"{path}: no such folder; give a session that was measured.")
            continue
        if (path / MANIFEST).is_file():
            failed.append(f"{path}: is a dataset and no session; give the sessions, and the dataset as --out.")
            continue
        here = [path] if _is_session(path) else [sub for sub in sorted(path.iterdir()) if _is_session(sub)]
        for one in here or [path]:
            real = one.resolve()
            if real in out:
                lines.append(f"{one}: given twice; pooled once.")
            out.setdefault(real, one)
    return list(out.values())


def _is_session(path: Path) -> bool:
    """Whether it holds results; a dataset, which may lie beside its sessions, isn't one."""
    if (path / MANIFEST).is_file():
        return False
    return (path / "shots.csv").is_file() or (path / "measured" / "shots.csv").is_file()


def _name_for(session: SessionTables, known: dict[str, dict[str, Any]]) -> str:
    """A new session's name; where another session has it already, it gets a mark behind."""
    if session.name not in known or known[session.name]["content_sha256"] == session.origin["content_sha256"]:
        return session.name
    return f"{session.name}-{session.origin['content_sha256'][:6]}"


def _shares_clips(session: SessionTables, entry: dict[str, Any]) -> bool:
    """Whether what lies in a session's folder may be that session, measured anew; also where its clips aren't known."""
    now, then = ({clip["sha256"] for clip in origin.get("clips", [])} for origin in (session.origin, entry))
    return not now or not then or not now.isdisjoint(then)


def _replaced(path: Path, before: str) -> str:
    return (f"{path}: holds none of the clips that were pooled from there as {before}; both are kept. If these replace "
            "them, pool into a new folder.")


def _renamed(session: SessionTables, name: str, known: dict[str, dict[str, Any]]) -> SessionTables:
    if name == session.name:
        return session
    line = f"{session.name}: another session has this name; pooled as {name}."
    if name in known:
        line = f"{session.name}: was pooled as {name} before and keeps that name."
    return SessionTables(
        name,
        session.place,
        session.shots.assign(session=name),
        session.contacts.assign(session=name) if len(session.contacts) else session.contacts,
        session.fingerprint.assign(session=name) if len(session.fingerprint) else session.fingerprint,
        session.tracks,
        session.behind,
        session.origin,
        (*session.notes, line),
    )


def _is_there(out: Path, entry: dict[str, Any]) -> bool:
    """Whether the results that a session was pooled from still lie where they were."""
    return bool(entry["source"]) and (_place(out, entry) / "shots.csv").is_file()


def _place(out: Path, entry: dict[str, Any]) -> Path:
    """Where a session's results lay; also before the dataset's own folder is there."""
    return Path(os.path.normpath(out.resolve() / str(entry["source"])))


def _with_evening(shots: pd.DataFrame, evening: dict[str, str]) -> pd.DataFrame:
    """With ``filmed_with`` as the last column."""
    told = shots["session"].map(evening).astype("string")
    return shots.drop(columns="filmed_with", errors="ignore").assign(filmed_with=told)


def _not_as_measured(entry: dict[str, Any]) -> bool:
    """Whether the dataset lacks shots of a session, as they are in another one, too, or its table parameters, or has
    decisions that were made in another one."""
    return bool(entry.get("pooled_shots", entry["shots"]) < entry["shots"] or entry.get("borrowed_decisions", 0)
                or entry.get("parameters_left_out", False))


def _read_whole(out: Path, known: dict[str, dict[str, Any]], fresh: dict[str, SessionTables]) -> list[str]:
    """Whole again, into ``fresh``: sessions that weren't given this time and aren't in the dataset as they were
    measured, as the ones that they share shots with may have changed. A line for each that can't be read any more."""
    lines = []
    for name, entry in known.items():
        if name in fresh or not _not_as_measured(entry):
            continue
        place = _place(out, entry)
        missing = entry["shots"] - entry.get("pooled_shots", entry["shots"])
        whole = None
        if _is_there(out, entry) and content_hash(place) == entry["content_sha256"]:
            with contextlib.suppress(SchemaError):  # its tracks were damaged since
                whole = _renamed(read_session_tables(place), name, known)
        if whole is not None:
            fresh[name] = whole
        elif missing:
            lines.append(
                f"{name}: {missing} shot(s) had been left out as another session has them; its files have changed or "
                "are gone, so if that session lost them they are missing now. Pool it again."
            )
        elif entry.get("borrowed_decisions", 0):
            lines.append(
                f"{name}: has decisions that were made in another session; its files have changed or are gone, so they "
                "stay as they were. Pool it again."
            )
        else:
            lines.append(
                f"{name}: its table parameters had been left out as another session is of the same evening; its files "
                "have changed or are gone, so if that session went they are missing now. Pool it again."
            )
    return lines


def _joined(
    out: Path, known: dict[str, dict[str, Any]], fresh: dict[str, SessionTables]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, list[str]]:
    """All sessions' shots, contacts and fingerprints, in the order in which they were first pooled, and what is said of
    conditions whose names differ. Empties ``fresh``: a table is large.
    """
    new = {name: {"shots": s.shots, "contacts": s.contacts, "table": s.fingerprint} for name, s in fresh.items()}
    fresh.clear()

    def parts(table: str) -> list[pd.DataFrame]:
        read = (new[name].pop(table) if name in new else read_partition(out, table, name) for name in known)
        return [rows for rows in read if len(rows)]

    filmed = parts("shots")
    spellings = other_spellings(filmed)
    lines = spelling_lines(spellings)
    for i, rows in enumerate(filmed):
        filmed[i], said = spelled_alike(rows, spellings)
        lines += said
    shots = stacked(filmed or [no_shots()])
    filmed.clear()
    contacts, fingerprints = stacked(parts("contacts")), levels_spelled_alike(stacked(parts("table")), spellings)
    shots = shots.assign(shot_key=shots["session"].astype("string") + "/" + shots["shot_id"].astype("string"))
    return shots, contacts, fingerprints, lines


def _version_lines(known: dict[str, dict[str, Any]]) -> list[str]:
    """Sessions measured by another version than this one."""
    now = tool_version()
    lines = []
    for name, entry in known.items():
        version = entry["tool_version"]
        if not version:
            lines.append(f"{name}: its files don't say which version measured it.")
        elif _release(version) != _release(now):
            lines.append(f"{name}: measured by version {version}, this is {now}; measure it again so that all agree.")
    return lines


def _release(version: str) -> str:
    """'0.1.0+3f2a' -> '0.1.0': what stands behind the plus tells builds of one release apart."""
    return version.partition("+")[0]


def _condition_lines(shots: pd.DataFrame) -> list[str]:
    """The same quantity under two names, one unit each, can't be compared as one column."""
    lines = []
    for stem in ("temperature", "humidity"):
        names = sorted(c for c in shots.columns if str(c).casefold().startswith(stem))
        if len(names) > 1:
            lines.append(
                f"{stem} stands in more than one column ({', '.join(names)}); write it in one unit in all "
                "sessions to compare it."
            )
    return lines


def _session_table(known: dict[str, dict[str, Any]], shots: pd.DataFrame) -> pd.DataFrame:
    all_shots = shots["session"].value_counts()
    counted = shots.loc[counted_mask(shots), "session"].value_counts()
    evening = dict(zip(shots["session"], shots["filmed_with"], strict=True))
    rows = []
    for name, entry in known.items():
        rows.append(
            {
                "session": name,
                "shots": int(all_shots.get(name, 0)),
                "counted": int(counted.get(name, 0)),
                "clips": len(entry["clips"]),
                "filmed_with": evening.get(name, ""),
                "table": entry["table"],
                "tool_version": entry["tool_version"],
                "settings_sha256": entry["settings_sha256"],
                "calibration_sha256": entry["calibration_sha256"],
                "content_sha256": entry["content_sha256"],
                "source": entry["source"],
            }
        )
    return pd.DataFrame(rows)


