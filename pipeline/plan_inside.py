"""How likely `compare` is to see what a condition does that changes during a session, and the shots that it takes."""

from __future__ import annotations

import math
from dataclasses import replace

from pipeline.plan_draws import MOST_DRAWN, drawn
from pipeline.plan_power import Spread, check_wanted, filmed, power_t, shots_needed
from pipeline.plan_sheet import Sheet


def power_inside(sheet: Sheet, shift: float, spread: Spread) -> dict[str, float]:
    """Each easy condition's power to see ``shift`` between two of its levels, at 95 % confidence."""
    if sheet.shots * spread.kept_share > MOST_DRAWN:
        return {name: _textbook(sheet, len(levels), shift, spread) for name, levels in sheet.easy}
    draws = drawn(sheet, spread.kept_share, spread.session_shares if sheet.hard else (0.0,) * len(spread.growth))
    return {name: draws[name].power(shift, spread.shot_sds) for name, _ in sheet.easy}


def repeats_needed(sheet: Sheet, shift: float, spread: Spread, *, power: float, least: int = 2) -> int:
    """Blocks a session, ``least`` or more, with which every easy condition of ``sheet`` reaches ``power``.

    Raises SettingsError where not even 100 000 shots would do.
    """
    check_wanted(shift, power)

    def enough(repeats: int) -> bool:
        return min(power_inside(replace(sheet, repeats=repeats), shift, spread).values()) >= power

    shots = shots_needed(shift, spread.shot_sd, power=power) * min(len(levels) for _, levels in sheet.easy)
    start = math.ceil(filmed(shots, spread) / (sheet.evenings * sheet.combinations))
    low, high = least - 1, max(start, least)
    while not enough(high):
        low, high = high, high + max(1, high // 6)
    step = max(1, high // 8)
    while high - low > 1:
        tried = max(high - step, low + 1)
        if enough(tried):
            high, step = tried, 2 * step
        else:
            low, step = tried, max(1, (high - tried) // 2)
    return high


def _textbook(sheet: Sheet, levels: int, shift: float, spread: Spread) -> float:
    from pipeline.compare.covariates import most_covariates

    counted = sheet.shots * spread.kept_share
    spare = int(counted) - sheet.combinations - sheet.evenings + 1
    used = min(len(spread.growth) - 1, most_covariates(spare))
    df = spare - used
    se = spread.shot_sd * spread.growth[used] * math.sqrt(2 * levels / counted * (1 + used / max(df - 1, 1)))
    return power_t(shift / se, df)
