"""How much a ball slid on a leg where it slides to the end, or nearly: its frames don't say.

While a ball slides, friction draws it the same whether it slips much or little: the frames show which way it slips, and
that it doesn't stop before it meets something. So the cost has a floor that is flat on one side, bounded only by what
is known beforehand, and its curvature at the lowest point, near the floor's edge, says nothing of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.descent import descend_all
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Path
from pipeline.physics import G_MM_S2, Array

NEARLY = 0.85  # of the slip that lasts to the leg's end
LEAST_SPEED_MM_S = 100.0
STEPS_UP, STEPS_DOWN = 9, 7  # so many longer and shorter slips are tried
WIDER = 2.0  # a side is unlike the curvature where so much more, or less, is likely
ASTRAY = 9.0  # chi squared above the least: such a fit has not arrived
_STEPS, _ENOUGH = 8, 0.1


@dataclass(frozen=True, eq=False)
class Bend:
    """A direction in which the cost rises otherwise on one side than on the other: what is likely on either side."""

    leg: int  # where the leg's parameters begin
    up: Array  # (n,) change of the parameters, a standard deviation about the lowest point on that side alone
    down: Array
    share_up: float  # how likely that side is

    @property
    def scatter(self) -> Array:
        """(n, n) mean square about the lowest point."""
        return np.asarray(self.share_up * np.outer(self.up, self.up)
                          + (1 - self.share_up) * np.outer(self.down, self.down))


def flat_slips(problem: MotionProblem, theta: Array, covariance: Array) -> tuple[Array, list[Bend]]:
    """The covariance without the directions in which such slips are told, and these, as the cost itself shows them.

    The parameters stay at the lowest point.
    """
    layout = problem.layout
    bends: list[Bend] = []
    path = Path(layout, theta)
    for (ball, i), at in layout.leg.items():
        chain = layout.chain[ball]
        following = chain.index(i) + 1
        if following == len(chain):
            continue
        _, v, roll = (part[0] for part in path.after[ball, i])
        slip = v - roll
        size = float(np.hypot(*slip))
        lasting = 3.5 * float(path.mu_s[0]) * G_MM_S2 * float(path.time(chain[following])[0] - path.time(i)[0])
        if np.hypot(*v) < LEAST_SPEED_MM_S or lasting <= 0 or size < NEARLY * lasting:
            continue
        reading = np.zeros(len(theta))
        reading[at : at + 2], reading[at + 2 : at + 4] = slip / size, -slip / size
        told = covariance @ reading
        spread = math.sqrt(max(float(reading @ told), 1e-12))
        if _as_curved(problem, theta, told / spread):
            continue
        bend = _bend(problem, theta, at, slip, lasting, spread)
        if bend is not None:
            bends.append(bend)
            covariance = covariance - np.outer(told, told) / spread**2
    return covariance, bends


def _as_curved(problem: MotionProblem, theta: Array, step: Array) -> bool:
    """Whether the cost rises to both sides about as its curvature says: by 1 after a step (n,), by 4 after two."""
    times = np.array([-2.0, -1.0, 1.0, 2.0])
    rise = (problem.costs(theta + times[:, None] * step) - problem.cost(theta)) / times**2
    return bool(((rise > 0.5) & (rise < 2.0)).all())


def _bend(
    problem: MotionProblem, theta: Array, at: int, slip: Array, lasting: float, spread: float
) -> Bend | None:
    """What is likely of one leg's slip; None where the curvature tells it well after all.

    slip   : (2,) as fitted; ``lasting``: the size that just lasts to the leg's end
    spread : the size's standard uncertainty from the curvature
    """
    now = float(np.hypot(*slip))
    speed = float(np.hypot(*theta[at : at + 2]))
    longer = min(max(spread, lasting - now), lasting)
    changes = np.concatenate([np.geomspace(0.1 * longer, longer + 3 * speed, STEPS_UP),
                              -np.geomspace(0.005, 0.5, STEPS_DOWN) * now])

    def fitted(starts: Array, some: Array) -> tuple[Array, Array]:
        starts = starts.copy()
        starts[:, at + 2 : at + 4] = starts[:, at : at + 2] - ((now + some) / now)[:, None] * slip
        return descend_all(problem, starts, _STEPS, _ENOUGH, [[at + 2, at + 3]] * len(some), straightened=False)

    least = problem.cost(theta)
    ends, cost = fitted(np.repeat(theta[None], len(changes), axis=0), changes)
    sides = [_likely(np.abs(changes[side]), cost[side] - least) for side in (changes > 0, changes < 0)]
    (mass_up, half_up), (mass_down, half_down) = sides
    if max(half_up, half_down) < WIDER * min(half_up, half_down, spread):
        return None
    chosen = np.array([half_up, -half_down])
    nearest = np.abs(changes - chosen[:, None]).argmin(axis=1)
    (up, down), costs = fitted(ends[nearest], chosen)
    if costs.max() > least + ASTRAY:
        return None
    return Bend(at, up - theta, down - theta, mass_up / (mass_up + mass_down))


def _likely(away: Array, rise: Array) -> tuple[float, float]:
    """The sum of exp(-rise / 2) over one side of the lowest point, and the root mean square distance there (mm/s)."""
    away, rise = np.concatenate([[0.0], away]), np.maximum(np.concatenate([[0.0], rise]), 0.0)
    fine = np.linspace(0.0, away[-1], 2000)
    weight = np.exp(-0.5 * np.interp(fine, away, np.sqrt(rise)) ** 2) * fine[1]  # it rises about as a square
    mass = float(weight.sum())
    return mass, math.sqrt(float(weight @ fine**2) / mass)
