"""Cells as people and spreadsheets write them: yes or no, numbers, words of a few. Each is understood, or named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

#: in any case; pandas itself writes 1 as 1.0 where a column of such numbers has empty cells
_YES_NO = {"true": True, "yes": True, "1": True, "1.0": True, "false": False, "no": False, "0": False, "0.0": False}


#: in any unit of ours (mm, degrees, s, m/s, rev/s, kg ...) no table, film or ball comes near it; its square and fourth
#: power, as the models take, are numbers still
_BEYOND_REASON = 1e9


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


def numbers(cells: pd.Series) -> pd.Series:
    """Numbers, whatever the column's type; missing where empty. Raises OddCell for words and for 1e9 and more."""
    if not pd.api.types.is_numeric_dtype(cells):
        texts = _texts(cells)
        told = pd.to_numeric(texts, errors="coerce")
        odd = (texts.notna() & told.isna() & (texts.str.casefold() != "nan")).to_numpy(dtype=bool, na_value=False)
        if odd.any():
            at = int(odd.argmax())
            raise OddCell(at, f"holds {texts.iloc[at]!r} where a whole number should be or a number with a point")
        cells = told.astype("float64")
    values = cells.to_numpy(dtype=float, na_value=np.nan)
    if (beyond := np.abs(values) >= _BEYOND_REASON).any():
        at = int(beyond.argmax())
        raise OddCell(at, f"holds {values[at]:g}, which no measure comes near (1e9 and more, in any of our units)")
    return cells


def whole_numbers(cells: pd.Series) -> pd.Series:
    """As ``numbers``. Raises OddCell for a fraction, too."""
    found = numbers(cells)
    fractions = (found.to_numpy(dtype=float, na_value=0.0) % 1) != 0
    odd = fractions & found.notna().to_numpy(dtype=bool)
    if odd.any():
        at = int(odd.argmax())
        raise OddCell(at, f"holds {found.iloc[at]:g} where a whole number should be")
    return found


def one_of(cells: pd.Series, words: Sequence[str]) -> pd.Series:
    """Cells as one of the words, whatever their capitals; missing where empty. Raises OddCell for another word."""
    texts = _texts(cells)
    told = texts.str.casefold()
    odd = (told.notna() & ~told.isin(words)).to_numpy(dtype=bool)
    if odd.any():
        at = int(odd.argmax())
        raise OddCell(at, f"holds {texts.iloc[at]!r} where {', '.join(words[:-1])} or {words[-1]} should be")
    return told


def _texts(cells: pd.Series) -> pd.Series:
    """Cells as texts without spaces around them; missing where nothing is left."""
    texts = cells.astype("string").str.strip()
    return texts.mask(texts == "")
