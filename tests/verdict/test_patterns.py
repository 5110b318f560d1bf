"""Patterns from their files, and the banked ball's departure against them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic.physics import Surface, simulate
from pipeline.consequence import throw_deg
from pipeline.judging import add_aim, judge_shots, say_why_no_aim
from pipeline.patterns import aim_error, departure_of, match_pattern, read_pattern, read_patterns
from pipeline.tolerances import wanted_roll
from shared.columns import CONTACTS, SHOTS, TRACKS
from shared.equipment import standard_table
from shared.errors import SettingsError
from shared.settings import SessionSettings

TABLE = standard_table()
EXAMPLES = Path(__file__).parents[2] / "pipeline" / "pattern_examples"
EVENING = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningA"


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda p: p.stem)
def test_every_example_can_be_read_and_has_a_line(path):
    pattern = read_pattern(path)
    start, heading = pattern.line(TABLE)
    assert 0 < start[0] < TABLE.length_mm
    assert -180 <= heading <= 180
    assert pattern.cushions[0] == pattern.aim.cushion
    if pattern.kind == "bank":
        assert abs(pattern.cut_deg(TABLE)) < 60


@pytest.mark.parametrize("speed_share", [0.95, 1.0, 1.1])
@pytest.mark.parametrize("name", ["two-cushion-side", "three-cushion-kick"])
def test_an_example_over_several_cushions_can_be_played(name, speed_share):
    """On the surface of our own simulation; the example over one cushion is what the demo's footage shows."""
    pattern = read_pattern(EXAMPLES / f"{name}.toml")
    met = _played(pattern, speed_mps=pattern.speed_mps * speed_share)
    assert [event.get("cushion") for event in met][: len(pattern.cushions)] == list(pattern.cushions)
    if pattern.target and speed_share == 1.0:  # a faster ball meets the second cushion while it still slides
        assert met[len(pattern.cushions)].get("pocket") == pattern.target
    if not pattern.target:
        at = met[len(pattern.cushions) - 1]["pos_mm"]["cue"]
        assert min(np.hypot(*np.subtract(at, place)) for place in TABLE.pocket_centres_mm.values()) > 300


def test_the_example_over_one_cushion_is_the_demos():
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shot = json.loads((EVENING / "eveningA_06.truth.json").read_text())["shots"][0]
    assert shot["outcome"]["pocket"] == pattern.target
    assert shot["cushion_sequence"] == list(pattern.cushions)
    assert shot["first_cushion"]["along_mm"] / TABLE.length_mm * 8 == pytest.approx(pattern.aim.sight, abs=0.05)


def _played(pattern, *, speed_mps):
    """What the banked ball meets after the hit, played by our simulation so that the ball leaves along its line."""
    ball = "1" if pattern.kind == "bank" else "cue"
    cue = pattern.place_mm("cue", TABLE)
    start, heading = pattern.line(TABLE)
    places = {"cue": tuple(cue)} | ({"1": tuple(start)} if ball == "1" else {})
    centres = heading
    for _ in range(6 if ball == "1" else 1):
        towards = np.array([np.cos(np.radians(centres)), np.sin(np.radians(centres))])
        path = start - TABLE.ball.diameter_mm * towards - cue if ball == "1" else towards
        play = simulate(TABLE, Surface(), places=places, strike_s=0.1, velocity_mps=path / np.hypot(*path) * speed_mps,
                        roll_ratio=wanted_roll(pattern.spin)[0], until_s=8.0)
        left = next(s.velocity for s in play.stretches[ball] if np.hypot(*s.velocity) > 1)
        centres += heading - np.degrees(np.arctan2(left[1], left[0]))
    return [event for event in play.events if ball in event["balls"] and event["kind"] in ("cushion", "pocket")]


def test_the_wanted_cut_allows_for_throw_so_that_the_ball_leaves_along_the_line():
    pattern = read_pattern(EXAMPLES / "cross-corner.toml").model_copy(update={"cue": (4.6, 1.2)})
    cut = pattern.cut_deg(TABLE)
    assert abs(cut) > 15
    start, heading = pattern.line(TABLE)
    throw = throw_deg(cut, speed_mps=pattern.speed_mps)
    centres = np.radians(heading - throw)
    at = start - TABLE.ball.diameter_mm * np.array([np.cos(centres), np.sin(centres)])
    path = np.degrees(np.arctan2(*(at - pattern.place_mm("cue", TABLE))[::-1]))
    assert path + cut + throw == pytest.approx(heading, abs=1e-6)


