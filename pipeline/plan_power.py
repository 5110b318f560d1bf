"""How many shots and sessions it takes to see a shift, the whole-plot structure included.

A condition changed during a session is judged by the scatter of shots; one that stays for the whole session is judged
by the scatter of sessions, and no number of shots in one evening replaces a second evening. Power of two-sided t tests
from the noncentral t distribution.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from shared.errors import SettingsError

_MOST_SHOTS = 100_000
_MOST_SESSIONS = 500
_LEAST_PILOT = 2  # counted shots, to differ
_COMBINED = ("pilot_condition", "pilot_session_condition")


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Scatter of counted shots and of sessions, in the response's unit; where the figures come from.

    ``shot_sd_high``: upper 80 % confidence limit of ``shot_sd``; NaN where it isn't estimated.
    """

    response: str
    shot_sd: float
    session_sd: float
    mishit_share: float
    source: str
    shot_sd_high: float = math.nan

    def __post_init__(self) -> None:
        if not self.shot_sd > 0 or not self.session_sd >= 0 or not 0 <= self.mishit_share < 1:
            raise SettingsError(f"spread {self} must have shot_sd above 0, session_sd from 0, mishit_share below 1.")


#: assumed where there is no pilot: common practice, no source
TYPICAL = {
    "rebound_settled_angle_deg": (0.8, 0.4),
    "rebound_angle_deg": (0.6, 0.3),
    "miss_mm": (30.0, 15.0),
    "restitution": (0.015, 0.010),
}
_TYPICAL_MISHITS = 0.25


def typical_spread(response: str) -> Spread:
    """Assumed figures for a first session. Raises SettingsError for a response without any."""
    if response not in TYPICAL:
        raise SettingsError(
            f"no typical spread for {response}; give a pilot with --pilot DATASET, or use one of {', '.join(TYPICAL)}."
        )
    shot_sd, session_sd = TYPICAL[response]
    return Spread(
        response=response,
        shot_sd=shot_sd,
        session_sd=session_sd,
        mishit_share=_TYPICAL_MISHITS,
        source="typical values, assumed: no pilot was given; film a few shots and plan again with --pilot",
    )


def pilot_spread(shots: pd.DataFrame, response: str) -> Spread:
    """From pooled shots: scatter inside sessions and conditions (adjusted), between sessions, share of mis-hits.

    Where the pilot has fewer than three sessions, the scatter of sessions is the typical one in proportion.
    Raises SettingsError where the pilot can't tell the scatter of shots.
    """
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.counting import counted_mask
    from pipeline.compare.settings import CompareSettings

    too_few = f"the pilot has too few counted shots with {response} to tell their scatter; film more."
    if shots.empty:
        raise SettingsError(too_few)
    told = counted_mask(shots)
    if response in shots:
        told &= shots[response].notna()
    if int(told.sum()) < _LEAST_PILOT:
        raise SettingsError(too_few)
    by = _something_that_varies(shots)
    kept = {name: cells for name, cells in by.items() if name in _COMBINED}
    for tried in [by, kept] if len(by) > len(kept) else [by]:  # a small pilot may have no shots to spare for readings
        settings = CompareSettings(responses=(response,), by=tuple(tried))
        rows = compare_conditions(shots.assign(**tried), settings=settings)
        found = rows.scatter
        found = found[found["stratum"].isin(rows.strata)] if len(found) else found
        if len(found):
            break
    if found.empty:
        raise SettingsError(too_few)
    df = found["residual_df"].to_numpy(dtype=float)
    variance = found["shot_sd"].to_numpy(float) ** 2 + found["measurement_u_rms"].to_numpy(float) ** 2
    shot_sd = math.sqrt(float(np.sum(df * variance) / np.sum(df)))
    high = shot_sd * math.sqrt(float(np.sum(df) / stats.chi2.ppf(0.2, np.sum(df))))
    sessions = found["mixed_model_session_sd"].dropna().to_numpy(float)
    source = f"pilot: {int(told.sum())} counted shots in {shots.loc[told, 'session'].nunique()} session(s)"
    if len(sessions):
        session_sd = math.sqrt(float(np.mean(sessions**2)))
    else:
        ratio = TYPICAL[response][1] / TYPICAL[response][0] if response in TYPICAL else 0.5
        session_sd = ratio * shot_sd
        source += "; too few sessions to tell their scatter: taken as typical, in proportion"
    verdict = shots["verdict"].astype("string")
    share = float((~counted_mask(shots)).sum() / max(len(verdict), 1))
    return Spread(
        response=response,
        shot_sd=shot_sd,
        session_sd=session_sd,
        mishit_share=min(share, 0.9),
        source=source,
        shot_sd_high=high,
    )


