"""A recording that freezes while balls roll is named, its shot left out, and what goes on after it is no strike."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.clip_job import _longest_shutter_s, _noted
from pipeline.clock_jumps import FoundFrames, find_clock_jumps
from pipeline.exposures import Exposure, Smears
from pipeline.faults import Fault
from pipeline.freezes import DOUBT, GONE, MAY_BE_AGAIN, find_freezes, find_frozen_end, find_gone
from pipeline.rehearsal import bank, detections
from pipeline.shots import measure_shots
from pipeline.smears import Shutter
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings

TABLE = standard_table()
RADIUS_MM = TABLE.ball.radius_mm
RATE = 60.0
CALIBRATION = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")


def seen(rate: float = RATE) -> pd.DataFrame:
    return detections(bank(TABLE, 1.5), CALIBRATION, noise_px=0.1, frame_rate=rate, shutter_s=0.004, seed=1)


def on_its_way(rows: pd.DataFrame, way_mm: float) -> int:
    """A frame in which the object ball has gone so far."""
    coloured = rows[rows["white_share"] < 0.5]
    way = np.hypot(*(coloured[["x_mm", "y_mm"]] - coloured[["x_mm", "y_mm"]].iloc[0]).to_numpy().T)
    return int(coloured["frame"].iloc[int(np.argmax(way > way_mm))])


def frozen(rows: pd.DataFrame, at: int, frames: int, *, goes_on: bool, rate: float = RATE) -> pd.DataFrame:
    """One frame shown so many times more, in place of others; or before the rest ``goes_on`` from there."""
    numbers = rows["frame"].drop_duplicates().tolist()
    k = numbers.index(at)
    numbers = numbers[: k + 1] + [at] * frames + numbers[k + 1 + (0 if goes_on else frames) :]
    parts = [rows[rows["frame"] == number].assign(frame=n, t_s=n / rate) for n, number in enumerate(numbers)]
    return pd.concat(parts, ignore_index=True)


def shots_of(rows: pd.DataFrame) -> pd.DataFrame:
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    return measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="x.mp4",
                         faults=[*find_freezes(rows, RADIUS_MM), *find_gone(rows, RADIUS_MM)]).shots


@pytest.mark.parametrize("goes_on", [True, False], ids=["goes on", "catches up"])
@pytest.mark.parametrize(("rate", "frames", "way_mm"), [(60.0, 20, 260.0), (60.0, 8, 400.0), (30.0, 12, 200.0),
                                                        (120.0, 40, 260.0)])
def test_a_freeze_is_found_where_it_is(rate, frames, way_mm, goes_on):
    rows = seen(rate)
    at = on_its_way(rows, way_mm)
    (found,) = find_freezes(frozen(rows, at, frames, goes_on=goes_on, rate=rate), RADIUS_MM)
    first = rows["frame"].drop_duplicates().tolist().index(at)
    assert (found.from_s, found.until_s) == pytest.approx((first / rate, (first + frames + 1) / rate), abs=1e-6)
    assert found.surely


@pytest.mark.parametrize("goes_on", [True, False], ids=["goes on", "catches up"])
def test_the_shot_is_left_out_and_none_begins_where_the_picture_moves_on(goes_on):
    rows = seen()
    shots = shots_of(frozen(rows, on_its_way(rows, 260.0), 40, goes_on=goes_on))
    assert len(shots) == 1
    assert "the recording froze" in shots["notes"].iloc[0]
    assert shots["speed_at_impact_mps"].isna().all()


def test_a_later_shot_of_the_recording_is_measured():
    rows = seen()
    first = frozen(rows, on_its_way(rows, 260.0), 40, goes_on=True)
    later = rows.assign(frame=rows["frame"] + first["frame"].max() + 1, t_s=rows["t_s"] + first["t_s"].max() + 1 / RATE)
    shots = shots_of(pd.concat([first, later], ignore_index=True))
    assert "the recording froze" in shots["notes"].iloc[0]
    assert shots["speed_at_impact_mps"].isna().tolist()[:1] == [True]
    assert not shots["speed_at_impact_mps"].iloc[1:].isna().any()
    assert len(shots) == 2


def test_where_only_a_freeze_hides_whether_a_ball_was_struck_it_is_the_reason():
    rows = seen()
    at = on_its_way(rows, 260.0)
    rows = frozen(rows[rows["frame"] > at - 12], at, 40, goes_on=True)
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    measures = measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="x.mp4",
                             faults=find_freezes(rows, RADIUS_MM))
    assert not len(measures.shots)
    assert measures.notes[0].startswith("the recording froze")


def test_a_single_frame_shown_twice_drops_no_strike():
    """Wherever it is: what was at rest for a frame is set going by a cue all the same."""
    rows = seen()
    begins_s = float(rows.loc[rows["frame"] == struck(rows), "t_s"].iloc[0])
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    twice = Fault(begins_s - 0.08, begins_s - 0.04, "a frame is shown twice", surely=True)
    shots = measure_shots(seen(), calibration=CALIBRATION, settings=settings, clip="x.mp4", faults=[twice]).shots
    assert shots["speed_at_impact_mps"].notna().tolist() == [True]


def struck(rows: pd.DataFrame) -> int:
    """The first frame in which the white ball has moved."""
    white = rows[rows["white_share"] > 0.5]
    way = np.hypot(*(white[["x_mm", "y_mm"]] - white[["x_mm", "y_mm"]].iloc[0]).to_numpy().T)
    return int(white["frame"].iloc[int(np.argmax(way > 5.0))])


def cut(rows: pd.DataFrame, gone: set[int], rate: float) -> pd.DataFrame:
    """Without these frames, the later ones closed up."""
    numbers = [number for number in rows["frame"].drop_duplicates().tolist() if number not in gone]
    return pd.concat([rows[rows["frame"] == number].assign(frame=n, t_s=n / rate) for n, number in enumerate(numbers)],
                     ignore_index=True)


@pytest.mark.parametrize("after", [0, 1, 2])
def test_a_shot_whose_beginning_froze_keeps_its_number(after):
    rows = seen(30.0)
    first = frozen(rows, struck(rows) + after, 3, goes_on=False, rate=30.0)
    later = rows.assign(frame=rows["frame"] + first["frame"].max() + 1, t_s=rows["t_s"] + first["t_s"].max() + 1 / 30)
    shots = shots_of(pd.concat([first, later], ignore_index=True))
    assert len(shots) == 2
    assert "the recording froze" in shots["notes"].iloc[0]
    assert shots["speed_at_impact_mps"].isna().tolist() == [True, False]


def test_a_shot_whose_beginning_lacks_frames_keeps_its_number_and_says_so():
    rows = seen()
    at = struck(rows)
    shots = shots_of(cut(rows, {at + 3, at + 4, at + 5}, RATE))
    assert len(shots) == 1
    assert "frames may be missing" in shots["notes"].iloc[0]
    assert shots["speed_at_impact_mps"].isna().all()


@pytest.mark.parametrize("over", [8, 10])
def test_frames_that_are_gone_over_the_strike_are_the_reason(over):
    rows = seen()
    at = struck(rows)
    notes = shots_of(cut(rows, set(range(at - 2, at - 2 + over)), RATE))["notes"].iloc[0]
    assert "frames may be missing" in notes
    assert "overlooked" not in notes


def bounced(rows: pd.DataFrame) -> int:
    """The last frame in which the coloured ball is nearest to the rail."""
    coloured = rows[rows["white_share"] < 0.5]
    return int(coloured["frame"].iloc[int(np.argmax(coloured["y_mm"]))])


@pytest.mark.parametrize(("after", "lost"), [(4, 3), (5, 3), (3, 4)])
def test_a_shot_that_lacks_frames_soon_after_a_bounce_is_left_out_however_well_a_path_fits(after, lost):
    """Lost, their stamps closed up: a steeper rebound fits as well."""
    rows = detections(bank(TABLE, 1.0), CALIBRATION, noise_px=0.1, frame_rate=RATE, shutter_s=0.004, seed=21)
    first = bounced(rows) + after
    shots = shots_of(cut(rows, set(range(first, first + lost)), RATE))
    assert shots["rebound_angle_deg"].isna().all()
    assert "frames may be missing" in shots["notes"].iloc[0]


def test_frames_that_are_missing_from_the_end_of_a_shot_on_cost_none():
    """As where another recording was put behind the first."""
    rows = seen()
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    last_s = float(rows["t_s"].max())
    after = Fault(last_s, last_s + 1 / RATE, "gone", surely=True)
    shots = measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="x.mp4", faults=[after]).shots
    assert shots["end_s"].iloc[0] == last_s
    assert shots["speed_at_impact_mps"].notna().all()


def test_a_ball_that_falls_as_another_appears_costs_no_shot():
    """As many balls as before, one of them nowhere in reach of where one was: but none rolls on."""
    fallen = bounces(60.0, 0.5, (700.0, 1100.0), (550.0, -850.0))
    rolls = fallen["x_mm"] != 400.0
    fallen.loc[rolls & (fallen["frame"] > 15), ["x_mm", "y_mm"]] = 2000.0, 300.0
    (found,) = find_gone(fallen, RADIUS_MM)
    assert not found.surely


def test_a_doubt_is_noted_of_the_shot_in_which_it_is_and_no_advice_on_using_one_that_is_lost():
    doubt = Fault(1.0, 1.1, MAY_BE_AGAIN.format(1.0), doubt=DOUBT)
    looked = {"marks": [], "doubts": [asdict(doubt), asdict(Fault(9.0, 9.1, GONE.format(9.0), surely=True))]}
    shots = pd.DataFrame({"start_s": [0.5, 3.0], "end_s": [2.0, 5.0], "notes": pd.array([None, None], "string")})
    noted, told = _noted(shots, looked, "")
    assert noted["notes"].tolist() == [doubt.remark, pd.NA]
    assert DOUBT in doubt.remark
    assert told == [doubt.remark]
    noted, told = _noted(shots.assign(notes=pd.array([f"all measures: {doubt.words}", None], "string")), looked, "")
    assert noted["notes"].tolist() == [f"all measures: {doubt.words}", pd.NA]
    assert DOUBT not in doubt.words
    assert told == [doubt.words]


@pytest.mark.parametrize("rate", [25.0, 60.0, 240.0])
def test_balls_that_come_to_rest_are_none(rate):
    assert not find_freezes(seen(rate), RADIUS_MM)
    assert not find_gone(seen(rate), RADIUS_MM)
    assert not find_freezes(seen(rate).iloc[:0], RADIUS_MM)


def test_a_ball_that_a_hand_stops_and_a_cue_strikes_again_is_none():
    """Stopped dead within a frame, with nothing else on the table; then it rolls off another way."""
    came, still, goes = ([(800 + 12.0 * k, 600.0) for k in range(30)], [(1148.0, 600.0)] * 40,
                         [(1148.0, 600 + 14.0 * k) for k in range(1, 20)])
    rng = np.random.default_rng(3)
    places = np.array([*came, *still, *goes]) + rng.normal(0, 0.1, (len(came) + len(still) + len(goes), 2))
    rows = seen().iloc[[0] * len(places)].assign(
        frame=np.arange(len(places)), t_s=np.arange(len(places)) / RATE, x_mm=places[:, 0], y_mm=places[:, 1])
    assert not find_freezes(rows, RADIUS_MM)
    ahead = rows.assign(x_mm=np.where(rows["frame"] >= 70, 1148.0 + 11.9 * (rows["frame"] - 69), rows["x_mm"]),
                        y_mm=600.0)
    assert len(find_freezes(ahead, RADIUS_MM)) == 1  # as it came: no cue does that


def places(*way_mm: tuple[float, float], u_mm: float) -> pd.DataFrame:
    """A ball's finds at 25 frames/s, where it lies before and after, and another that lies still."""
    way = [*[way_mm[0]] * 8, *way_mm]
    xy = np.array(way)
    ball = seen().iloc[[0] * len(way)].assign(frame=np.arange(len(way)), t_s=np.arange(len(way)) / 25, x_mm=xy[:, 0],
                                              y_mm=xy[:, 1], x_u_mm=u_mm, y_u_mm=u_mm)
    return pd.concat([ball, ball.assign(x_mm=2000.0, y_mm=300.0)]).sort_values("frame", ignore_index=True)


