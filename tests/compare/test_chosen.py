"""Which conditions are compared when nobody names one, and what is said of shots that lack one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.compare.chosen import chosen_conditions
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.conditions import find_column
from pipeline.compare.page import comparison_page
from pipeline.compare.settings import CompareSettings
from shared.errors import SettingsError
from tests.compare.conftest import evenings

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))


def _read_in_two(shots):
    """The humidity, written down in two of four evenings."""
    return shots.assign(humidity_pct=shots["session"].map({"e0": 40.0, "e1": 60.0}))


def test_a_condition_that_many_shots_lack_takes_none_from_the_others(four_evenings):
    comparison = compare_conditions(_read_in_two(four_evenings[0]), settings=ANGLE)
    counted = int(four_evenings[0]["counted"].sum())
    lacking = int(four_evenings[0]["counted"][four_evenings[0]["session"].isin(["e2", "e3"])].sum())
    assert set(comparison.contrasts["factor"]) == {"cloth", "balls"}
    assert set(comparison.contrasts["raw_n"]) == {counted}
    assert comparison.warnings[0] == (
        f"humidity_pct is empty for {lacking} of {counted} counted shots, so it is left out; name it with --by to "
        "compare only the shots that have it."
    )


def test_a_few_forgotten_cells_leave_out_their_shots_not_the_condition(four_evenings):
    shots = four_evenings[0].copy()
    at = shots.index[shots["counted"].astype(bool)][:3]
    shots.loc[at, "balls"] = pd.NA
    counted = int(shots["counted"].sum())
    comparison = compare_conditions(shots, settings=ANGLE)
    assert comparison.warnings == ()
    assert all(f"From {counted - 3} of {counted} counted shots." in a for a in comparison.answers)
    assert f"{counted} of {len(shots)} shots are counted." in comparison.text()
    assert f"{counted} of {len(shots)} shots are counted." in comparison_page(comparison, {})
    whole = compare_conditions(four_evenings[0], settings=ANGLE)
    assert not any("counted shots." in a for a in whole.answers)


def test_where_all_are_lacking_the_fullest_is_compared(four_evenings):
    shots = _read_in_two(four_evenings[0]).drop(columns=["cloth"])
    shots.loc[shots.index % 4 == 0, "balls"] = pd.NA
    problems: list[str] = []
    assert chosen_conditions(shots, ANGLE, problems) == ["balls"]
    assert [line.split()[0] for line in problems] == ["humidity_pct"]


def test_one_named_is_compared_over_the_shots_that_have_it(four_evenings):
    shots = _read_in_two(four_evenings[0])
    asked = CompareSettings(responses=ANGLE.responses, by=("humidity_pct", "balls"))
    having = int((shots["counted"].astype(bool) & shots["humidity_pct"].notna()).sum())
    assert set(compare_conditions(shots, settings=asked).contrasts["raw_n"]) == {having}


def test_too_few_sessions_for_the_conditions_is_said_as_such():
    shots, _ = evenings(4, held=lambda i: {"air": ("dry", "wet")[i // 2], "heat": ("on", "off")[(i % 2) ^ (i // 2)]})
    asked = CompareSettings(responses=ANGLE.responses, by=("cloth", "air", "heat"))
    comparison = compare_conditions(shots, settings=asked)
    assert set(comparison.contrasts["basis"]) == {"not told apart"}
    said = "4 sessions for 3 conditions leave none to judge the evening by"
    assert comparison.warnings[0].startswith(f"cloth, air, heat: {said}; what they did can't be told")
    assert all(said in a for a in comparison.answers)
    assert "one session" not in " ".join([*comparison.warnings, *comparison.answers])


def test_one_session_a_level_is_still_said(two_evenings):
    comparison = compare_conditions(two_evenings[0], settings=ANGLE)
    assert "each level was filmed in one session, so the interval for the condition itself is unbounded" in (
        comparison.answers[0]
    )
    assert np.isinf(comparison.contrasts["adjusted_low"]).any()


@pytest.mark.parametrize(("word", "strata"), [("speed", ("fast", "medium")), ("speed_class", ("fast", "medium"))])
def test_groups_are_named_as_conditions_are(word, strata):
    shots, _ = evenings(2, speeds=("medium", "fast"))
    asked = CompareSettings(responses=ANGLE.responses, by=("balls",), within=(word,))
    assert compare_conditions(shots, settings=asked).strata == strata


def test_a_group_that_is_no_column_is_refused_and_usual_ones_may_lack(two_evenings):
    shots = two_evenings[0]
    with pytest.raises(SettingsError, match=r"'patern' is no column .*choose from: .*pattern"):
        compare_conditions(shots, settings=CompareSettings(responses=ANGLE.responses, within=("patern",)))
    assert compare_conditions(shots.drop(columns=["speed_class"]), settings=ANGLE).strata == ("long-side-bank",)


@pytest.mark.parametrize(("word", "column"), [
    ("ball", "Ball Set"), ("BALL_S", "Ball Set"), ("humidity", "Humidity_pct"), ("Humid", "Humidity_pct"),
    ("chalk", "chalk"), ("chalk-b", "Chalk brand"), ("speed c", "speed_class"),
])
def test_a_condition_is_found_by_how_it_begins_however_it_is_spelled(word, column):
    shots = pd.DataFrame(columns=["speed_class", "Ball Set", "Humidity_pct", "chalk", "Chalk brand", "miss_mm"])
    assert find_column(shots, word) == column
    for vague, said in (("ch", "fits chalk, Chalk brand"), ("set", "is no column"), ("miss", "is no column")):
        with pytest.raises(SettingsError, match=f"^condition '{vague}' {said}"):
            find_column(shots, vague)
