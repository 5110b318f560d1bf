"""A dataset's files: read, and written anew with the manifest last.

A dataset is a folder: ``shots/session=NAME/shots.parquet`` (and contacts, tracks, table the same way: hive partitions
that pandas, pyarrow and DuckDB open as one table), each table once more as CSV, ``sessions.csv``, ``datapackage.json``
and ``pool.json`` with what was pooled from where. The CSVs are copies for people: nothing here reads them.
"""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Container, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd

from pipeline.compare.conditions import DERIVED, condition_columns
from pipeline.measured_session import POOLED_FILE, locate
from pipeline.pool_read import behind, content_hash
from pipeline.pool_stack import is_number
from pipeline.results import write_csv
from shared.columns import CONTACTS, FINGERPRINT, POOLED, SHOTS, TRACKS
from shared.errors import SettingsError
from shared.files import file_sha256, tool_version, write_json, write_text, write_with

MANIFEST = POOLED_FILE
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


def read_pool(out: Path, *, contact_columns: Sequence[str] | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Shots and contacts (all columns, or these) of a dataset as DataFrames. Raises SettingsError where it is none."""
    if not (out / MANIFEST).is_file():
        session = (out / "measured").is_dir() or (out / "shots.csv").is_file()
        given, made = (shlex.quote(str(out)), "dataset") if session else ("SESSION...", shlex.quote(str(out)))
        raise SettingsError(f"{out}: is {'a session and ' * session}no dataset; make one with `reboundry pool {given} "
                            f"--out {made}`{f', then `reboundry compare {made}`' * session}.")
    read_manifest(out)
    return read_partitions(out / "shots"), read_partitions(out / "contacts", contact_columns)


def changed_sessions(out: Path) -> list[str]:
    """A line for each session of the dataset whose files, where they are still there, aren't those that were pooled: it
    was measured again, or looked through in `review`, or its reviews.csv put right by hand; or whose session.toml or
    takes.csv aren't those that it was measured with; and for each of the dataset's CSVs that was edited."""
    lines = edited_copies(out)
    for name, entry in read_manifest(out)["sessions"].items():
        place = out.resolve() / str(entry.get("source", ""))
        if not entry.get("source") or not (place / "shots.csv").is_file():
            continue
        if said := behind(locate(place)[0], place):
            lines += [f"{name}: {line}" for line in said]
        elif content_hash(place) != entry["content_sha256"]:
            lines.append(f"{name} has changed since it was pooled; pool again.")
    return lines


def edited_copies(out: Path) -> list[str]:
    """A line for each CSV of the dataset that isn't as `pool` wrote it; none where an earlier version pooled it."""
    copies = read_manifest(out).get("copies")
    lines = []
    for name, digest in copies.items() if isinstance(copies, dict) else ():
        if (out / name).is_file() and file_sha256(out / name) != digest:
            instead = "decide in `reboundry review`, then pool again" if name == "shots.csv" else "change nothing there"
            lines.append(f"{out / name} was edited or saved anew since it was pooled. It is a copy that `compare` and "
                         f"`plan` don't read and `pool` writes anew: {instead}.")
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


def read_partition(out: Path, table: str, session: str) -> pd.DataFrame:
    """One session's rows of a table; no rows where it has none."""
    path = partition(out / table, session) / f"{table}.parquet"
    if not path.is_file():
        return pd.DataFrame()
    rows = pd.read_parquet(path)
    return rows.assign(session=pd.Series(session, index=rows.index, dtype="string"))


def read_manifest(out: Path) -> dict[str, Any]:
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


def write_dataset(
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
        written = [path for name in sorted((*tables, "sessions")) if (path := out / f"{name}.csv").is_file()]
        copies = {path.name: file_sha256(path) for path in written}
        content = {"format": FORMAT, "tool_version": tool_version(), "sessions": known, "copies": copies}
        write_json(out / MANIFEST, content)
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
    kind = "number" if is_number(shots[name]) else "string"
    return {"name": name, "type": kind, "description": "condition, as declared"}


def no_shots() -> pd.DataFrame:
    """No rows, the columns of pooled shots."""
    added = {name: "float64" if _POOLED_MEANING[name][0] == "number" else "string" for name in POOLED}
    return SHOTS.empty().assign(**{name: pd.Series(dtype=kind) for name, kind in added.items()})