OPEN_S = 0.036  # of the 0.04 s between frames
SMEARED = (  # finds of a drawn clip, struck while the shutter was open: the first two are 21 mm short, 14 mm too far
    (827.9, 143.7), (829.0, 145.0), (867.8, 207.6), (935.2, 316.5), (978.5, 385.1), (1021.0, 452.0), (1062.0, 518.0),
    (1102.0, 582.0), (1141.0, 644.0))
STRUCK = ((300.0, 400.0), *((300.0 + 3000.0 * (n / 25 + OPEN_S / 2), 400.0) for n in range(1, 8)))  # as it opens
TURNED = (*((300.0 + 120.0 * n, 400.0) for n in range(6)),
          *((900.0 + 0.9 * 3000.0 * (0.04 + OPEN_S / 2) - 96.0 * n, 400.0) for n in range(6)))  # as it closes


@pytest.mark.parametrize(("way_mm", "u_mm"), [(SMEARED, 3.0), (STRUCK, 0.3), (TURNED, 0.3)])
def test_no_frames_seem_to_be_missing_where_a_ball_is_hit_while_the_shutter_is_open(way_mm, u_mm):
    rows = places(*way_mm, u_mm=u_mm)
    assert find_gone(rows, RADIUS_MM, shutter_s=0.001)
    assert not find_gone(rows, RADIUS_MM, shutter_s=OPEN_S)


