"""Samples of many windows taken in one go."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.detect_patch import Mosaic, Patch, cut
from pipeline.frames import Frame


@pytest.fixture
def frame() -> Frame:
    """Luma and chroma that grow evenly, so that a bilinear sample is known."""
    y, x = np.mgrid[0:120, 0:160]
    cy, cx = np.mgrid[0:60, 0:80]
    return Frame(0, 0.0, (x + y // 2).astype(np.uint8), ((2 * cx).astype(np.uint8), (3 * cy).astype(np.uint8)))


def test_samples_come_from_each_places_own_patch(frame):
    places = np.array([[40.0, 30.0], [100.0, 80.0], [3.0, 117.0]])  # the last window is cut by two edges
    mosaic = Mosaic([cut(frame, place, 12.0) for place in places])
    x, y = places[:, :1] + [0.0, 0.5], places[:, 1:] + [0.0, 1.0]
    found = mosaic.sample((x, y))
    assert found.shape == (3, 3, 2)
    assert found[:, 0, 0] == pytest.approx(places[:, 0] + places[:, 1] // 2)
    assert found[:, 1] == pytest.approx(2 * (x - 0.5) / 2, abs=2 / 32)
    assert found[:, 2] == pytest.approx(3 * (y - 0.5) / 2, abs=3 / 32)


def test_a_sample_is_the_same_wherever_its_patch_lies(frame):
    rng = np.random.default_rng(2)
    noise = Frame(0, 0.0, *(rng.integers(0, 255, (120, 160)).astype(np.uint8),
                            tuple(rng.integers(0, 255, (60, 80)).astype(np.uint8) for _ in range(2))))
    patches = [cut(noise, np.array([60.0, 50.0]), 12.0), cut(noise, np.array([30.0, 70.0]), 16.0)]
    x, y = rng.uniform(55, 65, (1, 200)), rng.uniform(45, 55, (1, 200))
    alone = Mosaic(patches[:1]).sample((x, y))
    among = Mosaic([*patches[::-1], *patches]).sample((x, y), of=np.array([2]))
    first = Mosaic([*patches[::-1], *patches]).sample((x, y), of=np.array([1]))
    assert among == pytest.approx(alone, abs=0.01)
    assert np.array_equal(among[:, 1:], alone[:, 1:])
    assert np.array_equal(first[:, 1:], alone[:, 1:])


def test_beyond_a_patch_is_its_edge():
    patch = Patch(10, 20, np.full((8, 8), 7, np.uint8), (np.full((4, 4), 9, np.uint8), np.full((4, 4), 11, np.uint8)))
    other = Patch(0, 0, np.full((8, 8), 99, np.uint8), (np.full((4, 4), 99, np.uint8), np.full((4, 4), 99, np.uint8)))
    x, y = np.array([[2.0, 30.0, 14.0]]), np.array([[24.0, 24.0, 60.0]])
    found = Mosaic([other, patch, other]).sample((x, y), of=np.array([1]))
    assert found[0].tolist() == [[7.0] * 3, [9.0] * 3, [11.0] * 3]
