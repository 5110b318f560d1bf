"""Identities through contacts, hidden balls and things that are no ball; smoothing."""

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic import Surface, bank_shot
from pipeline.tracks import smooth, track_balls
from shared.columns import DETECTIONS
from shared.equipment import standard_table
from shared.errors import SchemaError
from tests.tracking.seen import COLOURS, Look, detections_of, row

TABLE = standard_table()


def true_ball(play, rows: pd.DataFrame, within_mm: float = 3.0) -> list[str]:
    """Which ball each row really shows; "" for none."""
    out = []
    for r in rows.itertuples():
        places = {b: play.at(b, r.t_s).at(r.t_s)[0] for b in play.stretches}
        away = {b: float(np.hypot(r.x_mm - p[0], r.y_mm - p[1])) for b, p in places.items()}
        ball = min(away, key=away.get)
        out.append(ball if away[ball] < within_mm else "")
    return out


@pytest.mark.parametrize("frame_rate", [30.0, 60.0, 240.0])
@pytest.mark.parametrize("cut_deg", [0.0, 12.0, 45.0])
def test_no_ball_changes_its_name_at_a_contact(frame_rate, cut_deg):
    play = bank_shot(TABLE, cut_deg=cut_deg, speed_mps=3.5, until_s=1.6)
    found = track_balls(detections_of(play, TABLE, 1.6, Look(frame_rate=frame_rate)), table=TABLE)
    named = found.dropna(subset=["ball"])
    really = pd.Series(true_ball(play, named), index=named.index)
    for _, balls in really.groupby(named["ball"]):
        assert len(set(balls)) == 1
    for ball in ("cue", "1"):
        share = (really == ball).sum() / len(np.unique(found["frame"]))
        assert share > 0.9


def test_a_ball_that_looks_less_like_one_just_before_the_hit_keeps_its_name():
    """Of the cloth's colour: fitted anew as the cue ball comes near, and by chance less of its outline shows."""
    play = bank_shot(TABLE, speed_mps=2.0, until_s=1.2)
    hit_s = next(event["t"] for event in play.events if event["kind"] == "ball_ball")
    rows = detections_of(play, TABLE, 1.2, Look(frame_rate=120.0, strays=0.0, lost=0.0))
    faint, since_s = rows["white_share"] < 0.5, rows["t_s"] - hit_s
    rows = rows[~(faint & (since_s > -0.02) & (since_s < 0.02))].reset_index(drop=True)
    faint, since_s = rows["white_share"] < 0.5, rows["t_s"] - hit_s
    rows.loc[faint, "outline_share"] = np.where(since_s[faint] < -0.08, 0.33, np.where(since_s[faint] < 0, 0.13, 0.4))
    rows["clear_share"] = 1.0
    named = track_balls(rows, table=TABLE).dropna(subset=["ball"])
    assert named.groupby("ball").size().tolist() == [(~faint).sum(), faint.sum()]


def test_two_balls_of_one_colour_keep_apart_where_a_stop_shot_swaps_their_places():
    alike = {"cue": COLOURS["cue"], "1": COLOURS["cue"]}
    play = bank_shot(TABLE, speed_mps=2.5, surface=Surface(ball_restitution=0.98), until_s=1.2)
    found = track_balls(detections_of(play, TABLE, 1.2, Look(colours=alike, strays=0.0)), table=TABLE)
    named = found.dropna(subset=["ball"])
    for _, balls in pd.Series(true_ball(play, named), index=named.index).groupby(named["ball"]):
        assert balls.value_counts(normalize=True).iloc[0] > 0.98


@pytest.mark.parametrize(("speed_mps", "strike_s"), [(5.0, 0.316), (5.0, 0.32), (5.0, 0.324), (6.0, 0.3)])
def test_balls_of_little_different_colour_keep_their_names_where_one_takes_the_others_way(speed_mps, strike_s):
    """A grey and a pale blue ball in a poor picture at 25 frames/s: the object ball is where the cue ball would be."""
    pale = {"cue": (154.0, -3.0, 1.5, 1.0), "1": (112.0, 18.0, 8.0, 1.0)}
    play = bank_shot(TABLE, speed_mps=speed_mps, roll_ratio=-0.3, run_mm=490.0, strike_s=strike_s, until_s=1.2,
                     surface=Surface(ball_restitution=0.88))
    look = Look(frame_rate=25.0, colours=pale, strays=0.0, noise_mm=2.0)
    named = track_balls(detections_of(play, TABLE, 1.1, look), table=TABLE).dropna(subset=["ball"])
    for _, balls in pd.Series(true_ball(play, named, within_mm=12.0), index=named.index).groupby(named["ball"]):
        assert len(set(balls)) == 1


