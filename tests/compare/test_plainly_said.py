"""What a page must say beside its numbers, what it must leave out, and names that are of no use."""

from __future__ import annotations

import html
import re

import numpy as np
import pandas as pd
import pytest

import reboundry
from fixtures.simulated_sessions import Truth, shots_table, simulate_session, write_session
from pipeline.compare.answers import answer
from pipeline.compare.comparison import ALL, compare_conditions
from pipeline.compare.conditions import read_factor
from pipeline.compare.counting import why_left_out
from pipeline.compare.dataset import compare_dataset
from pipeline.compare.page import comparison_page
from pipeline.compare.settings import CompareSettings
from pipeline.fingerprint import fingerprint
from pipeline.pool import pool_sessions
from shared.columns import CONTACTS
from shared.errors import SettingsError
from tests.compare.conftest import evenings

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))


def _as_read(n=13):
    """A few shots of one evening with the room as read at each: the climate drifts in small steps."""
    truth = Truth(mishit_share=0.0)
    varied = {"balls": ["clean", "polished"]}
    part = simulate_session("e0", rng=np.random.default_rng(1), truth=truth, fixed={}, varied=varied, repeats=8)
    part = part.iloc[:n]
    part["temperature_c"] = [23.5 + 0.1 * (i // 3) for i in range(n)]
    part["humidity_pct"] = [44.0 + (i * 2) % 5 for i in range(n)]
    return shots_table(part)


def test_the_room_as_read_is_a_slope_and_drowns_nothing():
    comparison = compare_conditions(_as_read(), settings=ANGLE)
    assert len(comparison.answers) == 3
    assert not any("can't be estimated" in a for a in comparison.answers)
    assert max(map(len, comparison.lines), default=0) < 300


def test_numbers_that_were_set_are_levels():
    shots = _as_read(12).assign(tip_mm=[12.0, 13.0] * 6)
    assert read_factor(shots, "tip_mm")[0].levels == ("12", "13")
    assert read_factor(shots.iloc[:4], "tip_mm")[0].is_slope  # two shots each
    shots = pd.concat([_as_read(16), _as_read(16).assign(session="e1")], ignore_index=True)
    assert read_factor(shots.assign(tip_mm=[11.0, 12.0, 13.0, 13.0] * 8), "tip_mm")[0].is_slope
    shots = pd.concat([shots] * 2, ignore_index=True)
    assert read_factor(shots.assign(tip_mm=[11.0, 12.0, 13.0, 13.0] * 16), "tip_mm")[0].levels == ("11", "12", "13")


def test_many_missing_combinations_are_counted_not_listed():
    shots = pd.concat([_as_read(12)] * 3, ignore_index=True)
    shots = shots.assign(a=[f"a{i // 6}" for i in range(36)], b=[f"b{i % 9 // 2}" for i in range(36)],
                         shot_id=[f"s{i}" for i in range(36)])
    lines = compare_conditions(shots, settings=CompareSettings(responses=ANGLE.responses, by=("a", "b"))).lines
    assert any(re.search(r"no counted shot with .*; and \d+ more combinations", line) for line in lines)
    assert max(map(len, lines)) < 400


def test_a_condition_of_which_nothing_can_be_told_is_named_once_and_left_out(four_evenings):
    shots = four_evenings[0]
    light = {"e0": "lamp", "e1": "window", "e2": "both", "e3": "none"}  # cloth goes with it
    comparison = compare_conditions(shots.assign(light=shots["session"].map(light)), settings=ANGLE)
    assert set(comparison.contrasts["factor"]) == {"balls", "light"}
    assert any(w.startswith("cloth: left out, as no difference can be told") for w in comparison.warnings)
    asked = CompareSettings(responses=ANGLE.responses, by=("cloth", "light", "balls"))
    answers = compare_conditions(shots.assign(light=shots["session"].map(light)), settings=asked).answers
    assert sum("can't be estimated" in a for a in answers) <= 4


def test_table_csv_has_no_row_a_reading():
    shots = _as_read(12).assign(dew_point_c=[10.7085283, 10.9] * 6, tip_mm=[12.0, 13.0] * 6, clip="a.mp4")
    contacts = CONTACTS.conform(
        pd.DataFrame(
            {
                "shot_id": shots["shot_id"], "n": 3, "t_s": 1.0, "kind": "cushion", "ball": "object", "other": "left",
                "speed_in_mps": 1.5, "speed_in_mps_u": 0.01, "speed_out_mps": 1.2, "speed_out_mps_u": 0.01,
                "angle_in_deg": 30.0, "angle_in_deg_u": 0.1, "angle_out_deg": 35.0, "angle_out_deg_u": 0.1,
            }
        )
    )  # fmt: skip
    names = ("balls", "temperature_c", "humidity_pct", "dew_point_c", "tip_mm")
    rows = fingerprint(contacts, shots, by=names)
    conditions = {str(c).partition(" = ")[0] for c in rows["condition"].dropna()}
    assert conditions == {"balls", "tip_mm"}


def test_a_covariate_that_is_none_is_refused_with_the_choices(two_evenings):
    with pytest.raises(SettingsError, match=r"'nope' is no measure.*choose from: .*incoming_angle_deg"):
        compare_conditions(two_evenings[0], settings=CompareSettings(adjust=("nope",)))


def test_what_was_not_adjusted_for_stands_beside_the_number(four_evenings):
    shots = four_evenings[0].copy()
    shots.loc[shots.index[::2], "incoming_angle_deg"] = np.nan
    for text in compare_conditions(shots, settings=ANGLE).answers:
        assert re.search(r"Not adjusted for incoming angle \(measured in only \d+ of \d+ shots\)", text)
    few = compare_conditions(_as_read(6), settings=CompareSettings(responses=ANGLE.responses, by=("balls",)))
    assert "Not adjusted for how each shot was hit: too few shots: 6 allow 0." in few.answers[0]
    plain = CompareSettings(responses=ANGLE.responses, adjust=())
    assert not any("Not adjusted" in text for text in compare_conditions(shots, settings=plain).answers)


def test_a_covariate_of_one_shot_a_cell_is_short_of_shots_not_of_variation():
    shots = pd.concat([_as_read(4).assign(session=f"e{i}") for i in range(6)], ignore_index=True)
    shots = shots.groupby(["session", "balls"], sort=False).head(1)
    table = compare_conditions(shots, settings=ANGLE).covariates.set_index("covariate")
    assert "too few shots to tell how it varies" in table.loc["incoming_angle_deg", "why"]


def test_the_equivalence_test_is_said_with_its_own_interval(compared):
    row = compared.contrasts[compared.contrasts["equivalence_p"] < 0.05].iloc[0]
    assert row["adjusted_low"] < row["equivalence_low"] < row["equivalence_high"] < row["adjusted_high"]
    assert max(abs(row["equivalence_low"]), abs(row["equivalence_high"])) < row["bound"]
    assert "at the 5 % level (equivalence test: the 90 % interval, " in row["answer"]
    assert "Whatever it is" not in row["answer"]


def test_a_clip_without_pattern_is_a_group_with_a_name():
    shots = pd.concat([evenings(2)[0], evenings(1, seed=9)[0].iloc[:1].assign(shot_id="e0-99")])
    shots = shots.reset_index(drop=True)
    last = shots.index[-1]
    shots.loc[last, ["pattern", "speed_class", "target", "balls", "cloth"]] = pd.NA
    shots.loc[last, ["verdict", "reasons", "counted"]] = ["mishit", "side: 0.4; side: 0.5; not full: 12", False]
    comparison = compare_conditions(shots, settings=ANGLE)
    assert "(no pattern)" in comparison.strata
    assert "left out: 1 at (no pattern): side and not full (1)" in comparison.text()
    assert ALL not in set(comparison.contrasts["stratum"])
    assert all(line.startswith(("(no pattern), ", "long-side-bank, ")) for line in comparison.lines)


def test_each_shot_left_out_is_counted_once():
    rows = pd.DataFrame({"reasons": ["side: 1; follow: 2", "side: 3; follow: 4", "follow: 5"], "review": pd.NA})
    assert why_left_out(rows) == "side and follow (2); follow (1)"


def test_decisions_after_pooling_are_noticed(tmp_path):
    rng = np.random.default_rng(0)
    parts = [
        simulate_session(f"e{i}", rng=rng, truth=Truth(), fixed={}, varied={"balls": ["a", "b"]}, repeats=5)
        for i in range(2)
    ]
    folders = [write_session(tmp_path / f"e{i}", part) for i, part in enumerate(parts)]
    pool_sessions(folders, tmp_path / "pooled")
    compare = lambda: compare_dataset(tmp_path / "pooled", tmp_path / "out", settings=ANGLE)[0].warnings  # noqa: E731
    assert not any("pool again" in w for w in compare())
    file = folders[1] / "measured" / "shots.csv"
    file.write_text(file.read_text().replace("clean", "mishit", 1))
    assert [w for w in compare() if "pool again" in w] == ["e1 has changed since it was pooled; pool again."]
    (folders[1] / "measured" / "shots.csv").unlink()  # moved away: nothing to say
    assert not any("pool again" in w for w in compare())


def test_a_name_alone_is_taken_whole(four_evenings):
    shots = four_evenings[0]
    one = reboundry.compare(shots, by="Cloth", responses="rebound_settled_angle_deg")
    assert [f.name for f in one.factors] == ["cloth"]
    assert [f.name for f in reboundry.compare(shots, by="cloth, balls").factors] == ["cloth", "balls"]
    rows = reboundry.plan({"bank": "foot-right"}, easy={"balls": "clean,polished"}).rows
    assert set(rows["balls"]) == {"clean", "polished"}


def test_shots_of_another_make_are_compared_or_refused_plainly(two_evenings):
    bare = two_evenings[0].drop(columns=["review", "reasons", "target", "rail", "rail_sight"])
    assert len(compare_conditions(bare, settings=ANGLE).answers)
    with pytest.raises(SettingsError, match="neither a column counted nor verdict"):
        compare_conditions(bare.drop(columns=["counted", "verdict"]), settings=ANGLE)


def test_words_that_differ_only_in_capitals_are_named(four_evenings):
    shots = four_evenings[0]
    written = shots.assign(balls=shots["balls"].where(shots["session"] != "e0", shots["balls"].str.upper() + " "))
    warnings = compare_conditions(written, settings=ANGLE).warnings
    assert any("balls: 'CLEAN', 'clean' differ only in capitals, spaces, hyphens or underscores" in w for w in warnings)
    assert not any("capitals" in w for w in compare_conditions(shots, settings=ANGLE).warnings)


def test_a_difference_too_small_to_write_is_no_zero(compared):
    result = compared.contrasts[compared.contrasts["response"] == "restitution"].iloc[0].copy()
    response = next(r for r in compared.responses if r.name == "restitution")
    ground = next(iter(compared.grounds.values()))
    result["adjusted_diff"], result["df"], result["basis"] = 0.0001, 1.0, "between sessions"
    text = answer(result, stratum="", response=response, ground=ground, settings=CompareSettings())
    assert "restitution less than 0.001 livelier" in text
    assert "1 degree of freedom)" in text


def test_what_no_answer_was_adjusted_for_is_said_once_a_response_on_the_page(four_evenings):
    shots = four_evenings[0].copy()
    shots.loc[shots.index[::2], "incoming_angle_deg"] = np.nan
    found = compare_conditions(shots, settings=ANGLE)
    sentence = "Not adjusted for incoming angle"
    assert len(found.answers) >= 2
    assert all(sentence in text for text in found.answers)  # each can be quoted alone
    page = comparison_page(found, {})
    assert page.count(sentence) == 1
    firsts = re.findall("<li><b>(.*?)</b>", page)
    assert len(firsts) == len(found.answers)
    for first, text in zip(firsts, found.answers, strict=True):
        assert text.startswith(html.unescape(first))
        assert "interval" in first


def test_the_threshold_of_checks_is_on_the_page(compared):
    results = set(compared.diagnostics["result"])
    assert "holds (p not below 0.01)" in results
