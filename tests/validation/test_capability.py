"""What a camera is said to be able to measure moves the right way with the camera, and advice fits the fault."""

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import reboundry
from calibration.capability import millimetres_per_pixel, picture_scale
from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline import foresight
from pipeline.rehearsal import Rehearsed, rehearse
from pipeline.set_up import describe_capability
from pipeline.wanted import AS_USUAL, Wanted
from shared.equipment import standard_table
from shared.errors import SettingsError
from shared.settings import CameraSettings, FrictionSettings, SessionSettings
from tests.bench.velocity_bound import contact_precision

TABLE = standard_table()
CLIP = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningA" / "eveningA_01.mp4"
ANYTHING = Wanted(angle_deg=90.0, speed_percent=100.0)  # will do: no remedy is played, which takes five times as long

pytestmark = pytest.mark.xdist_group("capability")  # what is described once serves many of these tests


def _calibration(**camera):
    return Calibration("clip.mp4", overhead_camera(TABLE, **camera), TABLE, 0.3, "given")


def test_scale_of_a_camera_straight_above_is_height_over_focal_length():
    calibration = _calibration(tilt_deg=0.0, roll_deg=0.0, height_mm=2600.0)
    middle = np.array([[TABLE.length_mm / 2, TABLE.width_mm / 2]])
    height = 2600.0 - TABLE.ball.radius_mm
    assert millimetres_per_pixel(calibration, middle)[0] == pytest.approx(height / calibration.pose.K[0, 0], rel=1e-4)
    assert picture_scale(calibration).tilt_deg == pytest.approx(0.0, abs=1e-6)


@lru_cache
def _described(
    rate: float = 60.0, shutter_s: float | None = 0.004, noise_px: float = 0.1, wanted: Wanted = AS_USUAL, **camera
):
    calibration = _calibration(**camera)
    settings = SessionSettings(table=calibration.table, camera=CameraSettings(shutter_s=shutter_s))
    return describe_capability(calibration, rate, settings, noise_px=noise_px, wanted=wanted)


def _foretold(rate: float = 60.0, shutter_s: float | None = 0.004, noise_px: float = 0.1, **camera):
    """Without what remedies would bring."""
    return _described(rate, shutter_s, noise_px, ANYTHING, **camera)


def test_more_pixels_and_more_frames_give_smaller_uncertainties():
    base, fine, fast = _described(), _foretold(noise_px=0.05), _foretold(240.0, 0.002)
    for one, finer, faster in zip(base.forecasts, fine.forecasts, fast.forecasts, strict=True):
        assert finer.rebound_angle_u_deg < 0.75 * one.rebound_angle_u_deg
        assert faster.rebound_angle_u_deg < (0.95 if one.speed_mps < 2 else 1.05) * one.rebound_angle_u_deg  # sizes
        assert 0.4 * one.incoming_angle_u_deg < faster.incoming_angle_u_deg < 1.15 * one.incoming_angle_u_deg  # luck


def test_what_is_foretold_is_the_middle_of_several_draws_of_noise():
    calibration = _calibration()
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    draws = [rehearse(calibration, settings, 3.0, noise_px=0.1, frame_rate=60.0, seed=seed).shot["cue_roll_ratio_u"]
             for seed in (1, 2, 3)]
    assert _described().forecasts[-1].roll_ratio_u == sorted(draws)[1]
    assert max(draws) > 1.2 * min(draws)


def test_a_draw_that_is_not_measured_counts_as_knowing_nothing(monkeypatch):
    lost = set()

    def rehearsed(*given, seed, **others):
        return Rehearsed(None, "lost") if seed in lost else rehearse(*given, seed=1, **others)

    monkeypatch.setattr(foresight, "rehearse", rehearsed)
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    for seeds, measured in (({3}, True), ({1, 3}, False)):
        lost |= seeds
        camera = foresight.Camera(_calibration(), settings, 60.0, 0.1)
        assert camera.forecast("fast").measured == measured


def test_what_falls_short_is_named_with_what_would_help():
    slow = _described().forecasts[0]
    assert set(slow.beyond(Wanted())) >= {"rebound"}
    assert "settled" not in slow.beyond(Wanted())
    words = [line for line in _described().advice if "slow shot" in line]
    assert "rebound" in words[0]
    assert "compare settled angles" in words[0]
    fine = _foretold(noise_px=0.05).forecasts[0].rebound_angle_u_deg
    assert any(f"twice as large (in pixels each way): rebound +-{fine:.2f} deg" in line for line in words)
    assert any("120 frames/s: rebound" in line for line in words)
    assert any("measured with a tape" in line for line in words)


