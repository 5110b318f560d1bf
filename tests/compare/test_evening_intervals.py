"""How often intervals of a condition that changes inside evenings hold, whatever evenings differ by; and at what width.

For equal evenings both are integrals over how much the evenings filmed happen to differ: no luck in them. Half-widths
are in standard errors for these evenings alone, disagreement in standard errors of a single evening's difference.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.compare.effect_scatter import EffectScatter
from pipeline.compare.model import fit_linear

RATIOS = (0, 0.5, 0.75, 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 8, 15, 50)


def _half(found, df):
    """Half-width at how many times what shots make of it the mean square between evenings is."""
    p = float(stats.chi2.sf(found * df, df))
    scatter = EffectScatter(df + 1, df, p, large_se=math.sqrt(found), large_df=df)
    se, of = scatter.widened(1.0, math.inf, level=0.95)
    return stats.t.ppf(0.975, of) * se


def _found(df):
    """Such ratios, equally likely, where evenings agree."""
    return stats.chi2.ppf((np.arange(150) + 0.5) / 150, df) / df


@lru_cache
def _coverage(df):
    """(ratios,) share of intervals that hold, and how much wider they are on average where evenings agree."""
    holds = []
    for ratio in RATIOS:
        grown = 1 + ratio**2
        half = np.array([_half(grown * found, df) for found in _found(df)])
        holds.append(np.mean(2 * stats.norm.cdf(half / math.sqrt(grown)) - 1))
    return np.array(holds), np.mean([_half(found, df) for found in _found(df)]) / stats.norm.ppf(0.975)


@pytest.mark.parametrize(
    ("evenings", "least", "wider"), [(3, 0.915, 1.52), (4, 0.92, 1.28), (6, 0.92, 1.14), (10, 0.925, 1.07)]
)
def test_whatever_evenings_differ_by_the_interval_holds_as_readme_says(evenings, least, wider):
    holds, width = _coverage(evenings - 1)
    assert least < holds.min() < 0.93
    assert holds.max() < 0.98
    assert width == pytest.approx(wider, abs=0.01)


def test_two_evenings_are_too_few_whatever_is_done():
    holds, width = _coverage(1)
    assert holds.min() < 0.8  # so the page says that it is for these evenings
    assert width < 2  # what holds 9 times in 10 would be nearly three times as wide


def test_hardly_a_narrower_interval_could_hold_as_often():
    # the best of all that depend on the same ratio, by what they hold at the worst: a convex problem
    df, knots = 3, np.concatenate([[0], np.geomspace(0.3, 100, 19)])
    grown = 1 + np.array(RATIOS[:-2]) ** 2
    found = _found(df)

    def weights(values):  # of the knots' half-widths, straight lines in the root between them, and beyond them
        at = np.clip(np.searchsorted(knots, values) - 1, 0, len(knots) - 2)
        low, high = np.sqrt(knots[at]), np.sqrt(knots[at + 1])
        share = (np.sqrt(values) - low) / (high - low)
        out = np.zeros((len(values), len(knots)))
        out[np.arange(len(values)), at] = 1 - share
        out[np.arange(len(values)), at + 1] = share
        return out

    each = [weights(g * found) for g in grown]
    cost = each[0].mean(axis=0) / stats.norm.ppf(0.975)
    least = _coverage(df)[0].min()

    def spare(half):
        return np.array([np.mean(2 * stats.norm.cdf(w @ half / g**0.5) - 1) for w, g in zip(each, grown, strict=True)])

    def slope(half):
        scaled = [(w, w @ half / g**0.5, g**0.5 * len(w)) for w, g in zip(each, grown, strict=True)]
        return np.array([2 * stats.norm.pdf(at) @ w / size for w, at, size in scaled])

    best = optimize.minimize(
        lambda half: cost @ half,
        np.maximum(1.96, stats.t.ppf(0.975, df) * np.sqrt(knots)),
        jac=lambda half: cost,
        method="SLSQP",
        bounds=[(stats.norm.ppf(0.975), None)] * len(knots),  # no narrower than for these evenings alone
        constraints=[{"type": "ineq", "fun": lambda half: spare(half) - least, "jac": slope}],
        options={"maxiter": 300},
    )
    assert best.success
    assert 1.22 < best.fun < _coverage(df)[1] < 1.03 * best.fun


@pytest.mark.parametrize(
    ("evenings", "crossed", "ratio", "least", "most"),
    [(3, False, 2, 0.86, 0.98), (4, False, 0, 0.93, 1.0), (4, True, 2, 0.86, 0.98), (6, False, 2, 0.87, 0.98)],
)
def test_fitted_to_shots_it_holds_as_often_and_conditions_seldom_seem_to_act_together(
    evenings, crossed, ratio, least, most
):
    rng = np.random.default_rng(8)
    session = np.repeat(np.arange(evenings), 16)
    polished, cloth = np.arange(len(session)) % 2, session % 2  # cloth stays for an evening
    x = np.column_stack([np.ones(len(session)), polished, *([cloth, polished * cloth] if crossed else [])])
    along, width = np.eye(x.shape[1])[1], x.shape[1]
    held = here = alarms = 0
    for _ in range(250):
        effect = 1 + rng.normal(0, ratio * 0.25, evenings)  # of a single evening's standard error
        fit = fit_linear(effect[session] * polished + rng.normal(0, 0.5, len(session)), x, session=session)
        e = fit.estimate([0, 1, 0, 0.5][:width], along=along)
        assert e.here.low >= e.interval.low
        held += e.interval.low <= 1 <= e.interval.high
        here += e.here.low <= 1 <= e.here.high
        alarms += crossed and fit.f_test([0, 0, 0, 1], along=[along]).p < 0.05
    assert least < held / 250 < most
    assert (here / 250 < 0.75) == (ratio > 0)
    assert alarms / 250 < 0.12
