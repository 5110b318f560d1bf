"""A large table is written some rows at a time, and reads no different."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shared import csv_rows
from shared.columns import SHOTS
from shared.csv_rows import write_csv


def _awkward(n=50):
    rng = np.random.default_rng(1)
    numbers = rng.normal(0, 1, n) * 10.0 ** rng.integers(-12, 12, n)
    numbers[:4] = [np.nan, np.inf, -0.0, 1e300]
    return pd.DataFrame(
        {
            "number": numbers,
            "empty": np.nan,
            "whole": pd.array([None, *range(1, n)], dtype="Int64"),
            "plain whole": np.arange(n),
            "yes": pd.array([None, *([True, False] * n)[1:n]], dtype="boolean"),
            "plain yes": np.arange(n) % 2 == 0,
            "text": pd.array(['a,"b"', "", "two\nlines", " Lücke ", None, "'", *["x"] * (n - 6)], dtype="string"),
            "no text": pd.array([None] * n, dtype="string"),
            "object": ["a, b", None, *["y"] * (n - 2)],
            'na"me, odd': "1",
        }
    )


def _as_pandas(rows):
    return rows.to_csv(index=False, float_format="%.8g", lineterminator="\n").encode()


def test_same_bytes_as_pandas_writes(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_rows, "_ROWS_AT_ONCE", 7)
    two = SHOTS.conform(pd.DataFrame({"shot": [1, 2]}))
    for rows in (_awkward(), _awkward().iloc[:0], _awkward()[["no text"]], two):
        write_csv(tmp_path / "t.csv", rows)
        assert (tmp_path / "t.csv").read_bytes() == _as_pandas(rows)
