"""A table as CSV, some rows at a time, so that a large one is never held as text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd

from shared.files import write_with

_ROWS_AT_ONCE = 20_000


def write_csv(path: Path, rows: pd.DataFrame) -> None:
    """Write ``rows`` without their index, whole or not at all: UTF-8, line feeds, numbers with eight digits, what is
    empty empty. The same bytes as ``rows.to_csv(index=False, float_format="%.8g", lineterminator="\\n")``.
    """

    def fill(file: BinaryIO) -> None:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="")
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(rows.columns)
        for start in range(0, len(rows), _ROWS_AT_ONCE):
            part = rows.iloc[start : start + _ROWS_AT_ONCE]
            writer.writerows(zip(*(_cells(part.iloc[:, n]) for n in range(part.shape[1])), strict=True))
        text.detach()

    write_with(path, fill)


def _cells(column: pd.Series) -> Iterable[Any]:
    if isinstance(column.dtype, pd.api.extensions.ExtensionDtype) or column.dtype == object:
        empty = column.isna()
        return [""] * len(column) if empty.all() else column.astype(object).mask(empty, "").tolist()
    if column.dtype.kind == "f":
        return [""] * len(column) if column.isna().all() else ["" if v != v else f"{v:.8g}" for v in column.tolist()]
    return column.tolist()
