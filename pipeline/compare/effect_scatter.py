"""Does what a condition does differ from evening to evening? Scatter of a contrast that is read inside sessions.

Beside the fitted model, evening s may add d[s] times the condition's own column, d of variance tau^2. The sum of
squares that the d take up is held against what shots alone would make of it: of one scatter, by the exact F test; where
cells show a scatter of their own, from these, with degrees of freedom from two moments (Box, Ann. Math. Stat. 25:290,
1954; Brown & Forsythe, Biometrics 30:719, 1974): pooled, it would find disagreement far too often, or never, where a
cell has fewer shots. tau^2 comes from the same sum by its expectation (DerSimonian & Laird, Control. Clin. Trials
7:177, 1986). The variance for evenings at large is a sum of that sum of squares and of cells' variances, its degrees of
freedom those of such a sum (Satterthwaite, Biometrics Bull. 2:110, 1946); with equal evenings this is the t test on
their differences. The estimate itself stays.

Four evenings hardly show how they scatter: an interval that holds as often as it says whatever they do is 50 % wider on
average even where they agree; one that is widened only after a test that finds disagreement holds 86 times in 100 where
the effect scatters by twice a single evening's standard error. No interval is both narrow and safe: by convex
optimisation over all that depend on the test's ratio, one that holds 93 times in 100 or more whatever evenings do is at
least 30 % wider with four evenings, 62 % with three and 13 % with six. So this one is the wider of two: for these
evenings, and for evenings at large at twice the error (90 % for 95 %), or at the same error once the test finds
disagreement. It holds no less often than the second by itself, and with 2 degrees of freedom or more 91 times in 100 at
the worst; that costs 28 % of width with four evenings that agree, 14 % with six (within 3 % of the least possible).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.compare.effects import Interval, t_interval, t_limit
from pipeline.compare.evening_squares import evening_squares, shot_variances
from pipeline.compare.sessions import Sessions
from pipeline.compare.subspace import Solution

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

ALARM = 0.05  # p below which evenings disagree
ALARM_OF_TWO = 0.01  # the same with one degree of freedom, where a false alarm makes an interval many times as wide
ENOUGH = 2  # degrees of freedom from which on an interval can leave room for evenings that may disagree
SURE = 4  # and from which on a test that finds nothing tells something
_LITTLE = 1e-3  # share of the largest evening's information below which one says nothing of the condition
_GONE = 1e-9  # share of a direction that is rounding


@dataclass(frozen=True)
class EffectScatter:
    """``evenings`` that show the contrast; ``df`` to spare among them and ``p`` of the F test (NaN: can't be tested).

    sd            : standard deviation of the effect between evenings for a step along its column, 0 where none shows
    large_se      : standard error of the estimate for evenings at large, with ``large_df`` degrees of freedom, from
                    how evenings differ; NaN where they show nothing
    """

    evenings: int
    df: int
    p: float
    sd: float = math.nan
    large_se: float = math.nan
    large_df: float = math.nan

    @staticmethod
    def alarm_for(df: int) -> float:
        """p below which evenings with ``df`` to spare count as disagreeing."""
        return ALARM if df >= ENOUGH else ALARM_OF_TWO

    @property
    def disagree(self) -> bool:
        """Do evenings differ by more than chance?"""
        return self.p < self.alarm_for(self.df)

    def widened(self, se: float, df: float, *, level: float) -> tuple[float, float]:
        """Standard error and degrees of freedom that leave room for evenings at large, from those for these evenings.

        level : of the interval that is to be made of them
        """
        own = t_limit(df, level) * se
        if self.disagree:
            return (self.large_se, self.large_df) if t_limit(self.large_df, level) * self.large_se > own else (se, df)
        least = t_limit(self.large_df, 2 * level - 1) * self.large_se
        return (se * least / own, df) if self.df >= ENOUGH and least > own else (se, df)

    def at_large(self, value: float, *, level: float) -> Interval:
        """Interval of an estimate from how evenings differ alone: it holds as often as it says however they do."""
        return t_interval(value, self.large_se, self.large_df, level=level)


def effect_scatter(
    along: Array,
    pull: Array,
    fitted: Solution,
    w: Array,
    *,
    df: float,
    leverage: Array,
    cell: Labels | None,
    sessions: Sessions | None,
    evenings: Sessions,
) -> EffectScatter | None:
    """Test whether the effect of ``along`` (n,), a column of the design, is the same from evening to evening.

    pull    : (n,) the contrast whose estimate is sum(pull y)
    fitted  : of responses weighted by w (n,) inside sessions, if there are several, with df degrees of freedom and
              leverage (n,)
    cell    : (n,) groups of shots that scatter each by itself; None: one scatter for all
    returns : None where the column stays as it is in every evening
    """
    z = sessions.centred(along, w) if sessions else along - float(w @ along) / float(w.sum())
    of_each = evenings.sums(z**2, w)
    if not float(of_each.max()) > _GONE * float(w @ along**2) / evenings.count:
        return None
    groups = _telling(evenings, of_each)
    squares = evening_squares(z, fitted, w, groups)
    if squares.spare < 1 or not df - squares.spare >= 1 or math.isinf(df):
        return EffectScatter(groups.count, squares.spare, math.nan)
    shots = shot_variances(squares, w, leverage, cell)
    of_between = shots.sums(squares.share)
    expected = float(shots.variance @ of_between)
    if not expected > _GONE * squares.between:
        return EffectScatter(groups.count, squares.spare, math.nan)
    numerator_df = squares.spare if shots.alike else expected**2 / squares.square_trace(w, shots.of_each)
    p = float(stats.f.sf(squares.between / expected, numerator_df, expected**2 / shots.moment(of_between)))
    spread, spread_df = squares.spread()
    grows = float(np.sum(evenings.sums(z, pull) ** 2)) / spread  # of the estimate's variance with the sum of squares
    of_large = np.maximum(shots.sums(pull**2 / w) - grows * of_between, 0.0)  # taken off, they'd leave it no df
    large = grows * squares.between + float(shots.variance @ of_large)
    moment = (grows * squares.between) ** 2 / spread_df + shots.moment(of_large)
    return EffectScatter(
        groups.count,
        squares.spare,
        p,
        math.sqrt(max((squares.between - expected) / spread, 0.0)),
        math.sqrt(large) if moment > 0 else math.nan,
        large**2 / moment if moment > 0 else math.nan,
    )


def _telling(evenings: Sessions, information: Array) -> Sessions:
    """Evenings that show the condition; the others go with the largest."""
    largest = int(np.argmax(information))
    shown = information > _LITTLE * information[largest]
    number = np.cumsum(shown) - 1
    number = np.where(shown, number, number[largest])
    return Sessions(number[evenings.labels], int(shown.sum()))