@pytest.mark.parametrize(("text", "words"), [
    ('name = "a"\nkind = "bank"\ncue = [1, 1]\naim = {cushion = "left", sight = 4}', "object"),
    ('name = "a"\nkind = "kick"\ncue = [9, 1]\naim = {cushion = "left", sight = 4}', "not on the table"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "left", sight = 4}\nspni = "stun"', "spni"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "left", sight = 4}\nspin = "stunn"', "stunn"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "foot", sight = 6}', "foot cushion sights run from 0"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "left", sight = -3}', "run from 0 to 8"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "left", sight = nan}', "sight"),
    ('name = "a"\nkind = "kick"\ncue = [1, 1]\naim = {cushion = "left", sight = 4}\nspeed_mps = inf', "speed_mps"),
    ("name = a", "cannot be read"),
])
def test_a_faulty_pattern_is_refused_in_one_line(tmp_path, text, words):
    path = tmp_path / "a.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=words) as raised:
        read_pattern(path)
    assert str(path) in str(raised.value)


def played(pattern, *, turned_deg: float, shift_mm: float = 0.0, lies_before: int = 0):
    """A shot of a pattern whose object ball leaves ``turned_deg`` to the left of the line; of the frames before the hit
    it is seen in those from ``lies_before`` on.
    """
    rng = np.random.default_rng(5)
    start, heading = pattern.line(TABLE)
    start = start + shift_mm
    along = np.radians(heading + turned_deg)
    t = np.arange(0, 0.3, 1 / 60)
    xy = start + 2000 * t[:, None] * [np.cos(along), np.sin(along)] + rng.normal(0, 0.3, (len(t), 2))
    cue = pattern.place_mm("cue", TABLE)
    tau = np.arange(0.0, 0.2, 1 / 60)  # tracks begin with the strike: the cue ball has left its place
    way = cue + 2600 * tau[:, None] * (start - cue) / np.hypot(*(start - cue))
    rolling = [{"t_s": 0.8 + a, "ball": "cue", "x_mm": x, "y_mm": y} for a, (x, y) in zip(tau, way, strict=True)]
    still = [{"t_s": 0.8 + a, "ball": "object", "x_mm": start[0], "y_mm": start[1]} for a in tau[lies_before:]]
    moving = [{"t_s": 1.0 + a, "ball": "object", "x_mm": x, "y_mm": y} for a, (x, y) in zip(t, xy, strict=True)]
    tracks = pd.DataFrame(rolling + still + moving).assign(
        shot_id="s-01", clip="s.mp4", x_u_mm=0.3, y_u_mm=0.3, state="seen", vx_mps=0.0, vy_mps=0.0)
    contacts = pd.DataFrame([
        {"shot_id": "s-01", "n": 1, "t_s": 0.79, "kind": "strike", "ball": "cue", "x_mm": cue[0], "y_mm": cue[1]},
        {"shot_id": "s-01", "n": 2, "t_s": 0.999, "kind": "ball", "ball": "cue", "other": "object"},
        {"shot_id": "s-01", "n": 3, "t_s": 1.29, "kind": "cushion", "ball": "object", "other": "left"},
    ])
    shots = SHOTS.conform(pd.DataFrame([{"shot_id": "s-01", "kind": "bank", "banked_ball": "object"}]))
    return shots, CONTACTS.conform(contacts), TRACKS.conform(tracks)


def test_the_aim_error_comes_back_with_its_sign():
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shots, contacts, tracks = played(pattern, turned_deg=2.0)
    departure = departure_of(shots.iloc[0].to_dict(), tracks, contacts)
    error, u = aim_error(departure, pattern, TABLE)
    assert error == pytest.approx(2.0, abs=4 * u + 0.02)
    assert 0 < u < 0.2


def test_a_blank_pattern_is_matched_by_the_lie_and_a_distant_one_is_left_blank():
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    known = {pattern.name: pattern}
    shots, contacts, tracks = played(pattern, turned_deg=-3.0)
    found = add_aim(shots, contacts, tracks, table=TABLE, patterns=known)
    assert found.loc[0, "pattern"] == "cross-corner"
    assert found.loc[0, "aim_error_deg"] == pytest.approx(-3.0, abs=0.3)
    judged = judge_shots(found, SessionSettings(), known)
    assert "aim: left" in judged.loc[0, "reasons"]
    written = shots.assign(pattern=pd.array(["Cross corner"], dtype="string"))
    declared = add_aim(written, contacts, tracks, table=TABLE, patterns=known).loc[0]
    assert (declared["pattern"], declared["aim_error_deg"]) == ("Cross corner", found.loc[0, "aim_error_deg"])
    far, contacts, tracks = played(pattern, turned_deg=0.0, shift_mm=200.0)
    departure = departure_of(far.iloc[0].to_dict(), tracks, contacts)
    assert match_pattern(departure, known, "bank", TABLE) is None
    assert add_aim(far, contacts, tracks, table=TABLE, patterns=known)["pattern"].isna().all()


