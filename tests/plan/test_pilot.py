"""What a pilot tells a plan: of the patterns planned, the largest scatter, how surely, and the shots that are lost."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session, write_session
from pipeline.command_group import app
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.settings import CompareSettings
from pipeline.pilot import _session_limit, pilot_spread
from pipeline.plan import PlanSettings, make_plan
from pipeline.pool import pool_sessions
from shared.columns import FINGERPRINT
from shared.errors import SettingsError

ANGLE = "rebound_settled_angle_deg"
SCATTER = {"A": 0.4, "B": 2.0}


@pytest.fixture(scope="module")
def two_patterns():
    """Four evenings of two patterns, of which one scatters five times as much."""
    rng = np.random.default_rng(1)
    parts = []
    for i in range(4):
        for pattern, sd in SCATTER.items():
            truth = Truth(shot_sd=sd, u_deg=0.05, mishit_share=0.1)
            part = simulate_session(
                f"e{i}", rng=rng, truth=truth, fixed={}, varied={"balls": ["clean", "polished"]}, repeats=8,
                pattern=pattern,
            )
            parts.append(part.assign(shot_id=part["shot_id"] + pattern))
    return shots_table(pd.concat(parts, ignore_index=True))


@pytest.fixture(scope="module")
def of_patterns(two_patterns):
    """What they tell of the settled angle of patterns; found once for all tests."""
    return lru_cache(lambda *names: pilot_spread(two_patterns, ANGLE, patterns=names))


def _plan(spread, *patterns):
    settings = PlanSettings(patterns=tuple((name, "") for name in patterns), easy={"balls": ("x", "y")}, shift=1.5)
    return make_plan(settings, spread)


def test_a_plan_holds_for_each_of_its_patterns_and_takes_no_other(of_patterns):
    alone = {name: of_patterns(name) for name in SCATTER}
    for name, sd in SCATTER.items():
        assert alone[name].shot_sd == pytest.approx(sd, rel=0.25)
    both = _plan(of_patterns("a", "B"), "a", "B")
    sized = _plan(alone["B"], "B")
    assert both.repeats == pytest.approx(sized.repeats, abs=1)  # by B, not by the two together
    assert both.repeats > 20
    told = f"A, medium {alone['A'].shot_sd:.3g}, B, medium {alone['B'].shot_sd:.3g}; planned by the largest"
    assert any(told in line for line in both.lines)
    assert not any("planned by the largest" in line for line in sized.lines)
    assert _plan(alone["A"], "A").repeats < 8


def test_what_the_pilot_lacks_is_named(two_patterns):
    notes = pilot_spread(two_patterns, ANGLE, patterns=["B", "C"], speeds=["Medium", "slow"]).notes
    assert "B slow; C Medium; C slow: no such shot counts in the pilot; taken to scatter as the others" in notes
    slow = PlanSettings(patterns=(("A", ""),), speeds="slow").speeds
    notes = pilot_spread(two_patterns, ANGLE, patterns=["A"], speeds=slow).notes
    assert any("the same patterns at other speeds are used" in note for note in notes)
    other = pilot_spread(two_patterns, ANGLE, patterns=["C"])
    assert any("C: no such shot counts in the pilot; all of the pilot's shots are used" in n for n in other.notes)
    assert other.shot_sd == pilot_spread(two_patterns, ANGLE).shot_sd
    few = two_patterns[(two_patterns["pattern"] != "B") | (two_patterns.index % 20 == 0)]
    short = pilot_spread(few, ANGLE, patterns=["A", "B"])
    assert any("B, medium: too few counted shots" in note for note in short.notes)
    assert short.shot_sd == pytest.approx(SCATTER["A"], rel=0.25)
    with pytest.raises(SettingsError, match="too few counted shots"):
        pilot_spread(few.assign(**{ANGLE: np.nan}), ANGLE, patterns=["A"])


def test_shots_without_the_response_are_filmed_on_top(two_patterns):
    shots = two_patterns[two_patterns["pattern"] == "A"].reset_index(drop=True)
    lost = shots["counted"].astype(bool) & (shots.index % 3 > 0)
    spread = pilot_spread(shots.assign(miss_mm=shots["miss_mm"].mask(lost)), "miss_mm", patterns=["A"])
    assert spread.untold_share == pytest.approx(2 / 3, abs=0.05)
    assert spread.kept_share * len(shots) == pytest.approx((shots["counted"].astype(bool) & ~lost).sum())
    settings = PlanSettings(patterns=(("A", "foot-right"),), easy={"balls": ("x", "y")}, shift=20.0)
    lines = make_plan(settings, spread).lines
    (power,) = [line for line in lines if line.startswith("balls: ")]
    counted = int(power.partition("from about ")[2].split()[0])
    assert "counted shots with miss_mm a level" in power
    assert f"so do the {spread.untold_share:.0%} of the others that have no miss_mm" in lines[-1]
    filmed = int(lines[-1].partition("session(s) of ")[2].split()[0]) / 2
    assert counted == pytest.approx(filmed * spread.kept_share, abs=0.5)


def test_a_pilot_tells_how_large_the_scatter_may_be_and_what_power_that_leaves(two_patterns):
    shots = two_patterns[two_patterns["session"].isin(["e0", "e1", "e2"])]
    spread = pilot_spread(shots, ANGLE, patterns=["A"])
    assert spread.session_sd_high > spread.session_sd >= 0
    settings = PlanSettings(patterns=(("A", ""),), easy={"balls": ("x", "y")}, hard={"cloth": ("p", "q")}, shift=0.6,
                            repeats=5, sessions=4)  # as it would be sized
    lines = make_plan(settings, spread).lines
    (limits,) = [line for line in lines if line.startswith("the scatter may be larger")]
    assert f"up to {spread.shot_sd_high:.3g} a shot and {spread.session_sd_high:.3g} a session" in limits
    promised = next(line for line in lines if line.startswith("cloth: "))
    assert _percent(limits.partition("cloth ")[2]) < _percent(promised.partition("seen with ")[2]) - 10
    one = pilot_spread(shots[shots["session"] == "e0"], ANGLE, patterns=["A"])
    assert math.isnan(one.session_sd_high)
    (limits,) = [line for line in make_plan(settings, one).lines if line.startswith("the scatter may be larger")]
    assert "how much sessions scatter it doesn't tell" in limits
    assert "cloth" not in limits


def test_the_limit_of_the_sessions_scatter_is_exceeded_as_often_as_it_says():
    rng = np.random.default_rng(4)
    sessions, shots, shot_sd, session_sd = 4, 10, 0.8, 0.6
    over = []
    for _ in range(1000):
        means = rng.normal(0, math.hypot(session_sd, shot_sd / math.sqrt(shots)), sessions)
        found = math.sqrt(max(means.var(ddof=1) - shot_sd**2 / shots, 0))
        told = {"sd": shot_sd, "shots": sessions * shots, "sessions": sessions, "session_df": sessions - 1,
                "mixed_model_session_sd": found}
        over.append(_session_limit(pd.Series(told)) < session_sd)
    assert np.mean(over) == pytest.approx(0.2, abs=0.04)


def test_a_pilot_whose_response_does_not_vary_is_told_so_and_not_to_film_more(two_patterns):
    same = two_patterns.assign(**{ANGLE: 40.0, f"{ANGLE}_u": 0.0})
    counted = int((same["counted"].astype(bool) & (same["pattern"] == "A")).sum())
    with pytest.raises(SettingsError) as refused:
        pilot_spread(same, ANGLE, patterns=["A"])
    said = "the pilot doesn't tell how shots scatter: A, medium, settled angle: the same in all"
    assert str(refused.value) == f"{said} {counted} counted shots (40); nothing to compare."
    both = compare_conditions(same, settings=CompareSettings(responses=(ANGLE,), by=("balls",)))
    assert f"A, medium, settled angle: the same in all {counted} counted shots (40); nothing to compare." in both.alike
    by_balls = same.assign(**{ANGLE: (same["balls"] == "clean") + 40.0})
    with pytest.raises(SettingsError, match="shots filmed alike don't differ at all"):
        pilot_spread(by_balls, ANGLE)


def test_a_pilot_tells_of_the_speed_kept_and_no_plan_is_made_for_the_table_itself(tmp_path):
    rng = np.random.default_rng(6)
    balls = {"balls": ["clean", "polished"]}
    for i in range(2):
        shots = simulate_session(f"e{i}", rng=rng, truth=Truth(), fixed={}, varied=balls, repeats=10)
        contacts = contacts_of(shots)
        last = contacts["n"] == 4
        contacts.loc[last, "speed_out_mps"] += rng.normal(0, 0.02, int(last.sum()))
        table = pd.DataFrame([{"quantity": "rolling_resistance", "value": 0.01, "value_u": 0.001}])
        folder = write_session(tmp_path / f"e{i}", shots, contacts=contacts)
        FINGERPRINT.conform(table).to_csv(folder / "measured" / "table.csv", index=False)
    pool_sessions([tmp_path / "e0", tmp_path / "e1"], tmp_path / "dataset")
    asked = ["plan", "--pattern", "long-side-bank:foot-right", "--easy", "balls=clean,polished", "--repeats", "4"]
    asked += ["--pilot", str(tmp_path / "dataset"), "--out", str(tmp_path / "plan"), "--response"]
    made = CliRunner().invoke(app, [*asked, "speed_kept_2"])
    assert made.exit_code == 0, made.output
    assert "counted shots with speed_kept_2 in 2 session(s)" in made.output
    refused = CliRunner().invoke(app, [*asked, "rolling_resistance"])
    assert isinstance(refused.exception, SettingsError)
    assert "rolling_resistance is of the table itself, one reading a session" in str(refused.exception)


def _percent(text: str) -> int:
    return int(text.split("%")[0])
