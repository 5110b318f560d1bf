"""From detections to the row of shots.csv."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic import bank_shot, kick_shot
from pipeline import shot_motion
from pipeline.physics import Friction
from pipeline.pockets import Pocketed
from pipeline.rebound import measure_rebound
from pipeline.shots import measure_shots
from pipeline.streaks import REMEDY
from pipeline.track_rows import track_rows
from shared.columns import CONTACTS, DETECTIONS, SHOTS, TRACKS, why_lost
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import COLOURS, Look, detections_of, joined, overhead

TABLE = standard_table()


def measure(rows, targets=None, shutter_s=None):
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=shutter_s))
    return measure_shots(rows, calibration=overhead(TABLE), settings=settings, clip="test.mp4", targets=targets)


@pytest.fixture(scope="module")
def bank():
    play = bank_shot(TABLE, cut_deg=12.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    return play, measure(detections_of(play, TABLE, 2.6))


def within(row, column, true, k=4.0, at_most=None):
    assert abs(row[column] - true) < k * row[f"{column}_u"], (column, row[column], row[f"{column}_u"], true)
    if at_most is not None:
        assert row[f"{column}_u"] < at_most


def test_tables_are_in_their_schemas(bank):
    _, measures = bank
    for rows, schema in ((measures.shots, SHOTS), (measures.contacts, CONTACTS), (measures.tracks, TRACKS)):
        assert list(rows.columns) == schema.names
        assert len(rows)


def test_the_hit(bank):
    play, measures = bank
    row = measures.shots.iloc[0]
    hit = play.events[1]
    v = np.array(hit["before"]["cue"]["v_mm_s"])
    line = np.array(hit["pos_mm"]["1"]) - np.array(hit["pos_mm"]["cue"])
    out = np.array(hit["after"]["1"]["v_mm_s"])
    bearing = [np.degrees(np.arctan2(a[1], a[0])) for a in (v, line, out)]
    omega = hit["after"]["cue"]["omega"]
    roll = play.radius_mm * np.array([omega[1], -omega[0]])
    speed = np.hypot(*v)
    assert (row["kind"], row["banked_ball"]) == ("bank", "object")
    within(row, "cue_impact_speed_mps", speed / 1e3, at_most=0.02)
    within(row, "object_speed_mps", np.hypot(*out) / 1e3, at_most=0.02)
    within(row, "cut_angle_deg", bearing[1] - bearing[0], at_most=1.0)
    within(row, "throw_deg", bearing[2] - bearing[1], at_most=1.0)
    within(row, "cue_roll_ratio", roll @ v / speed**2, at_most=0.05)
    within(row, "cue_cross_ratio", (v[0] * roll[1] - v[1] * roll[0]) / speed**2, at_most=0.05)
    assert row["cut_angle_deg"] == pytest.approx(12.0, abs=1.0)  # left, as played


def test_the_rebound(bank):
    play, measures = bank
    row = measures.shots.iloc[0]
    event = play.events[2]
    v, w = (np.array(event[k]["1"]["v_mm_s"]) for k in ("before", "after"))
    side = np.sign(v[0])
    within(row, "incoming_angle_deg", np.degrees(np.arctan2(side * v[0], v[1])), at_most=0.2)
    within(row, "rebound_angle_deg", np.degrees(np.arctan2(side * w[0], -w[1])), at_most=0.3)
    within(row, "speed_at_impact_mps", np.hypot(*v) / 1e3, at_most=0.02)
    within(row, "rebound_speed_mps", np.hypot(*w) / 1e3, at_most=0.02)
    within(row, "restitution", -w[1] / v[1], at_most=0.02)
    within(row, "rail_s", event["t"], at_most=0.001)
    within(row, "rail_sight", 8 * event["pos_mm"]["1"][0] / TABLE.length_mm, at_most=0.01)
    assert row["rail"] == "left"
    assert row["rails"] == sum(e["kind"] == "cushion" and e["balls"] == ["1"] and e["t"] < 2.55 for e in play.events)


def test_tracks_follow_the_balls(bank):
    play, measures = bank
    rows = measures.tracks
    places = np.array([play.at({"cue": "cue", "object": "1"}[r.ball], r.t_s).at(r.t_s)[0] for r in rows.itertuples()])
    error = np.hypot(rows["x_mm"] - places[:, 0], rows["y_mm"] - places[:, 1])
    assert np.sqrt(np.mean(error**2)) < 0.3
    assert set(rows["state"]) == {"seen", "bridged"}
    assert not rows.duplicated(["frame", "ball"]).any()


def off_and_stated(play, rows, names):
    """Distance of tracks' rows from the truth, mm, and their stated uncertainty along it."""
    places = np.array([play.at(names[r.ball], r.t_s).at(r.t_s)[0] for r in rows.itertuples()])
    return np.hypot(rows["x_mm"] - places[:, 0], rows["y_mm"] - places[:, 1]), np.hypot(rows["x_u_mm"], rows["y_u_mm"])