def _something_that_varies(shots: pd.DataFrame) -> dict[str, pd.Series]:
    """Conditions as columns whose effects then don't count as scatter: all that change inside sessions as one; one for
    what stays for a session, if sessions repeat it. Readings of the room are no levels: each is a slope of its own;
    dates and remarks are left out. Shots in turn, if nothing varies."""
    from pipeline.compare.conditions import DERIVED, are_readings, as_numbers, condition_columns, why_no_condition

    names = [c for c in condition_columns(shots) if c not in DERIVED and not why_no_condition(shots[c])]
    sessions = shots["session"].astype("string").fillna("")
    numbers = {name: found for name in names if (found := as_numbers(shots[name])) is not None}
    readings = [name for name, found in numbers.items() if are_readings(found, shots)]
    names = [name for name in names if name not in readings]
    inside = [
        c for c in names if shots.groupby(sessions)[c].agg(lambda cells: len(cells.dropna().unique())).gt(1).any()
    ]
    combined = _combined(shots, inside)
    if len(combined.unique()) < 2:
        combined = pd.Series(np.arange(len(shots)) % 2, index=shots.index).map({0: "a", 1: "b"})
    out = {"pilot_condition": combined}
    held = _combined(shots, [c for c in names if c not in inside])
    if 1 < len(held.unique()) <= len(sessions.unique()) // 2:
        out["pilot_session_condition"] = held
    return out | {f"pilot_{name}": pd.Series(numbers[name], index=shots.index) for name in readings}


def _combined(shots: pd.DataFrame, names: list[str]) -> pd.Series:
    """Which combination of these conditions a shot has: 'c0', 'c1' ..., words that can't be taken for numbers."""
    if not names:
        return pd.Series("", index=shots.index)
    codes = shots.groupby(names, dropna=False, sort=False).ngroup()
    return "c" + codes.astype(str)


def power_t(ncp: float, df: float, *, alpha: float = 0.05) -> float:
    """Power of a two-sided t test at noncentrality ``ncp``."""
    if df <= 0 or not math.isfinite(ncp):
        return 0.0 if df <= 0 else 1.0
    critical = float(stats.t.ppf(1 - alpha / 2, df))
    power = float(1 - special.nctdtr(df, abs(ncp), critical) + special.nctdtr(df, abs(ncp), -critical))
    return power if math.isfinite(power) else 1.0  # the distribution is not computed that far out


def power_within(
    shots_per_level: float, shift: float, shot_sd: float, *, sessions: int = 1, alpha: float = 0.05
) -> float:
    """Two levels taken in turn during each of ``sessions`` sessions; shots_per_level over all of them together."""
    df = 2 * shots_per_level - sessions - 1
    return power_t(abs(shift) / (shot_sd * math.sqrt(2 / shots_per_level)), df, alpha=alpha) if df > 0 else 0.0


def sessions_left(sessions: int, levels: Sequence[int]) -> int:
    """Degrees of freedom of the scatter of ``sessions``, less what the conditions that stay for a session take.

    levels : how many levels each of these conditions has. As `compare` does: their effects, and how they act together
    in pairs where that leaves anything.
    """
    adding = sessions - 1 - sum(n - 1 for n in levels)
    together = adding - sum((a - 1) * (b - 1) for a, b in itertools.combinations(levels, 2))
    return together if together >= 1 else adding


