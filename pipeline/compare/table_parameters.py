"""A table's own parameters (table.csv) as responses: one value a session, or one a condition inside a session.

They are compared as they are: a session is one reading, however many contacts it was made from.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import as_numbers
from pipeline.compare.evenings import EVENING, evening_of
from shared.columns import SHOTS

#: columns of FINGERPRINT that narrow a value down to some contacts
_PARTS = ("cushion", "speed_from_mps", "speed_to_mps", "angle_from_deg", "angle_to_deg")


def parameter_names(parameters: pd.DataFrame) -> list[str]:
    """Quantities with a value for a whole session or condition, not just for some cushion, speed or angle."""
    if not {"session", "quantity", "value"} <= set(parameters.columns):
        return []
    return sorted(_whole(parameters)["quantity"].dropna().astype(str).unique())


def parameter_rows(
    shots: pd.DataFrame,
    parameters: pd.DataFrame,
    quantity: str,
    factors: Sequence[str],
    *,
    readings: Sequence[str] = (),
) -> pd.DataFrame:
    """Rows like shots, one a session (or a session's condition level) with ``quantity``, its _u and the conditions.

    shots    : pooled shots, which tell each session's conditions
    readings : factors that are read, not set: a session has their mean
    A value for one level of a factor ("balls = clean") is used where there is one; the session's own value else. Of
    factors that changed in the same session (``changed_together``) give one at a time.
    """
    whole = _whole(parameters)
    whole = whole[whole["quantity"].astype(str) == quantity]
    rows = []
    for session, mine in whole.groupby("session", sort=False):
        filmed = shots[shots["session"] == session]
        levels = {name: _mean(filmed[name]) if name in readings else filmed[name].dropna().unique() for name in factors}
        varied = [name for name in factors if len(levels[name]) > 1]
        for _, value in _split(mine, varied).iterrows():
            row = {name: levels[name][0] if len(levels[name]) == 1 else pd.NA for name in factors}
            name, equals, level = str(value["condition"] if pd.notna(value["condition"]) else "").partition(" = ")
            if equals and name in factors:
                row[name] = level
            rows.append(
                {
                    **row,
                    "shot_id": f"{session} {quantity} {level}".strip(),
                    "session": session,
                    EVENING: evening_of(filmed).iloc[0] if len(filmed) else session,
                    quantity: float(value["value"]),
                    f"{quantity}_u": float(value["value_u"]) if "value_u" in value else np.nan,
                    "verdict": "clean",
                    "counted": True,
                }
            )
    out = pd.DataFrame(rows)
    if out.empty:
        return out
    own = tuple(c for c in out.columns if c not in SHOTS.dtypes)
    return SHOTS.conform(out, extra=own)


def changed_together(
    shots: pd.DataFrame, parameters: pd.DataFrame, quantity: str, factors: Sequence[str]
) -> list[str]:
    """Those of these factors that changed in a session in which another did, too: table.csv has a value for each level
    of each, none for their combinations, and values of two factors come from the same contacts."""
    whole = _whole(parameters)
    sessions = whole.loc[whole["quantity"].astype(str) == quantity, "session"]
    found: set[str] = set()
    for _, filmed in shots[shots["session"].isin(set(sessions))].groupby("session"):
        varied = [name for name in factors if len(filmed[name].dropna().unique()) > 1]
        found |= set(varied) if len(varied) > 1 else set()
    return [name for name in factors if name in found]


def _mean(cells: pd.Series) -> NDArray[np.float64]:
    """The mean of a session's readings, alone; nothing where it has none."""
    numbers = as_numbers(cells)
    known = np.zeros(0) if numbers is None else numbers[np.isfinite(numbers)]
    return np.array([known.mean()]) if len(known) else np.zeros(0)


def _whole(parameters: pd.DataFrame) -> pd.DataFrame:
    narrow = pd.Series(False, index=parameters.index)
    for part in _PARTS:
        if part in parameters:
            narrow |= parameters[part].notna()
    whole = parameters[~narrow & parameters["value"].notna()]  # empty: not told
    if "condition" in whole:
        return whole
    return whole.assign(condition=pd.Series(pd.NA, index=whole.index, dtype="string"))


def _split(mine: pd.DataFrame, varied: Sequence[str]) -> pd.DataFrame:
    """The values by level of the one condition that varies in the session; else the session's own."""
    for name in varied:
        by_level = mine[mine["condition"].astype("string").fillna("").str.startswith(f"{name} = ")]
        if len(by_level):
            return by_level
    return mine[mine["condition"].isna()]
