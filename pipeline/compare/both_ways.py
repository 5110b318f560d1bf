"""A slope read twice, between sessions and inside them: joined where the two agree, each for itself where not.

Joined by the weights of Graybill & Deal (Biometrics 15:543, 1959), each variance taken for what it is on average after
being inverted, with the standard error and degrees of freedom of Meier (Biometrics 9:59, 1953), which allow for weights
that are estimated themselves. With fewer than two degrees of freedom on either side that fails, so nothing is joined.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.compare.effects import t_interval, t_test
from pipeline.compare.model import Estimate

LEAST_DF = 2.0
ALARM = 0.05  # p of "both are the same" below which each is given for itself
_INVERSION = 0.5  # least of df - 2: the mean of 1 / variance is df / (df - 2) times too large


@dataclass(frozen=True)
class Reading:
    """An estimate over a change of ``span`` in the condition's unit."""

    estimate: Estimate
    span: float

    @property
    def usable(self) -> bool:
        """Has it an interval at all?"""
        return self.estimate.se > 0 and self.estimate.df > 0 and self.span > 0


def agreement(between: Reading, inside: Reading) -> float:
    """p of both slopes being one (Welch's test); NaN where one has no interval."""
    if not (between.usable and inside.usable):
        return math.nan
    parts = [(r.estimate.value / r.span, (r.estimate.se / r.span) ** 2, r.estimate.df) for r in (between, inside)]
    variance = sum(v for _, v, _ in parts)
    df = variance**2 / sum(v**2 / f for _, v, f in parts)
    return t_test(parts[0][0] - parts[1][0], math.sqrt(variance), df)


def joins(between: Reading, inside: Reading) -> bool:
    """May the two be joined: enough behind each, and no sign that they differ?"""
    enough = between.usable and inside.usable and min(between.estimate.df, inside.estimate.df) >= LEAST_DF
    return enough and agreement(between, inside) >= ALARM


def join(between: Reading, inside: Reading, *, span: float, level: float) -> Estimate:
    """Both as one estimate over a change of ``span``. Both must be usable."""
    values, variances, freedom = [], [], []
    for r in (between, inside):
        values.append(r.estimate.value * span / r.span)
        variances.append((r.estimate.se * span / r.span) ** 2)
        freedom.append(r.estimate.df)
    sure = [max(f - 2, _INVERSION) / f / v for v, f in zip(variances, freedom, strict=True)]
    share = [s / sum(sure) for s in sure]
    value = sum(p * x for p, x in zip(share, values, strict=True))
    variance = sum(p**2 * v for p, v in zip(share, variances, strict=True))
    variance *= 1 + 4 * share[0] * share[1] * sum(1 / f for f in freedom)
    df = 1 / sum(p**2 / f for p, f in zip(share, freedom, strict=True))
    se = math.sqrt(variance)
    interval = t_interval(value, se, df, level=level)
    method = "joined by their variances"
    return Estimate(value, se, df, "between and within sessions", method, interval, interval, t_test(value, se, df))