def test_a_long_exposure_a_small_table_and_a_strong_tilt_are_told_so():
    found = _foretold(60.0, 0.014, fill=0.5, tilt_deg=25.0)
    assert found.forecasts[-1].blur_mm == pytest.approx(42.0)
    words = " ".join(found.advice)
    assert "more light" in words
    assert "come closer" in words
    assert "straighter" in words


def test_the_longer_the_exposure_the_less_is_known_of_a_fast_ball():
    described = _foretold(60.0, 1 / 60)
    short, long = _described().forecasts[-1], described.forecasts[-1]
    assert long.impact_speed_u_percent > 2 * short.impact_speed_u_percent
    assert long.incoming_angle_u_deg < 2 * short.incoming_angle_u_deg  # it smears along its way, not across
    assert described.fast_noise_mm > 5 * _described().fast_noise_mm
    assert described.noise_mm == _described().noise_mm
    better = _foretold(60.0, 1 / 420).forecasts[-1].impact_speed_u_percent
    fast_only = replace(ANYTHING, speed_percent=0.99 * long.impact_speed_u_percent)
    words = " ".join(_described(60.0, 1 / 60, wanted=fast_only).advice)
    assert f"fast shot with a shutter of 1/420 s: speed at impact +-{better:.2f} %" in words


def test_a_ball_smeared_too_far_to_be_followed_gets_no_number_and_the_shutter_is_named():
    found = _foretold(30.0, 1 / 30)
    fast = found.forecasts[-1]
    assert fast.blur_mm == pytest.approx(100.0)
    assert (fast.lacking, fast.measured, math.isnan(fast.impact_speed_u_percent)) == ("shutter", False, True)
    assert "can't be measured: a shutter of 1/30 s smears the balls too far" in fast.line()
    assert "few frames" not in " ".join(found.lines())
    advice = [line for line in found.advice if "fast shot can't be measured" in line]
    assert advice == ["a fast shot can't be measured with a shutter of 1/30 s: film with 1/420 s, and more light."]
    assert found.forecasts[0].measured


@pytest.mark.parametrize(("shutter_s", "smears_mm"), [(0.01, 30), (1 / 30, 100)])
def test_advice_on_the_shutter_says_what_it_brings_the_smear_down_to(shutter_s, smears_mm):
    (line,) = (line for line in _foretold(30.0, shutter_s).advice if line.startswith("a fast ball smears"))
    assert f"smears over {smears_mm} mm; a shutter of 1/420 s brings that down to 7 mm" in line


def test_without_a_shutter_time_the_blur_is_unknown():
    found = _foretold(60.0, None)
    assert found.forecasts[0].blur_mm is None
    assert any("blur unknown" in line for line in found.lines())


def test_a_rolling_shutter_is_put_in_numbers():
    found = _described()
    expected = 1 / (1 - 2000 / found.scale.middle_mm_per_px * 0.015 / 720) - 1
    assert found.rolling_shutter_percent == pytest.approx(100 * expected)
    (line,) = [line for line in found.lines() if "down or up the picture" in line]
    assert "Incoming and settled angles hold; the rebound angle" in line
    assert any("At 4.17 ms a ball" in line for line in _foretold(240.0, 0.002).lines())  # no longer than a frame


@pytest.mark.parametrize("rotation_deg", [90, 270])
def test_the_sensors_lines_run_down_a_picture_that_was_turned(rotation_deg, monkeypatch):
    monkeypatch.setattr(foresight, "rehearse", lambda *_, **__: Rehearsed(None, "not asked for here"))
    calibration = _calibration(width_px=720, height_px=1280, roll_deg=90.0)
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004, readout_s=0.03))
    found = describe_capability(calibration, 60.0, settings, rotation_deg=rotation_deg)
    assert any("30 ms is longer than a frame of 17 ms: not used" in line for line in found.lines())
    expected = 1 / (1 - 2000 / found.scale.middle_mm_per_px * 0.015 / 720) - 1
    assert found.rolling_shutter_percent == pytest.approx(100 * expected)
    assert any("2 m/s across the picture" in line for line in found.lines())


def test_a_shutter_longer_than_a_frame_is_taken_as_not_given_and_said():
    found = _foretold(30.0, 0.25)
    assert any("a shutter of 1/4 s is longer than a frame of 33 ms: not used" in line for line in found.advice)
    assert found.shutter_s is None
    assert all(a.incoming_angle_u_deg == b.incoming_angle_u_deg
               for a, b in zip(found.forecasts, _foretold(30.0, None).forecasts, strict=True))


