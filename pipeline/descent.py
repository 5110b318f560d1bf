"""Levenberg-Marquardt from one start or several, each for itself; the work is done in `pipeline.compiled_descent`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline import compiled_descent
from pipeline.motion_problem import MotionProblem
from pipeline.physics import Array


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
    straightened : whether to go by the coordinates of `pipeline.compiled_descent`; by default where nothing is held
    returns : where each ends (S, n), and the costs there (S,)
    """
    straight = not held if straightened is None else straightened
    thetas, costs = np.empty(starts.shape), np.empty(len(starts))
    for k, (start, fixed) in enumerate(zip(starts, held or [()] * len(starts), strict=True)):
        free = np.ones(starts.shape[1], dtype=np.bool_)
        free[list(fixed)] = False
        begun = np.ascontiguousarray(start)
        thetas[k], costs[k] = compiled_descent.descend(problem.arrays, begun, free, max_steps, float(enough), straight)
    return thetas, costs


def slides_to_end(problem: MotionProblem, theta: Array) -> dict[int, bool]:
    """By where a leg's parameters begin: whether its ball slides to the leg's end, or until it was last seen."""
    sliding: NDArray[np.bool_] = compiled_descent.slides(problem.arrays, np.ascontiguousarray(theta))
    return {int(leg[0]): bool(so) for leg, so in zip(problem.arrays.legs, sliding, strict=True)}
