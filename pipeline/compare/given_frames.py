"""Frames that a caller brings, each of our columns in our type: not every one is as `pool` gives it."""

from __future__ import annotations

import pandas as pd

from pipeline.cells import OddCell, numbers, one_of, yes_no
from pipeline.compare.conditions import texts_of
from shared.columns import CONTACTS, FINGERPRINT, SHOTS, TableSchema
from shared.errors import SettingsError

#: columns of SHOTS that are looked at whatever is compared
_NEEDED = ("shot_id", "target", "kind", "banked_ball", "rail", "rail_sight", "verdict", "reasons", "review", "counted")
#: columns of CONTACTS that are looked at, besides ``session``
_NEEDED_OF_CONTACTS = ("shot_id", "n", "kind", "ball", "other", "x_mm", "y_mm", "speed_in_mps", "speed_in_mps_u",
                       "speed_out_mps", "speed_out_mps_u")
#: texts by which rows of the frames are joined, or chosen: pandas reads a session 20260105 from a CSV as a number
_NAMES = ("session", "shot_id", "banked_ball", "ball", "kind", "other")
#: numbers that pooling adds
_POOLED = ("table_length_mm", "table_width_mm", "corner_mouth_mm", "side_mouth_mm", "ball_diameter_mm")


def given_shots(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots with numbers as numbers, ``counted`` as booleans, and empty columns for what a table that isn't ours may
    lack.

    Raises SettingsError for a cell that isn't understood, for a column or shot that is there twice, and where nothing
    tells which shots count.
    """
    shots = _typed(shots, SHOTS, "shots", more=_POOLED)
    if len(shots) and not {"counted", "verdict"} & set(shots.columns):
        raise SettingsError(
            "these shots have neither a column counted nor verdict, so which of them to compare isn't known; give the "
            "shots of `reboundry.pool` or of a measured session."
        )
    _check_once(shots, "shots")
    missing = [name for name in _NEEDED if name not in shots]
    empty = {name: pd.Series(None, index=shots.index, dtype=SHOTS.dtypes[name]) for name in missing}
    return shots.assign(**empty) if missing else shots


def with_session(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots of which each has a text in ``session``; for after contacts are joined, which go by one that is given."""
    session = shots["session"].astype("string").fillna("") if "session" in shots else ""
    return shots.assign(session=session)


def given_contacts(contacts: pd.DataFrame | None) -> pd.DataFrame:
    """Contacts with numbers as numbers; none: no rows.

    Raises SettingsError for a cell that isn't understood, and for a column that is missing, or that or an event that is
    there twice.
    """
    if contacts is None:
        return pd.DataFrame()
    rows = _typed(contacts, CONTACTS, "contacts")
    missing = [name for name in _NEEDED_OF_CONTACTS if name not in rows]
    if len(rows) and missing:
        raise SettingsError(f"contacts: columns {', '.join(missing)} are missing; give the contacts of a dataset or of "
                            "a measured session.")
    if len(rows):
        _check_once(rows[rows["n"].notna()], "contacts", more=("n",))
    return rows


def given_parameters(parameters: pd.DataFrame | None) -> pd.DataFrame:
    """Rows of table.csv with numbers as numbers; none: no rows. Raises SettingsError as ``given_contacts``."""
    return pd.DataFrame() if parameters is None else _typed(parameters, FINGERPRINT, "parameters")


def _typed(rows: pd.DataFrame, schema: TableSchema, what: str, more: tuple[str, ...] = ()) -> pd.DataFrame:
    if not isinstance(rows, pd.DataFrame):
        raise SettingsError(f"{what}: {type(rows).__name__} where a DataFrame should be, as `reboundry.pool` gives it.")
    rows = _out_of_index(rows.set_axis([str(name) for name in rows.columns], axis=1), schema)
    if twice := list(dict.fromkeys(rows.columns[rows.columns.duplicated()])):
        raise SettingsError(f"{what}: more than one column is called {twice[0]}; give each column once.")
    typed: dict[str, pd.Series] = {}
    for name in (name for name in _NAMES if name in rows):
        if str(rows[name].dtype) != "string":  # by its name: see TableSchema.conform
            typed[name] = texts_of(rows[name])
    for name, dtype in (schema.dtypes | dict.fromkeys(more, "float64")).items():
        if name not in rows or (dtype == "string" and name not in schema.words):
            continue
        given = rows[name]
        try:
            if name in schema.words:
                cells = one_of(given, schema.words[name])
            else:
                cells = yes_no(given) if dtype == "boolean" else numbers(given)
        except OddCell as odd:
            where = f"of shot {rows['shot_id'].iloc[odd.at]}" if "shot_id" in rows else f"in row {odd.at + 1}"
            raise SettingsError(f"{what}: column {name} {where} {odd}.") from odd
        if cells is not given:
            typed[name] = cells
    return rows.assign(**typed) if typed else rows


def _out_of_index(rows: pd.DataFrame, schema: TableSchema) -> pd.DataFrame:
    """With our columns that a caller has set as index as columns again: shots lose their session with an index."""
    ours = {*schema.names, *_NAMES, *_POOLED}
    levels = [at for at, name in enumerate(rows.index.names) if name in ours and name not in rows]
    return rows.reset_index(level=levels, allow_duplicates=True) if levels else rows  # two of a name are told of later


def _check_once(rows: pd.DataFrame, what: str, more: tuple[str, ...] = ()) -> None:
    """Raises SettingsError for a shot that is there more than once, or one of its events, told apart by ``more``: it
    would count so often."""
    if "shot_id" not in rows:
        return
    named = rows[rows["shot_id"].fillna("") != ""]
    keys = [name for name in ("session", "shot_id") if name in rows]
    twice = named[named.duplicated([*keys, *more])]
    if len(twice):
        which = "".join(f"{name} {twice[name].iloc[0]} of " for name in more) + str(twice["shot_id"].iloc[0])
        where = f" of {twice['session'].iloc[0]}" if "session" in rows else ""
        hint = "" if "session" in rows else ", or a column session that tells them apart"
        raise SettingsError(f"{what}: {which}{where} is there more than once; give each once{hint}.")
