"""Profiles across edges that lens and motion blur, against the sweep and the blur done step by step."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from pipeline.detect_profiles import EdgeProfiles

EDGES = EdgeProfiles.over(2.4, 3.2, 17)
FINE = 0.002


def swept_step(s, half_px, edge_px):
    """A step at 0 blurred by the lens and swept, as the mean of what it shows at many moments."""
    moments = np.linspace(-half_px, half_px, 4001)
    return norm.cdf((s[:, None] - moments) / edge_px).mean(axis=1)


@pytest.mark.parametrize("half_px", [0.0, 1.0, 2.5, 6.0])
def test_a_swept_edge_is_what_is_expected(half_px):
    edge_px = 0.95
    blur_px = np.sqrt(edge_px**2 + half_px**2 / 3)
    level = int(EDGES.swept(np.array(half_px), np.array(blur_px)))
    seen = swept_step(EDGES.s * blur_px, half_px, edge_px)
    off = np.abs(EDGES.functions[level, 2] - seen).max()
    assert off < 0.015
    if half_px > 2.0:
        assert np.abs(EDGES.functions[0, 2] - seen).max() > 2 * off  # a normal blur as wide


@pytest.mark.parametrize("level", range(len(EDGES.functions)))
def test_what_a_displacement_adds_is_the_functions_slope(level):
    there = EdgeProfiles.over(2.4 - FINE, 3.2 + FINE, 17).functions[level]
    here = EDGES.functions[level]
    slope = (here[[0, 1, 3]] - there[[0, 1, 3]]) / FINE  # the samples lie further out: the edge further in
    assert here[4:] == pytest.approx(slope, abs=0.02)


def test_limb_and_shade_are_blurred_alike():
    fine = np.arange(-12, 12, 0.005)
    falls = [np.sqrt(np.clip(-fine, 0, None)), np.clip(fine, 0, None)]
    for function, fall in zip((1, 3), falls, strict=True):
        blurred = np.interp(EDGES.s, fine, gaussian_filter1d(fall, 1 / 0.005, truncate=6))
        assert EDGES.functions[0, function] == pytest.approx(blurred, abs=0.01)


def test_products_of_rays_with_different_sweeps():
    rng = np.random.default_rng(2)
    profiles, swept = rng.normal(size=(3, 2, 5, 17)), rng.integers(0, len(EDGES.functions), (3, 2, 5))
    expected = np.einsum("nckim,nckm->inck", EDGES.functions[swept], profiles)
    assert EDGES.seen(profiles, swept) == pytest.approx(expected)
    each = EDGES.functions[swept]
    assert EDGES.gram(swept) == pytest.approx(np.einsum("nckim,nckjm->ijnck", each, each))
    alike = np.full((3, 2, 5), 4)
    assert EDGES.seen(profiles, alike) == pytest.approx(np.einsum("im,nckm->inck", EDGES.functions[4], profiles))
    assert EDGES.gram(alike)[:, :, 0, 0, 0] == pytest.approx(EDGES.functions[4] @ EDGES.functions[4].T)
