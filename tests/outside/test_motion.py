"""How a ball slides and rolls, against closed forms.

Source: Coriolis, Theorie mathematique des effets du jeu de billard (1835); rigid sphere, I = 2/5 m R^2, Coulomb
friction. Numbers computed independently; those of the 30-degree rule agree with Alciatore, FAQ "30- and 90-degree
rules", Colorado State Univ. (about 34 deg near a half-ball hit, about 27 near quarter and three-quarter ball).
"""

import math

import numpy as np
import pytest

from pipeline.physics import rest_time, settled_velocity, slide_time, state_after, travel

STILL = np.zeros(2)


@pytest.mark.parametrize(("spin", "factor"), [(-1, 0.42857), (-0.5, 0.57143), (0, 0.71429), (0.5, 0.85714), (1, 1.0)])
def test_speed_once_rolling(spin, factor):
    settled = settled_velocity(np.array([1.0, 0.0]), np.array([spin, 0.0]))
    assert settled[0] == pytest.approx((5 + 2 * spin) / 7, abs=1e-12)
    assert settled[0] == pytest.approx(factor, abs=1e-5)


@pytest.mark.parametrize(
    ("speed", "mu", "time", "distance", "rolling"),
    [
        (2.0, 0.2, 0.29135, 0.49945, 1.42857),
        (1.0, 0.2, 0.14567, 0.12486, 0.71429),
        (3.0, 0.25, 0.34962, 0.89902, 2.14286),
    ],
)
def test_a_ball_struck_without_spin(speed, mu, time, distance, rolling):
    v = np.array([1000.0 * speed, 0.0])
    t = float(slide_time(v, STILL, mu))
    place, velocity, roll = state_after(STILL, v, STILL, np.array(t), mu, 0.01)
    assert t == pytest.approx(time, abs=1e-5)
    assert place[0] / 1000 == pytest.approx(distance, abs=1e-5)
    assert velocity[0] / 1000 == pytest.approx(rolling, abs=1e-5)
    assert roll == pytest.approx(velocity, abs=1e-6)


def test_how_far_a_rolling_ball_runs():
    v = np.array([1000.0, 0.0])
    assert float(rest_time(v, v, 0.2, 0.01)) == pytest.approx(10.19716, abs=1e-5)
    assert travel(STILL, v, v, np.array(20.0), 0.2, 0.01)[0] / 1000 == pytest.approx(5.09858, abs=1e-5)


def after_a_hit(phi_deg, *, restitution=1.0, roll=1.0):
    """Velocity and rolling velocity of a cue ball (1 m/s along x) after a frictionless hit, line of centres at phi."""
    phi = math.radians(phi_deg)
    line = np.array([math.cos(phi), math.sin(phi)])
    velocity = np.array([1.0, 0.0]) - (1 + restitution) / 2 * math.cos(phi) * line
    return velocity, np.array([roll, 0.0])


def deflection_deg(phi_deg, **kwargs):
    settled = settled_velocity(*after_a_hit(phi_deg, **kwargs))
    return -math.degrees(math.atan2(settled[1], settled[0]))


@pytest.mark.parametrize(
    ("phi", "expected"),
    [
        (5, 12.02513),
        (10, 21.68058),
        (15, 28.16221),
        (20, 31.86832),
        (25, 33.50352),
        (30, 33.67050),
        (35, 32.80246),
        (40, 31.19624),
        (45, 29.05460),
        (50, 26.51820),
        (60, 20.63300),
        (70, 14.06307),
        (80, 7.11593),
        (48.59038, 27.26686),
        (14.47751, 27.62649),
    ],
)
def test_deflection_of_a_rolling_cue_ball(phi, expected):
    assert deflection_deg(phi) == pytest.approx(expected, abs=1e-5)


def test_largest_deflection():
    best = max(np.linspace(20, 40, 20_001), key=deflection_deg)
    assert best == pytest.approx(28.12551, abs=1e-3)
    assert deflection_deg(best) == pytest.approx(33.74899, abs=1e-5)


@pytest.mark.parametrize(("hit", "published"), [(0.25, 27), (0.5, 34), (0.75, 27)])
def test_published_rounded_deflections(hit, published):
    """Alciatore, FAQ "30- and 90-degree rules": within a degree."""
    assert deflection_deg(math.degrees(math.asin(1 - hit))) == pytest.approx(published, abs=1.0)


def test_restitution_below_one():
    settled = settled_velocity(*after_a_hit(30, restitution=0.95))
    assert -math.degrees(math.atan2(settled[1], settled[0])) == pytest.approx(32.26456, abs=1e-5)
    assert np.linalg.norm(settled) == pytest.approx(0.56490, abs=1e-5)


@pytest.mark.parametrize(("roll", "expected"), [(0.5, 43.89789), (0.0, 60.0), (-0.5, 83.41322)])
def test_unintended_draw_or_follow_turns_the_cue_ball(roll, expected):
    assert deflection_deg(30, roll=roll) == pytest.approx(expected, abs=1e-5)


def test_the_parabola_of_a_half_ball_hit():
    """v0 = 2 m/s, mu 0.2: slides for 0.25231 s through (76.60, -101.45) to (180.22, -187.29) mm, ends at -33.67050."""
    velocity, roll = (1000 * 2.0 * part for part in after_a_hit(30))
    assert velocity / 1000 == pytest.approx([0.5, -0.86603], abs=1e-5)
    t = float(slide_time(velocity, roll, 0.2))
    assert t == pytest.approx(0.25231, abs=1e-5)
    half, _, _ = state_after(STILL, velocity, roll, np.array(t / 2), 0.2, 0.01)
    place, final, _ = state_after(STILL, velocity, roll, np.array(t), 0.2, 0.01)
    assert half / 1000 == pytest.approx([0.07660, -0.10145], abs=1e-5)
    assert place / 1000 == pytest.approx([0.18022, -0.18729], abs=1e-5)
    assert final / 1000 == pytest.approx([0.92857, -0.61859], abs=1e-5)
    assert math.degrees(math.atan2(final[1], final[0])) == pytest.approx(-33.67050, abs=1e-4)