def test_tracks_of_a_shot_that_could_not_be_followed_are_where_the_balls_were_found():
    """A third ball in the object ball's way is never found: no path leads round it."""
    lay, heading = 0.42 * TABLE.corners_mm[2], np.radians(62.0)
    other = lay + 300 * np.array([np.cos(heading), np.sin(heading)]) + 20 * np.array([-np.sin(heading), 0.5])
    play = bank_shot(TABLE, others={"2": tuple(other)}, until_s=3.0)
    rows = detections_of(play, TABLE, 2.0, Look(strays=0.0, lost=0.0))
    balls = np.array([r.luma == COLOURS["2"][0] for r in rows.itertuples()])
    hidden = rows["frame"].between(50, 55)
    measures = measure_alone(rows[~balls & ~hidden], frames_until(2.0))
    assert why_lost(measures.shots["notes"].iloc[0])
    tracks = measures.tracks[measures.tracks["shot_id"].notna()]
    off, u = off_and_stated(play, tracks, {"cue": "cue", "object": "1"})
    seen = tracks["state"] == "seen"
    assert set(tracks.loc[~seen, "frame"]) == set(range(50, 56))
    assert (off / u)[seen].max() < 4
    assert off[seen].max() < 2
    assert (off / u)[~seen].max() < 2
    way = tracks[(tracks["ball"] == "object") & seen]
    truth = np.array([play.at("1", t).at(t)[1] for t in way["t_s"]]) / 1e3
    turned = np.hypot(way["vx_mps"] - truth[:, 0], way["vy_mps"] - truth[:, 1])
    assert np.median(turned) < 0.05


def test_finds_that_lie_off_a_poor_fit_are_shown_with_their_own_velocity(bank):
    """However poor the fit says itself that it is."""
    _, measures = bank
    shot, since_s = measures.measured[0], 1.2
    poor = replace(shot.motion, scale=dict.fromkeys(shot.motion.scale, 50.0))
    shot = replace(shot, followed=replace(shot.followed, motion=poor))
    track = next(track for track, name in shot.followed.names.items() if name == "object")
    seen = shot.followed.windows["object"]
    away = 200.0 * np.maximum(seen.t_s - since_s, 0.0)
    seen = replace(seen, xy_mm=seen.xy_mm + np.column_stack([0 * away, away]))
    frames = measures.tracks[["frame", "t_s"]].drop_duplicates("frame").sort_values("frame")
    rows = track_rows([shot], {track: seen}, frames, "test.mp4")
    late = rows[(rows["t_s"] > since_s + 0.1) & (rows["state"] == "seen") & rows["shot_id"].notna()]
    fitted = measures.tracks[measures.tracks["ball"] == "object"].set_index("frame").loc[late["frame"]]
    assert len(late) > 40
    moved = late["y_mm"].to_numpy() - fitted["y_mm"].to_numpy()
    assert moved == pytest.approx(200 * (late["t_s"].to_numpy() - since_s), abs=2)
    faster = late["vy_mps"].to_numpy() - fitted["vy_mps"].to_numpy()
    assert np.median(faster) == pytest.approx(0.2, abs=0.05)


