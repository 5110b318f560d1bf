"""A condition that changes during evenings and does something else on each: the interval is for evenings at large."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.model import fit_linear
from pipeline.compare.settings import CompareSettings

BALLS = [0, 1]


def _shots(rng, effects, *, shots=16):
    """y, design and session: balls take turns in each evening, where they do what ``effects`` says."""
    session = np.repeat(np.arange(len(effects)), shots)
    turned = (np.arange(len(session)) % 2).astype(float)
    y = np.asarray(effects)[session] * turned + rng.normal(0, 1, len(effects))[session]
    return y + rng.normal(0, 0.5, len(session)), np.column_stack([np.ones(len(session)), turned]), session


def _balls(rng, effects, **shots):
    y, x, session = _shots(rng, effects, **shots)
    return fit_linear(y, x, session=session).estimate(BALLS, along=BALLS)


def test_the_f_test_and_error_are_those_of_the_analysis_of_variance():
    rng = np.random.default_rng(1)
    y, x, session = _shots(rng, [2.0, -1.0, 1.5, 0.0])
    e = fit_linear(y, x, session=session).estimate(BALLS, along=BALLS)
    means = np.array([[y[(session == s) & (x[:, 1] == level)].mean() for level in (0, 1)] for s in range(4)])
    differences = means[:, 1] - means[:, 0]
    within = sum(((y[(session == s) & (x[:, 1] == k)] - means[s, k]) ** 2).sum() for s in range(4) for k in (0, 1))
    within /= 64 - 8
    between = differences.var(ddof=1) * 8 / 2
    assert (e.evenings.evenings, e.evenings.df, e.evenings.large_df) == (4, 3, pytest.approx(3))
    assert e.evenings.p == pytest.approx(stats.f.sf(between / within, 3, 56))
    assert e.evenings.sd**2 == pytest.approx((between - within) * 2 / 8)
    assert e.value == pytest.approx(differences.mean())
    assert (e.se, e.df) == pytest.approx((differences.std(ddof=1) / 2, 3))  # as the t test on the four differences
    assert e.interval.low < differences.mean() - 2.5 * e.se < e.here.low


@pytest.mark.parametrize("counts", [(10, 3), (4, 8)], ids=["fewer that scatter more", "more that scatter more"])
@pytest.mark.parametrize(("ratio", "least", "most"), [(0, 0.015, 0.085), (2, 0.45, 1.0)])
def test_evenings_are_said_to_disagree_as_often_as_promised_where_conditions_scatter_differently(
    counts, ratio, least, most
):
    # one scatter for all says so in 43 % and in 0.2 % of comparisons in which evenings agree
    sd = np.array([0.5, 1.5])
    effect_sd = ratio * np.sqrt(np.sum(sd**2 / counts))  # of a single evening's standard error
    rng = np.random.default_rng(6)
    session, polished = np.repeat(np.arange(4), sum(counts)), np.tile(np.repeat([0, 1], counts), 4)
    x = np.column_stack([np.ones(len(session)), polished])
    said = 0
    for _ in range(300):
        effect, mean = 1 + rng.normal(0, effect_sd, 4), rng.normal(0, 1, 4)
        y = effect[session] * polished + mean[session] + rng.normal(0, sd[polished])
        e = fit_linear(y, x, session=session, cell=polished, wider=True).estimate(BALLS, along=BALLS)
        said += e.evenings.disagree
    assert least < said / 300 < most


def test_what_conditions_do_together_does_not_pass_for_evenings_that_disagree():
    rng = np.random.default_rng(3)
    y, x, session = _shots(rng, [0.0, 3.0, 0.0, 3.0])  # new cloth on each second evening
    cloth = session % 2
    crossed = np.column_stack([x, cloth, x[:, 1] * cloth, rng.normal(size=len(y))])
    along = [0, 1, 0, 0, 0]
    fit = fit_linear(y, crossed, session=session)
    e = fit.estimate([0, 1, 0, 0.5, 0], along=along)
    assert (e.evenings.df, e.evenings.disagree) == (2, False)
    assert fit_linear(y, x, session=session).estimate(BALLS, along=BALLS).evenings.disagree
    two = fit_linear(y[:32], crossed[:32], session=session[:32]).estimate([0, 1, 0, 0.5, 0], along=along)
    assert two.evenings.df == 0
    assert np.isnan(two.evenings.p)


def test_an_f_test_heeds_evenings_that_disagree():
    rng = np.random.default_rng(4)
    y, x, session = _shots(rng, [1.6, -0.9, 1.2, -0.2])
    fit = fit_linear(y, x, session=session)
    e = fit.estimate(BALLS, along=BALLS)
    assert fit.f_test([BALLS], along=[BALLS]).p == pytest.approx(e.p, rel=0.05)
    assert fit.f_test([BALLS]).p < 0.1 * e.p


def test_evenings_without_the_condition_say_nothing_of_it():
    rng = np.random.default_rng(5)
    y, x, session = _shots(rng, [1.0, 1.0, 1.0, 1.0])
    x[session > 1, 1] = 0
    e = fit_linear(y, np.column_stack([x, rng.normal(size=len(y))]), session=session).estimate(
        [0, 1, 0], along=[0, 1, 0]
    )
    assert (e.evenings.evenings, e.evenings.df) == (2, 1)


def _compared(effects):
    rng = np.random.default_rng(4)
    parts = []
    for i, effect in enumerate(effects):
        known = Truth(session_sd=0.3, mishit_share=0, effects={"balls": {"polished": effect}})
        varied = {"balls": ("clean", "polished")}
        parts.append(simulate_session(f"e{i}", rng=rng, truth=known, fixed={}, varied=varied, repeats=10))
    shots = shots_table(pd.concat(parts, ignore_index=True))
    return compare_conditions(shots, settings=CompareSettings(responses=("rebound_settled_angle_deg",)))


def test_a_comparison_says_that_evenings_disagree():
    comparison = _compared([1.6, -0.4, 1.2, -0.2])
    row = comparison.contrasts.iloc[0]
    assert row["disagree"]
    assert row["adjusted_low"] < 0 < row["adjusted_here_low"]
    assert "Evenings disagree by more than chance (p < 0.0001)" in comparison.answers[0]
    assert "for these alone it is 0.05 to 0.75° longer" in comparison.answers[0]
    check = comparison.diagnostics.set_index("check")["result"]
    said = "polished balls against clean balls: the same from evening to evening (F test)"
    assert check[said] == "evenings disagree: interval widened"
    assert comparison.terms.set_index("term").loc["balls", "p"] > 0.05


def test_of_two_evenings_that_agree_the_answer_is_for_these():
    comparison = _compared([1.0, 1.0])
    assert not comparison.contrasts["disagree"].any()
    assert sum("too few evenings to tell" in line for line in comparison.lines) == 1
    row = comparison.contrasts.iloc[0]
    assert row["evenings_low"] < row["adjusted_low"] - 1  # one degree of freedom
    assert "too few to tell whether others agree; for evenings at large it is" in comparison.answers[0]
    assert "for these evenings" in comparison.diagnostics["result"].iloc[-1]
    enough = _compared([1.0, 1.0, 1.0, 1.0])
    assert not any("too few evenings" in line for line in enough.lines)
    assert enough.diagnostics["result"].iloc[-1].endswith("too few to be sure, the interval leaves room")
    assert _compared([1.0] * 5).diagnostics["result"].iloc[-1] == "holds (p not below 0.05)"
    assert "for this evening" in _compared([1.0]).diagnostics["result"].iloc[-1]


def test_an_interval_that_leaves_room_says_so_and_gives_that_for_these_evenings():
    comparison = _compared([1.0, 1.5, 0.7])
    row = comparison.contrasts.iloc[0]
    assert not row["disagree"]
    assert row["adjusted_low"] < row["adjusted_here_low"] < row["adjusted_here_high"] < row["adjusted_high"]
    assert row["evenings_low"] < row["adjusted_low"]  # the same at 95 %, not 90
    assert "3 evenings can't rule out that they disagree, so the interval leaves room for it" in comparison.answers[0]
