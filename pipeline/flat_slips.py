"""How much a ball slid on a leg where it slides to the end (or out of sight), or nearly: its frames don't say.

While a ball slides, friction draws it the same whether it slips much or little: the frames show which way it slips, and
that it doesn't stop before it meets something. So the cost has a floor that is flat on one side, bounded only by what
is known beforehand, and its curvature at the lowest point, near the floor's edge, says nothing of that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.descent import descend_all
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Path
from pipeline.physics import G_MM_S2, Array

PLAIN = 10.0  # times the frames' noise: a ball that got so far ahead by rolling has rolled beyond doubt
LEAST_SPEED_MM_S = 100.0
STEPS_UP, STEPS_DOWN = 9, 7  # so many longer and shorter slips are tried
THROUGH_NONE = (0.2, 0.0, -0.2, -0.5, -1.0)  # a struck ball that nearly rolls: with too little spin, or with too much
LOWER = 1.0  # chi squared by which a fit to another slip must lie lower to be the fit
ASTRAY = 9.0  # chi squared above the least: such a fit has not arrived, or is out of the question
LEAST_SHARE = 1e-3  # of all that is likely: less isn't looked at any more
_STEPS, _ENOUGH = 8, 0.1


@dataclass(frozen=True, eq=False)
class Bend:
    """A direction in which the cost doesn't rise as a square: what may be instead of the lowest point, how likely."""

    leg: int  # where the leg's parameters begin
    changes: Array  # (K, n) of the parameters, from the lowest point
    shares: Array  # (K,) how likely each is; what is left of 1 is the lowest point's

    @property
    def scatter(self) -> Array:
        """(n, n) mean square about the lowest point."""
        return np.asarray((self.changes.T * self.shares) @ self.changes)


def flat_slips(
    problem: MotionProblem, theta: Array, covariance: Array, push: Array
) -> tuple[Array, list[Bend], Array | None]:
    """The covariance without the directions in which such slips are told; these, as the cost itself shows them; and
    parameters to descend from once more, if the lowest point was not where it seemed.

    push : (n, Q), what systematic effects add to the gradient
    """
    layout = problem.layout
    bends: list[Bend] = []
    lower: Array | None = None
    least = problem.cost(theta) - LOWER
    path = Path(layout, theta)
    for (ball, i), at in layout.leg.items():
        chain = layout.chain[ball]
        following = chain.index(i) + 1
        end_s = float(path.time(chain[following])[0]) if following < len(chain) else problem.last_s[ball]
        _, v, roll = (part[0] for part in path.after[ball, i])
        slip = v - roll
        size = float(np.hypot(*slip))
        lasting = 3.5 * float(path.mu_s[0]) * G_MM_S2 * (end_s - float(path.time(i)[0]))
        if np.hypot(*v) < LEAST_SPEED_MM_S or lasting <= 0:
            continue
        reading = np.zeros(len(theta))
        reading[at : at + 2], reading[at + 2 : at + 4] = slip / size, -slip / size
        by_noise = covariance @ reading
        told = by_noise + covariance @ (push @ (push.T @ by_noise))
        spread = math.sqrt(max(float(reading @ told), 1e-12))
        rolled_s = (lasting - size) / (3.5 * float(path.mu_s[0]) * G_MM_S2)
        lead = 0.5 * float(path.mu_s[0]) * G_MM_S2 * max(rolled_s, 0.0) ** 2  # on where it would have slid to
        if lead > PLAIN * problem.noise_mm(ball):
            continue
        noise = math.sqrt(max(float(reading @ by_noise), 1e-12))
        if _as_curved(problem, theta, by_noise / noise) and _as_curved(problem, theta, told / spread, at):
            continue
        struck = layout.events[i].kind == "strike"
        bend, best, cost = _bend(problem, theta, at, slip, lasting, spread, THROUGH_NONE if struck else ())
        if cost < least:
            lower, least = best, cost
        bends.append(bend)
        covariance = covariance - np.outer(by_noise, by_noise) / noise**2
    return covariance, bends, lower


