"""What a condition's cells hold: numbers with a unit, dates and times of day, or words; by one rule everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.compare.comparison import compare_conditions
from pipeline.compare.conditions import as_numbers, read_factor, units_in, why_no_condition
from pipeline.compare.settings import CompareSettings
from pipeline.condition_words import level_words
from pipeline.fingerprint import levels_by
from pipeline.pilot import pilot_spread
from shared.errors import SettingsError
from shared.session_file import read_session
from shared.take_sheet import _column_values

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))
WORDS = [
    ("2.1.2026", "2.10.2026"), ("11.05.2026", "18.05.2026"), ("2026-05-01", "2026-05-08"), ("20:15", "21:30"),
    ("20h15", "21h30"), ("1 May", "8 May"), ("8 pm", "9 pm"), ("1/2", "1/4"), ("24 ± 1", "25 ± 1"),
    ("860 new", "760 worn"),
]  # fmt: skip


@pytest.mark.parametrize("cells", WORDS)
def test_what_only_begins_as_a_number_is_words(cells):
    taken = pd.Series(_column_values("when", list(cells)))  # as the take sheet leaves them
    assert as_numbers(taken) is None
    assert units_in(taken) == {}
    levels, values = read_factor(pd.DataFrame({"when": taken}), "when")
    assert levels.levels == tuple(sorted(cells))
    assert list(values) == list(cells)


@pytest.mark.parametrize(
    ("cells", "numbers"),
    [
        (("24 C", "25.5 C"), (24, 25.5)), (("-3°C", "4°C"), (-3, 4)), (("45 %", "50 %"), (45, 50)),
        (('1,5"', '2"'), (1.5, 2)), (("5 g/m3", "6 g/m3"), (5, 6)),
        (("5 µm", "6 µm"), (5, 6)), (("1e3", "2"), (1000, 2)),
        (("１０ ml", "20 ml"), (10, 20)), (("－１．５", "２"), (-1.5, 2)), (("٣٫٥ C", "٤ C"), (3.5, 4)),
        (("４５％", "50 %"), (45, 50)),
    ],
)  # fmt: skip
def test_a_number_with_its_unit_is_a_number(cells, numbers):
    assert tuple(as_numbers(pd.Series(cells, dtype="string"))) == numbers


def test_names_of_digits_stay_names_in_any_script():
    for cells in (["00７", "7"], ["００７", "７"]):
        assert _column_values("chalk", cells) == cells
        assert as_numbers(pd.Series(cells, dtype="string")) is None
    assert _column_values("oil", ["１０", "２０．５", ""]) == [10, 20.5, None]


MIXED = [("24 C", "75 F"), ("24 °C", "25"), ("5 mm", '2"'), ("45 %", "0.45"), ("1 in.", "3 cm")]


@pytest.mark.parametrize("cells", MIXED)
def test_real_units_are_not_mixed(cells):
    with pytest.raises(SettingsError, match="two units in one column"):
        read_factor(pd.DataFrame({"x": pd.Series(cells, dtype="string")}), "x")


def test_a_date_of_a_session_file_is_the_same_date_in_a_take_sheet(tmp_path):
    (tmp_path / "session.toml").write_text("[conditions]\ndate = 2026-05-01\nbegun = 20:15:00\n")
    assert read_session(tmp_path / "session.toml").conditions == {"date": "2026-05-01", "begun": "20:15:00"}
    assert _column_values("date", ["2026-05-01"]) == ["2026-05-01"]
    assert level_words("date", "2026-05-01") == "date 2026-05-01"


@pytest.mark.parametrize("dates", [
    ("24.3.2026", "25.3.2026", "2.1.2026", "2.10.2026"), (20260324.0, 20260325.0, 20260102.0, 20261002.0),
    ("24032026", "25032026", "02012026", "02102026"),
])
def test_dates_change_nothing_unless_they_are_asked_for(four_evenings, dates):
    shots = four_evenings[0]
    plain = compare_conditions(shots, settings=ANGLE)
    dated = shots.assign(date=shots["session"].map(dict(zip(("e0", "e1", "e2", "e3"), dates, strict=True))))
    comparison = compare_conditions(dated, settings=ANGLE)
    assert comparison.answers == plain.answers
    assert comparison.warnings[0].startswith("date: holds dates or times of day")
    asked = compare_conditions(dated, settings=CompareSettings(responses=ANGLE.responses, by=("date",)))
    assert len(asked.factors[0].levels) == 4
    assert set(asked.contrasts["basis"]) == {"not told apart"}


@pytest.mark.parametrize("serials", [
    (20260324.0, 20261324.0), (20260230.0, 20260231.0), (2026032401.0, 2026032501.0), (19260324.0, 19260325.0),
])
def test_serial_numbers_of_digits_that_are_no_dates_are_compared(four_evenings, serials):
    shots = four_evenings[0]
    taken = pd.Series(np.where(shots["balls"] == "clean", *serials), index=shots.index)
    assert why_no_condition(taken) == ""


@pytest.mark.parametrize("column", ["remark", "filmed_at"])
def test_a_word_a_shot_takes_nothing_from_the_other_conditions(four_evenings, column):
    shots = four_evenings[0]
    n = np.arange(len(shots))
    words = [f"shot {i}" for i in n] if column == "remark" else [f"20:{i:02d}" for i in n]
    told = shots.assign(**{column: words})
    comparison = compare_conditions(told, settings=ANGLE)
    assert comparison.answers == compare_conditions(shots, settings=ANGLE).answers
    assert any(w.startswith(f"{column}: ") and "--by" in w for w in comparison.warnings)
    assert pilot_spread(told, ANGLE.responses[0]) == pilot_spread(shots, ANGLE.responses[0])
    assert {text.partition(" = ")[0] for text, _ in levels_by(told, ["balls", column])} == {"balls"}
