"""The answers as one small table above the sentences, and what all answers share said once."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from pipeline.compare.answers import THE_REST
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.in_short import ALIKE, AS_THEY_CAME, NOT_ADJUSTED, in_short
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
    assert list(short.columns) == ["difference", "measure", ALIKE, AS_THEY_CAME]
    rows = found.contrasts[found.contrasts["main"].astype(bool)]
    assert len(short) == len(rows) == 2
    assert set(short["difference"]) == {"worn cloth against new cloth", "polished balls against clean balls"}
    for (_, row), text in zip(rows.iterrows(), short[ALIKE], strict=True):
        size, span, meant = text.split("\n")
        used = row["used"]
        assert used == "adjusted"
        assert signed(size) == pytest.approx(row[f"{used}_diff"], abs=0.006)
        low, high, clear = row[f"{used}_low"], row[f"{used}_high"], row[f"{used}_low"] > 0 or row[f"{used}_high"] < 0
        assert meant.startswith("a difference" if clear else "not told from none")
        assert ("less than half a pocket" in meant) == (row["equivalence_p"] < 0.05)
        if not clear:
            ends = [signed(part) for part in span.strip("()").split(" to ")]
            assert ends == pytest.approx([low, high], abs=0.006)
    for (_, row), text in zip(rows.iterrows(), short[AS_THEY_CAME], strict=True):
        assert signed(text.split("\n")[0]) == pytest.approx(row["raw_diff"], abs=0.006)


def test_a_heading_says_what_is_alike_and_nothing_passes_for_adjusted_that_is_not(four_evenings):
    def columns(*adjust):
        asked = CompareSettings(responses=ANGLE.responses, by=ANGLE.by, adjust=adjust)
        found = compare_conditions(four_evenings[0], settings=asked)
        return list(in_short(found.contrasts, found.responses, found.settings).columns[2:]), comparison_page(found, {})

    raw, page = columns()
    assert raw == [AS_THEY_CAME]
    assert ALIKE not in page
    named, page = columns("speed_at_impact_mps", "cue_roll_ratio")
    assert named == ["shots alike in speed at impact, cue roll ratio (adjusted)", AS_THEY_CAME]
    assert named[0] in page


def test_a_response_that_was_not_adjusted_beside_others_says_so(compared):
    rows = compared.contrasts.copy()
    mine = rows["response"] == "restitution"
    rows.loc[mine, "used"] = "raw"
    short = in_short(rows, compared.responses, compared.settings)
    cells = short[short["measure"] == "restitution"]
    assert (cells[ALIKE] == NOT_ADJUSTED).all()
    assert all(len(text.split("\n")) == 3 for text in cells[AS_THEY_CAME])


def test_what_the_evening_may_have_done_is_no_difference_of_the_cloth(two_evenings):
    found = compare_conditions(two_evenings[0], settings=ANGLE)
    row = found.contrasts[found.contrasts["main"].astype(bool) & (found.contrasts["factor"] == "cloth")].iloc[0]
    assert row["basis"] == "not told apart"
    assert math.isinf(row["adjusted_high"])
    short = in_short(found.contrasts, found.responses, found.settings).set_index("difference")
    for column in (ALIKE, AS_THEY_CAME):
        cell = short.loc["worn cloth against new cloth", column]
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
    cell = in_short(row, response, compared.settings).iloc[0][ALIKE if used == "adjusted" else AS_THEY_CAME]
    assert cell.endswith("a difference, or chance (Holm)")


def test_nothing_to_tell_gives_no_table(compared):
    assert in_short(compared.contrasts.iloc[:0], compared.responses, compared.settings).empty


def test_the_terminal_says_once_what_several_answers_end_with(four_evenings):
    shots = four_evenings[0].copy()
    shots.loc[shots.index[::2], "incoming_angle_deg"] = np.nan
    found = compare_conditions(shots, settings=ANGLE)
    sentence = "Not adjusted for incoming angle"
    assert all(sentence in text for text in found.answers)  # each can be quoted alone
    assert found.text().lower().count(sentence.lower()) == 1
    assert "(settled angle: not adjusted for incoming angle" in found.text()


def test_the_terminal_says_once_what_the_evening_and_adjusting_may_have_done(two_evenings):
    shots = two_evenings[0].copy()
    shots.loc[shots["cloth"] == "worn", "speed_at_impact_mps"] -= 0.3
    for name in ("rebound_settled_angle_deg", "rebound_angle_deg"):  # so that adjusting moves what the cloth does
        shots[name] -= 10 * (shots["speed_at_impact_mps"] - 1.45)
    asked = CompareSettings(responses=("rebound_settled_angle_deg", "rebound_angle_deg"), by=ANGLE.by)
    found = compare_conditions(shots, settings=asked)
    cloth = [text for text in found.answers if "worn cloth against new cloth" in text]
    assert len(cloth) == 2
    evening = "Whether cloth did it or the evening can't be told"
    for text in cloth:  # each can be quoted alone
        assert evening in text
        assert re.search(rf"Unadjusted it is [\d.]+° longer\. {re.escape(THE_REST)}", text)
    said = found.text()
    assert evening not in said
    assert said.count("what cloth did can't be told from what the evening did") == 1
    assert said.count("Unadjusted it is") == sum("Unadjusted it is" in text for text in found.answers) >= 2
    for once in (THE_REST, "adjusting takes away what cloth may do through it", "To compare equal hits instead"):
        assert sum(once in text for text in found.answers) >= 2
        assert said.count(once) == 1
    assert "(settled angle, rebound angle: between new cloth and worn cloth, speed at impact differs by" in said
    assert comparison_page(found, {}).replace("&#x27;", "'").count(evening) == 2