@pytest.mark.parametrize("lost", [1, 2])
def test_frames_that_are_gone_amid_a_free_roll_are_told_with_any_shutter(lost):
    rows = cut(places((300.0, 400.0), *((300.0 + 60.0 * n, 400.0) for n in range(1, 16)), u_mm=1.5),
               set(range(14, 14 + lost)), 25.0)
    for shutter_s in (0.0, 0.02, 0.04):
        (found,) = find_gone(rows, RADIUS_MM, shutter_s=shutter_s)
        assert found.until_s == pytest.approx(0.56)


def test_the_shutter_is_the_longer_one_of_what_is_given_and_what_balls_show():
    def longest(given_s, *seen_s):
        return _longest_shutter_s(given_s, Smears(exposures=[
            Exposure(float(k), k + 1.0, Shutter(one, 0.001, 900.0)) for k, one in enumerate(seen_s)]))

    assert longest(None) is None
    assert longest(0.01) == 0.01
    assert longest(None, 0.02) == longest(0.01, 0.02) == longest(None, 0.01, 0.02) == 0.02
    assert longest(0.03, 0.02) == 0.03


def bounces(
    rate: float, met: float, came: tuple[float, float], goes: tuple[float, float], twice: int | None = None
) -> pd.DataFrame:
    """A ball that meets a cushion ``met`` of the way from the twentieth frame to the next, by its velocities in mm/s
    until then and later, while another lies dead; and one frame shown ``twice``, the later ones closed up.
    """
    number = np.arange(40)
    numbers = number if twice is None else np.sort(np.append(number, twice))
    after_s = (numbers - 20 - met) / rate
    way = np.where(after_s[:, None] < 0, after_s[:, None] * came, after_s[:, None] * goes)
    noise = np.random.default_rng(7).normal(0, 0.15, (len(number), 2))[numbers]  # the same picture gives the same finds
    ball = seen().iloc[[0] * len(numbers)].assign(
        frame=np.arange(len(numbers)), t_s=np.arange(len(numbers)) / rate, x_mm=900 + way[:, 0] + noise[:, 0],
        y_mm=1200 + way[:, 1] + noise[:, 1], x_u_mm=0.3, y_u_mm=0.3)
    return pd.concat([ball, ball.assign(x_mm=400.0, y_mm=400.0)]).sort_values("frame", ignore_index=True)


