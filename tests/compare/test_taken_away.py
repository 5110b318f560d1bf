"""Where adjusting takes away what a condition does on the ball's way to the cushion, the answer says so."""

from __future__ import annotations

import re

import numpy as np
import pytest

from pipeline.compare.comparison import compare_conditions
from pipeline.compare.page import comparison_page
from pipeline.compare.settings import CompareSettings
from pipeline.compare.taken_away import EQUAL_HITS, standardised_differences

ANGLE = ("rebound_settled_angle_deg",)
INSTEAD = ("To compare equal hits instead: --adjust object_speed_mps,aim_error_deg,cue_roll_ratio (incoming_angle_deg "
           "for aim_error_deg where no pattern file tells the aim).")


def slowed(shots, by_mps):
    """New cloth lets balls come faster by so much, at which they settle 3 degrees shorter a m/s."""
    new = shots["cloth"] == "new"
    return shots.assign(
        speed_at_impact_mps=shots["speed_at_impact_mps"] + by_mps * new,
        rebound_settled_angle_deg=shots["rebound_settled_angle_deg"] - 3 * by_mps * new,
        object_speed_mps=np.random.default_rng(1).normal(2.0, 0.08, len(shots)),
        object_speed_mps_u=0.01,
    )


def told(shots, **settings):
    found = compare_conditions(shots, settings=CompareSettings(responses=ANGLE, by=("cloth", "balls"), **settings))
    return found.contrasts[found.contrasts["main"].astype(bool)].set_index("factor"), found


def test_a_cloth_that_sets_how_fast_balls_come_is_told_and_what_to_do(four_evenings):
    rows, found = told(slowed(four_evenings[0], 0.3))
    said = rows.loc["cloth", "taken_away"]
    assert re.fullmatch(
        r"Between new cloth and worn cloth, impact roll ratio differs by \d\.\d and speed at impact by \d\.\d times "
        r"its scatter within each: adjusting takes away what cloth may do through them\.", said)
    assert f"{said} {INSTEAD}" in rows.loc["cloth", "answer"]
    assert rows.loc["balls", "taken_away"] == ""  # turned during each evening, of balls that came alike
    assert "equal hits" not in rows.loc["balls", "answer"]
    assert said in comparison_page(found, {})
    assert said in found.text()
    # what the cloth does by the speed is 0.9 degrees: raw has it, adjusted hasn't, equal hits have
    plain, _ = told(slowed(four_evenings[0], 0.0))
    moved = rows.loc["cloth", ["raw_diff", "adjusted_diff"]] - plain.loc["cloth", ["raw_diff", "adjusted_diff"]]
    assert moved["raw_diff"] == pytest.approx(0.9, abs=0.05)
    assert abs(moved["adjusted_diff"]) < 0.45
    equal, _ = told(slowed(four_evenings[0], 0.3), adjust=EQUAL_HITS)
    assert equal.loc["cloth", "adjusted_diff"] == pytest.approx(rows.loc["cloth", "raw_diff"], abs=0.3)
    assert INSTEAD not in equal.loc["cloth", "answer"]
    untold, _ = told(slowed(four_evenings[0], 0.3), adjust=("object_speed_mps", "incoming_angle_deg", "cue_roll_ratio"))
    assert INSTEAD not in untold.loc["cloth", "answer"]


def test_nothing_is_said_of_balls_that_came_alike(four_evenings):
    rows, found = told(slowed(four_evenings[0], 0.0))
    assert (rows["taken_away"] == "").all()
    assert "equal hits" not in found.text()


def test_the_standardised_difference_is_that_of_means_over_the_scatter_within():
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1.0, 9), rng.normal(3, 1.0, 6)
    x = np.concatenate([a, b])[:, None]
    group = np.repeat([0.0, 1.0], [9, 6])
    design = np.column_stack([np.ones(15), group, 1 - group])  # one column too many
    (found,) = standardised_differences(x, design, np.array([[0.0, 0.5, -0.5]]) * 2)[0]
    pooled = np.sqrt((8 * a.var(ddof=1) + 5 * b.var(ddof=1)) / 13)
    assert found == pytest.approx((b.mean() - a.mean()) / pooled)
    near = np.concatenate([a, a[:6] + 0.5])[:, None]  # as much as chance makes of so few
    assert standardised_differences(near, design, np.array([[0.0, 1.0, -1.0]]))[0, 0] == 0
    assert standardised_differences(x[:2], design[[0, 14]], np.array([[0.0, 1.0, -1.0]]))[0, 0] == 0