@pytest.mark.parametrize(("name", "kind", "words"), [
    ("Cross Corner", "kick", "the pattern is a bank, the shot a kick"),
    (None, "bank", "no pattern declared"), ("unknown", "bank", "tells the line of unknown"),
    ("cross-corner", "kick", "the pattern is a bank, the shot a kick"),
    ("cross-corner", "bank", "not seen long enough"),
])
def test_an_empty_aim_error_has_its_reason(name, kind, words):
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shots = SHOTS.conform(pd.DataFrame([{"shot_id": "s-01", "pattern": name, "kind": kind, "notes": "other: why"}]))
    noted = say_why_no_aim(shots, {pattern.name: pattern}).loc[0, "notes"]
    assert noted.startswith("other: why; aim_error_deg: ")
    assert words in noted
    seen = say_why_no_aim(shots.assign(aim_error_deg=0.0), {}).loc[0, "notes"]
    assert seen == "other: why"


@pytest.mark.parametrize("lies_before", [0, 99])
def test_the_lie_is_where_balls_lay_and_not_where_they_were_first_seen_rolling(lies_before):
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shots, contacts, tracks = played(pattern, turned_deg=0.0, lies_before=lies_before)
    departure = departure_of(shots.iloc[0].to_dict(), tracks, contacts)
    assert departure.cue_mm == pytest.approx(pattern.place_mm("cue", TABLE), abs=1e-6)
    assert departure.banked_mm == pytest.approx(pattern.line(TABLE)[0], abs=4.0)  # 1 ms of its way, and noise


def test_a_kicked_cue_ball_lay_where_it_was_struck():
    shots = pd.DataFrame([{"shot_id": "s-01", "kind": "kick", "banked_ball": "cue"}])
    t = np.arange(1 / 30, 0.4, 1 / 30)
    tracks = pd.DataFrame({"t_s": t, "ball": "cue", "x_mm": 600 + 4000 * t, "y_mm": 300.0, "shot_id": "s-01",
                           "x_u_mm": 0.3, "y_u_mm": 0.3, "state": "seen"})
    contacts = pd.DataFrame([
        {"shot_id": "s-01", "t_s": 0.0, "kind": "strike", "ball": "cue", "x_mm": 600.0, "y_mm": 300.0},
        {"shot_id": "s-01", "t_s": 0.45, "kind": "cushion", "ball": "cue", "other": "foot"},
    ])
    departure = departure_of(shots.iloc[0].to_dict(), tracks, contacts)
    assert departure.banked_mm == pytest.approx([600.0, 300.0])


def test_nothing_after_the_first_cushion_moves_the_aim():
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shots, contacts, tracks = played(pattern, turned_deg=1.0)
    later = tracks.tail(1).assign(t_s=1.5, x_mm=0.0, y_mm=0.0)
    more = pd.concat([tracks, later], ignore_index=True)
    before = departure_of(shots.iloc[0].to_dict(), tracks, contacts)
    after = departure_of(shots.iloc[0].to_dict(), more, contacts)
    assert before.heading_deg == after.heading_deg


@pytest.mark.parametrize(("ball", "other"), [("object", "ball-3"), ("ball-3", "object")])
def test_nothing_after_a_ball_on_its_way_moves_the_aim(ball, other):
    pattern = read_pattern(EXAMPLES / "cross-corner.toml")
    shots, contacts, tracks = played(pattern, turned_deg=1.0)
    shot = shots.iloc[0].to_dict()
    straight = departure_of(shot, tracks, contacts).heading_deg
    turned = (tracks["ball"] == "object") & (tracks["t_s"] > 1.15)
    tracks.loc[turned, "y_mm"] += 1500 * (tracks.loc[turned, "t_s"] - 1.15)
    assert abs(departure_of(shot, tracks, contacts).heading_deg - straight) > 5
    met = pd.DataFrame([{"shot_id": "s-01", "n": 4, "t_s": 1.15, "kind": "ball", "ball": ball, "other": other}])
    found = departure_of(shot, tracks, pd.concat([contacts, CONTACTS.conform(met)], ignore_index=True))
    assert found.heading_deg == pytest.approx(straight, abs=0.3)


def test_a_session_reads_its_folder_and_refuses_a_name_used_twice(tmp_path):
    assert read_patterns(tmp_path) == {}
    folder = tmp_path / "patterns"
    folder.mkdir()
    text = (EXAMPLES / "cross-corner.toml").read_text()
    (folder / "a.toml").write_text(text)
    assert list(read_patterns(tmp_path)) == ["cross-corner"]
    for name in ("cross-corner", "Cross corner"):
        (folder / "b.toml").write_text(text.replace("cross-corner", name))
        with pytest.raises(SettingsError, match="another file"):
            read_patterns(tmp_path)
