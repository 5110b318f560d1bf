"""Dates and serial numbers as conditions: each stays the number that was typed, and no two become one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.conditions import read_factor
from pipeline.compare.page import _number
from pipeline.compare.settings import CompareSettings
from pipeline.fingerprint import levels_by
from pipeline.pool import pool_sessions
from pipeline.pool_dataset import read_pool
from pipeline.results import write_csv
from shared.errors import SettingsError
from shared.session_file import read_session
from shared.take_sheet import _column_values
from tests.compare.conftest import evenings

ANGLE = ("rebound_settled_angle_deg",)


def test_dates_as_numbers_are_two_levels_and_read_as_typed():
    shots, _ = evenings(4, held=lambda i: {"date": 20240105.0 + i // 2})
    comparison = compare_conditions(shots, settings=CompareSettings(responses=ANGLE, by=("date",)))
    assert comparison.factors[0].levels == ("20240105", "20240106")
    assert list(comparison.counts["date"]) == ["20240105", "20240106"]
    assert "date 20240106 against date 20240105: settles" in comparison.answers[0]
    assert "0.00°" not in comparison.answers[0]


def test_a_number_that_divides_the_shots_is_written_as_typed():
    shots, _ = evenings(2)
    shots["lot"] = np.where(shots["session"] == "e0", 40.0, 2024010501.0)
    asked = CompareSettings(responses=ANGLE, by=("balls",), within=("lot",))
    assert compare_conditions(shots, settings=asked).strata == ("2024010501", "40")


def test_pooling_keeps_every_digit_beside_words_and_in_its_csv(tmp_path):
    lots = {"e0": 2024010501, "e1": 2024010502, "e2": "A"}
    rng = np.random.default_rng(1)
    places = [
        write_session(
            tmp_path / name,
            simulate_session(name, rng=rng, truth=Truth(), fixed={"lot": lot}, varied={"serial": [1000000001.5, 2.5]},
                             repeats=2),
        )
        for name, lot in lots.items()
    ]  # fmt: skip
    pool_sessions(places, tmp_path / "d")
    shots, _ = read_pool(tmp_path / "d")
    assert sorted(shots["lot"].unique()) == ["2024010501", "2024010502", "A"]
    assert sorted(pd.read_csv(tmp_path / "d" / "shots.csv")["serial"].unique()) == [2.5, 1000000001.5]


def test_measured_numbers_keep_their_few_digits_in_a_csv(tmp_path):
    write_csv(tmp_path / "a.csv", pd.DataFrame({"x": [1 / 3], "lot": [2024010501.5]}), exact=("lot",))
    assert (tmp_path / "a.csv").read_text() == "x,lot\n0.33333333,2024010501.5\n"


def test_more_digits_than_a_number_keeps_are_a_name(tmp_path):
    cells = ["1234567890123456", "1234567890123457"]
    assert _column_values("serial", cells) == cells
    assert _column_values("serial", ["123456789012345"]) == [123456789012345.0]
    (tmp_path / "session.toml").write_text(f"[conditions]\nserial = {cells[0]}\nlot = 2024010501\n")
    assert read_session(tmp_path / "session.toml").conditions == {"serial": cells[0], "lot": 2024010501.0}
    shots, _ = evenings(2, held=lambda i: {"serial": cells[i]})
    assert read_factor(shots, "serial")[0].levels == tuple(cells)


def test_a_tables_level_is_written_as_typed():
    shots = pd.DataFrame({"session": "e", "shot_id": list("abcdefgh"), "lot": [40.0] * 4 + [20240105.0] * 4})
    assert [text for text, _ in levels_by(shots, ["lot"])] == ["lot = 40", "lot = 20240105"]


def test_an_infinite_number_is_named():
    shots, _ = evenings(4, held=lambda i: {"temperature_c": (20.0, 21.0, 22.0, np.inf)[i]})
    with pytest.raises(SettingsError, match="temperature_c: a cell holds an infinite number"):
        compare_conditions(shots, settings=CompareSettings(responses=ANGLE, by=("temperature_c",)))


def test_no_number_of_the_page_is_a_power_of_ten():
    assert [_number(value) for value in (999.4, 999.5001, -999.96, 1000.4)] == ["999", "1000", "−1000", "1000"]


@pytest.mark.parametrize("scale", [1e154, -1e15, 1e-16, 1e-300])
def test_readings_beyond_reason_are_named_and_not_compared(scale):
    shots, _ = evenings(2)
    shots["hand"] = scale * (1 + np.arange(len(shots)) % 9 / 10)
    asked = CompareSettings(responses=ANGLE, by=("hand", "balls"))
    comparison = compare_conditions(shots, settings=asked)
    assert [factor.name for factor in comparison.factors] == ["balls"]
    assert len(comparison.warnings) == 1
    assert comparison.warnings[0].startswith(f"hand: holds {1.8 * scale:g} as the number farthest from 0, and readings")
    with pytest.raises(SettingsError, match="readings are compared from 1e-15 to 1e\\+15; correct it, or write"):
        compare_conditions(shots, settings=CompareSettings(responses=ANGLE, by=("hand",)))


def test_one_reading_beyond_reason_is_named_and_large_levels_are_compared_as_ever():
    shots, _ = evenings(2)
    at = np.arange(len(shots))
    one = shots.assign(hand=np.where(at == 3, 1e154, at % 9))
    with pytest.raises(SettingsError, match=r"hand: holds 1e\+154"):
        read_factor(one, "hand")
    lots = read_factor(shots.assign(lot=np.where(at % 2, 1e20, 2e20)), "lot")[0]
    assert lots.levels == ("1e+20", "2e+20")
    asked = CompareSettings(responses=ANGLE, by=("hand",))
    plain = compare_conditions(shots.assign(hand=at % 9.0), settings=asked)
    large = compare_conditions(shots.assign(hand=at % 9 * 1e14), settings=asked)
    for ours, same in zip(*(each.contrasts["raw_diff"] for each in (plain, large)), strict=True):
        assert ours == pytest.approx(same)