def test_a_ball_at_rest_has_a_row_where_an_arm_hides_it_in_a_shot():
    lies = (300.0, 250.0)
    play = bank_shot(TABLE, others={"2": lies}, until_s=3.0)
    rows = detections_of(play, TABLE, 2.0, Look(strays=0.0, lost=0.0))
    hidden = (rows["luma"] == COLOURS["2"][0]) & rows["frame"].between(60, 80)
    tracks = measure(rows[~hidden]).tracks
    own = tracks[(tracks["ball"] == "ball-3") & tracks["shot_id"].notna()].sort_values("frame")
    bridged = own["state"] == "bridged"
    assert own.loc[bridged, "frame"].tolist() == list(range(60, 81))
    assert np.hypot(own["x_mm"] - lies[0], own["y_mm"] - lies[1])[bridged].max() < 1
    assert own.loc[bridged, "x_u_mm"].min() > own.loc[~bridged, "x_u_mm"].median()


def test_a_banked_ball_that_met_another_before_its_cushion_is_told(bank):
    """Nearly a ball's width off its line, 300 mm on."""
    words = "the banked ball met ball-3 before its first cushion"
    lay, heading = 0.42 * TABLE.corners_mm[2], np.radians(62.0)
    along = np.array([np.cos(heading), np.sin(heading)])
    other = lay + 300 * along + 50 * np.array([-along[1], along[0]])
    play = bank_shot(TABLE, others={"2": tuple(other)}, until_s=3.0)
    assert [event["kind"] for event in play.events[1:4]] == ["ball_ball", "ball_ball", "cushion"]
    row = measure(detections_of(play, TABLE, 3.0)).shots.iloc[0]
    assert words in row["notes"]
    _, plain = bank
    assert "before its first cushion" not in str(plain.shots["notes"].iloc[0])


def test_a_kick_has_no_hit_and_says_so():
    row = measure(detections_of(kick_shot(TABLE, until_s=3.0), TABLE, 2.0)).shots.iloc[0]
    assert (row["kind"], row["banked_ball"]) == ("kick", "cue")
    assert pd.isna(row["cut_angle_deg"])
    assert "no object ball was hit" in row["notes"]
    assert row["incoming_angle_deg"] > 0


def test_a_clip_that_ends_at_the_cushion_gives_no_rebound():
    play = bank_shot(TABLE, cut_deg=5.0, until_s=3.0)
    row = measure(detections_of(play, TABLE, play.events[2]["t"] + 0.03, Look(strays=0.0))).shots.iloc[0]
    assert pd.isna(row["rebound_angle_deg"])
    assert pd.isna(row["restitution"])
    assert "cushion" in row["notes"]


@pytest.mark.parametrize("roll_ratio", [0.7, 0.0, -0.7])
def test_a_clip_that_ends_while_the_cue_ball_may_slide_tells_no_roll(roll_ratio):
    play = bank_shot(TABLE, cut_deg=2.0, roll_ratio=roll_ratio, until_s=4.0)
    short, long = (measure(detections_of(play, TABLE, play.events[1]["t"] + after, Look(strays=0.0))).shots.iloc[0]
                   for after in (0.12, 1.2))
    for column in ("cue_roll_ratio", "cue_cross_ratio", "cue_drift_deg"):
        assert pd.isna(short[column])
        assert pd.isna(short[f"{column}_u"])
        assert column in short["notes"]
    assert short["object_speed_mps"] > 0
    assert "not seen for long enough" not in long["notes"]
    assert long["cue_roll_ratio_u"] > 0


@pytest.mark.parametrize("roll_ratio", [0.7, 0.0, -0.7])
def test_the_roll_of_a_nearly_full_hit(roll_ratio):
    play = bank_shot(TABLE, cut_deg=2.0, roll_ratio=roll_ratio, speed_mps=2.6, until_s=4.0)
    event = play.events[1]
    row = measure(detections_of(play, TABLE, event["t"] + 1.5, Look(strays=0.0))).shots.iloc[0]
    v, omega = np.array(event["before"]["cue"]["v_mm_s"]), event["after"]["cue"]["omega"]
    within(row, "cue_roll_ratio", play.radius_mm * np.array([omega[1], -omega[0]]) @ v / (v @ v))


