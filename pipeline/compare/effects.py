"""Small pieces of inference that take an estimate with its standard error and degrees of freedom.

Sources: Holm, Scand. J. Stat. 6:65 (1979); Schuirmann, J. Pharmacokinet. Biopharm. 15:657 (1987) for two one-sided
tests; Hedges, J. Educ. Stat. 6:107 (1981) for the exact small-sample correction; noncentral-t limits after Steiger &
Fouladi (1997). Each is checked in the tests against published worked examples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats


@dataclass(frozen=True)
class Interval:
    """An estimate with limits at ``level`` (0.95). Infinite limits: nothing can be said."""

    value: float
    low: float
    high: float
    level: float = 0.95

    @property
    def bounded(self) -> bool:
        return math.isfinite(self.low) and math.isfinite(self.high)


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests against ``bound`` on both sides. ``p``: the larger of the two one-sided p-values."""

    bound: float
    p: float
    low: float  # limits of the (1 - 2 alpha) interval: equivalence at alpha means it lies inside +-bound
    high: float

    def holds(self, alpha: float = 0.05) -> bool:
        return self.p < alpha


def t_limit(df: float, level: float = 0.95) -> float:
    """Student's t that so much of its distribution lies within, to both sides; NaN without degrees of freedom.

    As ``scipy.stats.t.ppf``, a tenth of its time.
    """
    if not df > 0:
        return math.nan
    share = 0.5 + level / 2
    return float(special.ndtri(share) if math.isinf(df) else special.stdtrit(df, share))


def t_interval(value: float, se: float, df: float, *, level: float = 0.95) -> Interval:
    """value +- t se."""
    half = t_limit(df, level) * se
    return Interval(value, value - half, value + half, level)


def t_test(value: float, se: float, df: float) -> float:
    """Two-sided p of value = 0; NaN without a standard error."""
    if not (se > 0 and df > 0):
        return math.nan
    return float(2 * stats.t.sf(abs(value) / se, df))


def equivalence_test(value: float, se: float, df: float, *, bound: float, alpha: float = 0.05) -> Equivalence:
    """Is |value| below ``bound``? Level alpha, also at the edge."""
    if not bound > 0:
        raise ValueError(f"an equivalence bound must be above 0, not {bound}")
    if not (se > 0 and df > 0):
        return Equivalence(bound, math.nan, -math.inf, math.inf)
    p_low = float(stats.t.sf((value + bound) / se, df))
    p_high = float(stats.t.cdf((value - bound) / se, df))
    limits = t_interval(value, se, df, level=1 - 2 * alpha)
    return Equivalence(bound, max(p_low, p_high), limits.low, limits.high)


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Adjusted p-values by Holm's step-down (Scand. J. Stat. 6, 1979); NaN entries stay NaN and don't count.

    Here, and not statsmodels', which collects Python's garbage at every call: a quarter of a second.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, axis=None)[: int(np.isfinite(p).sum())]  # NaN comes last
    out = np.full(p.shape, np.nan)
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(order), 0, -1)), 1.0)
    return out


def hedges_correction(df: float) -> float:
    """Exact J(df) = Gamma(df/2) / (sqrt(df/2) Gamma((df-1)/2)); NaN below 2 degrees of freedom."""
    if df <= 1:
        return math.nan
    return math.exp(float(special.gammaln(df / 2)) - float(special.gammaln((df - 1) / 2))) / math.sqrt(df / 2)


def hedges_g(value: float, se: float, df: float, sd: float, *, level: float = 0.95) -> Interval:
    """A difference in standard deviations of single shots, corrected for small samples.

    value, se, df : difference, its standard error and degrees of freedom (pooled-variance t)
    sd            : residual standard deviation with the same df
    returns       : J(df) value / sd, with limits from the noncentral t distribution
    """
    if not (se > 0 and df > 1 and sd > 0):
        return Interval(math.nan, math.nan, math.nan, level)
    t, scale, tail = value / se, se / sd, (1 - level) / 2
    j = hedges_correction(df)
    low = _noncentrality(t, df, 1 - tail) * scale * j
    high = _noncentrality(t, df, tail) * scale * j
    return Interval(j * value / sd, low, high, level)


def _noncentrality(t: float, df: float, probability: float) -> float:
    """The noncentrality at which the noncentral t has ``probability`` below ``t``."""

    def excess(nc: float) -> float:
        return float(special.nctdtr(df, nc, t)) - probability

    step = 4.0 + 0.2 * abs(t)
    low, high = t - step, t + step
    for _ in range(60):
        if excess(low) >= 0 >= excess(high):
            return float(optimize.brentq(excess, low, high, xtol=1e-8))
        low, high = low - step, high + step
    # too far out for the distribution to be computed: the normal approximation of t's own variance
    return t - float(stats.norm.ppf(probability)) * math.sqrt(1 + t**2 / (2 * df))
