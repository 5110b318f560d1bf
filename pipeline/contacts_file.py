"""contacts.csv read back."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.csv_tables import read_table
from shared.columns import CONTACTS
from shared.errors import SchemaError


def read_contacts(place: Path) -> pd.DataFrame:
    """contacts.csv in a folder of results: CONTACTS rows. Raises SchemaError where it is of no use."""
    path = place / "contacts.csv"
    rows = read_table(path, CONTACTS)
    try:
        return CONTACTS.conform(rows)
    except SchemaError as error:
        raise SchemaError(f"{path}: {error} Measure the session again.") from error