@pytest.mark.parametrize(
    ("cut", "speed", "roll", "direction", "run", "seen_s"),
    [(4.41, 1.792, -0.847, 62.15, 282.6, 1.456), (3.93, 1.551, -0.625, 63.94, 467.0, 2.096),
     (-2.54, 1.943, -0.763, 61.36, 437.0, 0.977), (14.85, 1.852, -0.596, 72.0, 299.6, 1.326),
     (-11.11, 1.660, -0.866, 62.47, 358.5, 1.327)],
)
def test_draw_is_not_taken_for_follow(cut, speed, roll, direction, run, seen_s):
    """Drawn at random: shots whose fit once came to rest, millimetres off, with the slip after the hit reversed."""
    play = bank_shot(TABLE, cut_deg=cut, roll_ratio=roll, speed_mps=speed, direction_deg=direction, run_mm=run,
                     until_s=5.0)
    event = play.events[1]
    row = measure(detections_of(play, TABLE, event["t"] + seen_s, Look(strays=0.0, seed=54))).shots.iloc[0]
    v, omega = np.array(event["before"]["cue"]["v_mm_s"]), event["after"]["cue"]["omega"]
    within(row, "cue_roll_ratio", play.radius_mm * np.array([omega[1], -omega[0]]) @ v / (v @ v))
    assert row["residual_mm"] < 0.5


@pytest.mark.parametrize("roll_ratio", [0.82, 0.93])
def test_a_strike_that_nearly_rolls_arrives_with_the_speed_it_had(roll_ratio):
    """It slides a little, then rolls; a fit may take it for one that slides all the way and arrives slower."""
    play = bank_shot(TABLE, cut_deg=-5.0, roll_ratio=roll_ratio, speed_mps=2.7, until_s=4.0)
    event = play.events[1]
    row = measure(detections_of(play, TABLE, event["t"] + 1.5, Look(strays=0.0))).shots.iloc[0]
    within(row, "cue_impact_speed_mps", float(np.hypot(*event["before"]["cue"]["v_mm_s"])) / 1000)


def test_a_cue_ball_that_meets_nothing_is_neither_bank_nor_kick():
    play = bank_shot(TABLE, until_s=2.0)
    shots = measure(detections_of(play, TABLE, play.events[1]["t"] - 0.03)).shots
    assert shots["kind"].isna().all()
    assert shots["banked_ball"].isna().all()
    assert shots["notes"].str.contains("met neither a ball nor a cushion").all()
    assert len(shots) == 1


def test_several_shots_in_one_recording():
    first = bank_shot(TABLE, cut_deg=3.0, speed_mps=1.6, until_s=12.0)
    second = bank_shot(TABLE, cut_deg=-8.0, speed_mps=1.8, direction_deg=70.0, until_s=12.0)
    rows = joined(detections_of(first, TABLE, 10.0), detections_of(second, TABLE, 3.0, Look(seed=2)))
    shots = measure(rows).shots
    assert shots["shot_id"].tolist() == ["test-01", "test-02"]
    assert shots["cut_angle_deg"].to_numpy(float) == pytest.approx([3.0, -8.0], abs=1.2)


def test_a_ball_that_waits_for_its_strike_is_called_as_in_its_shot():
    """Even where the shot before is nearer in time, and knows nothing of it."""
    first = bank_shot(TABLE, cut_deg=3.0, speed_mps=1.6, until_s=12.0)
    second = bank_shot(TABLE, cut_deg=-8.0, speed_mps=1.8, direction_deg=70.0, strike_s=3.0, until_s=12.0)
    gone = detections_of(first, TABLE, 7.0)
    tracks = measure(joined(gone, detections_of(second, TABLE, 5.0, Look(seed=2, strays=0.0)))).tracks
    assert set(tracks["ball"]) <= {"cue", "object"} | {f"ball-{n}" for n in range(3, 20)}
    waiting = tracks[tracks["t_s"].between(7.5, 9.9)]
    for ball, place in (("cue", second.at("cue", 0.0).position), ("object", second.at("1", 0.0).position)):
        own = waiting[waiting["ball"] == ball]
        assert len(own) > 100
        assert np.hypot(own["x_mm"] - place[0], own["y_mm"] - place[1]).max() < 5


