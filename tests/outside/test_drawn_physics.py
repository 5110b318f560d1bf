"""The physics behind our drawn clips, against closed forms: a test clip must not carry our own mistakes.

Sources: Coriolis (1835) for the motion; hits and throw by momentum and Coulomb friction; bounces from a rigid wall at
the height of the ball's centre is the slide-then-roll theory of Garwin (1969) and Brody (1984) as summarised in Cross,
Grip-slip behavior of a bouncing ball, Am. J. Phys. (2002). Numbers computed independently.
"""

import math

import numpy as np
import pytest

from fixtures.synthetic.physics import Surface, meet_ball, meet_cushion, rolling_spin, simulate
from fixtures.synthetic.shots import rolling_hit
from shared.equipment import standard_table

R = 28.575


def _hit(phi_deg, surface, *, roll=0.0, speed=1000.0):
    phi = math.radians(phi_deg)
    v = np.array([speed, 0.0])
    line = 2 * R * np.array([math.cos(phi), math.sin(phi)])
    return meet_ball((np.zeros(2), v, rolling_spin(v * roll, R)), (line, np.zeros(2), np.zeros(3)), R, surface)


@pytest.mark.parametrize(("phi", "expected"), [(15, 84.66966), (30, 87.52057), (45, 88.56790), (60, 89.17306)])
def test_angle_between_the_balls_after_a_stun_hit(phi, expected):
    v1, _, v2, _ = _hit(phi, Surface(ball_restitution=0.95, ball_friction=0.0))
    cosine = v1 @ v2 / np.linalg.norm(v1) / np.linalg.norm(v2)
    assert math.degrees(math.acos(cosine)) == pytest.approx(expected, abs=1e-5)


def test_head_on_speeds_and_energy():
    v1, _, v2, _ = _hit(0, Surface(ball_restitution=0.95))
    assert [v1[0], v2[0]] == pytest.approx([25.0, 975.0])
    v1, _, v2, _ = _hit(30, Surface(ball_restitution=0.95, ball_friction=0.0))
    assert (v1 @ v1 + v2 @ v2) / 1e6 == pytest.approx(0.96344, abs=1e-5)


@pytest.mark.parametrize("weight", [0.9, 1.0, 1.2])
def test_speeds_of_a_head_on_hit_by_a_lighter_or_a_heavier_ball(weight):
    """Momentum and restitution along one line (any mechanics text): (m - e) / (m + 1) and (1 + e) m / (m + 1)."""
    v1, _, v2, _ = _hit(0, Surface(ball_restitution=0.95, cue_weight=weight))
    assert [v1[0], v2[0]] == pytest.approx([1000 * (weight - 0.95) / (weight + 1), 1950 * weight / (weight + 1)])


def test_what_a_thin_hit_by_a_heavier_ball_gives_and_takes():
    """Momentum in both directions and, about each ball's centre, 2/5 m R w = R x rubbing impulse."""
    before, (v1, w1, v2, w2) = np.array([1000.0, 0.0]), _hit(40, Surface(ball_friction=0.06, cue_weight=1.2), roll=0.5)
    assert 1.2 * v1 + v2 == pytest.approx(1.2 * before)
    rolling = rolling_spin(0.5 * before, R)
    assert 1.2 * (w1 - rolling) == pytest.approx(w2)  # the same rubbing, on the same arm, turns the heavier one less


@pytest.mark.parametrize(("phi", "expected"), [(10, 1.47993), (20, 3.05263), (22.26910, 3.43363), (40, 3.43363)])
def test_throw_of_a_stun_hit(phi, expected):
    _, _, v2, _ = _hit(phi, Surface(ball_restitution=0.95, ball_friction=0.06))
    line = math.radians(phi)
    thrown = math.degrees(line - math.atan2(v2[1], v2[0]))
    assert thrown == pytest.approx(expected, abs=1e-4)


WALL = [  # speed, angle, e, mu, R omega -> angle out, speed, normal, tangential, R omega
    (1, 45, 0.85, 0.0, 0.0, 49.63546, 0.92804, 0.60104, 0.70711, 0.0),
    (1, 45, 0.85, 0.1, 0.0, 43.79576, 0.83268, 0.60104, 0.57629, 0.32704),
    (1, 45, 0.85, 0.2, 0.0, 40.04155, 0.78508, 0.60104, 0.50508, 0.50508),
    (1, 45, 0.85, 0.2, 0.5, 47.15016, 0.88378, 0.60104, 0.64793, 0.64793),
    (1, 45, 0.85, 0.2, -0.5, 36.54497, 0.74813, 0.60104, 0.44548, 0.15407),
    (1, 0, 0.85, 0.2, 0.5, 9.54038, 0.86192, 0.85, 0.14286, 0.14286),
    (1, 60, 0.85, 0.14, 0.0, 60.01360, 0.85035, 0.42500, 0.73653, 0.32375),
    (1, 45, 0.98, 0.14, 0.0, 36.41067, 0.86106, 0.69296, 0.51110, 0.49003),
]


@pytest.mark.parametrize(("speed", "angle", "e", "mu", "spin", "out", "after", "normal", "along", "spin_out"), WALL)
def test_bounce_from_a_wall_at_centre_height(speed, angle, e, mu, spin, out, after, normal, along, spin_out):
    table = standard_table("pool-9ft", nose_height_mm=R)
    surface = Surface(cushion_restitution=e, cushion_slope_per_mps=0.0, cushion_friction=mu)
    a = math.radians(angle)
    v = 1000 * speed * np.array([math.sin(a), math.cos(a)])  # into the left cushion, towards the foot
    # running side there turns clockwise seen from above; no forward roll in this limiting model
    v2, w2 = meet_cushion("left", v, np.array([0.0, 0.0, spin * 1000 / R]), table=table, surface=surface)
    assert math.degrees(math.atan2(v2[0], -v2[1])) == pytest.approx(out, abs=1e-5)
    assert np.linalg.norm(v2) / 1000 == pytest.approx(after, abs=1e-5)
    assert [-v2[1] / 1000, v2[0] / 1000, w2[2] * R / 1000] == pytest.approx([normal, along, spin_out], abs=1e-5)


@pytest.mark.parametrize(("fraction", "turned"), [(0.25, 27.26686), (0.5, 33.67050), (0.75, 27.62649)])
def test_a_rolling_ball_leaves_a_hit_at_the_closed_form_angle(fraction, turned):
    play = rolling_hit(standard_table(), fraction=fraction)
    rolling = next(s for s in play.stretches["cue"] if s.state == "R" and s.t_s > 0.4)
    assert math.degrees(math.atan2(rolling.velocity[1], rolling.velocity[0])) == pytest.approx(-turned, abs=1e-4)


def test_energy_never_grows_and_balls_never_overlap():
    table = standard_table()
    places = {"cue": (600.0, 500.0), "1": (1200.0, 700.0), "2": (1900.0, 900.0)}
    play = simulate(table, Surface(), places=places, strike_s=0.1, velocity_mps=(3.0, 1.0), until_s=4.0)
    energy = []
    for t in np.linspace(0.11, 4.0, 400):
        states = {b: play.at(b, t).at(t) for b in places if play.at(b, t).state != "-"}
        energy.append(sum(v @ v + 0.4 * R**2 * (w @ w) for _, v, w in states.values()))
        centres = [p for p, _, _ in states.values()]
        gaps = [np.linalg.norm(a - b) for i, a in enumerate(centres) for b in centres[i + 1 :]]
        assert min(gaps, default=100.0) > 2 * R - 1e-3
    assert (np.diff(energy) <= 1e-3).all()
