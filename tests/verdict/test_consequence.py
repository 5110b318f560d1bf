"""The physics behind the tolerances, against closed forms and published rules."""

from __future__ import annotations

from math import atan, cos, degrees, radians, sin

import pytest

from pipeline.consequence import drift_deg, sensitivity, throw_deg
from shared.equipment import standard_table


@pytest.mark.parametrize("cut", [5.0, 10.0, 20.0])
def test_throw_of_a_stun_hit_while_the_balls_grip(cut):
    # tan(throw) = (sin(cut) / 7) / ((1 + e) / 2 cos(cut)), e = 0.95: rigid spheres, closed form
    expected = -degrees(atan(sin(radians(cut)) / 7 / (0.975 * cos(radians(cut)))))
    assert throw_deg(cut, speed_mps=2.0) == pytest.approx(expected, abs=1e-9)


def test_throw_of_ten_and_twenty_degrees_as_worked_out_by_hand():
    assert throw_deg(10, speed_mps=2.0) == pytest.approx(-1.47993, abs=1e-5)
    assert throw_deg(20, speed_mps=2.0) == pytest.approx(-3.05263, abs=1e-5)


def test_right_side_throws_the_object_ball_left():
    assert throw_deg(0, speed_mps=2.0, side_ratio=0.1) > 0


def test_a_rolling_half_ball_hit_leaves_the_tangent_line_by_the_published_angle():
    # Half-ball hit, e = 0.95, rolling: 32.26456 degrees from the incoming path, closed form; the tangent lies at 60
    assert drift_deg(30, 1.0) == pytest.approx(60 - 32.26456, abs=1e-5)


def test_a_stun_hit_separates_by_the_closed_form():
    # e = 0.95, 30 degrees: 87.52057 degrees between the paths
    assert drift_deg(30, 0.0) == pytest.approx(90 - 87.52057, abs=1e-5)


@pytest.mark.parametrize("name", ["pool-7ft", "pool-8ft", "pool-9ft", "snooker-12ft", "carom-284"])
def test_every_table_has_usable_sensitivities(name):
    found = sensitivity(standard_table(name))
    table = standard_table(name)
    # a straight line turned by a degree moves by at least its length times tan 1 degree: across and back
    assert found.aim_deg > 1.5 * table.width_mm * sin(radians(1))
    assert 100 < found.roll_ratio < 2000
    assert 100 < found.side_ratio < 3000