def test_miss_of_the_declared_pocket_is_signed_along_the_travel():
    """A ball that comes off the left cushion towards the foot: a wider angle arrives further along, so long."""
    miss = []
    for direction in (58.0, 60.0, 62.0):
        play = bank_shot(TABLE, direction_deg=direction, speed_mps=3.0, object_share=(0.5, 0.5), until_s=6.0)
        row = measure(detections_of(play, TABLE, 2.2), targets={None: "foot-right"}).shots.iloc[0]
        miss.append(row["miss_mm"])
        assert pd.isna(row["outcome"]) == ("outcome: the clip ended" in row["notes"])
    assert miss[0] > miss[1] > miss[2]


@pytest.mark.parametrize(("direction", "falls"), [(57.0, False), (58.3, True), (60.5, False)])
def test_outcome_and_miss_where_the_clip_ends_before_the_ball_arrives(direction, falls):
    """A ball that would have gone in is neither long nor short; one that would have missed is."""
    play = bank_shot(TABLE, direction_deg=direction, speed_mps=3.0, object_share=(0.5, 0.5), until_s=6.0)
    assert (play.events[3]["kind"] == "pocket") == falls
    rows = detections_of(play, TABLE, play.events[3]["t"] - 0.2)
    row = measure(rows, targets={None: "foot-right"}).shots.iloc[0]
    assert pd.notna(row["miss_mm"])
    assert ("outcome: the clip ended" in str(row["notes"])) == falls
    if falls:
        assert pd.isna(row["outcome"])
    else:
        assert row["outcome"] == ("long" if row["miss_mm"] > 0 else "short")


@pytest.mark.parametrize(("targets", "outcome", "words"), [
    ({None: "foot-right"}, "pocketed", ""),
    (None, "pocketed", "miss_mm: no target pocket declared"),  # or only balls that fell would have a miss
    ({None: "head-left"}, None, "outcome: the ball fell into foot-right, not into the target head-left"),
    ({None: "head-left", 1: ""}, "pocketed", "miss_mm: no target pocket declared"),  # not the clip's, as of this shot
])
def test_a_ball_that_fell_is_told_by_its_target(targets, outcome, words):
    play = bank_shot(TABLE, direction_deg=58.3, speed_mps=3.0, object_share=(0.5, 0.5), until_s=6.0)
    row = measure(detections_of(play, TABLE, 3.0), targets=targets).shots.iloc[0]
    assert row["pocket"] == "foot-right"
    assert (None if pd.isna(row["outcome"]) else row["outcome"]) == outcome
    assert pd.isna(row["miss_mm"]) == bool(words)
    assert words in str(row["notes"])


@pytest.mark.parametrize(("target", "why"), [
    (None, "outcome, miss_mm: no target pocket declared"),
    ("nowhere", "outcome, miss_mm: this table has no pocket nowhere"),
    ("head-left", "outcome, miss_mm: no path leads towards the target pocket"),
])
def test_why_a_ball_that_did_not_fall_has_no_outcome_is_told(target, why):
    play = bank_shot(TABLE, direction_deg=60.5, speed_mps=3.0, object_share=(0.5, 0.5), until_s=6.0)
    row = measure(detections_of(play, TABLE, 1.6), targets={None: target or ""}).shots.iloc[0]
    assert row[["outcome", "pocket", "miss_mm"]].isna().all()
    assert why in row["notes"].split("; ")


