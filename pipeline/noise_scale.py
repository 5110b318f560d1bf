"""How much noisier a ball's frames are than stated, as the residuals of a fit show it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.motion_problem import MotionProblem
from pipeline.paths import Path
from pipeline.physics import Array

STILL_MM_S = 20.0  # slower is as good as at rest
LEAST_NOISE = 0.6  # of the stated noise; residuals may show it to be less, but not by more than this
_FEW = 12  # frames that tell of no noise
_NORMAL = 1.1774  # median of a 2-D normal's distance, in its standard deviations: sqrt(2 ln 2)


@dataclass(frozen=True)
class NoiseScale:
    """Of one ball, over its stated noise."""

    seen: float  # all that residuals show, to tell by it whether a fit is poor
    own: float  # without what systematic effects make alike in them, which are carried apart


def noise_scales(problem: MotionProblem, theta: Array) -> dict[str, NoiseScale]:
    """By ball, residuals over stated noise, widened where neighbouring frames err alike.

    From the median, so that a few wrong frames do not count. Errors that last over frames (a mark, a shadow, what an
    encoder takes over from the frame before) average out less: the variance of a mean of n values with correlation r
    from one to the next is (1+r)/(1-r) times that of independent ones.
    """
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


def _of_ball(problem: MotionProblem, ball: str, theta: Array, left: Array) -> NoiseScale:
    """``left`` (N, 2, Q): what systematic effects leave in its residuals."""
    s = problem.seen[ball]
    z = problem.observed(ball, theta)
    v = Path(problem.layout, theta, [ball]).states(ball, s.t_s)[1][0]
    moving = np.hypot(v[:, 0], v[:, 1]) > STILL_MM_S
    if moving.sum() < _FEW:  # at rest frames repeat each other and say little of the noise in motion
        size = np.linalg.norm(z, axis=1)
        plain = max(1.0, float(np.median(size)) / _NORMAL) if len(size) >= 8 else 1.0
        return NoiseScale(plain, plain)
    plain = max(LEAST_NOISE, float(np.median(np.linalg.norm(z[moving], axis=1))) / _NORMAL)
    own, left = np.clip(z[moving], -3 * plain, 3 * plain), left[moving]
    r = float((own[1:] * own[:-1]).sum() / max((own**2).sum(), 1e-12))
    r += (len(problem.layout.columns(ball)) - 2) / (2 * len(own))  # what follows the frames leaves them less alike
    lasting = float((left[1:] * left[:-1]).sum()) / (2 * (len(own) - 1)) / plain**2
    return NoiseScale(plain * _widened(r), plain * _widened(r - lasting))


def _widened(r: float) -> float:
    """By what frames say less that err alike, as a factor of their uncertainty."""
    r = min(max(r, 0.0), 0.9)
    return math.sqrt((1 + r) / (1 - r))
