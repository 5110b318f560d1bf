"""Certified and published answers, through the comparison's own functions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.compare.effects import equivalence_test, hedges_correction, hedges_g, holm, t_limit
from pipeline.compare.model import fit_linear
from pipeline.compare.scatter import session_scatter
from tests.compare import published


def _groups(data):
    values = np.concatenate([np.asarray(v, dtype=float) for v in data.values()])
    labels = np.repeat(np.array(list(data)), [len(v) for v in data.values()])
    return values, labels


def _one_hot(labels):
    names = np.unique(labels)
    return (labels[:, None] == names[None, :]).astype(float)


def _one_way(data):
    y, g = _groups(data)
    x = _one_hot(g)
    fit = fit_linear(y, x)
    k = x.shape[1]
    return fit, fit.f_test(np.hstack([-np.ones((k - 1, 1)), np.eye(k - 1)]))


@pytest.mark.parametrize(
    # NIST StRD, certified values
    ("data", "ss_between", "ss_within", "f", "sd", "df", "rel"),
    [
        (
            published.SIRSTV,
            5.11462616000000e-02,
            2.16636560000000e-01,
            1.18046237440255,
            0.104076068334656,
            (4, 20),
            1e-10,
        ),
        (
            published.ATMWTAG,
            3.63834187500000e-09,
            1.04951729166667e-08,
            15.9467335677930,
            1.51048314446410e-05,
            (1, 46),
            1e-8,
        ),
    ],
    ids=["SiRstv", "AtmWtAg"],
)
def test_nist_one_way_analysis_of_variance(data, ss_between, ss_within, f, sd, df, rel):
    fit, test = _one_way(data)
    assert (test.df, test.df_error) == df
    assert test.ss == pytest.approx(ss_between, rel=rel)
    assert fit.sd**2 * fit.residual_df == pytest.approx(ss_within, rel=rel)
    assert test.f == pytest.approx(f, rel=rel)
    assert fit.sd == pytest.approx(sd, rel=rel)


def test_nist_norris_regression():
    # NIST StRD Norris, certified values
    y, x = np.array(published.NORRIS).T
    fit = fit_linear(y, np.column_stack([np.ones_like(x), x]))
    intercept, slope = fit.estimate([1, 0]), fit.estimate([0, 1])
    assert intercept.value == pytest.approx(-0.262323073774029, rel=1e-10)
    assert intercept.se == pytest.approx(0.232818234301152, rel=1e-10)
    assert slope.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert slope.se == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert fit.sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.f_test([[0, 1]]).f == pytest.approx(5436385.54079785, rel=1e-8)


def test_welch_and_pooled_t_of_the_sleep_data():
    # R's t.test(extra ~ group): Welch and pooled
    y, g = _groups(published.SLEEP)
    welch = fit_linear(y, _one_hot(g), cell=g, robust=True).estimate([1, -1])
    assert welch.value / welch.se == pytest.approx(-1.8608135, abs=1e-6)
    assert welch.df == pytest.approx(17.776474, abs=1e-5)
    assert welch.p == pytest.approx(0.0793941, abs=1e-6)
    assert (welch.interval.low, welch.interval.high) == pytest.approx((-3.3654832, 0.2054832), abs=1e-6)


def test_hedges_g_uses_the_exact_correction():
    # same data; exact J(18) = 0.9576464, g = -0.7969352 (the usual approximation would give -0.7970185)
    y, g = _groups(published.SLEEP)
    fit = fit_linear(y, _one_hot(g))
    e = fit.estimate([1, -1])
    assert hedges_correction(18) == pytest.approx(0.9576464, abs=1e-7)
    effect = hedges_g(e.value, e.se, e.df, fit.sd)
    assert effect.value == pytest.approx(-0.7969352, abs=1e-6)
    assert effect.low < effect.value < effect.high


def test_holm():
    # worked by hand from Holm 1979; the same in R's p.adjust
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02], abs=1e-12)
    out = holm([0.01, np.nan, 0.04])
    assert np.isnan(out[1])
    assert out[[0, 2]] == pytest.approx([0.02, 0.04], abs=1e-12)
    assert holm([]).size == 0


def test_holm_as_in_statsmodels():
    p = np.random.default_rng(4).beta(0.3, 1.5, 40)  # many small ones; some equal, some 1
    p[[3, 7, 12]], p[20] = p[3], 1.0
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-15)


def test_equivalence_of_two_groups():
    # R package equivalence, values in statsmodels' test_tost
    y, g = _groups(published.TOST)
    pooled = fit_linear(y, _one_hot(g)).estimate([1, -1])
    result = equivalence_test(pooled.value, pooled.se, pooled.df, bound=0.6)
    assert pooled.value == pytest.approx(0.1646667, abs=1e-7)
    assert result.p == pytest.approx(0.0482731510, abs=1e-9)
    assert (result.low, result.high) == pytest.approx((-0.2659961, 0.5953294), abs=1e-7)
    assert result.holds(0.05)
    welch = fit_linear(y, _one_hot(g), cell=g, robust=True).estimate([1, -1])
    assert equivalence_test(welch.value, welch.se, welch.df, bound=0.6).p == pytest.approx(0.0485308398, abs=1e-9)


def test_two_way_factorial_kidney_data():
    # Neter et al.'s kidney data; R's answers as shipped in statsmodels' test_anova
    rows = [(a, b, days) for (a, b), values in published.KIDNEY_DAYS.items() for days in values]
    a = np.array([r[0] for r in rows]) == "2"
    b2, b3 = (np.array([r[1] for r in rows]) == level for level in "23")
    y = np.log(np.array([r[2] for r in rows]) + 1.0)
    x = np.column_stack([np.ones(len(y)), a, b2, b3, a & b2, a & b3]).astype(float)
    fit = fit_linear(y, x)
    average_over_b = [[0, 1, 0, 0, 1 / 3, 1 / 3]]
    average_over_a = [[0, 0, 1, 0, 0.5, 0], [0, 0, 0, 1, 0, 0.5]]
    interaction = [[0, 0, 0, 0, 1, 0], [0, 0, 0, 0, 0, 1]]
    expected = [  # sum of squares, F, p
        (average_over_b, 2.339693, 4.358293, 0.0415617),
        (average_over_a, 16.97129, 15.80674, 3.944502e-06),
        (interaction, 0.6356584, 0.5920404, 0.5567479),
    ]
    assert fit.residual_df == 54
    assert fit.sd**2 * 54 == pytest.approx(28.9892, rel=1e-5)
    for contrasts, ss, f, p in expected:
        test = fit.f_test(contrasts)
        assert test.ss == pytest.approx(ss, rel=1e-5)
        assert test.f == pytest.approx(f, rel=1e-5)
        assert test.p == pytest.approx(p, rel=1e-5)


def test_dyestuff_mixed_model():
    # lme4 manual, Davies & Goldsmith 1972 sec. 6.4: batch and residual variance, mean, REML criterion
    y, batch = _groups(published.DYESTUFF)
    found = session_scatter(y, np.ones((len(y), 1)), batch)
    assert found.session_sd**2 == pytest.approx(1764.05, rel=1e-3)
    assert found.shot_sd**2 == pytest.approx(2451.25, rel=1e-3)
    assert found.session_share == pytest.approx(0.4184874, rel=1e-3)
    assert found.mean == pytest.approx(1527.5, rel=1e-9)
    assert found.mean_se == pytest.approx(19.3834, rel=1e-3)
    assert found.minus2_log_l == pytest.approx(319.65428, abs=1e-4)
    # and the model used for intervals finds the same: balanced batches, so this is exact
    fit = fit_linear(y, np.ones((len(y), 1)), session=batch)
    mean = fit.estimate([1.0])
    assert (mean.value, mean.se, mean.df) == pytest.approx((1527.5, 19.3834, 5), rel=1e-5)
    assert fit.sd**2 == pytest.approx(2451.25, rel=1e-9)
    assert fit.session_sd**2 == pytest.approx(1764.05, rel=1e-4)


@pytest.mark.parametrize(("df", "level"), [(1, 0.95), (4.7, 0.9), (30, 0.95), (math.inf, 0.95), (2, 0.5)])
def test_limits_of_students_t_are_those_of_a_statistics_library(df, level):
    assert t_limit(df, level) == pytest.approx(float(stats.t.ppf(0.5 + level / 2, df)), rel=1e-9)


def test_no_degrees_of_freedom_give_no_limit():
    assert math.isnan(t_limit(0))
    assert math.isnan(t_limit(math.nan))
