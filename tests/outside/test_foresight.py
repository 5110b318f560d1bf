"""Estimation theory: what a fit can know at best, against formulas and values computed elsewhere.

Sources: slope variance of a straight line (any text on least squares); the Cramer-Rao bound; for the slide-then-roll
motion, numerical Fisher information computed independently of this code.
"""

import math

import numpy as np
import pytest

from calibration.capability import blur_mm, disc_bound_px, line_bound_px
from pipeline.physics import travel
from tests.bench.velocity_bound import contact_precision, line_velocity_u

SLOPE_U = {5: 5.69210, 6: 4.30282, 10: 1.98173, 15: 1.07571, 20: 0.69801, 30: 0.37968, 60: 0.13418}


@pytest.mark.parametrize(("frames", "expected"), SLOPE_U.items())
def test_speed_from_a_straight_line_of_frames(frames, expected):
    """0.3 mm, 60 frames/s: sqrt(12 s^2 / (T^2 N (N^2 - 1))) mm/s."""
    assert line_velocity_u(noise_mm=0.3, frame_rate=60, frames=frames) == pytest.approx(expected, abs=1e-5)


def test_a_window_cut_short_at_a_higher_frame_rate():
    assert line_velocity_u(noise_mm=0.3, frame_rate=120, frames=30) == pytest.approx(0.75937, abs=1e-5)
    assert line_velocity_u(noise_mm=0.3, frame_rate=240, frames=30) == pytest.approx(1.51874, abs=1e-5)
    assert line_velocity_u(noise_mm=0.3, frame_rate=240, frames=60) == pytest.approx(0.53673, abs=1e-5)


def test_the_formula_is_the_covariance_of_least_squares_and_the_scatter_of_fits():
    rng = np.random.default_rng(4)
    t = np.arange(30) / 60
    slopes = [np.polyfit(t, rng.normal(0, 0.3, 30), 1)[0] for _ in range(4000)]
    assert np.std(slopes) == pytest.approx(line_velocity_u(noise_mm=0.3, frame_rate=60, frames=30), rel=0.03)


def test_angle_of_an_in_and_out_pair():
    """15 + 15 frames, 60 frames/s, 0.3 mm, 1.0 and 0.8 m/s: 0.09866 deg on their difference."""
    u = line_velocity_u(noise_mm=0.3, frame_rate=60, frames=15)
    assert math.degrees(math.hypot(u / 1000, u / 800)) == pytest.approx(0.09866, abs=1e-5)


AFTER_A_CUSHION = [  # noise mm, frames/s, then per window: angle, speed % with friction known; the same fitted too
    (0.24, 60, {0.3: (0.111, 0.10, 0.140, 0.25), 0.6: (0.070, 0.07, 0.102, 0.22), 1.6: (0.055, 0.06, 0.082, 0.21)}),
    (0.14, 60, {0.3: (0.064, 0.06, 0.082, 0.15), 0.6: (0.041, 0.04, 0.059, 0.13), 1.6: (0.032, 0.03, 0.048, 0.12)}),
    (0.14, 120, {0.3: (0.045, 0.04, 0.057, 0.10), 0.6: (0.029, 0.03, 0.042, 0.09), 1.6: (0.023, 0.02, 0.034, 0.09)}),
]


@pytest.mark.parametrize(("noise", "rate", "windows"), AFTER_A_CUSHION)
def test_bound_of_the_velocity_at_a_cushion(noise, rate, windows):
    angle = math.radians(26.03)
    velocity = 1.299 * np.array([math.sin(angle), math.cos(angle)])
    for window, (deg, percent, deg_free, percent_free) in windows.items():
        for known, wanted in ((True, (deg, percent)), (False, (deg_free, percent_free))):
            found = contact_precision(
                velocity,
                np.array([0.501, -0.273]),
                noise_mm=noise,
                frame_rate=rate,
                window_s=window,
                friction=(0.17, 0.0108),
                friction_known=known,
            )
            assert found.angle_deg == pytest.approx(wanted[0], abs=0.0016)
            assert found.speed_percent == pytest.approx(wanted[1], abs=0.006)


def test_bound_of_a_disc_and_of_an_edge():
    assert disc_bound_px(radius_px=15, contrast=120, noise=3, edge_blur_px=1) == pytest.approx(0.0068568, rel=1e-4)
    assert line_bound_px(length_px=20, contrast=120, noise=3, edge_blur_px=1) == pytest.approx(0.0105251, abs=1e-6)


def test_disc_bound_against_the_information_in_drawn_pixels():
    """Sum over pixels of (d brightness / d x)^2 of a disc with a Gaussian edge."""
    y, x = np.mgrid[-25:26, -25:26].astype(float)
    distance = np.hypot(x, y)
    slope = 120 / math.sqrt(2 * math.pi) * np.exp(-((distance - 15) ** 2) / 2) * x / np.maximum(distance, 1e-9)
    assert 3 / math.sqrt(float((slope**2).sum())) == pytest.approx(
        disc_bound_px(radius_px=15, contrast=120, noise=3, edge_blur_px=1), rel=2e-3
    )


@pytest.mark.parametrize(("shutter", "blur"), [(1 / 100, 20), (1 / 250, 8), (1 / 500, 4), (1 / 1000, 2)])
def test_blur_at_two_metres_a_second(shutter, blur):
    assert blur_mm(2.0, shutter) == pytest.approx(blur)


@pytest.mark.parametrize("roll", [0.2, 0.9])
@pytest.mark.parametrize(("speed", "window"), [(0.6, 0.5), (0.6, 1.8), (1.3, 0.9), (1.3, 1.8), (3.0, 1.8)])
def test_what_is_fitted_too_makes_a_velocity_no_better_known(speed, roll, window):
    """And by how much worse, against a QR decomposition of the same slopes in even units: cov = (R^T R)^-1."""
    velocity = speed * np.array([math.sin(0.45), math.cos(0.45)])
    rolling = roll * speed * np.array([0.8, -0.6])
    known, fitted = (
        contact_precision(velocity, rolling, noise_mm=0.2, frame_rate=60, window_s=window, friction_known=is_known)
        for is_known in (True, False)
    )
    assert fitted.angle_deg >= known.angle_deg
    assert fitted.speed_percent >= known.speed_percent

    times = (np.arange(int(window * 60)) + 0.5) / 60
    start = np.array([0, 0, *(1000 * velocity), *(1000 * rolling), math.log(0.2), math.log(0.01)])

    def places(q):
        return travel(q[:2], q[2:4], q[4:6], times, math.exp(q[6]), math.exp(q[7])).ravel()

    steps = np.array([1e-2, 1e-2, 0.1, 0.1, 0.1, 0.1, 1e-4, 1e-4])
    slope = np.column_stack([(places(start + s) - places(start - s)) / 2 for s in np.diag(steps)])
    rest = np.linalg.inv(np.linalg.qr(slope, mode="r"))
    spread = (rest @ rest.T)[2:4, 2:4] * 0.1**2 * 0.2**2
    along = velocity / speed
    percent = 100 * math.sqrt(along @ spread @ along) / (1000 * speed)
    assert fitted.speed_percent == pytest.approx(percent, rel=0.02)
