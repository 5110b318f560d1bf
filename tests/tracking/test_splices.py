"""Recordings that an editor joined in one file: each shot is measured as it is alone, and nothing else is split."""

from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic import bank_shot
from pipeline.clip_job import _without_splices
from pipeline.faults import Fault
from pipeline.freezes import find_gone
from pipeline.parts import follow_parts, splices_s, without_splices
from pipeline.shots import measure_shots
from pipeline.splices import find_splices
from pipeline.tracks import track_balls
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import Look, detections_of, joined, overhead

TABLE = standard_table()
MEASURES = ["incoming_angle_deg", "rebound_angle_deg", "speed_at_impact_mps", "cue_roll_ratio", "cut_angle_deg"]


def stunned(seconds, seed, speed_mps=2.2):
    """The cue ball stays where it meets the object ball, each time at nearly the same place."""
    play = bank_shot(TABLE, cut_deg=3.0, roll_ratio=0.05, speed_mps=speed_mps, until_s=4.0)
    return detections_of(play, TABLE, seconds, Look(seed=seed))


def measured(rows):
    return measure_shots(rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="a.mp4")


def spliced_at(rows):
    return find_splices(track_balls(rows, table=TABLE))


@pytest.mark.parametrize("seconds", [1.2, 2.0, 3.5])  # in the middle of the roll, or later
def test_each_part_is_measured_as_it_is_alone(seconds):
    takes = [stunned(seconds, seed=1), stunned(seconds, seed=2, speed_mps=2.4), stunned(seconds, seed=3)]
    whole = joined(*takes)
    found = measured(whole)
    assert len(found.shots) == 3
    assert "other recordings follow" in found.notes[0]
    for (_, shot), take in zip(found.shots.iterrows(), takes, strict=True):
        alone = measured(take).shots.iloc[0]
        for measure in MEASURES:
            assert pd.isna(shot[measure]) == pd.isna(alone[measure]), measure
            if pd.notna(alone[measure]):
                assert abs(shot[measure] - alone[measure]) < 0.5 * alone[f"{measure}_u"] + 1e-9, measure
        assert shot["end_s"] - shot["start_s"] < seconds


@pytest.mark.parametrize("readout_s", [0.0, 0.015])
def test_no_frames_are_said_to_be_missing_where_another_recording_follows(readout_s):
    """Balls roll until then, and are elsewhere in the next frame. What else is wrong is still said."""
    play = bank_shot(TABLE, cut_deg=3.0, roll_ratio=0.05, speed_mps=2.2, until_s=4.0)
    whole = joined(*(detections_of(play, TABLE, 1.2, Look(seed=seed, readout_s=readout_s)) for seed in (1, 2)))
    (jump,) = find_gone(whole, TABLE.ball.radius_mm)
    assert "frames may be missing at 1.2" in jump.words
    elsewhere = replace(jump, from_s=jump.from_s - 3 * jump.lasts_s, until_s=jump.until_s - 3 * jump.lasts_s)
    scattered = Fault(0.0, 2.4, "the time stamps are uneven")
    faults = [replace(jump, surely=True), elsewhere, scattered]
    rows = follow_parts(whole, TABLE)
    assert without_splices(faults, rows) == [elsewhere, scattered]
    looked = {"faults": list(map(asdict, faults)), "doubts": list(map(asdict, faults[:2])), "uneven": ""}
    assert _without_splices(looked, rows) == looked | {"faults": looked["faults"][1:], "doubts": looked["doubts"][1:]}
    odd = rows.assign(x_mm=rows["x_mm"] + np.where((rows["t_s"] > 0.9) & (rows["part"] == 0), 60.0, 0.0))
    notes = measure_shots(whole, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="a.mp4",
                          rows=odd, faults=faults[:1]).shots["notes"]
    assert notes.iloc[0].startswith("all measures: ")  # such a way is none
    assert not notes.str.contains("frames may be missing").any()


def test_no_ball_goes_on_across_a_splice():
    whole = joined(stunned(2.0, seed=1), stunned(2.0, seed=2))
    rows = follow_parts(whole, TABLE)
    assert sorted(rows["part"].unique()) == [0, 1]
    names = [set(own["ball"].dropna()) for _, own in rows.groupby("part")]
    assert all(names)
    assert not names[0] & names[1]


@pytest.mark.parametrize(("begins", "told"), [(101, True), (137, False)])
def test_nothing_is_said_where_the_table_was_bare_meanwhile(begins, told):
    """As where a hand takes all balls up and puts them down again: whether it was spliced there can't be told."""
    rows = pd.DataFrame({"frame": [0, 100, begins, 200], "part": [0, 0, 1, 1]})
    assert splices_s(rows.assign(t_s=rows["frame"] / 30)) == ([begins / 30] if told else [])


def test_an_arm_that_covers_one_ball_as_it_bares_another_is_no_splice():
    rows = detections_of(bank_shot(TABLE, strike_s=3.0, until_s=5.0), TABLE, 5.0, Look(strays=0.0, lost=0.0))
    t, cue = rows["t_s"], rows["luma"] > 200
    hidden = (cue & (t < 1.0)) | (~cue & (t > 1.0) & (t < 1.8))
    assert spliced_at(rows[~hidden]) == []
    assert len(measured(rows[~hidden]).shots) == 1


@pytest.mark.parametrize("speed_mps", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("frame_rate", [25.0, 60.0])
def test_a_shot_that_is_seen_badly_is_no_splice(frame_rate, speed_mps):
    for seed in range(4):
        play = bank_shot(TABLE, cut_deg=8.0, speed_mps=speed_mps, until_s=3.0)
        look = Look(frame_rate=frame_rate, lost=0.25, strays=0.3, seed=seed)
        assert spliced_at(detections_of(play, TABLE, 3.0, look)) == []


def test_a_strip_that_hides_what_crosses_it_is_no_splice():
    rows = detections_of(bank_shot(TABLE, speed_mps=2.5, until_s=3.0), TABLE, 3.0)
    for low in np.arange(100.0, 1100.0, 100.0):
        seen = rows[(rows["y_mm"] < low) | (rows["y_mm"] > low + 150)]
        assert spliced_at(seen) == []
