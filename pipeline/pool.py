"""Sessions from any number of evenings, tables and people joined into one dataset, with where each shot came from.

A dataset is a folder: ``shots/session=NAME/shots.parquet`` (and contacts, tracks, table the same way: hive partitions
that pandas, pyarrow and DuckDB open as one table), each table once more as CSV, ``sessions.csv``, ``datapackage.json``
and ``pool.json`` with what was pooled from where. Pooling again redoes only sessions that changed.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
from collections.abc import Container, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd

from pipeline.compare.conditions import DERIVED, condition_columns
from pipeline.compare.counting import counted_mask
from pipeline.measured_session import locate
from pipeline.pool_duplicates import Standing, without_duplicates
from pipeline.pool_evenings import evenings
from pipeline.pool_read import SessionTables, behind, content_hash, read_session_tables
from pipeline.pool_spellings import levels_spelled_alike, other_spellings, spelled_alike, spelling_lines
from pipeline.results import write_csv
from shared.columns import CONDITIONS_AFTER, CONTACTS, FINGERPRINT, POOLED, SHOTS, TRACKS
from shared.errors import ReboundryError, SettingsError
from shared.files import tool_version, write_json, write_text, write_with
from shared.numbers import number_text

MANIFEST = "pool.json"
FORMAT = 1
_POOLED_MEANING = {
    "session": ("string", "", "name of the session"),
    "shots": ("integer", "", "shots in the dataset"),
    "counted": ("integer", "", "of these, shots that comparisons use"),
    "clips": ("integer", "", "clips measured"),
    "settings_sha256": ("string", "", "SHA-256 of the session.toml that it was measured with; empty: there was none"),
    "calibration_sha256": ("string", "", "SHA-256 of its calibration.json"),
    "content_sha256": ("string", "", "SHA-256 over the files that were pooled"),
    "source": ("string", "", "where its results lay, from the dataset's folder; empty: another session lies there now"),
    "shot_key": ("string", "", "session/shot_id: unique in the dataset"),
    "filmed_with": ("string", "", "the evening: the first session with shots here that shares recordings with it"),
    "table": ("string", "", "name of the table's standard"),
    "table_length_mm": ("number", "mm", "nose to nose"),
    "table_width_mm": ("number", "mm", "nose to nose"),
    "corner_mouth_mm": ("number", "mm", "opening of a corner pocket"),
    "side_mouth_mm": ("number", "mm", "opening of a side pocket"),
    "ball_diameter_mm": ("number", "mm", "diameter of the balls"),
    "tool_version": ("string", "", "version that measured the shot"),
    "source_sha256": ("string", "", "SHA-256 of the clip"),
    "dew_point_c": ("number", "degC", "from temperature_c and humidity_pct (Magnus formula, WMO-No. 8)"),
    "absolute_humidity_gm3": ("number", "g/m3", "water vapour in the air"),
    "vapour_pressure_hpa": ("number", "hPa", "partial pressure of water vapour"),
}


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
    manifest = _read_manifest(out)
    known: dict[str, dict[str, Any]] = manifest["sessions"]
    lines: list[str] = []
    failed: list[str] = []
    added: list[str] = []
    unchanged: list[str] = []
    fresh: dict[str, SessionTables] = {}
    for path in _expand(paths, lines):
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
    recordings = {name: {clip["sha256"] for clip in entry["clips"]} for name, entry in known.items() if name in pooled}
    shared = [(name, keeper) for name, keepers in once.kept_by.items() for keeper in keepers]
    shots = _one_type(_with_evening(once.shots, evenings(recordings, shared)))
    if not fingerprints.empty:
        fingerprints = fingerprints[fingerprints["session"].isin(list(known))]
    if not contacts.empty:
        contacts = contacts[(contacts["session"] + "/" + contacts["shot_id"]).isin(shots["shot_key"])]
    lines += _version_lines(known)
    lines += _condition_lines(shots)
    sessions = _session_table(known, shots)
    _write(out, {"shots": shots, "contacts": contacts, "table": fingerprints}, sessions, tracks, known)
    return PoolReport(out, shots, sessions, tuple(added), tuple(unchanged), tuple(dict.fromkeys(lines)), tuple(failed))


def read_pool(out: Path, *, contact_columns: Sequence[str] | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Shots and contacts (all columns, or these) of a dataset as DataFrames. Raises SettingsError where it is none."""
    if not (out / MANIFEST).is_file():
        session = (out / "measured").is_dir() or (out / "shots.csv").is_file()
        given, made = (shlex.quote(str(out)), "dataset") if session else ("SESSION...", shlex.quote(str(out)))
        raise SettingsError(f"{out}: is {'a session and ' * session}no dataset; make one with `reboundry pool {given} "
                            f"--out {made}`{f', then `reboundry compare {made}`' * session}.")
    _read_manifest(out)
    return read_partitions(out / "shots"), read_partitions(out / "contacts", contact_columns)


