"""CSVs of ours read back, each row with its line in the file: they may have been edited, or saved by a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.cells import OddCell, numbers, one_of, whole_numbers, yes_no
from shared.columns import TableSchema
from shared.errors import SchemaError


def read_table(path: Path, schema: TableSchema, texts: Sequence[str] = (), filled: Sequence[str] = ()) -> pd.DataFrame:
    """A CSV of ours: known columns typed, the player's other ones as they come. The index is each row's line in the
    file.

    texts  : columns of the player's that are left as they are, so that 007 stays
    filled : columns in which no row may be empty; those that aren't there say nothing
    raises : SchemaError for a file that can't be read so, naming line and column where it is a cell
    """
    _check_commas(path)
    as_texts = [name for name, dtype in schema.dtypes.items() if dtype in ("string", "boolean")]
    numeric = [name for name in schema.names if name not in as_texts]
    try:
        rows = read_csv(path, dict.fromkeys([*texts, *as_texts], "string"), reach=[*numeric, *filled])
    except (OSError, ValueError) as error:
        why = " ".join(str(error).split())  # of pandas: in more than one line
        raise SchemaError(f"{path}: cannot be read as a table ({why}); measure the session again.") from error
    for name, dtype in schema.dtypes.items():
        if name not in rows:
            continue
        if name in schema.words:
            rows[name] = _word_column(path, rows, name, schema.words[name])
        elif dtype == "boolean":
            rows[name] = _yes_no_column(path, rows, name)
        elif dtype != "string":
            rows[name] = _number_column(path, rows, name, whole=dtype == "Int64").astype(dtype)
    for name in rows.columns:
        if name not in schema.dtypes and not pd.api.types.is_numeric_dtype(rows[name]):
            rows[name] = rows[name].astype("string")
    _require_cells(path, rows, filled)
    return rows


def read_csv(path: Path, dtypes: Mapping[str, Any] | str, reach: Sequence[str] = ()) -> pd.DataFrame:
    """The table as pandas reads it, without rows of empty cells only. The index is each row's line in the file.

    dtypes : of columns that are not to be read as they come, or one of them all
    reach  : columns that every row must reach: numbers, as a row that lost a comma would have its neighbour's in each
             column behind it. Empty cells at a row's end may be missing otherwise: spreadsheets leave them off
    raises : SchemaError for a row with more cells than the header, or too few, as nobody knows which of them belong
             where, and for a last row that breaks off; OSError or ValueError where the file can't be read
    """
    blank, lines = _laid_out(path, reach)
    rows = pd.read_csv(path, dtype=dtypes, keep_default_na=False, na_values=[""], skiprows=blank or None)
    return rows.set_axis(lines, axis=0)


def require_columns(path: Path, rows: pd.DataFrame, columns: Sequence[str]) -> None:
    """Raises SchemaError where a table lacks some of these columns."""
    missing = [name for name in columns if name not in rows]
    if missing:
        raise SchemaError(f"{path}: columns {', '.join(missing)} are missing; measure the session again.")


def _require_cells(path: Path, rows: pd.DataFrame, columns: Sequence[str]) -> None:
    for name in (name for name in columns if name in rows):
        empty = rows.index[rows[name].isna()]
        if len(empty):
            raise SchemaError(f"{path}: line {empty[0]} has no {name}; put that line right, or measure the session "
                              "again.")


def _yes_no_column(path: Path, rows: pd.DataFrame, name: str) -> pd.Series:
    try:
        return yes_no(rows[name])
    except OddCell as odd:
        raise SchemaError(f"{path}: line {rows.index[odd.at]}, column {name} {odd}.") from odd


def _word_column(path: Path, rows: pd.DataFrame, name: str, words: Sequence[str]) -> pd.Series:
    try:
        return one_of(rows[name], words)
    except OddCell as odd:
        raise SchemaError(f"{path}: line {rows.index[odd.at]}, column {name} {odd}; put that right, or measure the "
                          "session again.") from odd


def _number_column(path: Path, rows: pd.DataFrame, name: str, *, whole: bool) -> pd.Series:
    try:
        return whole_numbers(rows[name]) if whole else numbers(rows[name])
    except OddCell as odd:
        raise SchemaError(f"{path}: line {rows.index[odd.at]}, column {name} {odd}, as after saving from a "
                          "spreadsheet; measure the session again.") from odd


def _check_commas(path: Path) -> None:
    """Raises SchemaError where a table of ours is empty, or has other separators than it was written with."""
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            header = file.readline()
    except OSError:
        return  # reading it tells
    if not header.strip():
        raise SchemaError(f"{path}: is empty; measure the session again.")
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        if mark in header and "," not in header:
            raise SchemaError(f"{path}: its columns are separated by {name}, as after saving from a spreadsheet; "
                              "measure the session again.")


def _laid_out(path: Path, reach: Sequence[str]) -> tuple[list[int], list[int]]:
    """Which rows are blank, counted from 0; of the others below the header, the line on which each begins."""
    blank: list[int] = []
    lines: list[int] = []
    filled: list[int] = []  # how many cells each of those rows has
    header: list[str] = []
    line, after = 0, 0
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file)
        try:
            for at, cells in enumerate(reader):
                line, after = after + 1, reader.line_num
                if not any(map(str.strip, cells)):
                    blank.append(at)
                elif not header:
                    header = cells
                else:
                    lines.append(line)
                    filled.append(len(cells))
        except csv.Error as error:
            raise ValueError(str(error)) from error
    if lines[-1:] == [line] and filled[-1] < len(header) and not _ends_its_line(path):
        raise SchemaError(f"{path}: breaks off in line {line}, as where it was cut short; measure the session again.")
    least = max((k for k, name in enumerate(header, start=1) if name in reach), default=0)
    for line, count in zip(lines, filled, strict=True):
        if not least <= count <= len(header):
            comma = "typed into one" if count > least else "taken out"
            raise SchemaError(f"{path}: line {line} has {count} cell{'s' * (count != 1)} where the header has "
                              f"{len(header)}, as after a comma that was {comma}, so which is of which column isn't "
                              "known; put that line right, or measure the session again.")
    return blank, lines


def _ends_its_line(path: Path) -> bool:
    """Whether the last line is ended, as whoever writes a whole table of ours does."""
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read() in (b"\n", b"\r")
