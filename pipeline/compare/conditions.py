"""Which columns are conditions, and what their cells hold: levels to set against each other, or a measured slope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.evenings import evening_of
from pipeline.compare.quantities import are_units, is_when, quantity
from shared.columns import DERIVED as CLIMATE_DERIVED
from shared.columns import POOLED_DERIVED, is_ours
from shared.errors import SettingsError
from shared.names import same_name
from shared.numbers import MOST_DIGITS, number_text

#: declared columns of every shot that may also be compared
DECLARED = ("player", "pattern", "speed_class", "target", "session")
DERIVED = (*CLIMATE_DERIVED, POOLED_DERIVED)

_FAR = 10.0**MOST_DIGITS  # no unit in use takes readings beyond it, or below its inverse; squares of such may be none
_MOST_LEVELS = 6  # a number with more different values than this is taken as a slope
_SET_SHOTS = 5  # a session's shots at a level that is set rather than read, as a rule
_FEW_SHOTS = 3  # levels of fewer shots, most of them, are readings
_LEAST_SHOTS = 2  # words of fewer shots, most of them, are remarks
_MOST_WORDS = 100  # levels each against each other: nobody reads 5,000 differences, and their columns fill the memory


@dataclass(frozen=True)
class Factor:
    """A condition: its ``levels`` in order, or (levels empty) a slope between ``low`` and ``high``.

    ``inside``: of a slope that differs between sessions and changes inside them, too: lowest and highest reading in the
    session in which it changed most; ``low`` and ``high`` are then the sessions' means.
    """

    name: str
    levels: tuple[str, ...]
    low: float = np.nan
    high: float = np.nan
    inside: tuple[float, float] | None = None

    @property
    def is_slope(self) -> bool:
        return not self.levels


def condition_columns(shots: pd.DataFrame) -> list[str]:
    """The player's own columns: neither measured, nor judged, nor added by pooling. Derived climate columns last."""
    own = [str(c) for c in shots.columns if not is_ours(str(c))]
    return [c for c in own if c not in DERIVED] + [c for c in own if c in DERIVED]


def find_column(shots: pd.DataFrame, word: str) -> str:
    """``humidity`` finds humidity_pct, and ``ball`` Ball Set, when nothing else begins so.

    Raises SettingsError that lists what there is.
    """
    choices = [*condition_columns(shots), *(c for c in DECLARED if c in shots)]
    if word in choices:
        return word
    meant = same_name(word)
    near = [c for c in choices if same_name(c) == meant] or [c for c in choices if same_name(c).startswith(meant)]
    if len(near) == 1:
        return near[0]
    what = "is no column of takes.csv or key of session.toml"
    if near:
        what = f"fits {', '.join(near)}"
    elif word in shots:
        what = "is a column that the program writes itself"
    raise SettingsError(f"condition {word!r} {what}; choose from: {', '.join(choices) or 'none declared'}.")


def units_in(cells: pd.Series) -> dict[str, int]:
    """Units written behind the numbers of a column ('' for bare numbers), with how often; {} if it holds words.

    '860 new' and '760 worn' are words: what stands behind the numbers differs and is no unit.
    """
    found: dict[str, int] = {}
    for cell, times in cells.dropna().astype(str).value_counts(sort=False).items():
        if not str(cell).strip():
            continue
        found_here = quantity(str(cell))
        if found_here is None:
            return {}
        unit = found_here[1]
        found[unit] = found.get(unit, 0) + int(times)
    return found if len(found) < 2 or are_units(found) else {}


def as_numbers(cells: pd.Series) -> NDArray[np.float64] | None:
    """Cells as numbers if all of them are numbers in one unit; NaN where empty. None: they are words."""
    if pd.api.types.is_numeric_dtype(cells) and not pd.api.types.is_bool_dtype(cells):
        return cells.to_numpy(dtype=float, na_value=np.nan)
    units = units_in(cells)
    if len(units) != 1:
        return None
    codes, texts = pd.factorize(cells.astype("string"))
    read = [quantity(text) for text in texts]
    values = [np.nan if found is None else found[0] for found in read]  # a cell of spaces is none
    return np.array([*values, np.nan])[codes]  # an empty cell has code -1


def texts_of(cells: pd.Series) -> pd.Series:
    """Each cell as it was typed, without spaces around it: a number that was read as 40.0 is 40. Missing if empty."""
    if pd.api.types.is_numeric_dtype(cells) and not pd.api.types.is_bool_dtype(cells):
        return cells.astype("Float64").map(number_text, na_action="ignore").astype("string")
    return cells.astype("string").str.strip()


