"""The same shots in two sessions: which are kept, what is said, and that none is lost when the other copy goes."""

from __future__ import annotations

import json
import os
import shutil

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.pool import pool_sessions
from pipeline.pool_dataset import changed_sessions, read_partitions
from shared.columns import FINGERPRINT
from shared.files import tool_version


def _shots(name, seed, *, of_session=None):
    """Six shots of a clip ``name``.mp4."""
    shots = simulate_session(name, rng=np.random.default_rng(seed), truth=Truth(), fixed={},
                             varied={"balls": ["clean", "polished"]}, repeats=3)  # fmt: skip
    return shots.assign(session=of_session or name)


def _measured(place, *shots, at=1_700_000_000):
    """Clips known by their content, measured at a time."""
    rows = pd.concat(shots, ignore_index=True)
    write_session(place, rows, version=tool_version())
    log = place / "measured" / "log.jsonl"
    log.write_text("".join(json.dumps({"clip": c, "sha256": f"of {c}"}) + "\n" for c in sorted(set(rows["clip"]))))
    os.utime(log, (at, at))
    return place


@pytest.fixture
def with_a_stray_clip(tmp_path):
    """(A, B, B's shots without A's clip): B holds a copy of one of A's two clips, looked through there."""
    one, two, own = _shots("c1", 1, of_session="A"), _shots("c2", 2, of_session="A"), _shots("c3", 3, of_session="B")
    a = _measured(tmp_path / "A", one, two)
    b = _measured(tmp_path / "B", one.assign(session="B", review="accept"), own)
    return a, b, own


def _in_each(report):
    return dict(zip(report.sessions["session"], report.sessions["shots"], strict=True))


@pytest.mark.parametrize("both_given", [True, False])
def test_shots_come_back_when_the_copy_that_was_kept_is_gone(with_a_stray_clip, tmp_path, both_given):
    a, b, own = with_a_stray_clip
    assert _in_each(pool_sessions([a, b], tmp_path / "d")) == {"A": 6, "B": 12}
    again = pool_sessions([a, b], tmp_path / "d")
    assert (again.added, again.unchanged, _in_each(again)) == ((), ("A", "B"), {"A": 6, "B": 12})
    _measured(b, own)
    report = pool_sessions([a, b] if both_given else [b], tmp_path / "d")
    assert report.added == ("B",)
    assert _in_each(report) == {"A": 12, "B": 6}
    assert len(pd.read_parquet(tmp_path / "d" / "contacts")) == 4 * 18


def test_a_session_that_cannot_be_read_again_is_named(with_a_stray_clip, tmp_path):
    a, b, own = with_a_stray_clip
    pool_sessions([a, b], tmp_path / "d")
    shutil.rmtree(a)
    _measured(b, own)
    lines = pool_sessions([b], tmp_path / "d").lines
    assert any(line.startswith("A: 6 shot(s) had been left out as another session has them") for line in lines)


@pytest.mark.parametrize("newer_first", [True, False])
def test_of_two_measurements_of_a_clip_the_later_is_kept_and_it_is_said(tmp_path, newer_first):
    old = _shots("e0", 1)
    new = old.assign(rebound_settled_angle_deg=old["rebound_settled_angle_deg"] + 5)
    places = [_measured(tmp_path / "e0", old), _measured(tmp_path / "better" / "e0", new, at=1_700_009_000)]
    report = pool_sessions(places[::-1] if newer_first else places, tmp_path / "d")
    assert len(report.shots) == 6
    assert report.shots["rebound_settled_angle_deg"].mean() == pytest.approx(new["rebound_settled_angle_deg"].mean())
    other, kept = sorted(_in_each(report), key=_in_each(report).__getitem__)
    assert report.lines[-1] == (
        f"{other}: 6 shot(s) are in {kept}, too, and are not counted twice; those of {kept} are kept, as they were "
        "measured later. The two measurements differ."
    )
    assert any(line.startswith("e0: another session has this name; pooled as e0-") for line in report.lines)


