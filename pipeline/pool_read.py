"""One measured session, read for pooling: its tables checked against the schema, with where they came from."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.store import read_calibrations
from pipeline.as_declared import declared_since, kept_hashes
from pipeline.compare.conditions import condition_columns, units_in
from pipeline.contacts_file import check_events, named, read_contacts, shots_of_contacts_only
from pipeline.csv_tables import read_table, require_columns
from pipeline.earlier_results import is_of_earlier_run
from pipeline.measured_session import locate, read_shots
from pipeline.pool_reviews import reviews_not_in_shots
from pipeline.recordings import log_lines
from pipeline.results import NOT_MEASURED
from shared.climate import absolute_humidity_gm3, dew_point_c, vapour_pressure_hpa
from shared.columns import DERIVED, FINGERPRINT, POOLED_DERIVED, SHOTS, is_ours
from shared.equipment import Table
from shared.errors import CalibrationError, SchemaError, SettingsError
from shared.files import file_sha256
from shared.session_file import SESSION_FILE, read_session

_CORE = ("shot_id", "clip", "shot", "verdict", "counted")
_CORE_OF_TABLE = ("quantity", "value", "value_u")
_TELLING = 4  # measured values that make a shot one of its kind
_HASHED_FILES = ("shots.csv", "contacts.csv", "table.csv", "datapackage.json", "calibration.json")


@dataclass(frozen=True, eq=False)
class SessionTables:
    """A session as pooled. ``origin``: what the manifest keeps; ``notes``: lines for the reader."""

    name: str
    place: Path
    shots: pd.DataFrame  # SHOTS, conditions, pooled columns
    contacts: pd.DataFrame  # CONTACTS and session
    fingerprint: pd.DataFrame  # the table's own parameters, or no rows
    tracks: Path | None
    behind: tuple[str, ...]  # what to say where shots.csv lacks decisions, or what was declared after measuring
    origin: dict[str, Any]
    notes: tuple[str, ...]


def read_session_tables(path: Path) -> SessionTables:
    """Read a session folder or its measured/ folder.

    Raises SettingsError where nothing was measured, SchemaError where columns or units aren't those of this version.
    """
    folder, place = locate(path)
    name = folder.name
    package = _json(place / "datapackage.json")
    _check_units(place, package)
    shots = read_shots(place)
    require_columns(place / "shots.csv", shots, _CORE)
    notes: list[str] = []
    extra = tuple(str(c) for c in shots.columns if c not in SHOTS.dtypes)
    clashing = [c for c in extra if c not in DERIVED and (is_ours(c) or c == POOLED_DERIVED)]
    for column in clashing:
        notes.append(f"{name}: {column!r} is a column that the program writes itself; left out as a condition. Rename "
                     "it in takes.csv or session.toml, then measure again.")
    extra = tuple(c for c in extra if c not in clashing)
    shots = shots.drop(columns=clashing)
    conditions = {str(c): shots[c] for c in extra}
    shots = SHOTS.conform(shots, extra=extra)
    _check_names(place / "shots.csv", shots)
    for condition, cells in conditions.items():
        units = units_in(cells) if not pd.api.types.is_numeric_dtype(cells) else {}
        if len(units) > 1:
            found = ", ".join(u if u else "no unit" for u in sorted(units))
            notes.append(f"{name}: {condition} is written in two units ({found}); write it in one, then measure again.")
    given = shots["session"].dropna().unique()
    name = str(given[0]) if len(given) == 1 and str(given[0]) else name
    table = _table(folder, place)
    shots = _climate(_with_table(shots.assign(session=name), table), name, notes)
    contacts = pd.DataFrame()
    if (place / "contacts.csv").is_file():
        contacts = read_contacts(place).assign(session=name)
        check_events(place, shots, contacts)
        if without := shots_of_contacts_only(shots, contacts):
            notes.append(f"{name}: contacts.csv has events of shots that shots.csv lacks ({named(without)}), as where "
                         "it was cut short or rows were taken out; those shots are left out. Measure it again to have "
                         "them.")
    elif len(shots):
        notes.append(f"{name}: has no contacts.csv, so what is told from contacts is missing, as speed_kept_1; measure "
                     "it again.")
    version = _version(place, package)
    hashes = _clip_hashes(place)
    shots = shots.assign(
        tool_version=pd.Series(version, index=shots.index, dtype="string"),
        source_sha256=shots["clip"].map(hashes).astype("string"),
    )
    if unreached := _not_measured(place):
        notes.append(f"{name}: its last run was stopped, so clips are missing ({len(unreached)}, {unreached[0]} among "
                     "them); measure it again.")
    if is_of_earlier_run(place):
        notes.append(f"{name}: its last run was stopped, so its results are those of the run before; measure it again.")
    fingerprint = pd.DataFrame()
    if (place / "table.csv").is_file():
        rows = read_table(place / "table.csv", FINGERPRINT)
        require_columns(place / "table.csv", rows, _CORE_OF_TABLE)
        more = tuple(c for c in rows.columns if c not in FINGERPRINT.dtypes)
        fingerprint = FINGERPRINT.conform(rows, extra=more).assign(session=name)
    origin = {
        "session": name,
        "tool_version": version,
        "table": table.name if table else "",
        "settings_sha256": kept_hashes(place).get(SESSION_FILE, _hash_if(folder / SESSION_FILE)),
        "calibration_sha256": _hash_if(place / "calibration.json"),
        "content_sha256": content_hash(place),
        "measured_at": _measured_at(place),
        "clips": [{"clip": clip, "sha256": digest} for clip, digest in sorted(hashes.items())],
        "shots": len(shots),
        "conditions": condition_columns(shots),
    }
    tracks = _check_tracks(place / "tracks.parquet")
    return SessionTables(
        name, place, shots, contacts, fingerprint, tracks, behind(folder, place), origin, tuple(notes)
    )


def behind(folder: Path, place: Path) -> tuple[str, ...]:
    """What to say, behind a session's name, of results in ``place`` that aren't what its files say by now."""
    return tuple(filter(None, (reviews_not_in_shots(place), declared_since(folder, place))))


def _check_names(path: Path, shots: pd.DataFrame) -> None:
    """Raises SchemaError where two shots have one name. A row that is there twice is one shot: pooling tells."""
    told = pd.DataFrame({"shot_id": shots["shot_id"], "measured": shot_hashes(shots)})
    odd = told[told.duplicated("shot_id") & ~(told.duplicated() & (told["measured"] != ""))]
    if len(odd):
        raise SchemaError(f"{path}: more than one shot is called {odd['shot_id'].iloc[0]}; put that right, or measure "
                          "the session again.")


def _check_tracks(path: Path) -> Path | None:
    """The file, or None where there is none. Raises SchemaError where it was cut short."""
    import pyarrow.parquet as pq

    if not path.is_file():
        return None
    try:
        pq.read_schema(path)
    except (OSError, ValueError) as error:
        raise SchemaError(f"{path}: is damaged or was cut short; measure the session again.") from error
    return path


def content_hash(place: Path) -> str:
    """SHA-256 over the files that pooling reads, so that an unchanged session is known again."""
    digest = hashlib.sha256()
    for name in _HASHED_FILES:
        if (place / name).is_file():
            digest.update(f"{name} {file_sha256(place / name)}\n".encode())
    return digest.hexdigest()


def shot_hashes(shots: pd.DataFrame) -> list[str]:
    """Per shot, SHA-256 of what was measured, names and declarations left out: equal for a shot that is there twice.

    '' where too little was measured to tell shots apart by.
    """
    measured = [c.name for c in SHOTS.columns if c.uncertain and c.name in shots]
    values = shots[measured].to_numpy(dtype=float, na_value=np.nan)
    times = shots[["start_s", "end_s"]].to_numpy(dtype=float, na_value=np.nan)
    telling = np.isfinite(values).sum(axis=1) >= _TELLING
    words = " ".join(["%.7g"] * (2 + values.shape[1]))
    return [
        hashlib.sha256((words % tuple(row.tolist())).encode()).hexdigest() if tells else ""
        for row, tells in zip(np.hstack([times, values]), telling, strict=True)
    ]


def _measured_at(place: Path) -> str:
    """When `measure` last wrote here, ISO 8601 in UTC: the log's time, as a review rewrites other files; else ''."""
    log = place / "log.jsonl"
    return datetime.fromtimestamp(log.stat().st_mtime, UTC).isoformat(timespec="milliseconds") if log.is_file() else ""


