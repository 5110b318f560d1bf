"""Balls lost to sight for a while are told of; a stray find here and there is no ball."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest

from pipeline.hidden_balls import hidden_words


def words(counts: Sequence[int], rate: float) -> str:
    looked_at = pd.DataFrame({"frame": range(len(counts)), "t_s": np.arange(len(counts)) / rate})
    return hidden_words(pd.DataFrame({"frame": np.repeat(np.arange(len(counts)), counts)}), looked_at)


@pytest.mark.parametrize("rate", [25.0, 60.0, 240.0])
def test_stray_finds_are_no_balls(rate):
    counts = np.full(int(5 * rate), 3)
    counts[[0, 3, -5]] = 4
    assert not words(counts, rate)


@pytest.mark.parametrize("rate", [25.0, 60.0, 240.0])
def test_balls_in_shadow_for_a_second_are_told_of(rate):
    counts = np.full(int(5 * rate), 3)
    counts[int(2 * rate) : int(3 * rate)] = 1
    counts[5] = 4
    assert f"in {int(rate)} of {len(counts)} frames, between 2.00 and" in words(counts, rate)


def test_balls_that_a_flickering_lamp_shows_now_and_then_lie_there_all_the_time():
    counts = np.where(np.arange(600) % 3, 0, 2)
    assert "fewer balls were found" in words(counts, 60.0)


def test_a_ball_that_falls_is_not_hidden():
    assert not words([3] * 150 + [2] * 150, 60.0)
    assert not words([0] * 30, 60.0)
