"""Compiled functions of the fit: against their plain counterparts, against small steps, and there and back."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from pipeline import compiled_descent, compiled_frames, compiled_motion
from pipeline.knowledge import Knowledge
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Layout, MotionEvent, Path, Seen
from pipeline.physics import Friction, slide_delay, state_after
from shared.equipment import standard_table

TABLE = standard_table()
LAYOUT = Layout(["cue", "object"], [
    MotionEvent("strike", 0.4, "cue"), MotionEvent("ball", 0.6, "cue", "object"),
    MotionEvent("cushion", 1.6, "object", "left"), MotionEvent("jaw", 2.4, "cue", "foot"),
])


@pytest.fixture
def thetas():
    """Two vectors of parameters; in the first the cue ball slides all the way to the hit."""
    rng = np.random.default_rng(3)
    out = rng.normal(0, 400.0, (2, LAYOUT.size))
    out[:, :2] = np.log([0.2, 0.01])
    out[:, 2:6] = [0.4, 0.6, 1.6, 2.4]
    at = LAYOUT.leg["cue", 0]
    out[0, at : at + 4] = [1800.0, 900.0, -200.0, -100.0]
    out[1, at : at + 4] = [1800.0, 900.0, 1700.0, 850.0]
    return out


@pytest.fixture
def problem(thetas):
    """Frames near the second vector's paths, some far off."""
    rng = np.random.default_rng(5)
    t = np.arange(0.3, 3.0, 0.02)
    path = Path(LAYOUT, thetas[1])
    seen = {}
    for ball in LAYOUT.balls:
        root = rng.normal(0, 0.4, (len(t), 2, 2))
        places = path.states(ball, t)[0][0] + rng.normal(0, 1.0, (len(t), 2))
        places[::9] += 40.0
        seen[ball] = Seen(ball, t, places, root @ root.transpose(0, 2, 1) + 0.3 * np.eye(2), np.zeros((len(t), 2, 0)))
    return MotionProblem(LAYOUT, seen, Knowledge(TABLE, Friction()))


def _own(problem, ball, theta):
    """One ball's residuals (2N,) and their slopes (2N, n)."""
    z, slopes = problem.slopes(theta)
    rows = problem.rows_of(ball)
    both = slice(2 * rows.start, 2 * rows.stop)
    return z[both], slopes[both]


def _drawn(rng, n):
    return rng.normal(0, 800, (n, 2)), rng.normal(0, 800, (n, 2)), rng.normal(0, 500, (n, 2)), rng.uniform(-0.2, 6, n)


def test_a_balls_motion_is_that_of_the_plain_closed_forms():
    v, roll, start, tau = _drawn(np.random.default_rng(1), 300)
    plain = np.concatenate(state_after(start, v, roll, tau, 0.2, 0.01), axis=1)
    delays = slide_delay(v, roll, 0.2)
    for k in range(300):
        got = compiled_motion.state_after(*start[k], *v[k], *roll[k], tau[k], 0.2, 0.01)
        assert got == pytest.approx(plain[k], rel=1e-12, abs=1e-8)
        assert compiled_motion.slide_delay(*v[k], *roll[k], 0.2) == pytest.approx(delays[k], abs=1e-15)


def test_balls_are_walked_from_event_to_event_as_by_the_plain_path(thetas, problem):
    for theta in thetas:
        times, before = np.zeros(4), np.zeros((4, 2, 6))
        compiled_motion.walk(problem.arrays, theta, times, before)
        path = Path(LAYOUT, theta)
        assert times == pytest.approx([path.time(i)[0] for i in range(4)])
        for (ball, i), state in path.before.items():
            side = 0 if LAYOUT.events[i].ball == ball else 1
            assert before[i, side] == pytest.approx(np.concatenate([part[0] for part in state]))


