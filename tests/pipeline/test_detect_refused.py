"""Places that proved to be no ball are left alone for a while, but for those where balls were expected."""

from __future__ import annotations

import pytest

from pipeline.detect_refused import Refused

RADIUS_PX = 10.0
ROLLS = [(0.0, [(0.0, 0.0)]), (0.1, [(30.0, 0.0)])]  # time and balls seen: one that goes 30 px a frame


def ruled_out(place, k, seen, at_s):
    refused = Refused(RADIUS_PX, 0.2)
    refused.add([(k, place)], seen)
    return place in refused.at(at_s)


def test_a_hand_is_left_alone_for_as_long_as_that_and_then_tried_again():
    seen = [*ROLLS, (0.2, [])]
    assert ruled_out((300.0, 200.0), 2, seen, 0.3)
    assert not ruled_out((300.0, 200.0), 2, seen, 0.41)


@pytest.mark.parametrize(("place", "out"), [
    ((60.0, 0.0), False),  # where it would be now
    ((45.0, 5.0), False),  # or stops on the way
    ((22.0, 0.0), False),  # or before it gets on
    ((75.0, 0.0), True),  # further than it comes
    ((45.0, 15.0), True),  # beside its way
    ((-20.0, 0.0), True),  # where it came from, long ago
])
def test_the_way_of_a_ball_is_not_ruled_out(place, out):
    assert ruled_out(place, 2, [*ROLLS, (0.2, [])], 0.3) == out


def test_a_ball_that_failed_in_the_frame_before_too_is_still_expected():
    assert not ruled_out((90.0, 0.0), 3, [*ROLLS, (0.2, []), (0.3, [])], 0.4)


def test_where_a_ball_is_found_just_afterwards_is_not_ruled_out():
    assert not ruled_out((200.0, 100.0), 1, [(0.0, []), (0.1, []), (0.2, [(203.0, 100.0)])], 0.3)
    assert ruled_out((200.0, 100.0), 1, [(0.0, []), (0.1, []), (0.2, [(223.0, 100.0)])], 0.3)


def test_two_balls_that_lie_still_are_no_ball_on_its_way_from_one_to_the_other():
    still = [(0.0, 0.0), (30.0, 0.0)]
    assert ruled_out((60.0, 0.0), 2, [(0.0, still), (0.1, still), (0.2, still)], 0.3)


def test_frames_of_the_same_time_do_no_harm():
    assert ruled_out((60.0, 0.0), 2, [(0.0, [(0.0, 0.0)]), (0.0, [(30.0, 0.0)]), (0.0, [])], 0.1)
