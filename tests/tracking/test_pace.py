"""A clip that plays slower or faster than life is told by how its balls lose speed, and isn't measured."""

from __future__ import annotations

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
CALIBRATION = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")


def measured(rows):
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002))
    return measure_shots(rows, calibration=CALIBRATION, settings=settings, clip="clip.mp4")


def played(slower: float, friction: Friction = TYPICAL):
    rows = detections(bank(TABLE, 1.2, friction), CALIBRATION, noise_px=0.1, frame_rate=60.0, shutter_s=0.002)
    return rows.assign(t_s=rows["t_s"] * slower)


OTHER_PACES = {2.0: "2 times slower", 8.0: "8 times slower", 0.5: "2 times faster"}


@pytest.mark.parametrize(("slower", "words"), OTHER_PACES.items())
def test_another_pace_is_told_and_nothing_is_measured(slower, words):
    rows = played(slower)
    found = measured(rows)
    assert found.measured
    assert all(shot.followed.lost for shot in found.measured)
    assert found.shots["speed_at_impact_mps"].isna().all()
    said = pace_words(rows, lambda r: measured(r).friction, "my clip.mp4")
    assert words in said
    assert f'-itsscale {1 / slower:g} -i "my clip.mp4" -c copy' in said


@pytest.mark.parametrize("friction", [Friction(), Friction(sliding=0.15, rolling=0.005),
                                      Friction(sliding=0.4, rolling=0.015)])
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
