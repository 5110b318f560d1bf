"""A frame lost or shown twice just at a contact of balls too slow for a single step to tell: the shot's fit does."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.clip_job import _pace
from pipeline.rehearsal import bank, detections
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings

TABLE = standard_table()
CALIBRATION = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")
SHUTTER_S = 0.0015
LOST, TWICE = "a frame or more seems to be missing at", "a frame seems to be shown twice at"


def measured(speed_mps, rate, event="", frames=0):
    """The shot, and when the object ball was hit or met the cushion; so many frames lost there, or shown twice (-1)."""
    play = bank(TABLE, speed_mps)
    rows = detections(play, CALIBRATION, noise_px=0.1, frame_rate=rate, shutter_s=SHUTTER_S, seed=3)
    at_s = play.object[["hit", "cushion"].index(event)].since_s if event else 0.0
    numbers = rows["frame"].drop_duplicates().tolist()
    k = int(np.searchsorted(rows.drop_duplicates("frame")["t_s"], at_s))
    if frames:
        numbers = numbers[:k] + numbers[k - 1 : k] * -frames + numbers[k + max(frames, 0) :]
    first_s = float(rows["t_s"].iloc[0])
    by_frame = dict(list(rows.groupby("frame")))
    rows = pd.concat([by_frame[n].assign(frame=i, t_s=first_s + i / rate) for i, n in enumerate(numbers)])
    found = measure_shots(rows.reset_index(drop=True), calibration=CALIBRATION, clip="x.mp4",
                          settings=SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=SHUTTER_S)))
    (shot,) = found.shots.to_dict("records")
    return shot, at_s


@pytest.mark.parametrize(("speed_mps", "rate", "event", "frames"), [
    (0.5, 120, "cushion", 1), (0.5, 120, "cushion", -1), (1.0, 240, "cushion", 1), (1.0, 240, "cushion", -1),
    (0.5, 60, "cushion", 1), (0.5, 240, "cushion", 2), (1.0, 240, "hit", 1), (1.0, 240, "hit", -1),
])
def test_it_is_named_and_the_shot_left_out(speed_mps, rate, event, frames):
    shot, at_s = measured(speed_mps, rate, event, frames)
    assert pd.isna(shot["rebound_angle_deg"])
    said = shot["notes"].partition(LOST if frames > 0 else TWICE)[2]
    assert abs(float(said.split()[0]) - at_s) < 3 / rate + 0.005


@pytest.mark.parametrize(("speed_mps", "rate"), [(0.5, 120), (1.0, 240), (2.0, 60)])
def test_no_shot_is_accused_without(speed_mps, rate):
    shot, _ = measured(speed_mps, rate)
    assert shot["rebound_angle_deg"] > 0
    assert "seems to be" not in (shot["notes"] or "")


def test_a_clip_in_which_the_clock_jumped_is_not_said_to_play_at_another_pace():
    followed = SimpleNamespace(lost="the clock jumped", jumped="the clock jumped")
    assert _pace(None, None, SimpleNamespace(measured=[SimpleNamespace(followed=followed)]), {}) == ""