@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("met", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("twice", [20, 21])
def test_a_frame_shown_twice_at_a_bounce_is_told_where_no_other_ball_rolls(rate, met, twice):
    rows = bounces(rate, met, (700.0, 1100.0), (550.0, -850.0), twice)
    again_s = (twice + 1) / rate
    if find_clock_jumps(rows, RADIUS_MM).again:  # so little of the step to it, or from it, is past the cushion
        assert met != 0.5
        assert find_clock_jumps(rows, RADIUS_MM).again == pytest.approx((again_s,), abs=1.01 / rate)
        return
    (found,) = find_freezes(rows, RADIUS_MM)
    assert found.surely
    assert f"shown twice at {again_s:.2f} s" in found.words


@pytest.mark.parametrize(("twice", "met"), [(20, 0.7), (21, 0.3)])
def test_so_it_is_where_the_ball_meets_the_cushion_straight_on(twice, met):
    (found,) = find_freezes(bounces(60.0, met, (0.0, 1300.0), (0.0, -1000.0), twice), RADIUS_MM)
    assert found.surely


@pytest.mark.parametrize("twice", [20, 21])
def test_so_it_is_where_the_ball_creeps(twice):
    (found,) = find_freezes(bounces(30.0, 0.5, (150.0, 280.0), (110.0, -200.0), twice), RADIUS_MM)
    assert found.surely


@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0, 120.0, 240.0])
@pytest.mark.parametrize("speed", [150.0, 500.0, 1300.0, 3000.0])
def test_a_bounce_that_shows_a_ball_in_one_place_twice_is_none_for_sure(rate, speed):
    """Straight on, and just so that the way to the cushion is as long as the way back."""
    restitution = 0.8
    found = find_freezes(bounces(rate, restitution / (1 + restitution), (0.0, speed), (0.0, -restitution * speed)),
                         RADIUS_MM)
    assert not any(fault.surely for fault in found)
    for met in np.linspace(0.0, 1.0, 9):
        aslant = bounces(rate, met, (0.4 * speed, speed), (0.3 * speed, -restitution * speed))
        assert not find_freezes(aslant, RADIUS_MM)