def test_slopes_of_a_place_are_those_of_small_steps():
    n = 300
    v, roll, start, tau = _drawn(np.random.default_rng(1), n)
    rng = np.random.default_rng(2)
    logs = np.log(np.column_stack([rng.uniform(0.1, 0.4, n), rng.uniform(0.004, 0.02, n)]))
    at = np.column_stack([start, v, roll, np.zeros(n), logs])

    def place(values):
        return state_after(values[:, :2], values[:, 2:4], values[:, 4:6], tau - values[:, 6], np.exp(values[:, 7]),
                           np.exp(values[:, 8]))[0]

    moved, slopes = np.zeros(2 * n), np.zeros((2 * n, 9))
    for k in range(n):
        compiled_frames.place_slopes(*v[k], *roll[k], tau[k], *np.exp(logs[k]), moved, slopes, 2 * k)
    assert start + moved.reshape(n, 2) == pytest.approx(place(at), abs=1e-8)
    for k, step in enumerate([1e-3] * 6 + [1e-6] * 3):
        change = np.zeros(9)
        change[k] = step
        slope = (place(at + change) - place(at - change)) / (2 * step)
        off = np.abs(slope - slopes[:, k].reshape(n, 2))
        assert np.quantile(off, 0.99) < 1e-4  # the rest: a step across a phase's end


def test_normal_equations_are_those_of_weighted_residuals_and_their_slopes(thetas, problem):
    for theta in thetas:
        a, g, cost = problem.normal_equations(theta)
        assert cost == pytest.approx(problem.cost(theta))
        alone = replace(problem.seen["cue"], covariance=1e12 * problem.seen["cue"].covariance)
        apart = MotionProblem(LAYOUT, {**problem.seen, "cue": alone}, problem.knowledge)
        less_a, less_g, less = apart.normal_equations(theta)
        z, slopes = _own(problem, "cue", theta)
        assert z == pytest.approx(problem.observed("cue", theta).reshape(-1))
        weight = problem.weights(z)
        doubled = np.repeat(weight, 2)
        expected = (slopes.T * doubled) @ slopes
        scale = np.sqrt(np.outer(np.diag(a), np.diag(a)))
        assert (a - less_a) / scale == pytest.approx(expected / scale, abs=1e-6)
        pull = (slopes.T * doubled) @ z
        assert (g - less_g) / np.sqrt(np.diag(a)) == pytest.approx(pull / np.sqrt(np.diag(a)), abs=1e-4)
        size = np.linalg.norm(z.reshape(-1, 2), axis=1)
        huber = np.where(size <= 2.5, size**2, 5 * size - 6.25).sum()
        assert cost - less == pytest.approx(huber, rel=1e-6)


def test_slopes_of_a_balls_residuals_are_those_of_small_steps(thetas, problem):
    theta = thetas[1]
    for ball in LAYOUT.balls:
        z, slopes = _own(problem, ball, theta)
        for column in range(LAYOUT.size):
            there = theta.copy()
            there[column] += LAYOUT.steps[column]
            stepped = (problem.observed(ball, there).reshape(-1) - z) / LAYOUT.steps[column]
            size = max(float(np.abs(stepped).max()), 1e-3)
            assert np.quantile(np.abs(stepped - slopes[:, column]), 0.97) < 1e-2 * size


def test_a_descent_ends_where_the_cost_has_no_slope():
    """A ball struck with some draw, which comes back from the foot cushion."""
    layout = Layout(["cue"], [MotionEvent("strike", 0.3, "cue"), MotionEvent("cushion", 1.2, "cue", "foot")])
    theta = np.zeros(layout.size)
    theta[:4] = *np.log([0.2, 0.01]), 0.3, 9.0
    theta[layout.place["cue"] : layout.place["cue"] + 2] = 1600.0, 600.0
    theta[layout.leg["cue", 0] : layout.leg["cue", 0] + 4] = 1500.0, 200.0, -300.0, -40.0
    reach = TABLE.length_mm - TABLE.contact_distance_mm(TABLE.ball.radius_mm)
    met = np.interp(reach, Path(layout, theta).states("cue", np.linspace(0.4, 1.9, 500))[0][0][:, 0],
                    np.linspace(0.4, 1.9, 500))
    theta[3] = met
    assert 0.8 < met < 1.8
    theta[layout.leg["cue", 1] : layout.leg["cue", 1] + 4] = -900.0, 130.0, -100.0, 130.0
    t = np.arange(0.0, 3.0, 0.02)
    xy = Path(layout, theta).states("cue", t)[0][0] + np.random.default_rng(8).normal(0, 0.3, (len(t), 2))
    seen = {"cue": Seen("cue", t, xy, np.repeat(0.09 * np.eye(2)[None], len(t), axis=0), np.zeros((len(t), 2, 0)))}
    problem = MotionProblem(layout, seen, Knowledge(TABLE, Friction()))
    rng = np.random.default_rng(0)
    covariance = np.linalg.inv(problem.normal_equations(theta)[0])
    start = theta + 3 * np.linalg.cholesky(covariance) @ rng.normal(size=len(theta))
    found, cost = compiled_descent.descend(problem.arrays, start, np.ones(len(theta), dtype=bool), 200, 1e-9, True)
    assert cost < problem.cost(theta) < problem.cost(start)
    a, g, _ = problem.normal_equations(found)
    assert g @ np.linalg.solve(a, g) < 1e-4  # what another step would gain
    assert (found - theta) @ a @ (found - theta) < 3 * len(theta)


