"""What is the same in many frames, and what two balls may not do however they are made."""

import numpy as np
import pytest

from pipeline.detect_edges import EdgeSettings, streak_length, streak_u
from pipeline.knowledge import Knowledge
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Layout, MotionEvent, Path, Seen
from pipeline.physics import Friction
from pipeline.shot_motion import BALL_BIAS, STREAK_BIAS, _offset_sizes
from shared.equipment import standard_table

TABLE = standard_table()
RADIUS = TABLE.ball.radius_mm


@pytest.mark.parametrize(("radii", "share"), [(0.8, 0.0), (1.5, 0.5), (2.5, 1.0)])
def test_a_streaks_shift_along_itself_lasts_where_it_is_long(radii, share):
    way = np.array([0.6, 0.8])
    length = radii * RADIUS
    streak = float(streak_u(np.array(length), 2 * RADIUS)) ** 2
    plain = (EdgeSettings.blurred_u * length) ** 2  # what is shifted does not grow as what scatters
    rest = np.repeat(0.04 * np.eye(2)[None], 6, axis=0)
    covariance = np.concatenate([rest, rest[:2] + streak * np.outer(way, way)])
    root = _offset_sizes(covariance, RADIUS)
    last = root[-1] @ root[-1]
    across = np.array([-0.8, 0.6])
    assert across @ last @ across == pytest.approx(BALL_BIAS**2 * 0.04)
    assert way @ last @ way == pytest.approx(BALL_BIAS**2 * 0.04 + share * STREAK_BIAS**2 * plain)
    assert root[0] == pytest.approx(BALL_BIAS * 0.2 * np.eye(2))


def _cost(mass_ratio, sideways, cut_deg=30.0):
    """Of a rolling ball's hit of exact balls, restitution 0.95, with a little more velocity across than there was."""
    layout = Layout(["a", "b"], [MotionEvent("strike", 0.0, "a"), MotionEvent("ball", 0.5, "a", "b")])
    theta = np.zeros(layout.size)
    theta[:2] = np.log([0.2, 0.01])
    theta[layout.times + 1] = 0.5
    speed = 2000.0
    theta[layout.leg["a", 0] : layout.leg["a", 0] + 4] = speed, 0.0, speed, 0.0
    n = np.array([np.cos(np.radians(cut_deg)), np.sin(np.radians(cut_deg))])
    before = Path(layout, theta[None]).before["a", 1]
    place, v = before[0][0], before[1][0]
    theta[layout.place["b"] : layout.place["b"] + 2] = place + 2 * RADIUS * n
    push = 1.95 / (1 + mass_ratio) * (v @ n) * n  # the struck ball's change of velocity
    across = sideways * (v @ n) * np.array([-n[1], n[0]])
    roll = before[2][0]
    theta[layout.leg["a", 1] : layout.leg["a", 1] + 4] = *(v - mass_ratio * push + across), *roll
    theta[layout.leg["b", 1] : layout.leg["b", 1] + 4] = *push, 0.0, 0.0
    seen = {ball: Seen(ball, np.zeros(1), np.zeros((1, 2)), 1e12 * np.eye(2)[None], np.zeros((1, 2, 0)))
            for ball in layout.balls}  # in one frame, too poor to tell anything
    return MotionProblem(layout, seen, Knowledge(TABLE, Friction())).cost(theta)


def test_unequal_masses_part_otherwise_along_the_line_of_centres_and_not_across_it():
    equal = _cost(1.0, 0.0)
    assert _cost(1.012, 0.0) - equal < 1.5
    assert _cost(1.0, 0.012) - equal > 4.0  # the same velocity across: no difference of masses does that


def test_what_the_cloth_takes_of_a_pressed_ball_goes_along_a_full_hit():
    """The cloth may take 0.5 % of the velocity across of a half-ball hit, hardly any of a full one."""
    assert _cost(1.0, 0.005) - _cost(1.0, 0.0) < 2.0
    assert _cost(1.0, 0.005, cut_deg=2.0) - _cost(1.0, 0.0, cut_deg=2.0) > 9.0


def test_the_uncertainty_along_a_streak_tells_its_length():
    length = np.array([1.0, 10.0, 33.0, 35.0, 60.0, 90.0])
    u = streak_u(length, 57.15)
    assert streak_length(u, 57.15) == pytest.approx(length)
    assert u[-1] / u[-2] == pytest.approx(1.5**2)  # of long ones it grows with the square
    assert u[1] / u[0] == pytest.approx(10.0)