def test_too_few_frames_are_told_so_and_give_no_number():
    found = _foretold(2.0, 0.004)
    fast = found.forecasts[-1]
    assert not fast.measured
    assert fast.lacking == "frames"
    assert "too few frames" in fast.line()
    assert any("film with more" in line for line in found.advice)


@pytest.mark.parametrize("friction", [FrictionSettings(sliding=0.35), FrictionSettings(rolling=0.006)])
def test_balls_run_on_the_cloth_that_the_session_fixes(friction):
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004), friction=friction)
    found = describe_capability(_calibration(), 60.0, settings, wanted=ANYTHING)
    for one, usual in zip(found.forecasts, _described().forecasts, strict=True):
        assert one.measured
        assert 0.5 < one.settled_angle_u_deg / usual.settled_angle_u_deg < 2
        assert 0.5 < one.incoming_angle_u_deg / usual.incoming_angle_u_deg < 2


def test_frames_are_only_blamed_where_more_of_them_would_help(monkeypatch):
    monkeypatch.setattr(foresight, "rehearse", lambda *_, **__: Rehearsed(None, "a ball was overlooked"))
    found = describe_capability(_calibration(), 60.0, SessionSettings(table=TABLE))
    words = " ".join(found.lines())
    assert "few frames" not in words
    assert all("not measured (a ball was overlooked)" in one.line() for one in found.forecasts)
    assert "film one and measure it" in words


def test_too_few_frames_give_no_number():
    found = contact_precision(np.array([0.5, 1.0]), np.zeros(2), noise_mm=0.2, frame_rate=24.0, window_s=0.1)
    assert math.isnan(found.angle_deg)
    assert found.frames == 2


def test_where_no_remedy_is_enough_it_says_so_and_what_is():
    words = [line for line in _described().advice if line.startswith("slow shot: none of these alone reaches")]
    (line,) = words
    settled = _described().forecasts[0].settled_angle_u_deg
    assert f"in place of the rebound angle, its settled one (settled +-{settled:.2f} deg)" in line
    assert "all that help together do" in line
    assert not any("that is enough" in line for line in _described().advice if line.startswith("slow shot"))


def test_a_higher_and_a_straighter_camera_are_foretold_by_playing_before_them():
    slow = [line for line in _described().advice if line.startswith("slow shot")]
    for words in ("the camera 1.5 times as high", "the camera straight above the middle"):
        assert any(words in line for line in slow)
    calibration = _calibration()
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    camera = foresight.Camera(calibration, settings, 60.0, 0.1)
    straight = camera.remedies["the camera straight above the middle"]
    assert picture_scale(straight.calibration).tilt_deg == pytest.approx(0.0, abs=1e-4)
    assert picture_scale(camera.with_all(camera.remedies).calibration).tilt_deg == pytest.approx(0.0, abs=1e-4)
    assert camera.with_all(camera.remedies).noise_px == 0.05
    assert camera.with_all(camera.remedies).frame_rate == 120.0
    upright = foresight.Camera(_calibration(tilt_deg=0.0), settings, 60.0, 0.1)
    assert "the camera straight above the middle" not in upright.remedies


@pytest.mark.parametrize("u", [math.nan, 0.11])
def test_what_is_not_known_at_all_is_not_known_as_well_as_wanted(u):
    some = replace(_described().forecasts[1], settled_angle_u_deg=u)
    assert "settled" in some.beyond(Wanted())
    assert not some.reaches(Wanted(), ["settled"])
    words = Wanted().words({"rebound": 0.1004, "speed at impact": 0.2})
    assert words == "rebound +-0.1004 deg, speed at impact +-0.20 %"


@pytest.mark.parametrize("wanted", [{"angle_deg": 0.0}, {"speed_percent": -1.0}, {"angle_deg": math.nan}])
def test_a_wanted_uncertainty_that_is_none_is_refused(wanted):
    with pytest.raises(SettingsError, match=r"wanted uncertainty of (angle|speed)s is .*above 0, e\.g\. 0\.2\.$"):
        Wanted(**wanted)


def test_what_is_wanted_can_be_given_in_python():
    with pytest.raises(SettingsError, match="wanted uncertainty of speeds"):
        reboundry.forecast(CLIP, wanted_speed_percent=0)
    found = reboundry.forecast(CLIP, wanted_angle_deg=9, wanted_speed_percent=9)
    assert len(found.forecasts) == 3
    assert not any("wanted:" in line for line in found.advice)