def test_what_is_held_stays(thetas, problem):
    free = np.ones(LAYOUT.size, dtype=bool)
    free[[3, 10]] = False
    theta, _ = compiled_descent.descend(problem.arrays, thetas[1], free, 20, 1e-3, False)
    assert (theta[[3, 10]] == thetas[1][[3, 10]]).all()
    assert (theta[free] != thetas[1][free]).any()


def test_a_start_of_no_sense_ends_where_it_began(problem):
    start = np.full(LAYOUT.size, np.nan)
    free = np.ones(LAYOUT.size, dtype=bool)
    theta, cost = compiled_descent.descend(problem.arrays, start, free, 20, 1e-3, True)
    assert np.isnan(theta).all()
    assert np.isnan(cost)


def test_coordinates_lead_there_and_back(thetas, problem):
    slid = [compiled_descent.slides(problem.arrays, theta) for theta in thetas]
    struck = list(problem.arrays.legs[:, 0]).index(LAYOUT.leg["cue", 0])
    assert [bool(sliding[struck]) for sliding in slid] == [True, False]
    for theta, sliding in zip(thetas, slid, strict=True):
        at = compiled_descent.to_coordinates(problem.arrays, theta, sliding)
        assert compiled_descent.to_parameters(problem.arrays, at, sliding) == pytest.approx(theta, abs=1e-8)


def test_their_matrix_is_that_of_small_steps(thetas, problem):
    shot = problem.arrays
    for theta in thetas:
        sliding = compiled_descent.slides(shot, theta)
        at = compiled_descent.to_coordinates(shot, theta, sliding)
        matrix = compiled_descent.matrix(shot, at, sliding)
        for k in range(LAYOUT.size):
            change = np.zeros(LAYOUT.size)
            change[k] = 1e-5
            there = compiled_descent.to_parameters(shot, at + change, sliding)
            back = compiled_descent.to_parameters(shot, at - change, sliding)
            assert (there - back) / 2e-5 == pytest.approx(matrix[:, k], rel=1e-3, abs=1e-4)


_SMALL = """
import sys
if "full" in sys.argv:
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
from pipeline import compiled
import numba
before = numba.config.CACHE_DIR
@compiled.compiled
def twice(x: float) -> float:
    return 2 * x
print(twice(21.0), numba.config.CACHE_DIR == before)
"""


@pytest.mark.parametrize(("named_by", "home", "kept"), [
    ("XDG_CACHE_HOME", "kept", True), ("NUMBA_CACHE_DIR", "kept", True), ("XDG_CACHE_HOME", "blocked", False),
    pytest.param("XDG_CACHE_HOME", "full", False, marks=pytest.mark.skipif(sys.platform == "win32", reason="limits")),
])
def test_compiled_functions_are_kept_in_the_users_cache_or_go_without(tmp_path, named_by, home, kept):
    """Under a hash of all modules wherever it is: Numba itself doesn't see that what a function calls has changed.

    Where nothing can be kept there, or the disk is full, all works as ever; and others who use Numba in the process
    keep their place. A tiny function, not to wait for the fit's.
    """
    module, place = tmp_path / "small.py", tmp_path / "cache"
    module.write_text(_SMALL)
    if home == "blocked":
        place.write_text("a file, in which there can be no folder")
    env = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"} | {named_by: str(place)}
    env["PYTHONDONTWRITEBYTECODE"] = "1"
    out = subprocess.run([sys.executable, str(module), home], env=env, capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["42.0", "True"]
    found = [path.relative_to(tmp_path).parts for path in tmp_path.rglob("*.nbc")]
    assert bool(found) == kept
    assert all(parts[:2] == ("cache", "reboundry") for parts in found)
