"""How much noisier a ball's frames are than stated, as the residuals of a fit show it."""

from __future__ import annotations

import math

import numpy as np

from pipeline.motion_problem import MotionProblem
from pipeline.paths import Path
from pipeline.physics import Array

STILL_MM_S = 20.0  # slower is as good as at rest
LEAST_NOISE = 0.6  # of the stated noise; residuals may show it to be less, but not by more than this
_FEW = 12  # frames that tell of no noise
_NORMAL = 1.1774  # median of a 2-D normal's distance, in its standard deviations: sqrt(2 ln 2)


def noise_scales(problem: MotionProblem, theta: Array, *, apart: bool = False) -> dict[str, float]:
    """By ball, residuals over stated noise, widened where neighbouring frames err alike.

    From the median, so that a few wrong frames do not count. Errors that last over frames (a mark, a shadow, what an
    encoder takes over from the frame before) average out less: the variance of a mean of n values with correlation r
    from one to the next is (1+r)/(1-r) times that of independent ones.

    apart : without what systematic effects make alike, where these are carried apart. Not to tell by it whether a fit
            is poor: a wrong one leaves residuals alike, too
    """
    if not apart:
        return {ball: _of_ball(problem, ball, theta) for ball in problem.seen}
    left = _left_by_effects(problem, theta)
    return {ball: _of_ball(problem, ball, theta, left[problem.rows_of(ball)]) for ball in problem.seen}


def _left_by_effects(problem: MotionProblem, theta: Array) -> Array:
    """(N, 2, Q): how systematic effects show in the whitened residuals after the fit has given way to them."""
    a = problem.normal_equations(theta)[0]
    scale = 1 / np.sqrt(np.diag(a) + 1e-12)
    equations = a * scale[:, None] * scale
    equations[np.diag_indices(len(a))] += 1e-9
    r, j = problem.slopes(theta)
    effects = problem.white_effects
    push = (j * np.repeat(problem.weights(r), 2)[:, None]).T @ effects
    left = effects - j @ (scale[:, None] * np.linalg.solve(equations, push * scale[:, None]))
    return np.asarray(left.reshape(len(left) // 2, 2, problem.effects))


def _of_ball(problem: MotionProblem, ball: str, theta: Array, left: Array | None = None) -> float:
    """``left`` (N, 2, Q): what systematic effects leave in its residuals, which is not to count as alike."""
    s = problem.seen[ball]
    z = problem.observed(ball, theta)
    v = Path(problem.layout, theta, [ball]).states(ball, s.t_s)[1][0]
    moving = np.hypot(v[:, 0], v[:, 1]) > STILL_MM_S
    if moving.sum() < _FEW:  # at rest frames repeat each other and say little of the noise in motion
        size = np.linalg.norm(z, axis=1)
        return max(1.0, float(np.median(size)) / _NORMAL) if len(size) >= 8 else 1.0
    plain = max(LEAST_NOISE, float(np.median(np.linalg.norm(z[moving], axis=1))) / _NORMAL)
    own = np.clip(z[moving], -3 * plain, 3 * plain)
    r = float((own[1:] * own[:-1]).sum() / max((own**2).sum(), 1e-12))
    r += (len(problem.layout.columns(ball)) - 2) / (2 * len(own))  # what follows the frames leaves them less alike
    if left is not None:
        lasting = left[moving]
        r -= float((lasting[1:] * lasting[:-1]).sum()) / (2 * (len(own) - 1)) / plain**2
    r = min(max(r, 0.0), 0.9)
    return plain * math.sqrt((1 + r) / (1 - r))
