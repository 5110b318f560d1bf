"""contacts.csv read back, and held against the shots whose events it has: rows may have been lost since."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.csv_tables import read_table, require_columns
from shared.columns import CONTACTS
from shared.errors import SchemaError

_CONTACT_CELLS = ("shot_id", "n", "kind", "ball")  # without which a row is no event
_NAMED = 3


def read_contacts(place: Path) -> pd.DataFrame:
    """contacts.csv in a folder of results: CONTACTS rows. Raises SchemaError where it is of no use."""
    path = place / "contacts.csv"
    rows = read_table(path, CONTACTS, filled=_CONTACT_CELLS)
    require_columns(path, rows, _CONTACT_CELLS)
    try:
        return CONTACTS.conform(rows)
    except SchemaError as error:
        raise SchemaError(f"{path}: {error} Measure the session again.") from error


def check_events(place: Path, shots: pd.DataFrame, contacts: pd.DataFrame) -> None:
    """Raises SchemaError for shots that lack events in contacts.csv, so that others would be taken for them: their
    numbers ``n`` don't go from 1 on one by one, or the banked ball meets fewer cushions than ``rails`` says.

    shots : SHOTS rows; contacts : CONTACTS rows of the same results
    """
    events = contacts.sort_values(["shot_id", "n"])
    counted = events.groupby("shot_id").cumcount() + 1
    odd = set(events["shot_id"][events["n"] != counted])
    if {"rails", "banked_ball"} <= set(shots.columns):
        met = contacts[contacts["kind"] == "cushion"].value_counts(["shot_id", "ball"])
        keys = pd.MultiIndex.from_frame(shots[["shot_id", "banked_ball"]])
        fewer = met.reindex(keys, fill_value=0).to_numpy() < shots["rails"].to_numpy(dtype=float, na_value=0.0)
        odd |= set(shots["shot_id"][fewer])
    if odd:
        raise SchemaError(f"{place / 'contacts.csv'}: not every event is in it once (shots: {named(odd)}), as where it "
                          "was cut short or rows were taken out; measure the session again.")


def shots_of_contacts_only(shots: pd.DataFrame, contacts: pd.DataFrame) -> set[str]:
    """Shots that have events but no row of their own, as where shots.csv was cut short or a row taken out."""
    return set(contacts["shot_id"]) - set(shots["shot_id"])


def named(shot_ids: set[str]) -> str:
    """'4: a-01, a-02, a-03 ...'."""
    first = ", ".join(sorted(shot_ids)[:_NAMED])
    return f"{len(shot_ids)}: {first}{' ...' if len(shot_ids) > _NAMED else ''}"
