"""Sessions that share recordings: one evening, whichever of them keeps which shots."""

from __future__ import annotations

import json
import os

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.model import fit_linear
from pipeline.compare.settings import CompareSettings
from pipeline.pool import pool_sessions
from pipeline.pool_evenings import evenings


def _session(place, clips, *, at, **fixed):
    """Measured at a time, of clips whose content follows from their names."""
    parts = [simulate_session(clip, rng=np.random.default_rng(n), truth=Truth(), fixed=fixed,
                              varied={"balls": ["clean", "polished"]}, repeats=3) for clip, n in clips.items()]
    write_session(place, pd.concat(parts, ignore_index=True).assign(session=place.name))
    log = place / "measured" / "log.jsonl"
    log.write_text("".join(json.dumps({"clip": f"{clip}.mp4", "sha256": f"of {clip}"}) + "\n" for clip in clips))
    os.utime(log, (at, at))
    return place


SETTINGS = CompareSettings(responses=("rebound_settled_angle_deg",), by=("cloth", "balls"))


@pytest.mark.parametrize("copied", [True, False])
def test_a_part_of_an_evening_in_a_folder_of_its_own_is_no_second_evening(tmp_path, copied):
    a = _session(tmp_path / "A", {"c1": 1, "c2": 2}, at=1_700_000_000, cloth="worn")
    best = _session(tmp_path / "best", {"c1": 1} if copied else {"c3": 3}, at=1_700_000_100, cloth="worn")
    b = _session(tmp_path / "B", {"c4": 4}, at=1_700_000_000, cloth="new")
    report = pool_sessions([a, best, b], tmp_path / "d")
    found = compare_conditions(report.shots, settings=SETTINGS)
    basis = found.contrasts.set_index("factor")["basis"].to_dict()
    assert basis["balls"] == "within sessions"
    assert basis["cloth"] == ("not told apart" if copied else "between sessions")
    assert any(line.startswith("A and best share recordings, so they are taken as one") for line in found.warnings) \
        == copied
    listed = pd.read_csv(tmp_path / "d" / "sessions.csv").set_index("session")["filmed_with"].to_dict()
    assert listed == {"A": "A", "best": "A" if copied else "best", "B": "B"}


def test_a_stray_clip_of_another_evening_does_not_let_the_evenings_be_compared_inside_one(tmp_path):
    a = _session(tmp_path / "A", {"c1": 1, "c2": 2}, at=1_700_000_000, cloth="worn")
    b = _session(tmp_path / "B", {"c2": 2, "c3": 3}, at=1_700_000_100, cloth="new")
    found = compare_conditions(pool_sessions([a, b], tmp_path / "d").shots, settings=SETTINGS)
    assert set(found.contrasts.loc[found.contrasts["factor"] == "cloth", "basis"]) == {"not told apart"}


@pytest.mark.parametrize("later", ["all", "evenings"])
def test_a_folder_of_several_evenings_clips_makes_no_one_evening_of_them(tmp_path, later):
    a = _session(tmp_path / "A", {"c1": 1, "c2": 2}, at=1_700_000_000, cloth="worn")
    again = _session(tmp_path / "again", {"c1": 1, "c2": 2}, at=1_700_000_050, cloth="worn")
    b = _session(tmp_path / "B", {"c3": 3}, at=1_700_000_000, cloth="new")
    at = 1_700_000_100 if later == "all" else 1_600_000_000
    both = _session(tmp_path / "all", {"c1": 1, "c2": 2, "c3": 3}, at=at)
    for _ in range(2):  # pooled again, too
        report = pool_sessions([a, b, again, both], tmp_path / "d")
        listed = report.sessions.set_index("session")
        assert listed["shots"].to_dict() == {"A": 0, "B": 6, "again": 12, "all": 0}
        assert set(zip(report.shots["session"], report.shots["filmed_with"], strict=True)) \
            == {("again", "again"), ("B", "B")}
        assert any("those of again are kept, as all gathers shots of several" in line for line in report.lines)
        assert ("all: gathers shots of B and again. They count there, and all doesn't make one evening of them. If "
                "they are one, pool all without them into a new folder.") in report.lines
    found = compare_conditions(report.shots, settings=SETTINGS)
    assert found.contrasts.set_index("factor")["basis"].to_dict() == {
        "cloth": "not told apart", "balls": "within sessions"}


def test_a_folder_of_several_evenings_with_more_of_its_own_leaves_open_which_evenings_they_are(tmp_path):
    a = _session(tmp_path / "A", {"c1": 1}, at=1_700_000_000, cloth="worn")
    b = _session(tmp_path / "B", {"c2": 2}, at=1_700_000_000, cloth="new")
    both = _session(tmp_path / "all", {"c1": 1, "c2": 2, "c3": 3}, at=1_700_000_100, cloth="new")
    report = pool_sessions([a, b, both], tmp_path / "d")
    assert report.shots["session"].value_counts().to_dict() == {"A": 6, "B": 6, "all": 6}
    assert set(report.shots["filmed_with"]) == {"A"}
    assert any(line.startswith("all: gathers shots of A and B and of others, so whether") for line in report.lines)
    found = compare_conditions(report.shots, settings=SETTINGS)
    assert set(found.contrasts.loc[found.contrasts["factor"] == "cloth", "basis"]) == {"not told apart"}


def test_two_folders_that_each_gather_the_others_shots_go_on_tying_evenings(tmp_path):
    places = [_session(tmp_path / name, {f"c{n}": n for n in clips}, at=1_700_000_000 + at)
              for at, (name, clips) in enumerate({"A": [1], "X": [1, 2], "Y": [2, 3], "B": [3]}.items())]
    report = pool_sessions(places, tmp_path / "d")
    assert report.shots["session"].value_counts().to_dict() == {"A": 6, "Y": 6, "B": 6}
    assert set(report.shots["filmed_with"]) == {"A"}


def test_evenings_follow_shared_recordings_from_session_to_session():
    recordings = {"a": {"1"}, "b": {"2"}, "c": {"3", "2"}, "d": {"1", "3"}, "e": {"9"}, "f": set(), "g": set()}
    assert evenings(recordings, [("g", "f"), ("gone", "e")]) == {
        "a": "a", "b": "a", "c": "a", "d": "a", "e": "e", "f": "f", "g": "f"}


def test_between_evenings_the_parts_of_one_say_no_more_than_the_whole():
    """Against the same shots under one label a session: value, error and degrees of freedom."""
    rng = np.random.default_rng(5)
    evening = np.repeat(np.arange(6), 8)
    worn = evening % 2.0
    y = 30 + worn + rng.normal(0, 1, 6)[evening] + rng.normal(0, 0.5, len(evening))
    x = np.column_stack([np.ones(len(y)), worn])
    parts = [f"{e}{'ab'[n % 2]}" if e < 2 else str(e) for n, e in enumerate(evening)]
    whole = fit_linear(y, x, session=evening).estimate([0, 1])
    apart = fit_linear(y, x, session=parts, evening=evening).estimate([0, 1])
    assert (apart.basis, apart.df) == (whole.basis, whole.df) == ("between sessions", 4)
    assert apart.value == pytest.approx(whole.value, abs=0.02)
    assert apart.se == pytest.approx(whole.se, rel=0.02)
    assert fit_linear(y, x, session=parts).estimate([0, 1]).df == 6