def test_the_one_measured_later_is_kept_with_the_decisions_made_on_the_other(with_a_stray_clip, tmp_path):
    a, b, _ = with_a_stray_clip
    os.utime(a / "measured" / "log.jsonl", (1_800_000_000,) * 2)
    report = pool_sessions([a, b], tmp_path / "d")
    assert report.lines == (
        "B: 6 shot(s) are in A, too, and are not counted twice; those of A are kept, as they were measured later. "
        "Decisions made in B count for 6 of them (c1-01 among them).",
    )
    assert _in_each(report) == {"A": 12, "B": 6}
    kept = report.shots[report.shots["clip"] == "c1.mp4"]
    assert set(kept["session"]) == {"A"}
    assert set(kept["review"]) == {"accept"}
    assert kept["counted"].all()


def _decided(shots, rows, decision, *, at="2026-01-01T00:00:00+00:00"):
    out = shots.assign(reviewed_at=pd.Series(pd.NA, index=shots.index, dtype="string"))
    out.loc[rows, ["review", "reviewer", "reviewed_at"]] = (decision, "ann", at)
    out.loc[rows, "counted"] = decision == "accept"
    return out


def test_two_people_who_each_review_half_of_one_evening_are_one_evening(tmp_path):
    shots = _shots("c1", 1, of_session="evening").assign(verdict="clean", counted=True)
    ann = _measured(tmp_path / "ann" / "evening", _decided(shots, [0, 1], "reject"))
    bob = _measured(tmp_path / "bob" / "evening", _decided(shots, [4, 5], "reject"), at=1_700_000_100)
    report = pool_sessions([ann, bob], tmp_path / "d")
    assert sorted(_in_each(report).values()) == [0, 6]
    assert report.shots["counted"].tolist() == [False, False, True, True, False, False]
    assert pool_sessions([bob], tmp_path / "d").shots["counted"].tolist() == report.shots["counted"].tolist()
    _measured(ann, _decided(shots, [1], "reject"))  # taken back on the first
    again = pool_sessions([ann], tmp_path / "d")
    assert again.shots["counted"].tolist() == [True, False, True, True, False, False]


def test_of_two_decisions_that_differ_the_later_counts_and_it_is_said(tmp_path):
    shots = _shots("c1", 1, of_session="A").assign(verdict="clean", counted=True)
    a = _measured(tmp_path / "A", _decided(shots, [0], "reject", at="2026-01-02T00:00:00+00:00"))
    other = _decided(shots, [0, 1], "accept").assign(session="B")
    report = pool_sessions([a, _measured(tmp_path / "B", other, at=1_700_000_100)], tmp_path / "d")
    assert _in_each(report) == {"A": 0, "B": 6}
    assert report.shots["review"].fillna("").tolist() == ["reject", "accept", "", "", "", ""]
    assert not report.shots["counted"][0]
    assert "Decisions on 1 of them differ (c1-01), and the latest counts" in report.lines[-1]


@pytest.mark.parametrize(("of_a", "of_b", "stands", "said"), [
    ("2026-01-02T09:00:00+09:00", "2026-01-02T01:00:00+00:00", "accept", "and the latest counts"),
    ("2026-01-02T01:00:00+01:00", "2026-01-01T23:30:00+00:00", "reject", "and the latest counts"),
    ("28.11.2026 20:10", "2026-12-05T20:10:00+00:00", "accept", "which was made later isn't known"),
    ("2026-11-28T20:10:00+00:00", "05.12.2026 20:10", "accept", "which was made later isn't known"),
    ("2026-11-28T20:10:00+00:00", "", "accept", "which was made later isn't known"),
])
def test_which_decision_is_later_is_told_by_the_time_and_not_by_its_text(tmp_path, of_a, of_b, stands, said):
    shots = _shots("c1", 1, of_session="A").assign(verdict="clean", counted=True)
    a = _measured(tmp_path / "A", _decided(shots, [0], "reject", at=of_a))
    b = _measured(tmp_path / "B", _decided(shots, [0], "accept", at=of_b).assign(session="B"), at=1_700_000_100)
    report = pool_sessions([a, b], tmp_path / "d")
    assert (report.shots["review"][0], report.shots["counted"][0]) == (stands, stands == "accept")
    assert said in report.lines[-1]
    assert ("Decisions made in A count" in report.lines[-1]) == (stands == "reject")


