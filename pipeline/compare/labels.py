"""Labels of rows, worked out once for each that occurs (a million shots have few conditions), and names of columns."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: columns of the means beside the conditions'
MEAN_COLUMNS = (
    "response", "unit", "stratum", "n", "mean", "sd",
    *(f"{kind}_{what}" for kind in ("raw", "adjusted") for what in ("mean", "low", "high")),
)
_CONDITION = " (condition)"


def column_of(name: str, own: Collection[str]) -> str:
    """A condition's column in a table that has columns of its ``own``: none may hide another."""
    return f"{name}{_CONDITION}" if name in own else name


def condition_of(column: str) -> str:
    """The condition of such a column."""
    return column.removesuffix(_CONDITION)


def labels(cells: pd.Series) -> pd.Categorical:
    """Texts (no empty ones) as a categorical, its names in alphabetical order."""
    return joined([cells.astype("string")], "".join)


def joined(columns: Sequence[pd.Series], join: Callable[[tuple[str, ...]], str]) -> pd.Categorical:
    """One label a row from its texts in these columns (one or more), called once a combination."""
    codes = combinations(columns)
    firsts = np.flatnonzero(~pd.Series(codes).duplicated().to_numpy())  # codes count up as they first appear
    parts = zip(*([str(text) for text in column.iloc[firsts]] for column in columns), strict=True)
    names = [join(part) for part in parts]
    levels = sorted(set(names))
    place = {name: at for at, name in enumerate(levels)}
    return numbered(np.array([place[name] for name in names], dtype=np.intp)[codes], levels)


def numbered(codes: NDArray[np.intp], names: Sequence[str]) -> pd.Categorical:
    """Rows that have the name of their number."""
    return cast("pd.Categorical", pd.Categorical.from_codes(codes, pd.Index(list(names))))


def combinations(columns: Sequence[pd.Series | pd.Categorical]) -> NDArray[np.intp]:
    """(n,) which combination of cells a row has, numbered as they first appear."""
    codes: NDArray[np.intp] | None = None
    for column in columns:
        own, names = pd.factorize(column, use_na_sentinel=False)
        both = own if codes is None else codes * len(names) + own
        codes = pd.factorize(both)[0].astype(np.intp)
    if codes is None:
        raise ValueError("no columns to combine")
    return codes


def used(categorical: pd.Categorical) -> list[str]:
    """Names that occur, in alphabetical order."""
    return [str(name) for name in categorical.remove_unused_categories().categories]


def as_series(categorical: pd.Categorical, index: pd.Index) -> pd.Series:
    """The labels as texts, a row each."""
    names = np.array([str(name) for name in categorical.categories], dtype=object)
    return pd.Series(names[categorical.codes] if len(categorical) else [], index=index, dtype="string")
