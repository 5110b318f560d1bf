"""Small things that a page must not get wrong: a level's digits, and which shot is far from the rest."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.compare.comparison import compare_conditions
from pipeline.compare.page import comparison_page
from pipeline.compare.pictures import effect_picture
from pipeline.compare.settings import CompareSettings, percent
from pipeline.pilot import pilot_spread
from shared.errors import SettingsError
from tests.compare.conftest import evenings

RESPONSE = ("rebound_settled_angle_deg",)


def test_a_level_is_written_with_all_its_digits(four_evenings):
    asked = CompareSettings(responses=RESPONSE, by=("balls",), level=0.999, bound=5.0)
    comparison = compare_conditions(four_evenings[0], settings=asked)
    assert "99.9 % interval" in comparison.answers[0]
    assert "at the 0.1 % level (equivalence test: the 99.8 % interval" in comparison.answers[0]
    page = comparison_page(comparison, {})
    assert "raw 99.9 %" in page
    assert "100 %" not in page
    figure = effect_picture(comparison.contrasts, comparison.responses[0], asked.level)
    assert figure.axes[0].get_title(loc="left").startswith("99.9 % intervals")
    assert [percent(share) for share in (0.95, 1 - 0.95, 2 * 0.95 - 1)] == ["95", "5", "90"]


@pytest.mark.parametrize("sessions", [1, 2])
def test_shots_far_from_the_rest_are_named(sessions):
    shots, _ = evenings(sessions, repeats=12 // sessions, mishit_share=0.0)
    shots.loc[4, RESPONSE[0]] += 15
    named = f"e0/{shots['shot_id'][4]}" if sessions > 1 else shots["shot_id"][4]
    comparison = compare_conditions(shots, settings=CompareSettings(responses=RESPONSE, by=("balls",)))
    said = f"far from the rest, look at it, it is still counted: {named}"
    assert said in set(comparison.diagnostics["result"])
    assert f"settled angle: {said}." in comparison.text()
    assert said in comparison_page(comparison, {})


def test_a_pilot_of_one_shot_is_too_small_in_the_players_words():
    shots = evenings(1, mishit_share=0.0)[0].iloc[:1]
    with pytest.raises(SettingsError, match="the pilot has too few counted shots with rebound_settled_angle_deg"):
        pilot_spread(shots, RESPONSE[0])
    empty = pd.concat([shots, shots.assign(shot_id="e0-99", rebound_settled_angle_deg=float("nan"))],
                      ignore_index=True)
    with pytest.raises(SettingsError, match="the pilot has too few counted shots"):
        pilot_spread(empty, RESPONSE[0])