def why_no_condition(cells: pd.Series) -> str:
    """Why a column tells nothing of the shots unless somebody asks for it; '' where it may.

    A date or time of day goes with the session, which is in the model already; and with a word a shot, as in a column
    of remarks, nothing is left to tell the scatter by.
    """
    texts = texts_of(cells)
    shots_each = texts[texts.fillna("") != ""].value_counts()
    if len(shots_each) and all(is_when(str(text)) for text in shots_each.index):
        return "holds dates or times of day, which go with the session and are no condition by themselves"
    if as_numbers(cells) is not None or units_in(cells):
        return ""
    if 2 < len(shots_each) <= _MOST_WORDS and float(shots_each.median()) < _LEAST_SHOTS:
        return f"{len(shots_each)} different words, most of them for one shot only: nothing is left to tell scatter by"
    return ""


def read_factor(shots: pd.DataFrame, name: str) -> tuple[Factor, pd.Series]:
    """The factor in column ``name`` and its value per shot: level names, or numbers for a slope; missing where empty.

    Numbers are a slope where they are readings (``are_readings``) and not dates.
    Raises SettingsError where the column can't be compared: two units, readings beyond reason, or one level only.
    """
    cells = shots[name]
    units = units_in(cells) if not pd.api.types.is_numeric_dtype(cells) else {}
    if len(units) > 1:
        listed = ", ".join(f"{u if u else 'no unit'} ({n})" for u, n in sorted(units.items()))
        raise SettingsError(f"{name}: two units in one column: {listed}. Write all cells in one unit; not compared.")
    numbers = as_numbers(cells)
    if numbers is not None:
        if np.isinf(numbers).any():
            raise SettingsError(f"{name}: a cell holds an infinite number; correct it. Not compared.")
        different = np.unique(numbers[np.isfinite(numbers)])
        dates = all(is_when(number_text(value)) for value in different)  # 20260131 and 20260201 are a day apart
        if len(different) > 1 and not dates and are_readings(numbers, shots):
            _check_readings(name, different)
            slope = Factor(name, (), float(different[0]), float(different[-1]))
            return slope, pd.Series(numbers, index=shots.index)
        names = {value: number_text(value) for value in different}
        values = pd.Series(numbers, index=shots.index).map(names).astype("string")
        levels = tuple(dict.fromkeys(names.values()))
    else:
        values = texts_of(cells)
        values = values.mask(values == "")
        levels = tuple(sorted(values.dropna().unique()))
    if not levels:
        raise SettingsError(f"{name}: every cell is empty; nothing to compare. Fill it in takes.csv or session.toml.")
    if len(levels) > _MOST_WORDS:
        raise SettingsError(
            f"{name}: {len(levels)} different words, as {levels[0]!r} and {levels[-1]!r}, too many to set against each "
            f"other (at most {_MOST_WORDS}); put alike ones under one name. Not compared."
        )
    if len(levels) == 1:
        raise SettingsError(f"{name}: only one level ({levels[0]}) among these shots; film another one to compare it.")
    return Factor(name, levels), values


def _check_readings(name: str, different: NDArray[np.float64]) -> None:
    """Raises SettingsError for readings so large, or all so small, that their squares may be none any more."""
    worst = max(different, key=abs)
    if not 1 / _FAR <= abs(worst) < _FAR:
        raise SettingsError(
            f"{name}: holds {worst:g} as the number farthest from 0, and readings are compared from {1 / _FAR:g} to "
            f"{_FAR:g}; correct it, or write the column in another unit. Not compared."
        )


def are_readings(numbers: NDArray[np.float64], shots: pd.DataFrame) -> bool:
    """Numbers that were read, as of the room, not set as levels: one slope instead of each against each.

    Those are many of them; or most have fewer than three shots; or three and more that change every few shots inside a
    session, or that each belong to one session.
    """
    known = numbers[np.isfinite(numbers)]
    different, shots_each = np.unique(known, return_counts=True)
    if len(different) > _MOST_LEVELS or (len(different) > 1 and float(np.median(shots_each)) < _FEW_SHOTS):
        return True
    return len(different) >= 3 and (_change_inside(numbers, shots) or _one_reading_a_session(numbers, shots))


def _change_inside(numbers: NDArray[np.float64], shots: pd.DataFrame) -> bool:
    """Whether they change inside sessions, most staying for fewer shots than a level that somebody sets."""
    session = evening_of(shots).to_numpy() if "session" in shots else np.zeros(len(shots))
    each = pd.Series(numbers).groupby(session).value_counts()  # by session and number
    changing = each[each.groupby(level=0).transform("size") > 1]
    return bool(len(changing)) and float(changing.median()) < _SET_SHOTS


def _one_reading_a_session(numbers: NDArray[np.float64], shots: pd.DataFrame) -> bool:
    """Three or more values, each session with one of its own: levels would each stand for one evening."""
    if "session" not in shots:
        return False
    known = np.isfinite(numbers)
    pairs = pd.DataFrame({"session": evening_of(shots).to_numpy()[known], "value": numbers[known]})
    pairs = pairs.drop_duplicates()
    return len(pairs) >= 3 and bool(pairs["session"].is_unique) and bool(pairs["value"].is_unique)