def test_a_ball_that_turns_back_away_from_all_it_may_turn_at_is_in_no_frame_that_is_shown_twice():
    """It is at the same place, far from the cushion, in two frames on its way to it and from it."""
    met = 0.8 / 1.8
    to_cushion_mm = met * 3000.0 / 30
    contact_mm = TABLE.width_mm - TABLE.contact_distance_mm(RADIUS_MM)
    rows = bounces(30.0, met, (0.0, 3000.0), (0.0, -2400.0))
    real = rows.assign(y_mm=rows["y_mm"] + np.where(rows["x_mm"] == 400.0, 0.0, contact_mm - 1200.0))
    assert real["y_mm"].max() < contact_mm - 0.9 * to_cushion_mm
    assert find_freezes(real, RADIUS_MM)
    assert not find_freezes(real, RADIUS_MM, table=TABLE)
    nearer = real.assign(y_mm=np.where(real["x_mm"] == 400.0, 400.0, real["y_mm"] + to_cushion_mm))
    (found,) = find_freezes(nearer, RADIUS_MM, table=TABLE)  # as if it turned just in that frame
    assert not found.surely
    lies = real.assign(x_mm=np.where(real["x_mm"] == 400.0, 900.0, real["x_mm"]),
                       y_mm=np.where(real["x_mm"] == 400.0, contact_mm - to_cushion_mm + 2 * RADIUS_MM, real["y_mm"]))
    assert find_freezes(lies, RADIUS_MM, table=TABLE)  # a ball is there


