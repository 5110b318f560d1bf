"""Rows of several sessions as one table: the same columns, each of one type."""

from __future__ import annotations

import pandas as pd

from pipeline.compare.conditions import condition_columns
from shared.columns import CONDITIONS_AFTER, SHOTS
from shared.numbers import number_text


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame()
    columns = list(dict.fromkeys(c for part in parts for c in part.columns))
    mixed = {c for c in columns if len({is_number(part[c]) for part in parts if c in part}) > 1}
    cast = [part.assign(**{c: _as_text(part[c]) for c in mixed if c in part}) for part in parts]
    return pd.concat(cast, ignore_index=True)[columns]


def one_type(shots: pd.DataFrame) -> pd.DataFrame:
    """Every column in one type over all sessions, so that the partitions read as one table."""
    out = _ordered(shots)
    for name in out.columns:
        if name in SHOTS.dtypes:
            out[name] = out[name].astype(SHOTS.dtypes[name])
        elif is_number(out[name]):
            out[name] = out[name].astype("float64")
        else:
            out[name] = out[name].astype("string")
    return out


def _ordered(shots: pd.DataFrame) -> pd.DataFrame:
    """SHOTS in their order, the conditions in their place among them, what pooling adds at the end."""
    own = condition_columns(shots)
    at = SHOTS.names.index(CONDITIONS_AFTER) + 1
    order = [*SHOTS.names[:at], *own, *SHOTS.names[at:]]
    return shots[[*order, *(c for c in shots.columns if c not in order)]].copy()


def is_number(cells: pd.Series) -> bool:
    return bool(pd.api.types.is_numeric_dtype(cells)) and not pd.api.types.is_bool_dtype(cells)


def _as_text(cells: pd.Series) -> pd.Series:
    if not is_number(cells):
        return cells.astype("string")
    return pd.Series([None if pd.isna(v) else number_text(v) for v in cells], index=cells.index, dtype="string")
