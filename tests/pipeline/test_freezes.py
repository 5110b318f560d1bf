"""A recording that freezes while balls roll is named, its shot left out, and what goes on after it is no strike."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.freezes import find_freezes
from pipeline.rehearsal import bank, detections
from pipeline.shots import measure_shots
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
                         faults=find_freezes(rows, RADIUS_MM)).shots


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


@pytest.mark.parametrize("rate", [25.0, 60.0, 240.0])
def test_balls_that_come_to_rest_are_none(rate):
    assert not find_freezes(seen(rate), RADIUS_MM)
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
