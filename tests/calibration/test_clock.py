"""A clip's clock: from stamps to the times at which frames were taken, and back."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.clock import AS_STAMPED, ClipClock

STEP = 1 / 30
STAMPS = np.arange(200) * STEP
#: frames 50, 51 and 120 of a camera are missing, 90 is twice there; 150 is shown again in the place of 151
CLOCK = ClipClock((STAMPS[89], STAMPS[149]), ((STAMPS[50], 2 * STEP), (STAMPS[90], -STEP), (STAMPS[119], STEP)))


def test_frames_are_put_at_the_times_at_which_they_were_taken():
    again = CLOCK.shows_again(STAMPS)
    assert np.flatnonzero(again).tolist() == [89, 149]
    taken = CLOCK.taken(STAMPS)[~again]
    assert np.round(taken / STEP).astype(int).tolist() == [
        *range(50), *range(52, 91), *range(91, 120), *range(121, 151), *range(152, 202)]
    assert CLOCK.stamped(taken) == pytest.approx(STAMPS[~again], abs=1e-9)
    assert AS_STAMPED.stamped(AS_STAMPED.taken(STAMPS)).tolist() == STAMPS.tolist()


def test_between_frames_that_are_missing_the_stamp_lies_before_the_next():
    for taken_s in (49.5 * STEP, 50.5 * STEP, 51.9 * STEP):
        stamp_s = float(CLOCK.stamped(taken_s))
        assert STAMPS[49] < stamp_s < STAMPS[50]
        assert CLOCK.taken(stamp_s) <= taken_s