def test_the_shot_of_a_frame_shown_twice_at_the_bounce_is_left_out_with_that_as_the_reason():
    rows = seen(30.0)
    shown = []
    turns = bounced(rows)
    for at in range(turns - 1, turns + 2):
        twice = frozen(rows, at, 1, goes_on=True, rate=30.0)
        jumps = find_clock_jumps(twice, RADIUS_MM)
        right = jumps.corrected(twice)
        faults = find_freezes(right, RADIUS_MM)
        assert jumps.again or any(fault.surely for fault in faults)
        if faults:
            shown.append(shots_of(right)["notes"].iloc[0])
    assert shown
    assert all("shown twice" in words and "overlooked" not in words for words in shown)


def resting(px_mm: float) -> pd.DataFrame:
    """Three balls at rest, filmed by a camera that goes to and fro, so that two frames in three show it elsewhere."""
    swing = px_mm * np.array([0.0, 1.0, 1.0])[np.arange(60) % 3]
    rng = np.random.default_rng(5)
    rows = seen().iloc[[0] * 60].assign(frame=np.arange(60), t_s=np.arange(60) / RATE, x_u_mm=0.2, y_u_mm=0.2)
    return pd.concat([
        rows.assign(x_mm=x + swing + rng.normal(0, 0.15, 60), y_mm=y - swing + rng.normal(0, 0.15, 60))
        for x, y in ((600.0, 400.0), (1500.0, 700.0), (2100.0, 300.0))]).sort_values("frame", ignore_index=True)


@pytest.mark.parametrize("px_mm", [2.5, 5.0])
def test_balls_that_all_go_the_same_way_are_moved_by_the_camera(px_mm):
    assert not find_freezes(resting(px_mm), RADIUS_MM)
    assert not find_clock_jumps(resting(px_mm), RADIUS_MM).again


def test_two_balls_that_go_the_same_way_after_a_hit_are_not():
    """The same frame after a ball followed another that it had hit, shown twice."""
    way = np.cumsum([0.0] * 10 + [9.0, 0.0] + [9.0] * 10)
    numbers = np.arange(len(way))
    rows = seen().iloc[[0] * len(way)].assign(frame=numbers, t_s=numbers / RATE, x_u_mm=0.3, y_u_mm=0.3)
    both = pd.concat([rows.assign(x_mm=x + way, y_mm=400.0) for x in (600.0, 660.0)]).sort_values("frame")
    assert FoundFrames.of(both, RADIUS_MM).stops(10)


@pytest.mark.parametrize("frames", [2, 4])
def test_a_freeze_over_a_bounce_is_told(frames):
    rows = bounces(30.0, 0.5, (700.0, 1100.0), (550.0, -850.0))
    for at in (19, 21):
        (found,) = find_freezes(frozen(rows, at, frames, goes_on=True, rate=30.0), RADIUS_MM)
        assert found.surely


def test_a_freeze_until_the_end_is_why_its_shot_cannot_be_measured():
    rows = seen()
    at = on_its_way(rows, 300.0)
    rest = int((rows["frame"].drop_duplicates() > at).sum())
    rows = frozen(rows, at, rest, goes_on=False)
    assert not find_freezes(rows, RADIUS_MM)  # a hand might have stopped the only ball that rolls so fast
    (fault,) = find_frozen_end(rows, RADIUS_MM)
    assert fault.from_s == pytest.approx(rows.loc[rows["frame"] == at, "t_s"].iloc[0])
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    (shot,) = measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="x.mp4",
                            faults=[fault]).shots.to_dict("records")
    assert pd.isna(shot["rebound_angle_deg"])
    assert "have frozen from" in shot["notes"]


@pytest.mark.parametrize("until_mm", [300.0, np.inf])
def test_no_end_is_said_to_be_frozen_where_balls_roll_on_or_come_to_rest(until_mm):
    rows = seen()
    last = on_its_way(rows, until_mm) if np.isfinite(until_mm) else rows["frame"].max()
    assert not find_frozen_end(rows[rows["frame"] <= last], RADIUS_MM)