def changed_sessions(out: Path) -> list[str]:
    """A line for each session of the dataset whose files, where they are still there, aren't those that were pooled: it
    was measured again, or looked through in `review`, or its reviews.csv put right by hand; or whose session.toml or
    takes.csv aren't those that it was measured with."""
    lines = []
    for name, entry in _read_manifest(out)["sessions"].items():
        place = out.resolve() / str(entry.get("source", ""))
        if not entry.get("source") or not (place / "shots.csv").is_file():
            continue
        if said := behind(locate(place)[0], place):
            lines += [f"{name}: {line}" for line in said]
        elif content_hash(place) != entry["content_sha256"]:
            lines.append(f"{name} has changed since it was pooled; pool again.")
    return lines


def partition(table: Path, session: str) -> Path:
    """The folder of one session's rows in a table's folder, named as hive partitions are."""
    return table / f"session={quote(session, safe=' ')}"


def read_partitions(folder: Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """One table of a dataset with its ``session`` column, or just ``columns`` (``session`` among them) of it; no rows
    where the table isn't there."""
    if not folder.is_dir() or not any(folder.glob("session=*/*.parquet")):
        return pd.DataFrame()
    import pyarrow as pa
    from pyarrow.dataset import partitioning

    by_name = partitioning(pa.schema([("session", pa.string())]), flavor="hive")  # else 0105 would be read as 105
    rows = pd.read_parquet(folder, columns=None if columns is None else list(columns), partitioning=by_name)
    return rows.assign(session=rows["session"].astype("string"))


def _read_partition(out: Path, table: str, session: str) -> pd.DataFrame:
    """One session's rows of a table; no rows where it has none."""
    path = partition(out / table, session) / f"{table}.parquet"
    if not path.is_file():
        return pd.DataFrame()
    rows = pd.read_parquet(path)
    return rows.assign(session=pd.Series(session, index=rows.index, dtype="string"))


def _read_manifest(out: Path) -> dict[str, Any]:
    path = out / MANIFEST
    if not path.is_file():
        if out.is_dir() and any(out.iterdir()):
            raise SettingsError(f"{out}: holds other files and is no dataset; give --out a new folder.")
        if out.exists() and not out.is_dir():
            raise SettingsError(f"{out}: is a file; give --out a folder.")
        return {"format": FORMAT, "sessions": {}}
    try:
        manifest: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if manifest["format"] != FORMAT:
            raise SettingsError(
                f"{out}: was pooled by another version (format {manifest['format']}); pool into a new folder."
            )
        manifest["sessions"] = dict(manifest["sessions"])
    except (ValueError, KeyError, TypeError) as error:
        raise SettingsError(f"{path}: is damaged ({error}); remove the dataset and pool again.") from error
    return manifest


def _expand(paths: Sequence[Path], lines: list[str]) -> list[Path]:
    """Sessions themselves, or the sessions inside a folder of them; each once."""
    out: dict[Path, Path] = {}
    for path in paths:
        if not path.is_dir():
            raise SettingsError(f"{path}: no such folder; give a session that was measured.")
        if (path / MANIFEST).is_file():
            raise SettingsError(f"{path}: is a dataset and no session; give the sessions, and the dataset as --out.")
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
    """Whether the dataset lacks shots of a session, as they are in another one, too, or has decisions that were made in
    another one."""
    return bool(entry.get("pooled_shots", entry["shots"]) < entry["shots"] or entry.get("borrowed_decisions", 0))


def _read_whole(out: Path, known: dict[str, dict[str, Any]], fresh: dict[str, SessionTables]) -> list[str]:
    """Whole again, into ``fresh``: sessions that weren't given this time and aren't in the dataset as they were
    measured, as the ones that they share shots with may have changed. A line for each that can't be read any more."""
    lines = []
    for name, entry in known.items():
        if name in fresh or not _not_as_measured(entry):
            continue
        place = _place(out, entry)
        missing = entry["shots"] - entry.get("pooled_shots", entry["shots"])
        if _is_there(out, entry) and content_hash(place) == entry["content_sha256"]:
            fresh[name] = _renamed(read_session_tables(place), name, known)
        elif missing:
            lines.append(
                f"{name}: {missing} shot(s) had been left out as another session has them; its files have changed or "
                "are gone, so if that session lost them they are missing now. Pool it again."
            )
        else:
            lines.append(
                f"{name}: has decisions that were made in another session; its files have changed or are gone, so they "
                "stay as they were. Pool it again."
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
        read = (new[name].pop(table) if name in new else _read_partition(out, table, name) for name in known)
        return [rows for rows in read if len(rows)]

    filmed = parts("shots")
    spellings = other_spellings(filmed)
    lines = spelling_lines(spellings)
    for i, rows in enumerate(filmed):
        filmed[i], said = spelled_alike(rows, spellings)
        lines += said
    shots = _stacked(filmed or [_no_shots()])
    filmed.clear()
    contacts, fingerprints = _stacked(parts("contacts")), levels_spelled_alike(_stacked(parts("table")), spellings)
    shots = shots.assign(shot_key=shots["session"].astype("string") + "/" + shots["shot_id"].astype("string"))
    return shots, contacts, fingerprints, lines


def _no_shots() -> pd.DataFrame:
    """No rows, the columns of pooled shots."""
    added = {name: "float64" if _POOLED_MEANING[name][0] == "number" else "string" for name in POOLED}
    return SHOTS.empty().assign(**{name: pd.Series(dtype=kind) for name, kind in added.items()})


def _stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame()
    columns = list(dict.fromkeys(c for part in parts for c in part.columns))
    mixed = {c for c in columns if len({_is_number(part[c]) for part in parts if c in part}) > 1}
    cast = [part.assign(**{c: _as_text(part[c]) for c in mixed if c in part}) for part in parts]
    return pd.concat(cast, ignore_index=True)[columns]


def _is_number(cells: pd.Series) -> bool:
    return bool(pd.api.types.is_numeric_dtype(cells)) and not pd.api.types.is_bool_dtype(cells)


def _as_text(cells: pd.Series) -> pd.Series:
    if not _is_number(cells):
        return cells.astype("string")
    return pd.Series([None if pd.isna(v) else number_text(v) for v in cells], index=cells.index, dtype="string")


def _one_type(shots: pd.DataFrame) -> pd.DataFrame:
    """Every column in one type over all sessions, so that the partitions read as one table."""
    out = _ordered(shots)
    for name in out.columns:
        if name in SHOTS.dtypes:
            out[name] = out[name].astype(SHOTS.dtypes[name])
        elif _is_number(out[name]):
            out[name] = out[name].astype("float64")
        else:
            out[name] = out[name].astype("string")
    return out


def _ordered(shots: pd.DataFrame) -> pd.DataFrame:
    """SHOTS in their order, the conditions in their place among them, what pooling adds at the end."""
    own = condition_columns(shots)
    at = SHOTS.names.index(CONDITIONS_AFTER) + 1
    order = [*SHOTS.names[:at], *own, *SHOTS.names[at:]]
    return shots[[*order, *(c for c in shots.columns if c not in order)]].copy()


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


def _write(
    out: Path,
    tables: dict[str, pd.DataFrame],
    sessions: pd.DataFrame,
    tracks: dict[str, Path],
    known: dict[str, dict[str, Any]],
) -> None:
    """All files, the manifest last: a run cut short is done again."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        for table, rows in tables.items():
            here = set() if rows.empty else set(rows["session"].unique())
            _remove_others(out / table, here)
            if rows.empty and table != "shots":
                (out / f"{table}.csv").unlink(missing_ok=True)
                continue
            for name, part in rows.groupby("session", sort=False):
                _write_partition(partition(out / table, str(name)) / f"{table}.parquet", part)
            declared = [c for c in condition_columns(rows) if c not in DERIVED] if table == "shots" else []
            write_csv(out / f"{table}.csv", rows, exact=declared)
        _remove_others(out / "tracks", known)
        for name, place in tracks.items():
            _copy_tracks(place, partition(out / "tracks", name) / "tracks.parquet")
        write_text(out / "sessions.csv", sessions.to_csv(index=False, lineterminator="\n"))
        write_json(out / "datapackage.json", _package(out, tables, sessions))
        write_json(out / MANIFEST, {"format": FORMAT, "tool_version": tool_version(), "sessions": known})
    except OSError as error:
        raise SettingsError(
            f"{out}: can't be written to ({error.strerror}); give another folder with --out."
        ) from error


def _remove_others(table: Path, sessions: Container[str]) -> None:
    """The folders of sessions that a table no longer has."""
    for stale in table.glob("session=*"):
        if unquote(stale.name.removeprefix("session=")) not in sessions:
            shutil.rmtree(stale)


def _write_partition(path: Path, rows: pd.DataFrame) -> None:
    """Rows without ``session`` (the folder's name says it); left alone if nothing changed."""
    part = rows.drop(columns="session").reset_index(drop=True)
    if path.is_file():
        old = pd.read_parquet(path)
        if list(old.columns) == list(part.columns) and old.dtypes.equals(part.dtypes) and old.equals(part):
            return
    write_with(path, lambda file: part.to_parquet(file, index=False))


def _copy_tracks(source: Path, target: Path) -> None:
    def copy(file: Any) -> None:
        with source.open("rb") as content:
            shutil.copyfileobj(content, file)

    write_with(target, copy)


def _package(out: Path, tables: dict[str, pd.DataFrame], sessions: pd.DataFrame) -> dict[str, Any]:
    """datapackage.json: every table of the dataset with the columns that it has, in their order."""
    resources = []
    for schema in (SHOTS, CONTACTS, FINGERPRINT):
        rows = tables[schema.name]
        if len(rows) or schema is SHOTS:
            resource = schema.resource(f"{schema.name}.csv")
            named = {f["name"]: f for f in resource["schema"]["fields"]}
            resource["schema"]["fields"] = [named.get(str(c)) or _field(rows, str(c)) for c in rows.columns]
            resources.append(resource)
    listed = {"name": "sessions", "title": "Where each session came from", "path": "sessions.csv"}
    resources.append({**listed, "schema": {"fields": [_field(sessions, str(c)) for c in sessions.columns]}})
    files = [file.relative_to(out).as_posix() for file in sorted((out / "tracks").glob("session=*/tracks.parquet"))]
    if files:
        meaning = "one file a session; the part session=NAME of its path is the column session (a hive partition)"
        partition_fields = [{"name": "session", "type": "string", "description": "name of the session"}]
        resource = {**TRACKS.resource("tracks"), "path": files, "format": "parquet", "description": meaning}
        resources.append({**resource, "partitionFields": partition_fields})
    return {
        "profile": "data-package",
        "name": "pooled-sessions",
        "resources": resources,
        "sources": [{"title": f"reboundry {tool_version()}"}],
    }


def _field(shots: pd.DataFrame, name: str) -> dict[str, str]:
    if name in _POOLED_MEANING:
        kind, unit, meaning = _POOLED_MEANING[name]
        return {"name": name, "type": kind, "description": meaning} | ({"unit": unit} if unit else {})
    kind = "number" if _is_number(shots[name]) else "string"
    return {"name": name, "type": kind, "description": "condition, as declared"}
