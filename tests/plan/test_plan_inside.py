"""The power that a plan promises inside sessions is what `compare` finds, of few shots too."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.power import TTestIndPower

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.settings import CompareSettings
from pipeline.pilot import pilot_spread
from pipeline.plan_inside import power_inside, repeats_needed
from pipeline.plan_power import Spread
from pipeline.plan_sheet import Sheet

ANGLE = "rebound_settled_angle_deg"
BALLS = ("balls", ("clean", "polished"))
CHALK = ("chalk", ("blue", "green"))
TRUTH = Truth(shot_sd=0.5, mishit_share=0.12)
#: of that truth: 1.1 x 0.6 by the incoming angle, 3 x 0.08 by the speed, and what is left
LEFT = math.hypot(TRUTH.shot_sd, 0.17)
SPREAD = Spread(
    response=ANGLE, shot_sd=LEFT, session_sd=0.0, mishit_share=TRUTH.mishit_share, source="test",
    growth=(math.hypot(LEFT, 0.66, 0.24) / LEFT, math.hypot(LEFT, 0.24) / LEFT, 1.0, 1.0, 1.0),
)  # fmt: skip


def _found(sheet, shift, plays):
    """Share of simulated plays of this sheet in which compare saw the balls' shift."""
    rng = np.random.default_rng(31)
    truth = replace(TRUTH, effects={"balls": {"clean": 0.0, "polished": shift}})
    settings = CompareSettings(responses=(ANGLE,), by=tuple(name for name, _ in sheet.easy))
    seen = 0
    for _ in range(plays):
        shots = simulate_session("e", rng=rng, truth=truth, fixed={}, varied=dict(sheet.easy), repeats=sheet.repeats)
        table = compare_conditions(shots_table(shots), settings=settings).contrasts
        if len(table):
            row = table[(table["factor"] == "balls") & table["main"]].iloc[0]
            seen += row[f"{row['used']}_low"] > 0 or row[f"{row['used']}_high"] < 0
    return seen / plays


@pytest.mark.parametrize(
    ("easy", "repeats", "shift"), [((BALLS,), 4, 1.5), ((BALLS, CHALK), 5, 0.8)], ids=["few shots", "two conditions"]
)
def test_the_power_promised_is_found_by_compare(easy, repeats, shift):
    sheet, plays = Sheet(easy, (), repeats, 1), 80
    promised = power_inside(sheet, shift, SPREAD)["balls"]
    assert _found(sheet, shift, plays) == pytest.approx(promised, abs=0.14)  # a t test: 0.3 more


def test_of_many_shots_it_is_that_of_the_t_test():
    bare = replace(SPREAD, growth=(1.0,), mishit_share=0.0)
    for n in (40, 200):
        shift = 2.8 * LEFT / math.sqrt(n / 2)
        power = power_inside(Sheet((BALLS,), (), n, 1), shift, bare)["balls"]
        assert power == pytest.approx(TTestIndPower().power(shift / LEFT, n, 0.05), abs=0.02)


def test_it_goes_on_smoothly_where_shots_are_no_longer_drawn():
    three = ("balls", ("a", "b", "c"))
    for easy, hard, sessions in (((BALLS, CHALK), (), 2), ((three,), (("cloth", ("x", "y")),), 1)):
        one = Sheet(easy, hard, 1, sessions)
        drawn, textbook = (
            power_inside(replace(one, repeats=math.floor(shots / 0.88 / one.shots)), 0.25, SPREAD)["balls"]
            for shots in (295, 340)
        )
        assert drawn - 0.05 < textbook < drawn + 0.12


def test_as_many_shots_are_planned_as_reach_the_power_and_no_more():
    sheet = Sheet((BALLS,), (), 2, 1)
    needed = repeats_needed(sheet, 1.5, SPREAD, power=0.8)
    assert 5 <= needed <= 7  # a t test would need 4
    assert power_inside(replace(sheet, repeats=needed), 1.5, SPREAD)["balls"] >= 0.8
    assert power_inside(replace(sheet, repeats=needed - 1), 1.5, SPREAD)["balls"] < 0.8
    assert power_inside(Sheet((BALLS,), (), 1, 1), 1.5, SPREAD)["balls"] == 0


def test_a_pilot_tells_the_scatter_with_fewer_covariates_too():
    rng = np.random.default_rng(32)
    parts = [
        simulate_session(f"e{i}", rng=rng, truth=TRUTH, fixed={}, varied=dict([BALLS]), repeats=15) for i in range(3)
    ]
    spread = pilot_spread(shots_table(pd.concat(parts, ignore_index=True)), ANGLE)
    assert spread.growth[:2] == pytest.approx(SPREAD.growth[:2], rel=0.15)
    assert spread.growth[2:] == pytest.approx((1.0, 1.0, 1.0), abs=0.05)
