"""Frames that a caller brings, each of our columns in our type: not every one is as `pool` gives it."""

from __future__ import annotations

import pandas as pd

from pipeline.cells import OddCell, numbers, yes_no
from shared.columns import CONTACTS, FINGERPRINT, SHOTS, TableSchema
from shared.errors import SettingsError

#: columns of SHOTS that are looked at whatever is compared
_NEEDED = ("shot_id", "target", "kind", "banked_ball", "rail", "rail_sight", "verdict", "reasons", "review", "counted")
#: numbers that pooling adds
_POOLED = ("table_length_mm", "table_width_mm", "corner_mouth_mm", "side_mouth_mm", "ball_diameter_mm")


def given_shots(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots with numbers as numbers, ``counted`` as booleans, and empty columns for what a table that isn't ours may
    lack.

    Raises SettingsError for a cell that isn't understood, and where nothing tells which shots count.
    """
    shots = _typed(shots, SHOTS, "shots", more=_POOLED)
    if len(shots) and not {"counted", "verdict"} & set(shots.columns):
        raise SettingsError(
            "these shots have neither a column counted nor verdict, so which of them to compare isn't known; give the "
            "shots of `reboundry.pool` or of a measured session."
        )
    missing = [name for name in _NEEDED if name not in shots]
    empty = {name: pd.Series(None, index=shots.index, dtype=SHOTS.dtypes[name]) for name in missing}
    return shots.assign(**empty) if missing else shots


def with_session(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots of which each has a text in ``session``; for after contacts are joined, which go by one that is given."""
    session = shots["session"].astype("string").fillna("") if "session" in shots else ""
    return shots.assign(session=session)


def given_contacts(contacts: pd.DataFrame | None) -> pd.DataFrame:
    """Contacts with numbers as numbers; none: no rows. Raises SettingsError for a cell that isn't understood."""
    return pd.DataFrame() if contacts is None else _typed(contacts, CONTACTS, "contacts")


def given_parameters(parameters: pd.DataFrame | None) -> pd.DataFrame:
    """Rows of table.csv with numbers as numbers; none: no rows. Raises SettingsError as ``given_contacts``."""
    return pd.DataFrame() if parameters is None else _typed(parameters, FINGERPRINT, "parameters")


def _typed(rows: pd.DataFrame, schema: TableSchema, what: str, more: tuple[str, ...] = ()) -> pd.DataFrame:
    if not isinstance(rows, pd.DataFrame):
        raise SettingsError(f"{what}: {type(rows).__name__} where a DataFrame should be, as `reboundry.pool` gives it.")
    typed: dict[str, pd.Series] = {}
    for name, dtype in (schema.dtypes | dict.fromkeys(more, "float64")).items():
        if dtype == "string" or name not in rows:
            continue
        given = rows[name]
        try:
            cells = yes_no(given) if dtype == "boolean" else numbers(given)
        except OddCell as odd:
            where = f"of shot {rows['shot_id'].iloc[odd.at]}" if "shot_id" in rows else f"in row {odd.at + 1}"
            raise SettingsError(f"{what}: column {name} {where} {odd}.") from odd
        if cells is not given:
            typed[name] = cells
    return rows.assign(**typed) if typed else rows
