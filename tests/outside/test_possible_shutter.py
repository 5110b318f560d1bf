"""A shutter can't be open longer than a frame lasts."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.shutter import possible_shutter

EVEN = np.full(60, 1 / 30)


@pytest.mark.parametrize("shutter_s", [1 / 250, 1 / 30, 0.0345])
def test_a_shutter_no_longer_than_a_frame_is_used(shutter_s):
    assert possible_shutter(shutter_s, EVEN) == (shutter_s, "")


def test_a_longer_one_is_not_used_and_named():
    used, words = possible_shutter(0.25, EVEN)
    assert used is None
    assert words == ("a shutter of 1/4 s is longer than a frame of 33 ms: not used; give this camera's as [camera] "
                     "shutter_s in session.toml, or leave it out: balls' smears tell it")
    assert possible_shutter(1 / 25, EVEN)[0] is None


def test_where_frames_last_unevenly_the_long_ones_count():
    """A camera that makes fewer frames in dim light opens its shutter for as long as those last."""
    uneven = np.array([1 / 60] * 60 + [1 / 24] * 20)
    assert possible_shutter(1 / 25, uneven) == (1 / 25, "")
    assert possible_shutter(1 / 15, uneven)[0] is None
    gaps = np.array([1 / 60] * 60 + [0.5])  # frames are missing there
    assert possible_shutter(0.25, gaps)[0] is None


def test_nothing_is_said_where_nothing_is_given_or_known():
    assert possible_shutter(None, EVEN) == (None, "")
    assert possible_shutter(0.25, []) == (0.25, "")
