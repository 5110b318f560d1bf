"""CSVs of ours read back, each row with its line in the file: they may have been edited, or saved by a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.cells import OddCell, numbers, yes_no
from shared.errors import SchemaError

#: without which a row of shots.csv is no shot
SHOT_CELLS = ("shot_id", "clip", "verdict")


def read_csv(path: Path, dtypes: Mapping[str, Any] | str) -> pd.DataFrame:
    """The table as pandas reads it, without rows of empty cells only. The index is each row's line in the file.

    dtypes : of columns that are not to be read as they come, or one of them all
    raises : SchemaError for a row with more cells than the header, as nobody knows which of them belong where; OSError
             or ValueError where the file can't be read
    """
    blank, lines = _laid_out(path)
    rows = pd.read_csv(path, dtype=dtypes, keep_default_na=False, na_values=[""], skiprows=blank or None)
    return rows.set_axis(lines, axis=0)


def require_cells(path: Path, rows: pd.DataFrame, columns: Sequence[str]) -> None:
    """Raises SchemaError where a row of ``read_csv`` has nothing in one of these columns; those that aren't there say
    nothing."""
    for name in (name for name in columns if name in rows):
        empty = rows.index[rows[name].isna()]
        if len(empty):
            raise SchemaError(f"{path}: line {empty[0]} has no {name}; remove that line or put it right, or measure "
                              "the session again.")


def yes_no_column(path: Path, rows: pd.DataFrame, name: str) -> pd.Series:
    """A column of ``read_csv`` as booleans, missing where empty. Raises SchemaError for another cell."""
    try:
        return yes_no(rows[name])
    except OddCell as odd:
        raise SchemaError(f"{path}: line {rows.index[odd.at]}, column {name} {odd}.") from odd


def number_column(path: Path, rows: pd.DataFrame, name: str) -> pd.Series:
    """A column of ``read_csv`` as numbers. Raises SchemaError for a cell that is none, or beyond reason."""
    try:
        return numbers(rows[name])
    except OddCell as odd:
        raise SchemaError(f"{path}: line {rows.index[odd.at]}, column {name} {odd}, as after saving from a "
                          "spreadsheet; measure the session again.") from odd


def _laid_out(path: Path) -> tuple[list[int], list[int]]:
    """Which rows are blank, counted from 0; of the others below the header, the line on which each begins."""
    blank: list[int] = []
    lines: list[int] = []
    width, after = 0, 0
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file)
        try:
            for at, cells in enumerate(reader):
                line, after = after + 1, reader.line_num
                if not any(map(str.strip, cells)):
                    blank.append(at)
                elif not width:
                    width = len(cells)
                elif len(cells) <= width:
                    lines.append(line)
                else:
                    raise SchemaError(f"{path}: line {line} has {len(cells)} cells where the header has {width}, as "
                                      "after a comma that was typed into one, so which is of which column isn't known; "
                                      "put that line right, or measure the session again.")
        except csv.Error as error:
            raise ValueError(str(error)) from error
    return blank, lines