@pytest.mark.parametrize(("target", "pocket", "outcome", "told"), [
    (None, None, None, ["outcome, miss_mm: no cushion was met by the banked ball"]),
    ("foot-right", "foot-right", "pocketed", ["miss_mm: no cushion was met by the banked ball"]),
    ("head-left", "foot-right", None, ["miss_mm: no cushion was met by the banked ball",
                                       "outcome: the ball fell into foot-right, not into the target head-left"]),
])
def test_why_a_ball_that_met_no_cushion_has_no_outcome_is_told(target, pocket, outcome, told):
    motion = SimpleNamespace(events=[], layout=SimpleNamespace(chain={"object": []}))
    fell = Pocketed("object", pocket, 2.0, 0.01) if pocket else None
    got = measure_rebound(motion, ball="object", table=TABLE, pocketed=fell, target=target, seen_until_s=3.0)
    assert (got.outcome, list(got.notes[1:])) == (outcome, told)


def frames_until(seconds):
    """All frames of a clip: frame, t_s."""
    t_s = np.arange(0.5 / 60, seconds, 1 / 60)
    return pd.DataFrame({"frame": np.arange(len(t_s)), "t_s": t_s})


def measure_alone(rows, looked_at):
    return measure_shots(rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="test.mp4",
                         looked_at=looked_at)


@pytest.mark.parametrize("goes_on", [False, True])
def test_the_only_ball_of_the_table_falls_where_the_clip_goes_on(goes_on):
    """A kick with nothing but the cue ball: after it fell no frame shows a ball."""
    play = kick_shot(TABLE, speed_mps=2.5, direction_deg=-72.0, place_share=(0.3, 0.3), until_s=6.0)
    assert [event["kind"] for event in play.events[1:3]] == ["cushion", "pocket"]
    rows = detections_of(play, TABLE, 3.0, Look(strays=0.0))
    shot = measure_alone(rows, frames_until(3.0) if goes_on else None).shots.iloc[0]
    assert shot["kind"] == "kick"
    assert pd.isna(shot["pocket"]) != goes_on
    if goes_on:
        assert shot["pocket"] == play.events[2]["pocket"]


def test_frames_in_which_every_ball_is_hidden_are_frames_of_the_shot():
    rows = detections_of(kick_shot(TABLE, speed_mps=2.0, until_s=3.0), TABLE, 3.0, Look(strays=0.0, lost=0.0))
    every = frames_until(3.0)
    whole = measure_alone(rows, every)
    struck = int(whole.tracks.loc[whole.tracks["shot_id"].notna(), "frame"].min())
    bare = (rows["frame"] > struck + 4) & (rows["frame"] % 6 > 0)
    found = measure_alone(rows[~bare], every)
    assert whole.shots["frames_seen"].iloc[0] == 1.0
    assert found.shots["frames_seen"].iloc[0] < 0.25
    tracks = found.tracks[found.tracks["shot_id"].notna()]
    assert tracks["frame"].tolist() == list(range(struck, int(tracks["frame"].max()) + 1))
    assert set(tracks.loc[tracks["state"] == "bridged", "frame"]) == set(rows.loc[bare, "frame"]) & set(tracks["frame"])
    # what was passed over, since nothing moved, is no frame in which a ball was hidden
    few = every[~every["frame"].isin(rows.loc[bare, "frame"])]
    assert measure_alone(rows[~bare], few).shots["frames_seen"].iloc[0] == 1.0


def test_a_ball_out_of_the_picture_between_two_recordings_did_not_fall():
    """The first ends as the only ball comes to a pocket; a title follows, then balls elsewhere."""
    kick = kick_shot(TABLE, speed_mps=2.5, direction_deg=-72.0, place_share=(0.3, 0.3), until_s=6.0)
    first = detections_of(kick, TABLE, kick.events[2]["t"] - 0.2, Look(strays=0.0, lost=0.0))
    second = detections_of(bank_shot(TABLE, until_s=3.0), TABLE, 3.0, Look(strays=0.0, lost=0.0))
    second = second.assign(frame=second["frame"] + 240, t_s=second["t_s"] + 4.0)
    assert first["frame"].max() < 180
    shots = measure_alone(pd.concat([first, second], ignore_index=True), frames_until(7.0)).shots
    assert shots["pocket"].isna().all()


