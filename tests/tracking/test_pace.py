"""A clip that plays slower or faster than life is told by how its balls lose speed, and isn't measured."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.pace import pace_words
from pipeline.physics import Friction
from pipeline.rehearsal import bank, detections
from pipeline.shot_motion import no_cloth
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings

TABLE = standard_table()
TYPICAL = Friction()
CLOTHS = [TYPICAL, Friction(sliding=0.15, rolling=0.005), Friction(sliding=0.4, rolling=0.015)]
CALIBRATION = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")


def measured(rows):
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002))
    return measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="clip.mp4")


def played(slower: float, friction: Friction = TYPICAL):
    rows = detections(bank(TABLE, 1.2, friction), CALIBRATION, noise_px=0.1, frame_rate=60.0, shutter_s=0.002)
    return rows.assign(t_s=rows["t_s"] * slower)


OTHER_PACES = {
    2.5: ("2 to 2.5 times slower than life", " 24 frames/s over the camera's, 0.5 for 48, 0.48 for 50, 0.4 for 60 ("),
    0.25: ("4 to 5 times faster than life", " 240 frames/s over the camera's, 5 for 48, 4.8 for 50, 4 for 60 ("),
}


@pytest.mark.parametrize(("slower", "words"), OTHER_PACES.items())
def test_another_pace_is_told_and_nothing_is_measured(slower, words):
    rows = played(slower)
    found = measured(rows)
    assert found.measured
    assert all(shot.followed.lost for shot in found.measured)
    assert found.shots["speed_at_impact_mps"].isna().all()
    said = pace_words(rows, lambda r: measured(r).friction, "my clip.mp4")
    assert all(word in said for word in words)
    assert '-itsscale FACTOR -i "my clip.mp4" -c copy "real-my clip.mp4"' in said


def filmed_at(camera: float, stored: float, cloth: Friction):
    """What is said of a clip filmed and stored at such rates, its cloth seen exactly as such."""
    frame = np.arange(900)
    rows = pd.DataFrame({"frame": frame, "t_s": np.round(3 + frame / stored, 3)})  # Matroska's times are whole ms

    def shown(again: pd.DataFrame) -> Friction:
        times = (np.ptp(again["t_s"]) / (899 / camera)) ** -2
        return Friction(sliding=times * cloth.sliding, rolling=times * cloth.rolling, sliding_u=1e-3, rolling_u=1e-4)

    return pace_words(rows, shown, "x.mp4")


@pytest.mark.parametrize("cloth", CLOTHS)
@pytest.mark.parametrize(("camera", "stored", "factor"), [
    (60, 24, "0.4 for 60"), (60, 25, "0.41667 for 60"), (120, 25, "0.20833 for 120"), (240, 25, "0.10417 for 240"),
    (120 / 1.001, 24 / 1.001, "0.2 for 119.88"), (50, 24 / 1.001, "0.47952 for 50"), (480, 30, "0.0625 for 480"),
    (30, 60, "2 for 30"), (29.97, 18.2, "0.60667 for 30"),
])
def test_what_the_camera_was_set_to_is_among_what_is_named(camera, stored, factor, cloth):
    assert f" {factor}" in filmed_at(camera, stored, cloth).replace(",", "")


def test_what_no_cloth_allows_is_not_named():
    said = filmed_at(120, 25, TYPICAL)
    assert said.startswith("the clip seems to play 4 to 4.8 times slower than life; ")
    assert "25 frames/s over the camera's, 0.25 for 100, 0.20833 for 120 (" in said
    assert "10 times slower" in filmed_at(240, 24, TYPICAL)


@pytest.mark.parametrize("friction", CLOTHS)
def test_the_pace_of_life_is_measured_on_any_published_cloth(friction):
    """Bands of friction: Alciatore, FAQ "physics of pool and billiards"."""
    found = measured(played(1.0, friction))
    assert [shot.followed.lost for shot in found.measured] == [""]
    assert found.shots["speed_at_impact_mps"].iloc[0] == pytest.approx(1.2, rel=0.01)


def test_a_fixed_friction_out_of_the_ordinary_is_believed():
    ice = Friction(sliding=0.04, rolling=0.002)
    assert no_cloth(ice, Friction())
    assert not no_cloth(ice, ice)


def test_a_clip_that_no_pace_explains_gets_no_advice():
    assert pace_words(played(1.0), lambda rows: None, "x.mp4") == ""
    assert pace_words(played(1.0), lambda rows: Friction(), "x.mp4") == ""  # no more than was known beforehand
