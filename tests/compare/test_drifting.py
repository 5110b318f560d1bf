"""A thermometer that drifts while evenings differ: read between evenings and inside them, joined or each for itself."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.both_ways import Reading, agreement, join, joins
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.effects import t_interval
from pipeline.compare.model import Estimate
from pipeline.compare.settings import CompareSettings
from pipeline.compare.table_parameters import parameter_rows

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))


def drifting(temperatures, *, seed=3, step=0.1, repeats=10, inside=0.3, between=0.3, session_sd=0.2, **session):
    """An evening a temperature, ``step`` up or down a shot; ``inside``, ``between``: true degrees per degree."""
    rng = np.random.default_rng(seed)
    parts = []
    for i, start in enumerate(temperatures):
        truth = Truth(session_sd=session_sd, mishit_share=0.0)
        part = simulate_session(f"e{i}", rng=rng, truth=truth, fixed={}, varied={}, repeats=repeats, **session)
        read = start + (-1) ** (i // 2) * step * np.arange(len(part))
        part["temperature_c"] = read
        part["rebound_settled_angle_deg"] += between * read.mean() + inside * (read - read.mean())
        parts.append(part)
    return shots_table(pd.concat(parts, ignore_index=True))


def _rows(shots):
    comparison = compare_conditions(shots, settings=ANGLE)
    return comparison, comparison.contrasts[comparison.contrasts["main"]]


def test_a_drifting_thermometer_tells_as_much_as_one_reading_an_evening():
    shots = drifting([18, 28, 18, 28])
    _, rows = _rows(shots)
    assert len(rows) == 1
    row = rows.iloc[0]
    assert row["basis"] == "between and within sessions"
    assert float(row["b"]) - float(row["a"]) == pytest.approx(10, abs=1.0)
    assert row["adjusted_low"] < 3.0 < row["adjusted_high"]
    assert row["adjusted_low"] > 0
    assert "which agree (p " in row["note"]
    once = shots.assign(temperature_c=shots["session"].map({"e0": 18.0, "e1": 28.0, "e2": 18.0, "e3": 28.0}))
    alone = _rows(once)[1].iloc[0]
    assert row["adjusted_high"] - row["adjusted_low"] < 1.3 * (alone["adjusted_high"] - alone["adjusted_low"])


def test_readings_that_disagree_stand_each_for_itself_over_what_it_saw():
    comparison, rows = _rows(drifting([18, 20, 18.5, 21], step=0.2, repeats=20, inside=0.5, between=3.0))
    between, inside = (rows[rows["part"] == part].iloc[0] for part in ("between sessions", "inside sessions"))
    for row, slope in ((between, 3.0), (inside, 0.5)):
        truth = slope * (float(row["b"]) - float(row["a"]))
        assert row["adjusted_low"] < truth < row["adjusted_high"]
    assert float(inside["b"]) - float(inside["a"]) == pytest.approx(0.2 * 19)
    assert "reads differently" in between["answer"]
    assert any("as it changed inside sessions: settles" in a for a in comparison.answers)


def test_two_evenings_tell_only_what_changed_inside_them():
    comparison, rows = _rows(drifting([18, 28]))
    assert list(rows["basis"]) == ["not told apart", "within sessions"]
    inside = rows.iloc[1]
    assert float(inside["b"]) - float(inside["a"]) == pytest.approx(0.9)  # no more than one evening saw
    assert "how it changed inside sessions, given apart" in comparison.warnings[0]


def test_evenings_alike_are_read_inside_them_alone():
    _, rows = _rows(drifting([18, 18.05, 18.1], step=0.2))
    assert list(rows["basis"]) == ["within sessions"]
    assert float(rows["b"].iloc[0]) - float(rows["a"].iloc[0]) == pytest.approx(1.8)  # what one evening saw


def test_readings_leave_the_sessions_to_what_stays_for_a_session():
    shots = drifting([18, 28, 18.2, 28.2])
    shots = shots.assign(
        cloth=shots["session"].map({"e0": "worn", "e1": "worn", "e2": "new", "e3": "new"}),
        humidity_pct=44.0 + np.arange(len(shots)) % 7,  # a mean of its own each evening, which says nothing
    )
    comparison, rows = _rows(shots)
    cloth = rows[rows["factor"] == "cloth"].iloc[0]
    assert (cloth["basis"], cloth["df"]) == ("between sessions", 1)
    assert any("4 sessions are too few to see whether the conditions act together" in line for line in comparison.lines)


def test_intervals_hold_the_truth():
    held = []
    for seed in range(10):
        for _, row in _rows(drifting([18, 20, 18, 20], seed=seed, step=0.3, session_sd=0.4))[1].iterrows():
            truth = 0.3 * (float(row["b"]) - float(row["a"]))
            held.append(row["adjusted_low"] < truth < row["adjusted_high"])
    assert np.mean(held) > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 10)


def _estimate(value, se, df):
    interval = t_interval(value, se, df)
    return Estimate(value, se, df, "within sessions", "t", interval, interval, math.nan)


def test_joined_as_published():
    # Meier (1953): variance 1/W (1 + 4 sum p (1 - p) / f), 1/f = sum p^2 / f; with large f the usual mean
    a, b = Reading(_estimate(2.0, 0.2, 1e7), 1.0), Reading(_estimate(2.6, 0.4, 1e7), 1.0)
    both = join(a, b, span=1.0, level=0.95)
    assert both.value == pytest.approx((2.0 / 0.04 + 2.6 / 0.16) / (1 / 0.04 + 1 / 0.16), rel=1e-5)
    assert both.se == pytest.approx((1 / 0.04 + 1 / 0.16) ** -0.5, rel=1e-5)
    few = join(Reading(_estimate(2.0, 0.2, 6), 1.0), Reading(_estimate(2.0, 0.2, 6), 1.0), span=10.0, level=0.95)
    assert few.se == pytest.approx(10 * math.sqrt(0.02 * (1 + 4 * 0.25 * 2 / 6)))
    assert few.df == pytest.approx(12)


def test_joined_intervals_hold_the_truth_with_few_evenings():
    rng = np.random.default_rng(1)
    held = []
    for _ in range(1500):
        se = np.array([1.0, rng.choice([0.5, 1.0, 2.0])])
        value, df = rng.normal(0, se), np.array([3, 20])
        found = se * np.sqrt(rng.chisquare(df) / df)
        a, b = (Reading(_estimate(v, s, f), 1.0) for v, s, f in zip(value, found, df, strict=True))
        if joins(a, b):
            interval = join(a, b, span=1.0, level=0.95).interval
            held.append(interval.low < 0 < interval.high)
    assert 0.93 < np.mean(held) < 0.97


def test_too_little_behind_a_reading_is_not_joined():
    sure, unsure = Reading(_estimate(1.0, 0.1, 20), 1.0), Reading(_estimate(1.0, 0.1, 1), 1.0)
    assert not joins(sure, unsure)
    assert not joins(sure, Reading(_estimate(2.0, 0.1, 20), 1.0))
    assert agreement(sure, Reading(_estimate(2.0, 0.1, 20), 1.0)) < 0.001


def test_a_tables_parameter_goes_with_the_sessions_mean_reading():
    shots = drifting([18, 28])
    rows = [{"session": s, "quantity": "sliding_friction", "condition": None, "value": 0.2} for s in ("e0", "e1")]
    names = ["temperature_c"]
    out = parameter_rows(shots, pd.DataFrame(rows), "sliding_friction", names, readings=names)
    assert list(out["temperature_c"]) == pytest.approx([18.45, 28.45])
