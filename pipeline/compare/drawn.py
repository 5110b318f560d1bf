"""Which shots are drawn: a picture of thousands shows no more than one of some of them, and nobody's page opens it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import Factor
from pipeline.compare.counting import counted_mask
from pipeline.compare.labels import as_series, joined

MOST_DRAWN = 150  # of each condition


def spread(many: int, most: int) -> NDArray[np.intp]:
    """At most so many places out of ``many``, evenly spread."""
    return np.unique(np.linspace(0, many - 1, min(many, most)).round().astype(np.intp))


def shots_to_draw(shots: pd.DataFrame, factors: Sequence[Factor]) -> tuple[pd.DataFrame, pd.Series]:
    """Counted shots of a comparison (with their stratum and levels), at most MOST_DRAWN a condition in each stratum,
    spread over the order in which they are; and each one's condition: 'new cloth, clean balls'.
    """
    counted = np.flatnonzero(counted_mask(shots))
    words = [f.name for f in factors if not f.is_slope]
    named = shots[["stratum", *(f"level {word}" for word in words)]].iloc[counted]
    cells = cell_names(named, words)
    chosen = [
        places[spread(len(places), MOST_DRAWN)]
        for places in named.groupby([named["stratum"], cells], sort=False).indices.values()
    ]
    keep = np.sort(np.concatenate(chosen)) if chosen else np.zeros(0, dtype=np.intp)
    return shots.iloc[counted[keep]], cells.iloc[keep]


def cell_names(shots: pd.DataFrame, factors: Sequence[str]) -> pd.Series:
    """'new cloth, clean balls' per shot."""
    levels = {f: shots[f"level {f}"].astype("string").fillna("(empty)") for f in factors}
    if not levels:
        return pd.Series("all shots", index=shots.index, dtype="string")

    def named(row: tuple[str, ...]) -> str:
        return ", ".join(f"{name} {value}" for name, value in zip(levels, row, strict=True))

    return as_series(joined(list(levels.values()), named), shots.index)