def test_nothing_struck_is_an_empty_table_with_a_reason():
    still = detections_of(bank_shot(TABLE, strike_s=5.0, until_s=6.0), TABLE, 1.0)
    measures = measure(still)
    assert len(measures.shots) == 0
    assert measures.notes == ("nothing was struck",)
    assert measure(DETECTIONS.empty()).notes == ("no ball was followed",)


def test_where_nothing_seems_struck_while_balls_smear_beyond_their_width_that_is_the_reason():
    """A ball that is never seen to come to its full speed at once: here it rolls from the first frame on."""
    rows = detections_of(bank_shot(TABLE, speed_mps=3.0, until_s=3.0), TABLE, 2.0)
    rolling = rows[rows["t_s"] > 0.55]
    assert len(measure(rolling, shutter_s=1 / 250).shots) == 0
    assert "nothing was struck" in measure(rolling, shutter_s=1 / 250).notes
    why = measure(rolling, shutter_s=1 / 25).notes[0]
    assert why.startswith("balls smear over ")
    assert why.endswith(f"in a shutter of about 1/25 s, and can't be followed: {REMEDY}")


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_ball_cannot_meet_a_cushion_twice_at_once(monkeypatch, seed):
    """A slow ball in a poor picture: its turn at the cushion is easily taken for two."""
    play = kick_shot(TABLE, speed_mps=0.9, direction_deg=60.0, roll_ratio=1.0, until_s=4.0)
    rows = detections_of(play, TABLE, 3.4, Look(noise_mm=2.0, seed=seed, strays=0.0))
    find = shot_motion.find_events

    def find_too_many(*given):
        events = find(*given)
        return [*events, *(replace(e, t_s=e.t_s + 0.05) for e in events if e.kind == "cushion")]

    monkeypatch.setattr(shot_motion, "find_events", find_too_many)
    contacts = measure(rows).contacts
    met = [e["cushion"] for e in play.events if e["kind"] == "cushion" and e["t"] < 3.3]
    assert list(contacts.loc[contacts["kind"] == "cushion", "other"]) == met


