"""How far a ball moves during the exposure, next to a contact too."""

import numpy as np
import pytest

from pipeline.detect_motion import velocities

NONE = np.empty((0, 2))
STEP_S = 0.02
FAST, SLOW = np.array([3000.0, 1000.0]), np.array([-400.0, 900.0])


def places(event_s, times, incoming=FAST, outgoing=SLOW):
    """Of a ball that meets something at ``event_s`` in (500, 500)."""
    return [np.array([[500.0, 500.0] + (t - event_s) * (incoming if t < event_s else outgoing)]) for t in times]


def found(event_s, incoming=FAST, outgoing=SLOW, known=2, ahead=2, off_mm=0.0):
    times = np.arange(-2, 3) * STEP_S
    seen = list(zip(places(event_s, times, incoming, outgoing), times, strict=True))
    past = [seen[1], seen[0]][:known]
    return velocities(seen[2][0] + off_mm, NONE, 0.0, past, seen[3:][:ahead], 28.575)[0][0]


@pytest.mark.parametrize(("event_s", "true"), [
    (0.001, FAST), (0.012, FAST), (-0.012, SLOW), (-0.004, SLOW), (0.5, FAST), (-0.5, SLOW),
])
@pytest.mark.parametrize("ahead", [1, 2])
def test_a_ball_moves_as_it_came_until_the_contact_and_as_it_goes_on_after_it(event_s, true, ahead):
    assert found(event_s, ahead=ahead) == pytest.approx(true)


@pytest.mark.parametrize(("event_s", "true"), [(0.004, FAST), (-0.004, SLOW)])
def test_a_blurred_ball_need_not_be_found_exactly(event_s, true):
    assert found(event_s, off_mm=5.0) == pytest.approx(true, abs=2 * 5.0 / STEP_S)


def test_a_ball_about_to_be_struck_lies_still_and_a_struck_one_moves():
    still = np.zeros(2)
    assert found(0.005, still, FAST) == pytest.approx(still)
    assert found(-0.005, still, FAST) == pytest.approx(FAST)


def test_without_an_earlier_frame_a_contact_leaves_the_motion_open():
    assert found(0.012, known=1) == pytest.approx([0.0, 0.0])
    assert found(0.5, known=1) == pytest.approx(FAST)


def test_what_is_no_ball_does_not_move_to_where_one_is():
    ball, mark = np.array([[900.0, 500.0]]), np.array([[800.0, 500.0]])
    past, future = [(ball, -STEP_S), (ball, -2 * STEP_S)], [(ball, STEP_S), (ball, 2 * STEP_S)]
    assert velocities(mark, ball, 0.0, past, future, 28.575)[0][0] == pytest.approx([0.0, 0.0])


def test_in_a_clips_last_frame_a_ball_moves_as_it_came():
    assert found(0.5, ahead=0) == pytest.approx(FAST)
    assert found(0.5, ahead=0, known=1) == pytest.approx([0.0, 0.0])
    assert found(-0.012, ahead=0) == pytest.approx([0.0, 0.0])  # it turned between the two before


def test_a_ball_at_rest_does_not_move_in_a_clips_last_frame():
    here, other = np.array([[900.0, 500.0]]), np.array([[800.0, 500.0], [699.0, 500.0]])  # nearly in a row
    past = [(np.concatenate([here + 0.2, other]), -STEP_S), (np.concatenate([here - 0.1, other]), -2 * STEP_S)]
    v, guessed = velocities(here, NONE, 0.0, past, [], 28.575)
    assert np.hypot(*v[0]) < 50.0
    assert not guessed.any()


def test_in_a_clips_first_frame_nothing_is_known_to_move():
    seen = list(zip(places(0.5, np.arange(3) * STEP_S), np.arange(3) * STEP_S, strict=True))
    assert velocities(seen[0][0], NONE, 0.0, [], seen[1:], 28.575)[0][0] == pytest.approx([0.0, 0.0])
