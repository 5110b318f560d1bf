"""The files that a session's measuring leaves behind, each written whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.as_declared import KEPT_AS
from pipeline.work import Entry
from shared.climate import absolute_humidity_gm3, dew_point_c
from shared.columns import (
    CONDITIONS_AFTER,
    CONTACTS,
    DECLARED,
    DERIVED,
    FINGERPRINT,
    SHOTS,
    TRACKS,
    TableSchema,
    join_notes,
)
from shared.errors import SettingsError
from shared.files import write_json, write_text, write_with
from shared.names import same_name
from shared.numbers import number_text
from shared.settings import SessionSettings
from shared.take_sheet import CLIMATE, TakeSheet

NOT_MEASURED = "not measured"  # status in log.jsonl of a clip that a stopped run did not reach
DERIVED_MEANING = {
    "dew_point_c": ("degC", "dew point, from temperature_c and humidity_pct (Magnus formula, WMO-No. 8)"),
    "absolute_humidity_gm3": ("g/m3", "water vapour in the air, from temperature_c and humidity_pct"),
}
#: units that the end of a condition's name tells
UNIT_ENDINGS = {"_c": "degC", "_pct": "%", "_mm": "mm", "_s": "s", "_h": "h", "_g": "g", "_days": "d", "_hpa": "hPa"}


def declare(shots: pd.DataFrame, takes: TakeSheet, settings: SessionSettings) -> tuple[pd.DataFrame, list[str]]:
    """Shots with what was declared for them, the condition columns, and the derived climate.

    shots   : SHOTS columns (any subset with clip and shot)
    returns : a copy with ``session``, the declared and the condition columns filled; a line for each cell of no use
    """
    names = condition_names(takes, settings)
    spelled = {same_name(name): name for name in names}
    of_session = {spelled[same_name(name)]: value for name, value in settings.conditions.items()
                  if name not in DECLARED}
    keys = list(zip(shots["clip"], shots["shot"], strict=True))
    out = shots.assign(session=settings.name)
    always = {name: str(settings.conditions[name]) for name in DECLARED if name in settings.conditions}
    doubtful = [takes.is_doubtful(clip, int(shot)) for clip, shot in keys]  # not the session's words either
    declared = [{} if doubt else {**always, **takes.declared(clip, int(shot))}
                for (clip, shot), doubt in zip(keys, doubtful, strict=True)]
    for name in DECLARED:
        out[name] = pd.array([row.get(name) for row in declared], dtype="string")
    given = [{} if doubt else _known({**of_session, **takes.conditions(clip, int(shot))})
             for (clip, shot), doubt in zip(keys, doubtful, strict=True)]
    for name in names:
        out[name] = _typed([row.get(name) for row in given])
    problems = dict.fromkeys(_missing_shots(takes, {(str(clip), int(shot)) for clip, shot in keys}))
    if {"temperature_c", "humidity_pct"} <= set(names):
        climate = [_climate(row, problems) for row in given]
        for i, name in enumerate(DERIVED):
            out[name] = pd.array([row[i] for row in climate], dtype="Float64").astype("float64")
    notes = ["declared twice in takes.csv, differently: left blank" if doubt else "" for doubt in doubtful]
    out["notes"] = join_notes(out["notes"], notes)
    return out, list(problems)


def _known(row: Mapping[str, str | float]) -> dict[str, str | float]:
    """A shot's conditions without those whose cell in takes.csv was of no use."""
    return {name: value for name, value in row.items() if value == value}  # nan isn't


def _missing_shots(takes: TakeSheet, measured: set[tuple[str, int]]) -> list[str]:
    """A line for each row of takes.csv whose shot was not found in its clip; clips not measured have their own line."""
    found = {clip: [shot for name, shot in sorted(measured) if name == clip] for clip, _ in measured}
    return [
        f"takes.csv row {take.row}: {take.clip} has no shot {take.shot} (found: "
        f"{', '.join(map(str, found[take.clip]))}); correct the number or remove the row."
        for take in takes.takes
        if take.shot is not None and take.clip in found and take.shot not in found[take.clip]
    ]


def condition_names(takes: TakeSheet, settings: SessionSettings) -> tuple[str, ...]:
    """Condition columns in order: those of takes.csv, then those of session.toml that it has in no spelling."""
    first: dict[str, str] = {}
    for name in (*takes.condition_names, *settings.conditions):
        if name not in DECLARED:
            first.setdefault(same_name(name), name)
    return tuple(first.values())


def extra_columns(takes: TakeSheet, settings: SessionSettings) -> tuple[str, ...]:
    """Condition columns and, where they can be worked out, the derived climate columns."""
    names = condition_names(takes, settings)
    return (*names, *(DERIVED if {"temperature_c", "humidity_pct"} <= set(names) else ()))


def _typed(cells: list[str | float | None]) -> Any:
    """Whole numbers as such, other numbers as floats, else text; empty where nothing was given."""
    filled = [cell for cell in cells if cell is not None]
    if filled and all(isinstance(cell, float) for cell in filled):
        whole = all(float(cell).is_integer() for cell in filled)
        return pd.Series(cells, dtype="Float64").array.astype("Int64" if whole else "float64")
    texts = [cell if cell is None or isinstance(cell, str) else number_text(cell) for cell in cells]
    return pd.array(texts, dtype="string")