def test_corners_by_hand_leave_no_residual_and_the_note_says_so():
    play = bank_shot(TABLE, cut_deg=12.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    by_hand = replace(overhead(TABLE), rms_px=float("nan"))
    measures = measure_shots(detections_of(play, TABLE, 2.6), calibration=by_hand,
                             settings=SessionSettings(table=TABLE), clip="test.mp4")
    (row,) = measures.shots.to_dict("records")
    assert pd.isna(row["calibration_rms_px"])
    assert "calibration_rms_px: corners given by hand leave no residual" in row["notes"].split("; ")


def test_nothing_is_said_of_a_shot_whose_fit_went_astray():
    """The object ball is never seen, so the cue ball turns for no reason."""
    play = bank_shot(TABLE, cut_deg=-35.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    rows = detections_of(play, TABLE, 2.6)
    measures = measure(rows[rows["luma"] != COLOURS["1"][0]])
    (row,) = measures.shots.to_dict("records")
    assert why_lost(row["notes"]).startswith("the paths miss many frames by more than 5 mm")
    said = {name for name, value in row.items() if not pd.isna(value)}
    assert said == {"shot_id", "clip", "shot", "start_s", "end_s", "frames_seen", "residual_mm", "calibration_rms_px",
                    "notes"}
    assert measures.contacts[[c for c in CONTACTS.names if c.endswith(("_u", "_mps", "_deg"))]].isna().all(axis=None)
    assert measures.friction is None


def test_nothing_is_said_of_a_shot_in_which_a_ball_was_hit_unseen():
    """The object ball is seen to lie there, and never again once it is hit."""
    play = bank_shot(TABLE, cut_deg=-35.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    hit_s = next(e["t"] for e in play.events if e["kind"] == "ball_ball")
    rows = detections_of(play, TABLE, 2.6)
    rows = rows[(rows["luma"] != COLOURS["1"][0]) | (rows["t_s"] < hit_s)]
    (row,) = measure(rows).shots.to_dict("records")
    assert "all measures: " in row["notes"]
    assert pd.isna(row["cue_speed_mps"])


def test_a_ball_that_rolls_out_of_nowhere_was_hit_by_something():
    """The object ball is first seen some time after it was hit."""
    play = bank_shot(TABLE, cut_deg=-35.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    hit_s = next(e["t"] for e in play.events if e["kind"] == "ball_ball")
    rows = detections_of(play, TABLE, 2.6)
    rows = rows[(rows["luma"] != COLOURS["1"][0]) | (rows["t_s"] > hit_s + 0.15)]
    (row,) = measure(rows).shots.to_dict("records")
    assert "all measures: " in row["notes"]
    assert pd.isna(row["cue_speed_mps"])


def test_a_ball_under_a_hand_for_a_moment_is_still_there():
    """A third ball beside the object ball's way isn't seen for a while: nothing hit it."""
    play = bank_shot(TABLE, cut_deg=-35.0, roll_ratio=0.4, speed_mps=2.6, until_s=4.0)
    rows = detections_of(play, TABLE, 2.6)
    other = rows[rows["luma"] == COLOURS["1"][0]].iloc[[0]]
    x, y = other[["x_mm", "y_mm"]].to_numpy()[0] + [0.0, 70.0]
    times = rows[["frame", "t_s"]].drop_duplicates()
    times = times[(times["t_s"] < 0.8) | (times["t_s"] > 1.4)]
    lies = other.drop(columns=["frame", "t_s"]).merge(times, how="cross").assign(x_mm=x, y_mm=y)
    (row,) = measure(pd.concat([rows, lies])[rows.columns].sort_values(["frame"])).shots.to_dict("records")
    assert not pd.isna(row["cue_speed_mps"])


def test_a_ball_taken_up_beside_one_that_came_to_rest_was_not_hit():
    play = bank_shot(TABLE, cut_deg=-35.0, roll_ratio=0.0, speed_mps=1.0, until_s=8.0)
    rows = detections_of(play, TABLE, 7.0)
    other = rows[rows["luma"] == COLOURS["1"][0]]
    x, y = other["x_mm"].iloc[-1], other["y_mm"].iloc[-1] + 62.0  # beside the place where the object ball ends
    times = rows[["frame", "t_s"]].drop_duplicates()
    lies = other.iloc[[0]].drop(columns=["frame", "t_s"]).merge(times[times["t_s"] < 6.5], how="cross")
    lies = lies.assign(x_mm=x, y_mm=y)
    (row,) = measure(pd.concat([rows, lies])[rows.columns].sort_values(["frame"])).shots.to_dict("records")
    assert not pd.isna(row["cue_speed_mps"])


@pytest.mark.parametrize("roll_ratio", [-0.3, 0.4, 0.95])
def test_measured_again_from_what_it_was_found_to_be(roll_ratio):
    """With other friction, from the earlier fit and from the beginning: the same shot."""
    play = bank_shot(TABLE, cut_deg=12.0, roll_ratio=roll_ratio, speed_mps=2.6, until_s=4.0)
    rows = detections_of(play, TABLE, 2.6)
    given = {"calibration": overhead(TABLE), "settings": SessionSettings(table=TABLE), "clip": "test.mp4"}
    alone = measure_shots(rows, **given)
    told = replace(Friction(), sliding=0.205, sliding_u=0.004, rolling=0.0101, rolling_u=0.0002)
    fresh = measure_shots(rows, **given, friction=told).shots.iloc[0]
    again = measure_shots(rows, **given, friction=told, rows=alone.rows, fits=alone.fits).shots.iloc[0]
    for name in ("cue_speed_mps", "cue_roll_ratio", "incoming_angle_deg", "rebound_angle_deg", "restitution", "rail_s"):
        assert again[name] == pytest.approx(fresh[name], abs=0.05 * fresh[f"{name}_u"])
        assert again[f"{name}_u"] == pytest.approx(fresh[f"{name}_u"], rel=0.05)
