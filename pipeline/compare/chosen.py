"""Which conditions are compared: those named, else all that vary and that nearly every counted shot has."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pipeline.compare.conditions import (
    DERIVED,
    Factor,
    condition_columns,
    find_column,
    read_factor,
    texts_of,
    why_no_condition,
)
from pipeline.compare.counting import counted_mask
from pipeline.compare.settings import USUAL_WITHIN, CompareSettings
from shared.errors import SettingsError

_FEW_EMPTY = 0.1  # share of the counted shots that may lack a condition which nobody named


def chosen_conditions(shots: pd.DataFrame, settings: CompareSettings, problems: list[str]) -> list[str]:
    """Those named by ``settings.by``, else all that vary. Lines on those left out are added to ``problems``.

    Raises SettingsError where a name is no condition, or nothing varies.
    """
    if settings.by:
        found = [find_column(shots, name) for name in settings.by]
        return list(dict.fromkeys(found))
    varied = [c for c in condition_columns(shots) if c not in DERIVED and len(shots[c].dropna().unique()) > 1]
    if not varied:
        raise SettingsError(
            "no condition varies among these shots: add columns to takes.csv (cloth, balls, temperature_c ...) or name "
            "one with --by."
        )
    same: dict[bytes, str] = {}
    out = []
    for name in _filled_in(shots, _that_tell(shots, varied, problems), problems):
        codes = pd.factorize(shots[name].astype("string"))[0].tobytes()
        if codes in same:
            problems.append(f"{name} changes exactly with {same[codes]}: they can't be told apart; {name} left out.")
            continue
        same[codes] = name
        out.append(name)
    return out


def grouping_columns(shots: pd.DataFrame, settings: CompareSettings) -> list[str]:
    """Columns whose combinations are compared each for itself; the usual ones only where they are there.

    Raises SettingsError for a name that is no column.
    """
    names = [name for name in settings.within if name in shots or name not in USUAL_WITHIN]
    return list(dict.fromkeys(name if name in shots else find_column(shots, name) for name in names))


def _that_tell(shots: pd.DataFrame, names: Sequence[str], problems: list[str]) -> list[str]:
    """Those that may tell something of the counted shots (``why_no_condition``)."""
    counted = shots[counted_mask(shots)]
    why = {name: why_no_condition(counted[name]) for name in names}
    problems += [f"{name}: {text}; left out. Name it with --by to compare it." for name, text in why.items() if text]
    return [name for name in names if not why[name]]


def _filled_in(shots: pd.DataFrame, names: Sequence[str], problems: list[str]) -> list[str]:
    """Those that nearly every counted shot has: one that many lack would take these shots from all the others. Where
    none is, the one that most have."""
    if not names:
        return []
    counted = counted_mask(shots)
    total = int(counted.sum())
    empty = {name: int(texts_of(shots.loc[counted, name]).fillna("").eq("").sum()) for name in names}
    most = max(_FEW_EMPTY * total, min(empty.values()))
    kept = [name for name in names if empty[name] <= most]
    if most > _FEW_EMPTY * total:
        kept = kept[:1]
    problems += [
        f"{name} is empty for {empty[name]} of {total} counted shots, so it is left out; name it with --by to compare "
        "only the shots that have it."
        for name in names
        if name not in kept
    ]
    return kept


def read_factors(
    shots: pd.DataFrame, by: Sequence[str], problems: list[str]
) -> tuple[list[Factor], dict[str, pd.Series]]:
    """Each condition's factor and its value per shot; a line in ``problems`` for one that can't be compared."""
    factors: list[Factor] = []
    levels: dict[str, pd.Series] = {}
    for name in by:
        try:
            factor, values = read_factor(shots, name)
        except SettingsError as problem:
            problems.append(str(problem))
            continue
        factors.append(factor)
        levels[name] = values
    return factors, levels
