"""Patterns, classes, levels and numbers that are written in several ways."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.compare.comparison import compare_conditions
from pipeline.compare.settings import CompareSettings
from pipeline.compare.spellings import alike_lines

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))


@pytest.mark.parametrize(("column", "other"), [("pattern", "Long side_Bank"), ("speed_class", "Medium ")])
def test_a_pattern_or_class_spelled_in_two_ways_is_one(two_evenings, column, other):
    shots, _ = two_evenings
    plain = compare_conditions(shots, settings=ANGLE)
    first = shots[column].iloc[0]
    written = shots.assign(**{column: shots[column].where(shots["session"] != shots["session"].iloc[-1], other)})
    comparison = compare_conditions(written, settings=ANGLE)
    assert comparison.strata == plain.strata
    assert comparison.answers == plain.answers
    (line,) = set(comparison.warnings) - set(plain.warnings)
    assert line == f"{column}: {first!r}, {other.strip()!r} are taken as one, {first!r}."
    assert list(comparison.counts["shots"]) == list(plain.counts["shots"])


@pytest.mark.parametrize(("words", "alike"), [
    (("half-worn", "half_worn", "Half  worn", "halfworn", "new"), "'Half  worn', 'half-worn', 'half_worn', 'halfworn'"),
    (("A-1", "a1"), "'A-1', 'a1'"),
    (("860 new", "860 New"), "'860 New', '860 new'"),
    (("1-2", "12 x", "-3 x", "3 x", "new", "newer"), ""),
])
def test_levels_that_may_be_one_are_named(words, alike):
    lines = alike_lines("cloth", pd.Series(words, dtype="string"))
    told = "differ only in capitals, spaces, hyphens or underscores and are taken as different"
    assert [line.partition(" differ")[0] for line in lines] == ([f"cloth: {alike}"] if alike else [])
    assert all(told in line for line in lines)


@pytest.mark.parametrize(("words", "alike"), [
    (("2,5", "2.5", "n/a"), "'2,5', '2.5'"), (("2", "2.0", "?"), "'2', '2.0'"), (("24 C", "24°C", "24 c", "n/a"),
                                                                              "'24 C', '24 c'"),
])
def test_one_number_written_in_two_ways_is_named(words, alike):
    (line,) = alike_lines("oil", pd.Series(words, dtype="string"))
    assert line == (f"oil: {alike} are the same number but are taken as different words; write it alike everywhere, "
                    "and leave a cell empty where there is no number.")


def test_numbers_that_are_read_as_such_need_no_line(four_evenings):
    shots, _ = four_evenings
    oil = shots["balls"].map({"clean": "2,5", "polished": "3.5"}).where(shots["session"] != "e0",
                                                                       shots["balls"].map({"clean": "2.5",
                                                                                           "polished": "3,50"}))
    warnings = compare_conditions(shots.drop(columns="balls").assign(oil=oil), settings=ANGLE).warnings
    assert not any("oil" in line for line in warnings)
    mixed = oil.where(shots.index != 0, "n/a")
    warnings = compare_conditions(shots.drop(columns="balls").assign(oil=mixed), settings=ANGLE).warnings
    assert sum("same number" in line for line in warnings) == 2
