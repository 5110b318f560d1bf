"""The fit's closed forms against small steps, and its coordinates there and back."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.coordinates import Coordinates
from pipeline.paths import Layout, MotionEvent
from pipeline.physics import position_derivatives, state_after

LAYOUT = Layout(["cue", "object"], [
    MotionEvent("strike", 0.4, "cue"), MotionEvent("ball", 0.6, "cue", "object"),
    MotionEvent("cushion", 1.6, "object", "left"),
])


@pytest.fixture
def theta():
    """Two vectors of parameters; in the first the cue ball slides all the way to the hit."""
    rng = np.random.default_rng(3)
    out = rng.normal(0, 400.0, (2, LAYOUT.size))
    out[:, :2] = np.log([0.2, 0.01])
    out[:, 2:5] = [0.4, 0.6, 1.6]
    at = LAYOUT.leg["cue", 0]
    out[0, at : at + 4] = [1800.0, 900.0, -200.0, -100.0]
    out[1, at : at + 4] = [1800.0, 900.0, 1700.0, 850.0]
    return out


def test_derivatives_of_a_place_are_those_of_small_steps():
    rng = np.random.default_rng(1)
    n = 500
    v, roll = rng.normal(0, 800, (n, 2)), rng.normal(0, 800, (n, 2))
    start, tau = rng.normal(0, 500, (n, 2)), rng.uniform(-0.2, 6, n)
    logs = np.log(np.column_stack([rng.uniform(0.1, 0.4, n), rng.uniform(0.004, 0.02, n)]))
    at = np.column_stack([start, v, roll, np.zeros(n), logs])

    def place(values):
        return state_after(values[:, :2], values[:, 2:4], values[:, 4:6], tau - values[:, 6], np.exp(values[:, 7]),
                           np.exp(values[:, 8]))[0]

    moved, slopes = position_derivatives(v, roll, tau, *np.exp(logs).T)
    assert start + moved == pytest.approx(place(at), abs=1e-9)
    for k, step in enumerate([1e-3] * 6 + [1e-6] * 3):
        change = np.zeros(9)
        change[k] = step
        slope = (place(at + change) - place(at - change)) / (2 * step)
        assert np.quantile(np.abs(slope - slopes[..., k]), 0.99) < 1e-4  # the rest: a step across a phase's end


def test_coordinates_lead_there_and_back(theta):
    there = Coordinates.at(LAYOUT, theta, {"cue": 3.0, "object": 3.0})
    assert there.slides[:, list(LAYOUT.leg).index(("cue", 0))].tolist() == [True, False]
    assert there.parameters(there.of(theta)) == pytest.approx(theta, abs=1e-8)


def test_their_matrix_is_that_of_small_steps(theta):
    there = Coordinates.at(LAYOUT, theta, {"cue": 3.0, "object": 3.0})
    at = there.of(theta)
    matrix = there.matrix(at)
    for k in range(LAYOUT.size):
        change = np.zeros(LAYOUT.size)
        change[k] = 1e-5
        slope = (there.parameters(at + change) - there.parameters(at - change)) / 2e-5
        assert slope == pytest.approx(matrix[:, :, k], rel=1e-3, abs=1e-4)
