"""What the residuals of a ball's frames say of its noise, and what they don't say of its streaks'."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.detect_edges import streak_u
from pipeline.shot_fit import scaled_noise

RADIUS_MM = 28.575


def noise(streak_mm: float) -> np.ndarray:
    """(1, 2, 2) mm^2 of a ball that smears so far along 30 degrees."""
    ahead = np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    along = float(streak_u(np.array(streak_mm), 2 * RADIUS_MM))
    return (0.16 * np.eye(2) + along**2 * np.outer(ahead, ahead))[None]


def along_and_across(covariance: np.ndarray) -> np.ndarray:
    return np.sqrt(np.linalg.eigvalsh(covariance[0]))[::-1]


def test_quiet_frames_say_nothing_of_long_streaks():
    stated, scaled = along_and_across(noise(60.0)), along_and_across(scaled_noise(noise(60.0), 0.6, RADIUS_MM))
    assert scaled[1] == pytest.approx(0.6 * stated[1])
    assert 0.98 * stated[0] < scaled[0] < stated[0]


@pytest.mark.parametrize("streak_mm", [0.0, 10.0, 28.0])
def test_but_they_do_of_short_ones(streak_mm):
    assert scaled_noise(noise(streak_mm), 0.6, RADIUS_MM) == pytest.approx(0.36 * noise(streak_mm))


def test_noise_that_shows_to_be_larger_is_so_along_a_streak_too():
    assert scaled_noise(noise(60.0), 1.5, RADIUS_MM) == pytest.approx(2.25 * noise(60.0))