def test_a_session_whose_results_are_gone_beats_none_that_is_there(tmp_path):
    """Its folder was given another name; a decision was taken back, the cloth corrected, and it was measured again."""
    shots = _shots("c1", 1, of_session="A").assign(verdict="clean", counted=True, cloth="new")
    pool_sessions([_measured(tmp_path / "A", _decided(shots, [0], "reject"), at=1_700_000_100)], tmp_path / "d")
    shutil.rmtree(tmp_path / "A")
    report = pool_sessions([_measured(tmp_path / "B", shots.assign(session="B", cloth="worn"))], tmp_path / "d")
    assert set(report.shots["cloth"]) == {"worn"}
    assert report.shots["counted"].all()
    assert _in_each(report) == {"B": 6}
    assert report.lines == (
        "A: 6 shot(s) are in B, too, and are not counted twice; those of B are kept, as the results of A are gone. "
        "Decisions made in A on 1 of them (c1-01) are not taken over; decide in B with `reboundry review`, then pool "
        "again.",
        "A: taken out of the dataset, as its results are gone and others have all its shots.",
    )
    assert {path.name for path in (tmp_path / "d" / "tracks").iterdir()} == {"session=B"}
    assert pool_sessions([tmp_path / "B"], tmp_path / "d").lines == ()


def _with_parameter(place, value):
    rows = FINGERPRINT.conform(pd.DataFrame({"quantity": ["cushion_restitution"], "value": [value], "value_u": [0.01]}))
    rows.to_csv(place / "measured" / "table.csv", index=False)
    return place


def _parameters(out):
    read = read_partitions(out / "table")
    return dict(zip(read["session"], read["value"], strict=True)) if len(read) else {}


def test_an_evening_in_two_folders_gives_one_reading_of_its_table(with_a_stray_clip, tmp_path):
    a, b, own = with_a_stray_clip
    out, c = tmp_path / "d", _measured(tmp_path / "C", _shots("c4", 4, of_session="C"))
    pool_sessions([_with_parameter(a, 0.8), _with_parameter(b, 0.81), _with_parameter(c, 0.85)], out)
    assert _parameters(out) == {"B": 0.81, "C": 0.85}
    pool_sessions([c], out)
    assert _parameters(out) == {"B": 0.81, "C": 0.85}
    report = pool_sessions([a, c], out)
    assert _parameters(out) == {"B": 0.81, "C": 0.85}
    assert ("A: its table parameters are left out, so that an evening counts once: B is of the same evening and has "
            "more of its shots.") in report.lines
    pool_sessions([c], out)
    _measured(b, own)  # it shares nothing any more
    assert not any("parameters" in line for line in pool_sessions([b], out).lines)
    assert _parameters(out) == {"A": 0.8, "B": 0.81, "C": 0.85}


@pytest.mark.parametrize("later", ["A", "B"])
def test_of_two_folders_with_as_many_shots_the_later_reads_the_table(tmp_path, later):
    places = []
    for name, value in (("A", 0.8), ("B", 0.81)):
        clips = ("c1", f"{name}2") if name == later else ("c1", f"{name}2", f"{name}3")
        shots = [_shots(clip, int(clip, 16), of_session=name) for clip in clips]
        places.append(_with_parameter(_measured(tmp_path / name, *shots, at=1_700_000_000 + (name == later)), value))
    report = pool_sessions(places, tmp_path / "d")
    assert _in_each(report) == {"A": 12, "B": 12}
    assert _parameters(tmp_path / "d") == {later: {"A": 0.8, "B": 0.81}[later]}
    assert any(line.endswith(f"{later} is of the same evening and was measured later.") for line in report.lines)


def test_parameters_of_a_session_whose_shots_all_count_in_others_are_left_out(tmp_path):
    clips = {"A": (1,), "B": (2,), "all": (1, 2)}
    for value, name in enumerate(clips):
        place = _measured(tmp_path / name, *(_shots(f"c{n}", n, of_session=name) for n in clips[name]))
        _with_parameter(place, value)
    report = pool_sessions([tmp_path / name for name in clips], tmp_path / "d")
    assert _parameters(tmp_path / "d") == {"A": 0, "B": 1}
    assert report.lines[-1] == "all: its table parameters are left out, as its shots count in other sessions."


