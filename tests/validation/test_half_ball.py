"""From pixels to a closed form: the cue ball of a half-ball hit, rolling, leaves 33.67050 degrees off its line.

Source: Coriolis (1835), as in tests/outside/test_motion: line of centres at 30 degrees, restitution 1, no friction.

Clips of one camera err alike, by what its calibration is off: nine noises before one camera gave -33.50 to -33.59
degrees (0.9 to 1.9 u, all on one side), eight cameras -33.59 to -33.74 (rms 0.5 u, mean 0.3). So several cameras are
filmed here, not several noises. Of what is known beforehand two things contradict this idealised case. Restitution
0.95 +- 0.03: taken as 1 the deflection moves by 0.003 degrees. Rolling resistance, which is 0 here and published as
0.005 to 0.015: given as 0 the deflection moves by 0.02 degrees, the cue ball's roll ratio by 0.01, which is 1 to 2 u;
so it is given.
"""

import numpy as np
import pytest

from calibration.find import find_table
from fixtures.synthetic import Filming, Lens, Scene, film, overhead_camera, rolling_hit
from pipeline.detections import DetectSettings, detect_balls
from pipeline.frames import open_clip
from pipeline.measured import direction_deg, evaluate, wrap_deg
from pipeline.physics import settled_velocity
from pipeline.shots import measure_shots
from pipeline.stills import still_picture
from shared.equipment import standard_table
from shared.settings import FrictionSettings, SessionSettings

pytestmark = pytest.mark.xdist_group("half-ball")  # clips drawn once for all of them

TABLE = standard_table()
CAMERAS = ((5.0, 90.0, -0.08), (5.0, 0.0, -0.08), (8.0, 225.0, -0.15))  # tilt, towards, k1
MOST_RMS = 1.61  # of three standard normal deviates: more in 5 % of all
NO_ROLLING = FrictionSettings(rolling=1e-6)
TRUE = {"cue_impact_speed_mps": 2.0, "object_speed_mps": np.sqrt(3.0), "cut_angle_deg": 30.0, "throw_deg": 0.0,
        "cue_roll_ratio": 1.0, "cue_cross_ratio": 0.0}


@pytest.fixture(scope="module")
def detected(tmp_path_factory):
    """The clip drawn through tilted cameras with bent lenses, blurred, noisy, coded; balls found in it."""
    out = []
    for seed, (tilt_deg, towards_deg, k1) in enumerate(CAMERAS, start=11):
        camera = overhead_camera(TABLE, width_px=960, height_px=540, tilt_deg=tilt_deg, tilt_towards_deg=towards_deg,
                                 lens=Lens(k1=k1, k2=0.01))
        path = tmp_path_factory.mktemp("half") / "half.mp4"
        film(Scene(table=TABLE, camera=camera), rolling_hit(TABLE, fraction=0.5, strike_s=0.25), path,
             Filming(seconds=1.1, seed=seed))
        calibration = find_table(still_picture(path), table=TABLE, clip=path.name)
        out.append((detect_balls(open_clip(path), calibration, settings=DetectSettings(shutter_s=0.004)), calibration))
    return out


def _measured(detected, friction):
    settings = SessionSettings(table=TABLE, friction=friction)
    return [measure_shots(rows, calibration=calibration, settings=settings, clip="half.mp4")
            for rows, calibration in detected]


@pytest.fixture(scope="module")
def measured(detected):
    return _measured(detected, NO_ROLLING)


def _deflection(found):
    motion = found.measured[0].motion
    hit = next(i for i, event in enumerate(motion.events) if event.kind == "ball")

    def derive(path):
        _, before, _ = path.before["cue", hit]
        _, after, rolling = path.after["cue", hit]
        return {"deflection": wrap_deg(direction_deg(settled_velocity(after, rolling)) - direction_deg(before))}

    return evaluate(motion, derive, degrees=frozenset({"deflection"}))["deflection"]


def _rms(values):
    return np.sqrt(np.mean(np.square(values)))


def test_deflection_errs_as_much_as_it_is_uncertain(measured):
    found = [_deflection(one) for one in measured]
    assert max(one.u for one in found) < 0.15
    assert _rms([(one.value + 33.67050) / one.u for one in found]) < MOST_RMS


def test_published_rolling_resistance_hardly_turns_the_deflection(detected, measured):
    """Which no cloth lacks: it leans on what is known, by little of its uncertainty."""
    for leaning, given in zip(_measured(detected, FrictionSettings()), measured, strict=True):
        one, other = _deflection(leaning), _deflection(given)
        assert one.value == pytest.approx(other.value, abs=0.4 * other.u)


@pytest.mark.parametrize("measure", TRUE)
def test_other_measures_of_the_hit(measured, measure):
    rows = [one.shots.iloc[0] for one in measured]
    assert _rms([(row[measure] - TRUE[measure]) / row[f"{measure}_u"] for row in rows]) < MOST_RMS


def test_friction_that_was_put_in_is_found(measured):
    frictions = [one.friction for one in measured]
    assert max(one.sliding_u for one in frictions) < 0.01
    assert _rms([(one.sliding - 0.2) / one.sliding_u for one in frictions]) < MOST_RMS