def power_between(
    sessions_per_level: float, shots: float, shift: float, spread: Spread, *, df: float, alpha: float = 0.05
) -> float:
    """One level a session; ``shots`` counted shots in each. ``df``: ``sessions_left``; no power at all with none."""
    se = math.sqrt(2 / sessions_per_level * (spread.session_sd**2 + spread.shot_sd**2 / shots))
    return power_t(abs(shift) / se, df, alpha=alpha) if df > 0 else 0.0


def shots_needed(shift: float, shot_sd: float, *, power: float, alpha: float = 0.05) -> float:
    """Counted shots per level (not rounded) to see ``shift`` inside sessions."""
    _check(shift, power)

    def lacking(n: float) -> float:
        return power_within(n, shift, shot_sd, alpha=alpha) - power

    if lacking(2.0) >= 0:
        return 2.0
    if lacking(_MOST_SHOTS) < 0:
        raise SettingsError(
            f"a shift of {shift:g} is too small beside a scatter of {shot_sd:g}: over {_MOST_SHOTS} shots."
        )
    return float(optimize.brentq(lacking, 2.0, _MOST_SHOTS, xtol=1e-8))


def sessions_needed(
    shift: float, shots: float, spread: Spread, *, power: float, levels: Sequence[int] = (2,), alpha: float = 0.05
) -> int:
    """Sessions per combination of levels, each with ``shots`` counted shots; 0 where even 500 would not do.

    levels : how many levels each condition has that stays for a session; every one of them reaches ``power``
    """
    _check(shift, power)
    combinations = math.prod(levels)
    for sessions in range(1, _MOST_SESSIONS + 1):
        all_sessions = sessions * combinations
        df = sessions_left(all_sessions, levels)
        if power_between(all_sessions / max(levels), shots, shift, spread, df=df, alpha=alpha) >= power:
            return sessions
    return 0


def filmed(counted: float, spread: Spread) -> int:
    """Shots to film so that about ``counted`` of them count."""
    return math.ceil(counted / (1 - spread.mishit_share) - 1e-9)


def power_table(shift: float, spread: Spread, *, levels: Sequence[int] = (), alpha: float = 0.05) -> pd.DataFrame:
    """For 80 and 90 % power: shots per level inside sessions; sessions per level for some numbers of shots in each.

    levels : how many levels each condition has that stays for a session; sessions are counted per level of the one with
    most. None: as for one of two levels
    """
    levels = tuple(levels) or (2,)
    rows: list[dict[str, Any]] = []
    for power in (0.8, 0.9):
        n = math.ceil(shots_needed(shift, spread.shot_sd, power=power, alpha=alpha) - 1e-9)
        rows.append(
            {
                "condition": "changed during a session",
                "power": power,
                "counted_shots_per_level": n,
                "filmed_shots_per_level": filmed(n, spread),
                "sessions_per_level": 1,
            }
        )
        for shots in (4, 8, 12, 20, 40):
            each = sessions_needed(shift, shots, spread, power=power, levels=levels, alpha=alpha)
            s = each * math.prod(levels) // max(levels)
            rows.append(
                {
                    "condition": "one level a session",
                    "power": power,
                    "counted_shots_per_level": shots * s if s else None,
                    "filmed_shots_per_level": filmed(shots, spread) * s if s else None,
                    "sessions_per_level": s or None,
                    "counted_shots_per_session": shots,
                }
            )
    return pd.DataFrame(rows)


def _check(shift: float, power: float) -> None:
    if not abs(shift) > 0:
        raise SettingsError("the shift to be seen must not be 0.")
    if not 0.05 < power < 1:
        raise SettingsError(f"power {power:g} must lie between 0.05 and 1, as 0.8 or 0.9.")