def _climate(row: Mapping[str, str | float], problems: dict[str, None]) -> tuple[float | None, float | None]:
    t, rh = row.get("temperature_c"), row.get("humidity_pct")
    if t is None or rh is None:
        return None, None
    if isinstance(t, str) or isinstance(rh, str):
        texts = [f"{name} = {value!r}" for name, value in zip(CLIMATE, (t, rh), strict=True) if isinstance(value, str)]
        problems[f"conditions: {', '.join(texts)}: no number, so no dew point; write the number alone."] = None
        return None, None
    try:
        return float(dew_point_c(t, rh)), float(absolute_humidity_gm3(t, rh))
    except SettingsError as error:
        problems[f"conditions: {error}"] = None
        return None, None


def write_shots(path: Path, shots: pd.DataFrame, conditions: tuple[str, ...]) -> pd.DataFrame:
    """Write shots.csv with the condition columns in their place; return the rows as written."""
    rows = SHOTS.conform(shots, extra=conditions)
    order = list(SHOTS.names)
    at = order.index(CONDITIONS_AFTER) + 1
    rows = rows[[*order[:at], *(name for name in conditions if name in rows), *order[at:]]]
    write_csv(path, rows, exact=[name for name in conditions if name in rows and name not in DERIVED])
    return rows


def write_csv(path: Path, rows: pd.DataFrame, exact: Sequence[str] = ()) -> None:
    """A CSV as everybody reads it: UTF-8, commas, decimal points, empty cells where nothing was measured.

    exact : columns whose numbers were declared, not measured: written with all their digits
    Written some rows at a time, so that a large table is never held as text.
    """
    declared = [name for name in exact if pd.api.types.is_float_dtype(rows[name])]
    rows = rows.assign(**{name: rows[name].map(number_text, na_action="ignore") for name in declared})
    write_with(path, lambda file: rows.to_csv(file, mode="wb", index=False, float_format="%.8g", lineterminator="\n"))


def write_tracks(path: Path, entries: Sequence[Entry]) -> None:
    """Write tracks.parquet clip by clip, so that memory doesn't grow with their number."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.Schema.from_pandas(TRACKS.empty(), preserve_index=False)

    def write(file: Any) -> None:
        with pq.ParquetWriter(file, schema) as writer:
            for entry in entries:  # not by way of pandas: they are many rows
                writer.write_table(pq.read_table(entry.table_path("tracks"), columns=schema.names).cast(schema))

    write_with(path, write)


def write_log(path: Path, records: Iterable[Mapping[str, Any]]) -> None:
    """One JSON object a line, one line a clip."""
    write_text(path, "".join(json.dumps(record, ensure_ascii=False, default=str) + "\n" for record in records))


def write_datapackage(
    path: Path, session: str, shots: pd.DataFrame, conditions: tuple[str, ...], version: str,
    declared_sha256: Mapping[str, str], remarks: Sequence[str] = (),
) -> None:
    """The meaning, unit and type of every column, as a Frictionless data package.

    declared_sha256 : of the files that conditions and settings were read from, by name
    remarks         : what there is to say of the whole session, for the package's description
    """
    shots_resource = SHOTS.resource("shots.csv")
    fields = shots_resource["schema"]["fields"]
    at = [field["name"] for field in fields].index(CONDITIONS_AFTER) + 1
    fields[at:at] = [_condition_field(name, shots) for name in conditions]
    resources = [shots_resource, CONTACTS.resource("contacts.csv"), FINGERPRINT.resource("table.csv"),
                 TRACKS.resource("tracks.parquet")]
    for resource, form in zip(resources, ("csv", "csv", "csv", "parquet"), strict=True):
        resource["format"] = form
        resource["name"] = resource["name"].lower()
    write_json(path, {
        "profile": "data-package",
        "name": "".join(c if c.isalnum() and c.isascii() else "-" for c in session.lower()).strip("-") or "session",
        "title": f"Bank shots of session {session}",
        **({"description": "\n".join(remarks)} if remarks else {}),
        "sources": [{"title": f"reboundry {version}"}],
        KEPT_AS: dict(declared_sha256),
        "resources": resources,
    })


def _condition_field(name: str, shots: pd.DataFrame) -> dict[str, str]:
    if name in DERIVED_MEANING:
        unit, meaning = DERIVED_MEANING[name]
        return {"name": name, "type": "number", "description": meaning, "unit": unit}
    numeric = name in shots and pd.api.types.is_numeric_dtype(shots[name].dtype)
    field = {"name": name, "type": "number" if numeric else "string", "description": "condition, as declared"}
    unit = next((unit for ending, unit in UNIT_ENDINGS.items() if name.lower().endswith(ending)), "")
    if numeric and unit:
        field["unit"] = unit
    return field


def read_all(entries: Sequence[Entry], name: str, schema: TableSchema) -> pd.DataFrame:
    """The kept tables of all clips, one below the other."""
    kept = [entry.table(name) for entry in entries]
    return schema.conform(pd.concat(kept, ignore_index=True)) if kept else schema.empty()
