"""Rebound angles of balls that come in so nearly square that the side they go along is not known."""

import pytest

from pipeline.measured import Measured, with_side_unsure


def test_where_the_side_is_known_nothing_changes():
    assert with_side_unsure(Measured(7.0, 0.1), Measured(5.0, 0.2)) == pytest.approx((7.0, 0.1))


def test_where_either_side_may_be_the_angle_may_have_either_sign():
    value, u = with_side_unsure(Measured(1.2, 0.1), Measured(0.0, 0.05))
    assert value == 1.2
    assert u == pytest.approx((0.1**2 + 0.5 * 2.4**2) ** 0.5)
    assert with_side_unsure(Measured(1.2, 0.1), Measured(0.1, 0.05)).u < 0.5  # the other side: one in 44
