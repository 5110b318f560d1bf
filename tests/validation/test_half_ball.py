"""From pixels to a closed form: the cue ball of a half-ball hit, rolling, leaves 33.67050 degrees off its line.

Source: Coriolis (1835), as in tests/outside/test_motion: line of centres at 30 degrees, restitution 1, no friction.
"""

import numpy as np
import pytest

from calibration.find import find_table
from fixtures.synthetic import Filming, Lens, Scene, film, half_ball_shot, overhead_camera
from pipeline.detections import DetectSettings, detect_balls
from pipeline.frames import open_clip
from pipeline.measured import direction_deg, evaluate, wrap_deg
from pipeline.physics import settled_velocity
from pipeline.shots import measure_shots
from pipeline.stills import still_picture
from shared.equipment import standard_table
from shared.settings import SessionSettings

pytestmark = pytest.mark.xdist_group("half-ball")  # one clip drawn for all of them


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """The clip drawn through a tilted camera with a bent lens, blurred, noisy, coded; then measured."""
    table = standard_table()
    scene = Scene(
        table=table,
        camera=overhead_camera(table, width_px=960, height_px=540, tilt_deg=5.0, lens=Lens(k1=-0.08, k2=0.01)),
    )
    path = tmp_path_factory.mktemp("half") / "half.mp4"
    film(scene, half_ball_shot(table, strike_s=0.25), path, Filming(seconds=1.1))
    calibration = find_table(still_picture(path), table=table, clip=path.name)
    detections = detect_balls(open_clip(path), calibration, settings=DetectSettings(shutter_s=0.004))
    return measure_shots(detections, calibration=calibration, settings=SessionSettings(table=table), clip=path.name)


def test_deflection_within_its_own_uncertainty(measured):
    motion = measured.measured[0].motion
    hit = next(i for i, event in enumerate(motion.events) if event.kind == "ball")

    def derive(path):
        _, before, _ = path.before["cue", hit]
        _, after, rolling = path.after["cue", hit]
        return {"deflection": wrap_deg(direction_deg(settled_velocity(after, rolling)) - direction_deg(before))}

    found = evaluate(motion, derive, degrees=frozenset({"deflection"}))["deflection"]
    assert found.u < 0.25
    assert found.value == pytest.approx(-33.67050, abs=3 * found.u)


@pytest.mark.parametrize(
    ("measure", "value"),
    [
        ("cue_impact_speed_mps", 2.0),
        ("object_speed_mps", np.sqrt(3.0)),
        ("cut_angle_deg", 30.0),
        ("throw_deg", 0.0),
        ("cue_roll_ratio", 1.0),
        ("cue_cross_ratio", 0.0),
    ],
)
def test_other_measures_of_the_hit(measured, measure, value):
    row = measured.shots.iloc[0]
    assert row[measure] == pytest.approx(value, abs=4 * row[f"{measure}_u"])


def test_friction_that_was_put_in_is_found(measured):
    friction = measured.friction
    assert friction.sliding == pytest.approx(0.2, abs=4 * friction.sliding_u)
    assert friction.sliding_u < 0.01
