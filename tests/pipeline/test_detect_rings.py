"""Rings: what looks like the cloth inside but has an outline of a ball's size."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.detect_rings import RingFinder

NOISE = np.array([1.0, 0.7, 0.7])


def _cloth(seed: int, shape: tuple[int, int] = (60, 80)) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [120 + rng.normal(0, sigma, shape) for sigma in NOISE]


def _away(column: float, row: float, shape: tuple[int, int] = (60, 80)) -> np.ndarray:
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return np.hypot(columns - column, rows - row)


@settings(max_examples=40, deadline=None)
@given(
    radius=st.floats(2.5, 5.0), column=st.floats(20, 60), row=st.floats(20, 40), darker=st.floats(5, 40),
    plane=st.integers(0, 2), seed=st.integers(0, 9999),
)
def test_a_thin_dark_rim_around_cloth_is_found(radius, column, row, darker, plane, seed):
    planes = _cloth(seed)
    planes[plane] -= darker * NOISE[plane] * np.exp(-(((_away(column, row) - radius) / 0.8) ** 2))
    share = RingFinder(radius).share(planes, NOISE)
    at = np.unravel_index(share.argmax(), share.shape)
    assert np.hypot(at[1] - column, at[0] - row) < max(0.5 * radius, 1.5)
    far = _away(column, row) > 3 * radius
    assert share[far].max() < share.max()


@settings(max_examples=25, deadline=None)
@given(radius=st.floats(2.5, 5.0), step=st.floats(10, 100), turned=st.floats(0, np.pi), seed=st.integers(0, 9999))
def test_a_straight_edge_is_no_ring(radius, step, turned, seed):
    rows, columns = np.mgrid[:60, :80]
    side = (columns - 40) * np.cos(turned) + (rows - 30) * np.sin(turned)
    planes = _cloth(seed)
    planes[0] = planes[0] + step * (side > 0)
    assert RingFinder(radius).share(planes, NOISE).max() < 0.5


def test_bright_on_one_side_and_dark_on_the_other_is_a_ring_all_the_same():
    planes = _cloth(1)
    _, columns = np.mgrid[:60, :80]
    rim = np.exp(-(((_away(40, 30) - 4) / 0.8) ** 2))
    planes[0] += 20 * rim * np.sign(columns - 40.5)
    share = RingFinder(4.0).share(planes, NOISE)
    at = np.unravel_index(share.argmax(), share.shape)
    assert np.hypot(at[1] - 40, at[0] - 30) < 2
    assert share.max() > 0.6


def test_only_cloth_shows_no_ring():
    assert RingFinder(3.0).share(_cloth(2), NOISE).max() < 0.3