def _json(path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SchemaError(f"{path}: is not valid JSON ({error}); measure the session again.") from error
    return content if isinstance(content, dict) else {}


def _check_units(place: Path, package: dict[str, Any]) -> None:
    """Units written in the session's own data package against those of this version."""
    units = {c.name: c.unit for c in SHOTS.expanded}
    for resource in _listed(place, package, "resources"):
        if resource.get("name") != "shots":
            continue
        schema = resource.get("schema")
        for field in _listed(place, schema if isinstance(schema, dict) else {}, "fields"):
            name, unit = field.get("name"), field.get("unit", "")
            if name in units and unit != units[name]:
                raise SchemaError(
                    f"{place}: {name} is in {unit or 'no unit'}, this version uses {units[name] or 'no unit'}; measure "
                    "the session again."
                )


def _listed(place: Path, holder: dict[str, Any], name: str) -> list[dict[str, Any]]:
    """The objects that a data package lists under a name; none where it has no such list."""
    listed = holder.get(name, [])
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        raise SchemaError(f"{place / 'datapackage.json'}: {name} is no list of objects; measure the session again.")
    return listed


def _version(place: Path, package: dict[str, Any]) -> str:
    for source in _listed(place, package, "sources"):
        title = str(source.get("title", ""))
        if title.startswith("reboundry "):
            return title.removeprefix("reboundry ")
    return ""


def _clip_hashes(place: Path) -> dict[str, str]:
    return {str(line["clip"]): str(line["sha256"]) for line in log_lines(place) if line.get("sha256")}


def _not_measured(place: Path) -> list[str]:
    return [str(line["clip"]) for line in log_lines(place) if line.get("status") == NOT_MEASURED]


def _hash_if(path: Path) -> str:
    return file_sha256(path) if path.is_file() else ""


def _table(folder: Path, place: Path) -> Table | None:
    """The table that was measured on: as calibrated, else as the session file says."""
    if (place / "calibration.json").is_file():
        try:
            found = read_calibrations(place / "calibration.json")
        except (OSError, ValueError, KeyError, CalibrationError, SettingsError):
            found = []  # an older file: the session's own settings say the same
        if found:
            return found[0].table
    if (folder / SESSION_FILE).is_file():
        return read_session(folder / SESSION_FILE).table
    return None


def _with_table(shots: pd.DataFrame, table: Table | None) -> pd.DataFrame:
    def number(value: float | None) -> pd.Series:
        return pd.Series(np.nan if value is None else value, index=shots.index, dtype="float64")

    name = pd.Series(table.name if table else pd.NA, index=shots.index, dtype="string")
    return shots.assign(
        table=name,
        table_length_mm=number(table.length_mm if table else None),
        table_width_mm=number(table.width_mm if table else None),
        corner_mouth_mm=number(table.corner_mouth_mm if table else None),
        side_mouth_mm=number(table.side_mouth_mm if table else None),
        ball_diameter_mm=number(table.ball.diameter_mm if table else None),
    )


def _climate(shots: pd.DataFrame, name: str, notes: list[str]) -> pd.DataFrame:
    """Dew point, absolute humidity and vapour pressure where temperature and humidity are numbers."""
    if not {"temperature_c", "humidity_pct"} <= set(shots.columns):
        return shots
    t, rh = (
        pd.to_numeric(shots[c], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        for c in ("temperature_c", "humidity_pct")
    )
    try:
        derived = {
            "dew_point_c": dew_point_c(t, rh),
            "absolute_humidity_gm3": absolute_humidity_gm3(t, rh),
            "vapour_pressure_hpa": vapour_pressure_hpa(t, rh),
        }
    except SettingsError as problem:
        notes.append(f"{name}: {problem} Dew point and absolute humidity left empty.")
        return shots
    return shots.assign(**derived)
