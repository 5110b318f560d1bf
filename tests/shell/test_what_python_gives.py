"""What a caller in Python may give by mistake: refused in one line that says what to give."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reboundry
from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.measured_session import MeasuredSession
from shared.errors import SettingsError
from shared.given import names_in


def _said(refused):
    text = str(refused.value)
    assert "\n" not in text
    return text


@pytest.fixture(scope="module")
def shots():
    varied = {"balls": ["clean", "polished"], "chalk": ["a", "b"]}
    made = simulate_session("e", rng=np.random.default_rng(0), truth=Truth(), fixed={}, varied=varied, repeats=3)
    return shots_table(made)


_WITH_PATHS = {
    "measure": reboundry.measure, "load": reboundry.load, "calibrate": reboundry.calibrate,
    "forecast": reboundry.forecast, "demo": reboundry.demo_sessions,
    "measure out": lambda given: reboundry.measure(".", out=given or 0),  # None: the usual place
    "load out": lambda given: reboundry.load(".", out=given or 0),
    "pool out": lambda given: reboundry.pool("x", given),
}


@pytest.mark.parametrize("given", [None, 3, ["clip.mp4"], b"clip.mp4", {"path": "x"}], ids=lambda it: type(it).__name__)
@pytest.mark.parametrize("use", _WITH_PATHS.values(), ids=_WITH_PATHS)
def test_what_is_no_path_is_refused(use, given):
    with pytest.raises(SettingsError, match=r'^(path|session|clip|out): .*; give one path, as "my') as refused:
        use(given)
    _said(refused)


def test_what_holds_no_sessions_is_refused(tmp_path):
    measured = MeasuredSession(tmp_path, tmp_path, *3 * [pd.DataFrame()], {})
    for given, shown in ((None, "None"), (measured, "a MeasuredSession"), ([measured], "a MeasuredSession"), (2, "2")):
        with pytest.raises(SettingsError, match=f"^sessions: {shown}; give one path"):
            reboundry.pool(given, tmp_path / "d")


@pytest.mark.parametrize(("given", "said"), [
    ({"by": None}, 'by: None; give names, as "cloth,balls" or ["cloth", "balls"].'),
    ({"by": 3}, "by: 3; give names"),
    ({"by": np.array(3)}, "by: a ndarray; give names"),
    ({"by": ["balls", None]}, "by: None; give names"),
    ({"by": [["balls", "chalk"]]}, "by: a list; give names"),
    ({"responses": None}, "responses: None; give names"),
    ({"within": None}, "within: None; give names"),
    ({"level": "0.95"}, "level: '0.95'; it must be a number, as 0.95."),
    ({"level": None}, "level: None; it must be a number, as 0.95."),
    ({"level": [0.95]}, "level: a list; it must be"),
])
def test_settings_of_a_comparison_of_another_kind_are_refused(shots, given, said):
    with pytest.raises(SettingsError) as refused:
        reboundry.compare(shots, **given)
    assert _said(refused).startswith(said)


@pytest.mark.parametrize(("patterns", "given", "said"), [
    (["x"], {}, 'patterns: a list; it must be a dict of names and target pockets, as {"cross-corner": "foot-right"}.'),
    ("x:foot-right", {}, "patterns: 'x:foot-right'; it must be a dict"),
    (None, {}, "patterns: None; it must be a dict"),
    ({3: "foot-right"}, {}, "patterns: 3; it must be a text, as a pattern's name."),
    ({"x": 3}, {}, 'pattern x: 3; it must be the name of a pocket, or "" for none.'),
    ({"x": None}, {}, "pattern x: None; it must be the name of a pocket"),
    ({"x": ""}, {"easy": ["a", "b"]}, 'easy: a list; it must be a dict of conditions and their levels, as {"balls": '),
    ({"x": ""}, {"easy": {"balls": None}}, "easy balls: None; give names"),
    ({"x": ""}, {"easy": {"balls": 3}}, "easy balls: 3; give names"),
    ({"x": ""}, {"hard": {"balls": ["a", float("nan")]}}, "hard balls: nan; give names"),
    ({"x": ""}, {"hard": {3: ["a", "b"]}}, "hard: 3; it must be a text, as a condition's name."),
    ({"x": ""}, {"speeds": None}, "speeds: None; give names"),
    ({"x": ""}, {"speeds": 3}, "speeds: 3; give names"),
    ({"x": ""}, {"power": None}, "power: None; it must be a number, as 0.8."),
    ({"x": ""}, {"seed": None}, "seed: None; it must be a whole number, as 1."),
    ({"x": ""}, {"response": ["miss_mm"]}, 'response: a list; it must be the name of a measure, as "miss_mm".'),
])
def test_a_plan_of_another_kind_is_refused(patterns, given, said):
    with pytest.raises(SettingsError) as refused:
        reboundry.plan(patterns, **{"shift": 30, **given})
    assert _said(refused).startswith(said)


@pytest.mark.parametrize("jobs", ["2", None, 1.5, True])
def test_jobs_that_are_no_whole_number_are_refused(jobs, tmp_path):
    with pytest.raises(SettingsError, match=f"^jobs: {jobs!r}; it must be a whole number of clips, as 2; 0: one per"):
        reboundry.measure(tmp_path, jobs=jobs)


def test_a_table_by_its_name_alone_is_refused(tmp_path):
    with pytest.raises(SettingsError, match=r"^table: 'pool-9ft'; give a Table, as reboundry\.standard_table\("):
        reboundry.calibrate(tmp_path / "clip.mp4", table="pool-9ft")


@pytest.mark.parametrize("given", [{"wanted_angle_deg": "0.1"}, {"wanted_speed_percent": None}])
def test_a_wanted_uncertainty_that_is_no_number_is_refused(given, tmp_path):
    with pytest.raises(SettingsError, match=r"^the wanted uncertainty of (angles|speeds): .* above 0, as"):
        reboundry.forecast(tmp_path / "clip.mp4", **given)


def test_names_are_taken_from_whatever_lists_them():
    wanted = ("40", "60")
    for given in ("40, 60,", ["40", " 60"], (40, 60), np.array([40, 60]), pd.Series(["40", "60"]), range(40, 61, 20)):
        assert names_in(given, "humidity_pct") == wanted
    assert names_in("", "by") == names_in([], "by") == ()