def test_a_clip_that_a_session_holds_twice_is_counted_once(tmp_path):
    shots = _shots("c1", 1)
    copy = shots.assign(clip="copy.mp4", shot_id=shots["shot_id"] + "x")
    report = pool_sessions([_measured(tmp_path / "c1", shots, copy)], tmp_path / "d")
    assert (len(report.shots), report.lines) == (6, ("c1: 6 shot(s) are in it twice and are counted once.",))


def test_a_new_name_is_said_once(tmp_path):
    places = [
        _measured(tmp_path / who / "evening", _shots("evening", n).assign(clip=f"{who}.mp4"))
        for n, who in enumerate(("north", "south"))
    ]
    lines = pool_sessions(places, tmp_path / "d").lines
    assert len(lines) == 1
    assert lines[0].startswith("evening: another session has this name; pooled as evening-")
    assert pool_sessions(places, tmp_path / "d").lines == ()


def test_shots_that_were_numbered_anew_are_not_counted_twice(tmp_path):
    """Measured again, a strike before the others was found: what was shot 1 is shot 2."""
    found = _shots("c1", 1, of_session="A")
    numbers = found["shot"] + 1
    anew = found.assign(session="B", shot=numbers, shot_id=[f"c1-{n:02d}" for n in numbers],
                        start_s=found["start_s"] + 0.01, rebound_angle_deg=found["rebound_angle_deg"] + 0.01)
    a, b = _measured(tmp_path / "A", found), _measured(tmp_path / "B", anew, at=1_700_000_100)
    report = pool_sessions([a, b], tmp_path / "d")
    assert _in_each(report) == {"A": 0, "B": 6}


def test_another_session_in_the_same_folder_replaces_nothing(tmp_path):
    """As on a card that is copied to evening/ each time."""
    place, out = tmp_path / "evening", tmp_path / "d"
    a, b = _shots("c1", 1, of_session="A"), _shots("c2", 2, of_session="B")
    home = shutil.copytree(_measured(place, a), tmp_path / "home")
    pool_sessions([place], out)
    report = pool_sessions([_measured(place, b)], out)
    assert _in_each(report) == {"A": 6, "B": 6}
    (line,) = report.lines
    assert line.startswith(f"{place}: holds none of the clips that were pooled from there as A; both are kept.")
    again = pool_sessions([place], out)
    assert (again.lines, again.unchanged, _in_each(again)) == ((), ("B",), {"A": 6, "B": 6})
    assert changed_sessions(out) == []
    assert pool_sessions([home], out).lines == ()
    assert dict(pd.read_csv(out / "sessions.csv").set_index("session")["source"]) == {
        "A": "../home/measured", "B": "../evening/measured"}


def test_a_session_measured_again_under_another_name_keeps_its_first_one(tmp_path):
    """Its folder was given another name, and its clips are the same."""
    pool_sessions([_measured(tmp_path / "A", _shots("c1", 1, of_session="A"))], tmp_path / "d")
    report = pool_sessions([_measured(tmp_path / "A", _shots("c1", 2, of_session="Monday"))], tmp_path / "d")
    assert _in_each(report) == {"A": 6}
    assert report.lines == ("Monday: was pooled as A before and keeps that name.",)


@pytest.mark.parametrize(("kept", "lost", "said"), [
    ({"cloth": "new"}, {"cloth": "worn"}, "cloth: new / worn"),
    ({"chalk": 3.0}, {"chalk": 3.0}, ""),
    ({"target": "foot-right"}, {}, "target: foot-right / blank"),
    ({"pattern": "x", "player": "P", "a": 1.5, "b": 2.0}, {"pattern": "y", "player": "Q", "a": 2.0, "b": 1.0},
     "pattern: x / y; player: P / Q; a: 1.5 / 2; and 1 more"),
])
def test_a_shot_declared_in_two_ways_is_said_with_what_differs(tmp_path, kept, lost, said):
    shots = _shots("c1", 1).assign(pattern="p", target=pd.Series(pd.NA, dtype="string"))
    places = [_measured(tmp_path / name, shots.assign(session=name, **told))
              for name, told in (("E", kept), ("F", lost))]
    (line,) = pool_sessions(places, tmp_path / "d").lines
    differently = (f" They were declared differently ({said}); put it right in one of the two, then measure that one "
                   "again.") if said else ""
    assert line == f"F: 6 shot(s) are in E, too, and are not counted twice; those of E are kept.{differently}"
