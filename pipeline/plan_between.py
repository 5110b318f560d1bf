"""How likely `compare` is to see what a condition does that stays for a session, and the sessions that it takes."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy import stats

from pipeline.plan_draws import MOST_DRAWN, drawn
from pipeline.plan_power import Spread, check_wanted, power_between
from pipeline.plan_sheet import Sheet

_MOST_SESSIONS = 500


def power_of_sessions(sheet: Sheet, shift: float, spread: Spread) -> dict[str, float]:
    """Each hard condition's power to see ``shift`` between two of its levels (of a slope: between its ends), at 95 %
    confidence; without those that no session is left to judge by."""
    if sheet.sessions_to_spare < 1:
        return {}
    if sheet.shots * spread.kept_share > MOST_DRAWN:
        return {name: _textbook(sheet, name, shift, spread) for name, _ in sheet.hard}
    draws = drawn(sheet, spread.kept_share, spread.session_shares)
    return {name: draws[name].power(shift, spread.shot_sds) for name, _ in sheet.hard}


def sessions_needed(sheet: Sheet, shift: float, spread: Spread, *, power: float) -> int:
    """Sessions per combination of hard levels with which every hard condition of ``sheet`` reaches ``power``; 0 where
    even 500 would not do."""
    check_wanted(shift, power)

    def enough(sessions: int) -> bool:
        seen = power_of_sessions(replace(sheet, sessions=sessions), shift, spread)
        return bool(seen) and min(seen.values()) >= power

    def about(sessions: int) -> float:
        one = replace(sheet, sessions=sessions)
        return min(_textbook(one, name, shift, spread) for name, _ in sheet.hard) if one.sessions_to_spare > 0 else 0.0

    start = next((n for n in range(1, _MOST_SESSIONS + 1) if about(n) >= power), 0)
    if start == 0:
        return 0
    sessions = start
    if enough(sessions):
        while sessions > 1 and enough(sessions - 1):
            sessions -= 1
        return sessions
    return next((n for n in range(start + 1, _MOST_SESSIONS + 1) if enough(n)), 0)


def _textbook(sheet: Sheet, name: str, shift: float, spread: Spread) -> float:
    """The t test on session means: of sessions with shots that count, by as many shots as are worth their unequal
    numbers, adjusted for as many covariates as `compare` uses."""
    from pipeline.compare.covariates import most_covariates

    there, shots = _counted(sheet.shots_a_session, spread.kept_share)
    df = sheet.sessions_to_spare - sheet.evenings * (1 - there)
    inside = int(sheet.shots * spread.kept_share) - sheet.evenings - sheet.combinations + 1
    used = min(len(spread.growth) - 1, most_covariates(inside))
    shot_sd = spread.shot_sds[used] * math.sqrt(1 + used / max(inside - used - 1, 1))
    sessions = 2 * there / sheet.variance_between(name)
    return power_between(sessions, shots, shift, replace(spread, shot_sd=shot_sd), df=df)


@lru_cache(maxsize=256)
def _counted(filmed: int, kept_share: float) -> tuple[float, float]:
    """Share of sessions in which any of their shots ``filmed`` counts; harmonic mean of how many do in these."""
    numbers = np.arange(1, filmed + 1)
    share = stats.binom.pmf(numbers, filmed, kept_share)
    return float(share.sum()), float(share.sum() / np.sum(share / numbers))
