"""How many shots and sessions it takes to see a shift, the whole-plot structure included.

A condition changed during a session is judged by the scatter of shots; one that stays for the whole session is judged
by the scatter of sessions, and no number of shots in one evening replaces a second evening. Power of two-sided t tests
from the noncentral t distribution; of few shots `plan_draws` tells more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from pipeline.compare.effects import t_limit
from shared.errors import SettingsError

_MOST_SHOTS = 100_000


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Scatter of counted shots and of sessions, in the response's unit; where the figures come from.

    mishit_share  : of the shots; ``untold_share``: of the others, those without the response
    shot_sd_high  : upper 80 % confidence limit of ``shot_sd``, and ``session_sd_high`` of ``session_sd``; NaN where
                    these aren't estimated
    growth        : scatter of a shot over ``shot_sd`` where none, the first, the first two ... of the covariates that
                    `compare` adjusts for are used: few shots don't allow all; ``shot_sd`` is with all of them
    notes         : lines on what the figures hold for
    """

    response: str
    shot_sd: float
    session_sd: float
    mishit_share: float
    source: str
    untold_share: float = 0.0
    shot_sd_high: float = math.nan
    session_sd_high: float = math.nan
    growth: tuple[float, ...] = (1.0,) * 6  # as if none of the usual five told anything
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.shot_sd > 0 or not self.session_sd >= 0 or not 0 <= self.mishit_share < 1:
            raise SettingsError(f"spread {self} must have shot_sd above 0, session_sd from 0, mishit_share below 1.")
        if not 0 <= self.untold_share < 1:
            raise SettingsError(f"spread {self} must have an untold_share from 0 and below 1.")

    @property
    def kept_share(self) -> float:
        """Share of the shots filmed that count and have the response."""
        return (1 - self.mishit_share) * (1 - self.untold_share)

    @property
    def shot_sds(self) -> NDArray[np.float64]:
        """Scatter of a shot where none, the first, the first two ... of the covariates are used."""
        return self.shot_sd * np.array(self.growth)

    @property
    def session_shares(self) -> tuple[float, ...]:
        """Scatter of sessions over each of these."""
        return tuple((self.session_sd / self.shot_sds).tolist())


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


def power_t(ncp: float, df: float, *, alpha: float = 0.05) -> float:
    """Power of a two-sided t test at noncentrality ``ncp``."""
    if df <= 0 or not math.isfinite(ncp):
        return 0.0 if df <= 0 else 1.0
    critical = t_limit(df, 1 - alpha)
    power = float(1 - special.nctdtr(df, abs(ncp), critical) + special.nctdtr(df, abs(ncp), -critical))
    return power if math.isfinite(power) else 1.0  # the distribution is not computed that far out


def power_within(
    shots_per_level: float, shift: float, shot_sd: float, *, sessions: int = 1, alpha: float = 0.05
) -> float:
    """Two levels taken in turn during each of ``sessions`` sessions; shots_per_level over all of them together."""
    df = 2 * shots_per_level - sessions - 1
    return power_t(abs(shift) / (shot_sd * math.sqrt(2 / shots_per_level)), df, alpha=alpha) if df > 0 else 0.0


def power_between(
    sessions_per_level: float, shots: float, shift: float, spread: Spread, *, df: float, alpha: float = 0.05
) -> float:
    """One level a session; ``shots`` counted shots in each. ``df``: of their scatter; no power at all with none."""
    se = math.sqrt(2 / sessions_per_level * (spread.session_sd**2 + spread.shot_sd**2 / shots))
    return power_t(abs(shift) / se, df, alpha=alpha) if df > 0 else 0.0


def shots_needed(shift: float, shot_sd: float, *, power: float, alpha: float = 0.05) -> float:
    """Counted shots per level (not rounded) to see ``shift`` inside sessions."""
    check_wanted(shift, power)

    def lacking(n: float) -> float:
        return power_within(n, shift, shot_sd, alpha=alpha) - power

    if lacking(2.0) >= 0:
        return 2.0
    if lacking(_MOST_SHOTS) < 0:
        raise SettingsError(
            f"a shift of {shift:g} is too small beside a scatter of {shot_sd:g}: over {_MOST_SHOTS} shots."
        )
    return float(optimize.brentq(lacking, 2.0, _MOST_SHOTS, xtol=1e-8))


def filmed(counted: float, spread: Spread) -> int:
    """Shots to film so that about ``counted`` of them count and have the response."""
    return math.ceil(counted / spread.kept_share - 1e-9)


def check_wanted(shift: float, power: float) -> None:
    """Raises SettingsError for a shift or a power that can't be planned for."""
    if not math.isfinite(shift):
        raise SettingsError(f"the shift to be seen must be a number, not {shift:g}; give the smallest that matters.")
    if shift == 0:
        raise SettingsError("the shift to be seen must not be 0.")
    if not 0.05 < power < 1:
        raise SettingsError(f"power {power:g} must lie between 0.05 and 1, as 0.8 or 0.9.")
