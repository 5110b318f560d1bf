"""The answers as one small table above the sentences, and what all answers share said once."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from pipeline.compare.comparison import compare_conditions
from pipeline.compare.in_short import in_short
from pipeline.compare.page import comparison_page
from pipeline.compare.settings import CompareSettings

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",), by=("cloth", "balls"))


def signed(words: str) -> float:
    """'0.82° longer' -> 0.82, '0.75° shorter' -> -0.75."""
    number, word = re.fullmatch(r"([\d.]+)°? (longer|shorter)", words).groups()
    return float(number) * (1 if word == "longer" else -1)


def test_each_cell_holds_the_difference_its_interval_and_what_it_means(four_evenings):
    found = compare_conditions(four_evenings[0], settings=ANGLE)
    short = in_short(found.contrasts, found.responses, found.settings)
    assert list(short.columns) == ["difference", "settled angle"]
    rows = found.contrasts[found.contrasts["main"].astype(bool)]
    assert len(short) == len(rows) == 2
    assert set(short["difference"]) == {"worn cloth against new cloth", "polished balls against clean balls"}
    for (_, row), text in zip(rows.iterrows(), short["settled angle"], strict=True):
        size, span, meant = text.split("\n")
        used = row["used"]
        assert signed(size) == pytest.approx(row[f"{used}_diff"], abs=0.006)
        low, high, clear = row[f"{used}_low"], row[f"{used}_high"], row[f"{used}_low"] > 0 or row[f"{used}_high"] < 0
        assert meant.startswith("a difference" if clear else "not told from none")
        assert ("less than half a pocket" in meant) == (row["equivalence_p"] < 0.05)
        if not clear:
            ends = [signed(part) for part in span.strip("()").split(" to ")]
            assert ends == pytest.approx([low, high], abs=0.006)


def test_what_the_evening_may_have_done_is_no_difference_of_the_cloth(two_evenings):
    found = compare_conditions(two_evenings[0], settings=ANGLE)
    row = found.contrasts[found.contrasts["main"].astype(bool) & (found.contrasts["factor"] == "cloth")].iloc[0]
    assert row["basis"] == "not told apart"
    assert math.isinf(row["adjusted_high"])
    short = in_short(found.contrasts, found.responses, found.settings).set_index("difference")
    cell = short.loc["worn cloth against new cloth", "settled angle"]
    assert cell.endswith("cloth or the evening: not told apart")
    page = comparison_page(found, {})
    assert page.index("not told apart</td>") < page.index("class='answers'")
    assert "for these sessions only" in page


def test_what_may_be_chance_among_many_comparisons_says_so(compared):
    row = compared.contrasts[compared.contrasts["main"].astype(bool)].iloc[[0]].copy()
    row["basis"], row["p_holm"], row["bound"], row["factor"] = "within sessions", 0.2, np.nan, "balls"
    used = row["used"].iloc[0]
    row[f"{used}_diff"], row[f"{used}_low"], row[f"{used}_high"] = 1.0, 0.1, 1.9
    response = [r for r in compared.responses if r.name == row["response"].iloc[0]]
    cell = in_short(row, response, compared.settings).iloc[0, -1]
    assert cell.endswith("a difference, or chance (Holm)")


def test_nothing_to_tell_gives_no_table(compared):
    assert in_short(compared.contrasts.iloc[:0], compared.responses, compared.settings).empty


def test_the_terminal_says_once_what_several_answers_end_with(four_evenings):
    shots = four_evenings[0].copy()
    shots.loc[shots.index[::2], "incoming_angle_deg"] = np.nan
    found = compare_conditions(shots, settings=ANGLE)
    sentence = "Not adjusted for incoming angle"
    assert all(sentence in text for text in found.answers)  # each can be quoted alone
    assert found.text().count(sentence) == 1
    assert f"(settled angle: {sentence}" in found.text()
