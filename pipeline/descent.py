"""Levenberg-Marquardt from many starts at once: each goes its own way, only their arithmetic is shared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.coordinates import Coordinates
from pipeline.motion_problem import MotionProblem
from pipeline.physics import Array

MOST_DAMPED = 8  # steps in a row that gain nothing
LONGEST_LOG_STEP = 0.5  # of a friction's logarithm


def descend(
    problem: MotionProblem, theta: Array, max_steps: int, enough: float = 0.003, held: Sequence[int] = ()
) -> tuple[Array, float]:
    """From one start; see ``descend_all``."""
    thetas, costs = descend_all(problem, theta[None], max_steps, enough, [held] if held else None)
    return thetas[0], float(costs[0])


def descend_all(
    problem: MotionProblem, starts: Array, max_steps: int, enough: float = 0.003,
    held: Sequence[Sequence[int]] | None = None, *, straightened: bool | None = None,
) -> tuple[Array, Array]:
    """Levenberg-Marquardt with Huber weights renewed at every step, until twice in a row a step gains too little.

    starts  : (S, n)
    enough  : of chi squared; a thousandth is a thirtieth of a standard uncertainty
    held    : for every start the parameters, or coordinates, left as they are
    straightened : whether to go by Coordinates; by default where nothing is held
    returns : where each ends (S, n), and the costs there (S,)
    """
    thetas = starts.copy()
    free = np.ones(thetas.shape, dtype=bool)
    for row, fixed in zip(free, held or [()] * len(starts), strict=True):
        row[list(fixed)] = False
    a, g, cost = problem.normal_equations(thetas)
    damping = np.full(len(starts), 1e-2)
    poor, damped, steps = (np.zeros(len(starts), dtype=int) for _ in range(3))
    active = np.arange(len(starts))
    straight = not held if straightened is None else straightened
    while len(active):
        if straight:
            coordinates = Coordinates.at(problem.layout, thetas[active], problem.last_s)
            at = coordinates.of(thetas[active])
            b = coordinates.matrix(at)
            bt = b.transpose(0, 2, 1)
            moved = _step(bt @ a[active] @ b, (bt @ g[active][..., None])[..., 0], damping[active], free[active])
            new = coordinates.parameters(at - moved)
        else:
            new = thetas[active] - _step(a[active], g[active], damping[active], free[active])
        new_a, new_g, new_cost = problem.normal_equations(new)
        better = np.isfinite(new_cost) & (new_cost < cost[active])
        went, worse = active[better], active[~better]
        gain = cost[went] - new_cost[better]
        thetas[went], a[went], g[went], cost[went] = new[better], new_a[better], new_g[better], new_cost[better]
        damping[went] = np.maximum(damping[went] * 0.15, 1e-9)
        damping[worse] *= 6
        damped[went] = 0
        damped[worse] += 1
        steps[went] += 1
        poor[went] = np.where(gain < enough, poor[went] + 1, 0)
        active = active[(poor[active] < 2) & (damped[active] < MOST_DAMPED) & (steps[active] < max_steps)]
    return thetas, cost


def _step(a: Array, g: Array, damping: Array, free: NDArray[np.bool_]) -> Array:
    """(S, n) damped Gauss-Newton steps; none along what isn't free."""
    both = free[:, :, None] & free[:, None, :]
    size = a.shape[-1]
    diagonal = np.where(free, a[:, np.arange(size), np.arange(size)], 1.0)
    system = np.where(both, a, 0.0)
    system[:, np.arange(size), np.arange(size)] = diagonal + damping[:, None] * (diagonal + 1e-12)
    step: Array = np.linalg.solve(system, np.where(free, g, 0.0)[..., None])[..., 0]
    step[:, :2] = np.clip(step[:, :2], -LONGEST_LOG_STEP, LONGEST_LOG_STEP)
    return step