def _as_curved(problem: MotionProblem, theta: Array, step: Array, at: int | None = None) -> bool:
    """Whether the cost rises to both sides about as its curvature says: by 1 after a step (n,), by 4 after two.

    at : of the leg, for the cost with lasting effects and all but its roll fitted anew; None: the plain cost there
    """
    times = np.array([0.0, -2.0, -1.0, 1.0, 2.0])
    places = theta + times[:, None] * step
    costs = problem.costs(places) if at is None else problem.lasting_costs(places, [at + 2, at + 3])
    rise = (costs[1:] - costs[0]) / times[1:] ** 2
    return bool(((rise > 0.5) & (rise < 2.0)).all())


def _bend(
    problem: MotionProblem, theta: Array, at: int, slip: Array, lasting: float, spread: float, also: Sequence[float]
) -> tuple[Bend, Array, float]:
    """What is likely of one leg's slip; the lowest of the fits to other slips, and its cost.

    slip   : (2,) as fitted; ``lasting``: the size that just lasts to the leg's end
    spread : the size's standard uncertainty from the curvature
    also   : further sizes to look at, over this one
    """
    now = float(np.hypot(*slip))
    speed = float(np.hypot(*theta[at : at + 2]))
    longer = min(max(spread, lasting - now), lasting)
    edge = min(now, lasting)  # at a shorter slip than this the ball begins to roll, which shows
    fewer = edge * (1 - np.geomspace(0.005, 0.5, STEPS_DOWN)) - now
    changes = np.concatenate([np.geomspace(0.1 * longer, longer + 3 * speed, STEPS_UP), fewer])
    if now > edge:
        changes = np.concatenate([changes, [edge - now, 0.5 * (edge - now)]])
    changes = np.concatenate([changes, edge * np.array(also, dtype=float) - now])
    held = [at + 2, at + 3]

    changes = np.sort(changes)
    starts = np.repeat(theta[None], len(changes), axis=0)
    starts[:, at + 2 : at + 4] = starts[:, at : at + 2] - ((now + changes) / now)[:, None] * slip
    ends, plain = descend_all(problem, starts, _STEPS, _ENOUGH, [held] * len(changes), straightened=False)
    best = int(np.argmin(plain))
    lowest = ends[best]
    least, *lasting_costs = problem.lasting_costs(np.concatenate([theta[None], ends]), held)
    cost = np.array(lasting_costs)
    changes, ends = np.append(changes, 0.0), np.concatenate([ends, theta[None]])
    rise = np.append(cost - least, 0.0)
    order = np.argsort(changes)
    changes, ends, rise = changes[order], ends[order], rise[order]
    shares = _shares(changes, rise)
    arrived = rise < rise.min() + ASTRAY  # of what lies towards the others, those next to them stand for it
    nearest = np.abs(changes - changes[arrived, None]).argmin(axis=0)
    shares = np.asarray(np.bincount(nearest, shares, int(arrived.sum())), dtype=float)
    some = shares > LEAST_SHARE
    return Bend(at, ends[arrived][some] - theta, shares[some]), lowest, float(plain[best])


def _shares(nodes: Array, rise: Array) -> Array:
    """How likely what lies about each of the nodes (K,) is, ascending, from the chi squared (K,) at them."""
    fine = np.linspace(nodes[0], nodes[-1], 4000)
    root = np.sqrt(rise - rise.min())  # it rises about as a square
    weight = np.exp(-0.5 * np.interp(fine, nodes, root) ** 2)
    left = np.clip(np.searchsorted(nodes, fine, side="right") - 1, 0, len(nodes) - 2)
    part = (fine - nodes[left]) / (nodes[left + 1] - nodes[left])
    shares = np.bincount(left, weight * (1 - part), len(nodes)) + np.bincount(left + 1, weight * part, len(nodes))
    return np.asarray(shares / shares.sum())
