"""How a struck ball slid at first, where the fit's curvature at its minimum misleads."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.descent import descend_all, slides_to_end
from pipeline.flat_slips import Bend
from pipeline.knowledge import STROKE_ROLL_U
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Path
from pipeline.physics import G_MM_S2, Array, settled_velocity

LEAST_SPEED_MM_S = 100.0
WIDEST = 0.3  # slips looked at, over the speed; more where the fit itself slips more
SLIPS = 31  # at once
RIVAL = 9.0  # chi squared by which another slip may lie higher and still count
FAR = 3.0  # standard uncertainties from no slip
MOST = 2.0  # of the slip, over the speed: hardly a stroke reaches it
_STEPS, _ENOUGH = 12, 0.05


def first_slip(
    problem: MotionProblem, theta: Array, covariance: Array, bent: Sequence[int] = ()
) -> tuple[Array, Array, list[Bend]]:
    """Parameters and covariance with the slip at the strike as the cost itself shows it, where its curvature misleads:
    then as a bend, which the covariance lacks.

    A ball struck so that it nearly rolls slides for a few frames at most. Whether it was a little too fast or too slow
    for its spin then hardly shows, and the path changes with the square of the slip: the cost has a flat floor or two
    pits. Mean and variance are then taken from exp(-cost / 2) over all slips, with all else fitted for each.
    """
    layout = problem.layout
    i = next((k for k, e in enumerate(layout.events) if e.kind == "strike"), None)
    if i is None:
        return theta, covariance, []
    at = layout.leg[layout.events[i].ball, i]
    settled = settled_velocity(theta[at : at + 2], theta[at + 2 : at + 4])
    speed = float(np.hypot(*settled))
    if speed < LEAST_SPEED_MM_S or at in bent or slides_to_end(problem, theta)[at]:
        return theta, covariance, []
    slip = _Slip(problem, theta, at, settled / speed)
    spread = math.sqrt(float(slip.reading @ covariance @ slip.reading))
    if abs(slip.now) > FAR * spread and not slip.has_rival():
        return theta, covariance, _all_the_way(slip, i, speed, spread)
    low = min(-WIDEST * speed, slip.now - FAR * spread)
    high = max(WIDEST * speed, slip.now + FAR * spread)
    values, weight = slip.likely(np.linspace(low, high, SLIPS))
    values, weight = slip.likely(_where(values, weight))
    mean = float(weight @ values)
    half = math.sqrt(float(weight @ (values - mean) ** 2) + float(np.median(np.diff(values))) ** 2 / 12)
    (low, middle, high), _ = slip.fitted(mean + half * np.array([-1.0, 0.0, 1.0]))
    told = covariance @ slip.reading
    # the strike's time goes with the slip's square: both sides count
    bend = Bend(at, np.array([high - middle, low - middle]), np.array([0.5, 0.5]))
    return middle, covariance - np.outer(told, told) / spread**2, [bend]


def _all_the_way(slip: _Slip, strike: int, speed: float, spread: float) -> list[Bend]:
    """A bend towards the fit in which the ball still slides when it meets something, where that fits nearly as well.

    From there on all slips fit alike, as far as is known beforehand of strokes: that many count for one that fits
    worse. ``spread``: of the slip where it is, which is told.
    """
    layout, theta = slip.problem.layout, slip.theta
    chain = layout.chain[layout.events[strike].ball]
    if len(chain) < 2:
        return []
    path = Path(layout, theta)
    lasts = float(path.time(chain[1])[0] - path.time(chain[0])[0])
    least = 3.5 * float(path.mu_s[0]) * G_MM_S2 * max(lasts, 0.0)
    if not abs(slip.now) < least < MOST * speed:
        return []
    (as_it_is, further), costs = slip.fitted(math.copysign(1.0, slip.now) * np.array([abs(slip.now), 1.1 * least]))
    above = float(costs[1] - costs[0])
    if above > RIVAL:
        return []
    odds = math.exp(-0.5 * max(above, 0.0)) * STROKE_ROLL_U * speed / (spread * math.sqrt(2 * math.pi))
    return [Bend(slip.at, (further - as_it_is)[None], np.array([odds / (1 + odds)]))]


class _Slip:
    """The slip along the path with which a leg begins, and fits with another one."""

    def __init__(self, problem: MotionProblem, theta: Array, at: int, along: Array) -> None:
        self.problem, self.theta, self.at, self.along = problem, theta, at, along
        self.reading = np.zeros(len(theta))
        self.reading[at : at + 2], self.reading[at + 2 : at + 4] = along, -along
        self.now = float(self.reading @ theta)

    def has_rival(self) -> bool:
        """Whether a slip on the other side, or hardly any, fits nearly as well: another pit, or a shoulder of this."""
        _, costs = self.fitted(np.array([1.0, 0.3, 0.0, -0.3, -0.6, -1.0]) * self.now)
        return bool(costs[1:].min() < costs[0] + RIVAL)

    def likely(self, slips: Array) -> tuple[Array, Array]:
        """The slips, and the weight of each."""
        _, cost = self.fitted(slips)
        weight = np.exp(-0.5 * (cost - cost.min())) * np.gradient(slips)
        return slips, weight / weight.sum()

    def fitted(self, slips: Array) -> tuple[Array, Array]:
        """Parameters (P, n) and costs with these slips, all else fitted."""
        held = [self.at + 2, self.at + 3]
        starts = self._starts(slips)
        ends, _ = descend_all(self.problem, starts, _STEPS, _ENOUGH, [held] * len(slips), straightened=True)
        return ends, self.problem.lasting_costs(ends, held)

    def _starts(self, slips: Array) -> Array:
        v, roll = self.theta[self.at : self.at + 2], self.theta[self.at + 2 : self.at + 4]
        settled, slip = settled_velocity(v, roll), v - roll
        then = slip + (slips - self.now)[:, None] * self.along
        out = np.repeat(self.theta[None], len(slips), axis=0)
        out[:, self.at : self.at + 2] = settled + then * 2 / 7
        out[:, self.at + 2 : self.at + 4] = settled - then * 5 / 7
        return out


def _where(values: Array, weight: Array) -> Array:
    """Slips laid more closely over where they are likely."""
    likely = np.flatnonzero(weight > 1e-4 * weight.max())
    low, high = max(likely[0] - 1, 0), min(likely[-1] + 1, len(values) - 1)
    return np.linspace(values[low], values[high], len(values))
