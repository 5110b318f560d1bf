"""Where balls smear over more than their width, that is why a shot is lost, and a shorter shutter the remedy."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.faults import Fault
from pipeline.paths import Seen
from pipeline.shot_motion import FollowedShot
from pipeline.shots import _smeared
from pipeline.streaks import REMEDY, fastest_mm_s, streak_words
from pipeline.strikes import Strike

RADIUS_MM = 28.6


def seen(xy, rate: float = 30.0) -> Seen:
    xy = np.array(xy, dtype=float)
    n = len(xy)
    return Seen("a", np.arange(n) / rate, xy, np.tile(np.eye(2), (n, 1, 1)), np.zeros((n, 2, 0)))


ROLLS = seen([(100 * n, 0) for n in range(6)])  # 3 m/s


def test_a_ball_is_as_fast_as_it_goes_on():
    assert fastest_mm_s(ROLLS) == pytest.approx(3000)
    assert fastest_mm_s(seen([(0, 0), (0, 0), (300, 0), (0, 0), (0, 0)])) == 0  # found elsewhere for once
    assert fastest_mm_s(seen([(0, 0), (900, 0), (1800, 0)])) == 0  # nobody hits as hard
    assert fastest_mm_s(seen([(0, 0), (100, 0)])) == 0


def test_a_streak_longer_than_a_ball_is_named_with_what_to_do():
    words = streak_words([ROLLS], 1 / 33, RADIUS_MM)
    assert words == ("balls smear over 91 mm, more than their width, in a shutter of about 1/33 s, and can't be "
                     f"followed: {REMEDY}")
    assert streak_words([ROLLS], 1 / 60, RADIUS_MM) == ""
    assert streak_words([ROLLS], None, RADIUS_MM) == ""
    assert streak_words([], 1 / 33, RADIUS_MM) == ""


@pytest.mark.parametrize(("lost", "told"), [("a ball was overlooked", True), ("the picture froze", False)])
def test_it_is_the_reason_of_a_lost_shot_unless_the_recording_was_faulty(lost, told):
    strike = Strike("a", 0.05, 1.0)
    followed = FollowedShot(strike, {}, {}, None, {}, lost)
    faults = [Fault(0.0, 0.1, "the picture froze")]
    smeared = _smeared(followed, {"a": ROLLS}, 1 / 33, RADIUS_MM, faults).lost
    assert smeared.startswith("balls smear over 91 mm") == told
    assert lost in smeared
    assert _smeared(followed, {"a": ROLLS}, 1 / 250, RADIUS_MM, faults).lost == lost
    later = FollowedShot(Strike("a", 0.5, 1.0), {}, {}, None, {}, lost)  # when nothing moves
    assert _smeared(later, {"a": ROLLS}, 1 / 33, RADIUS_MM, []).lost == lost
