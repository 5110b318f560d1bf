"""What a camera is said to be able to measure moves the right way with the camera, and advice fits the fault."""

import math

import numpy as np
import pytest

from calibration.capability import millimetres_per_pixel, picture_scale
from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.foresight import contact_precision, describe_capability
from shared.equipment import standard_table

TABLE = standard_table()


def _calibration(**camera):
    return Calibration("clip.mp4", overhead_camera(TABLE, **camera), TABLE, 0.3, "given")


def test_scale_of_a_camera_straight_above_is_height_over_focal_length():
    calibration = _calibration(tilt_deg=0.0, roll_deg=0.0, height_mm=2600.0)
    middle = np.array([[TABLE.length_mm / 2, TABLE.width_mm / 2]])
    height = 2600.0 - TABLE.ball.radius_mm
    assert millimetres_per_pixel(calibration, middle)[0] == pytest.approx(height / calibration.pose.K[0, 0], rel=1e-4)
    assert picture_scale(calibration).tilt_deg == pytest.approx(0.0, abs=1e-6)


def test_more_pixels_and_more_frames_give_smaller_uncertainties():
    small = describe_capability(_calibration(), 60.0, 0.004)
    large = describe_capability(_calibration(width_px=1920, height_px=1080), 60.0, 0.004)
    fast = describe_capability(_calibration(), 240.0, 0.002)
    for shot in range(3):
        base = small.forecasts[shot].rebound_angle_u_deg
        assert large.forecasts[shot].rebound_angle_u_deg == pytest.approx(base / 1.5, rel=0.05)
        assert fast.forecasts[shot].rebound_angle_u_deg == pytest.approx(base / 2, rel=0.15)


def test_a_long_exposure_is_told_to_be_shortened():
    found = describe_capability(_calibration(), 60.0, 0.014)
    assert found.forecasts[-1].blur_mm == pytest.approx(42.0)
    assert "more light" in " ".join(found.advice)


def test_a_small_table_and_a_strong_tilt_are_told_so():
    words = " ".join(describe_capability(_calibration(fill=0.5, tilt_deg=25.0), 60.0, 0.002).advice)
    assert "come closer" in words
    assert "straighter" in words


def test_without_a_shutter_time_the_blur_is_unknown():
    found = describe_capability(_calibration(), 60.0)
    assert found.forecasts[0].blur_mm is None
    assert any("blur unknown" in line for line in found.lines())


def test_a_rolling_shutter_is_put_in_numbers():
    found = describe_capability(_calibration(), 60.0, 0.004)
    expected = 1 / (1 - 2000 / found.scale.middle_mm_per_px * 0.015 / 720) - 1
    assert found.rolling_shutter_percent == pytest.approx(100 * expected)


def test_too_few_frames_give_no_number():
    found = contact_precision(np.array([0.5, 1.0]), np.zeros(2), noise_mm=0.2, frame_rate=24.0, window_s=0.1)
    assert math.isnan(found.angle_deg)
    assert found.frames == 2
