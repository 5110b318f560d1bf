"""Cells as people and spreadsheets write them: yes or no, and numbers. Each is understood, or named."""

from __future__ import annotations

import pandas as pd

#: in any case; pandas itself writes 1 as 1.0 where a column of such numbers has empty cells
_YES_NO = {"true": True, "yes": True, "1": True, "1.0": True, "false": False, "no": False, "0": False, "0.0": False}


class OddCell(Exception):
    """A cell that isn't understood. ``at``: its place in the column; the text: what it holds and what to write."""

    def __init__(self, at: int, words: str) -> None:
        super().__init__(words)
        self.at = at


def yes_no(cells: pd.Series) -> pd.Series:
    """True, false, 1, 0, yes and no, in any case, as booleans; missing where empty. Raises OddCell for others."""
    if pd.api.types.is_bool_dtype(cells):
        return cells.astype("boolean")
    texts = _texts(cells)
    told = texts.str.casefold().map(_YES_NO).astype("boolean")
    odd = (texts.notna() & told.isna()).to_numpy()
    if odd.any():
        at = int(odd.argmax())
        raise OddCell(at, f"holds {texts.iloc[at]!r}; write true or false, or leave it empty and decide in "
                          "`reboundry review`")
    return told


def _texts(cells: pd.Series) -> pd.Series:
    """Cells as texts without spaces around them; missing where nothing is left."""
    texts = cells.astype("string").str.strip()
    return texts.mask(texts == "")