def test_a_stripe_that_turns_up_is_still_the_same_ball():
    play = bank_shot(TABLE, speed_mps=2.0, until_s=1.6)
    rows = detections_of(play, TABLE, 1.6, Look(strays=0.0, lost=0.0))
    striped = (rows["luma"] == COLOURS["1"][0]) & (rows["frame"] % 9 == 0)
    rows.loc[striped, ["luma", "cb", "cr", "white_share"]] = (COLOURS["1"][0] + 50.0, -10.0, 35.0, 0.35)
    found = track_balls(rows, table=TABLE)
    assert found["ball"].notna().all()
    assert found["ball"].nunique() == 2


def test_strays_get_no_name():
    play = bank_shot(TABLE, until_s=1.5)
    found = track_balls(detections_of(play, TABLE, 1.5, Look(strays=0.8)), table=TABLE)
    assert found["ball"].nunique() == 2
    strays = found[pd.Series(true_ball(play, found), index=found.index) == ""]
    assert strays["ball"].isna().mean() > 0.95


def test_a_ball_hidden_for_a_while_is_the_same_ball():
    rng = np.random.default_rng(3)
    rows = []
    for frame in range(120):
        t = frame / 60
        if not 40 <= frame < 55:
            place = np.array([400 + 600 * t, 300 + 200 * t]) + rng.normal(0, 0.3, 2)
            rows.append(row(frame, t, place, 0.3, COLOURS["1"]))
    found = track_balls(DETECTIONS.conform(pd.DataFrame(rows)), table=TABLE)
    assert set(found["ball"]) == {"1"}


def test_a_ball_that_comes_to_where_it_lay_before_it_was_moved_is_one_ball():
    """Put elsewhere from one frame to the next, by a cut of the film: nothing lies hidden at the old place."""
    rng = np.random.default_rng(3)
    rows = []
    for frame in range(150):
        t = frame / 60
        came = np.clip(1200 * (t - 1.0), 0.0, 900.0)  # struck at 1.0 s, back there at 1.75 s
        place = np.array([1400.0, 500.0]) if t < 0.5 else np.array([500.0 + came, 500.0])
        rows.append(row(frame, t, place + rng.normal(0, 0.3, 2), 0.3, COLOURS["cue"]))
    found = track_balls(DETECTIONS.conform(pd.DataFrame(rows)), table=TABLE)
    assert list(found[found["t_s"] < 0.5]["ball"].unique()) == ["1"]
    assert list(found[found["t_s"] > 0.6]["ball"].unique()) == ["2"]


@pytest.mark.parametrize("gap_s", [1.5, 2.5])
def test_where_nothing_was_seen_for_a_while_other_places_are_other_balls(gap_s):
    rng = np.random.default_rng(4)
    rows = []
    for frame in range(120):
        t = frame / 60 + (gap_s if frame >= 60 else 0.0)
        place = np.array([1400.0, 500.0]) if frame < 60 else np.array([600.0, 800.0])
        rows.append(row(frame, t, place + rng.normal(0, 0.3, 2), 0.3, COLOURS["cue"]))
    found = track_balls(DETECTIONS.conform(pd.DataFrame(rows)), table=TABLE)
    assert list(found[found["frame"] < 60]["ball"].unique()) == ["1"]
    assert list(found[found["frame"] >= 60]["ball"].unique()) == ["2"]


def test_rows_without_a_place_are_left_out_and_the_input_is_left_alone():
    rows = detections_of(bank_shot(TABLE, until_s=0.8), TABLE, 0.8)
    rows.loc[3, "x_mm"] = np.nan
    before = rows.copy()
    found = track_balls(rows, table=TABLE)
    pd.testing.assert_frame_equal(rows, before)
    assert len(found) == len(rows) - 1
    assert found["x_mm"].notna().all()


def test_missing_columns_are_named():
    with pytest.raises(SchemaError, match="x_u_mm"):
        track_balls(detections_of(bank_shot(TABLE), TABLE, 0.5).drop(columns="x_u_mm"), table=TABLE)


def test_no_detections_no_tracks():
    assert len(track_balls(DETECTIONS.empty(), table=TABLE)) == 0


def test_smoothing_without_process_noise_is_the_least_squares_line():
    """With no process noise and a wide start the smoother is a straight-line fit.

    Numbers: ordinary least squares of these ten values, computed independently.
    """
    z = np.array([0, 1.1, 1.9, 3.2, 3.9, 5.1, 6.0, 6.8, 8.1, 9.0])
    xy = np.column_stack([z, -z])
    state, _ = smooth(np.arange(10.0), xy, np.repeat(0.01 * np.eye(2)[None], 10, axis=0), accel_u_mps2=0.0)
    assert state[0, 0] == pytest.approx(0.0345455, abs=1e-6)
    assert state[:, 2] == pytest.approx(0.9945455, abs=1e-6)
    assert state[:, 3] == pytest.approx(-0.9945455, abs=1e-6)
