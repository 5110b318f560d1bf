"""Compiled: Levenberg-Marquardt in coordinates in which a shot's frames depend almost linearly on its unknowns.

Once a ball rolls, its place hangs on the slip ``u`` with which the leg began only through ``2 |u| u / (49 mu g)``: how
far it got ahead of a ball that rolled from the start. In velocity and rolling velocity that makes a bent valley, down
which a descent creeps. Such a leg is held by the velocity with which it will roll and by that lead. A leg in which the
ball slides to the end shows its velocity and the time of the strike themselves; it is held by these. Friction, times of
other events than strikes, and places stay as they are.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.compiled_frames import normal_equations
from pipeline.compiled_motion import STRIKE, ShotArrays, slide_delay, slide_time, walk
from pipeline.physics import G_MM_S2, Array

LEAST_LEAD_MM = 0.3  # below this, no more than noise, the slip goes with the lead itself and not with its square root
MOST_DAMPED = 8  # steps in a row that gain nothing
LONGEST_LOG_STEP = 0.5  # of a friction's logarithm
_STEP = 1e-3  # mm/s, for the delay's derivatives
_LEAD = math.sqrt(49 * G_MM_S2 / 2)  # slip over the root of lead and friction: mm^(1/2) / s


@compiled
def slides(shot: ShotArrays, theta: Array) -> NDArray[np.bool_]:
    """(L,) whether the ball slides to each leg's end, or until it was last seen."""
    times, before = np.empty(len(shot.kind)), np.zeros((len(shot.kind), 2, 6))
    walk(shot, theta, times, before)
    out = np.empty(len(shot.legs), dtype=np.bool_)
    for k in range(len(shot.legs)):
        at, ball, begins, ends = shot.legs[k]
        until = times[ends] if ends >= 0 else shot.last_s[ball]
        sliding = slide_time(theta[at], theta[at + 1], theta[at + 2], theta[at + 3], math.exp(theta[0]))
        out[k] = sliding > until - times[begins]
    return out


@compiled
def to_coordinates(shot: ShotArrays, theta: Array, sliding: NDArray[np.bool_]) -> Array:
    """(n,) from the parameters. ``sliding``: see `slides`."""
    out = theta.copy()
    c2 = _LEAD**2 * math.exp(theta[0])
    for k in range(len(shot.legs)):
        at = shot.legs[k, 0]
        vx, vy, rx, ry = theta[at], theta[at + 1], theta[at + 2], theta[at + 3]
        if sliding[k]:
            if shot.kind[shot.legs[k, 2]] == STRIKE:
                out[2 + shot.legs[k, 2]] += slide_delay(vx, vy, rx, ry, math.exp(theta[0]))
            continue
        ux, uy = vx - rx, vy - ry
        square = ux * ux + uy * uy
        lead = (square + math.sqrt(square * square + 4 * c2 * square * LEAST_LEAD_MM)) / (2 * c2)
        lead /= max(math.sqrt(square), 1e-12)
        out[at], out[at + 1] = (5 * vx + 2 * rx) / 7, (5 * vy + 2 * ry) / 7
        out[at + 2], out[at + 3] = ux * lead, uy * lead
    return out


@compiled
def to_parameters(shot: ShotArrays, at: Array, sliding: NDArray[np.bool_]) -> Array:
    """(n,) back from the coordinates."""
    out = at.copy()
    for k in range(len(shot.legs)):
        leg = shot.legs[k, 0]
        x, y, lx, ly = at[leg], at[leg + 1], at[leg + 2], at[leg + 3]
        if sliding[k]:  # the pair is velocity and rolling velocity
            if shot.kind[shot.legs[k, 2]] == STRIKE:
                out[2 + shot.legs[k, 2]] -= slide_delay(x, y, lx, ly, math.exp(at[0]))
            continue
        root = _LEAD * math.exp(0.5 * at[0]) / math.sqrt(math.sqrt(lx * lx + ly * ly) + LEAST_LEAD_MM)
        out[leg], out[leg + 1] = x + 2 / 7 * root * lx, y + 2 / 7 * root * ly
        out[leg + 2], out[leg + 3] = x - 5 / 7 * root * lx, y - 5 / 7 * root * ly
    return out


@compiled
def matrix(shot: ShotArrays, at: Array, sliding: NDArray[np.bool_]) -> Array:
    """(n, n) derivative of the parameters by the coordinates."""
    out = np.eye(len(at))
    mu_s = math.exp(at[0])
    for k in range(len(shot.legs)):
        leg, begins = shot.legs[k, 0], shot.legs[k, 2]
        here = at[leg : leg + 4]
        if sliding[k]:
            if shot.kind[begins] == STRIKE:
                _delays(out, here, 2 + begins, leg, mu_s)
            continue
        size = math.sqrt(here[2] ** 2 + here[3] ** 2)
        root = _LEAD * math.sqrt(mu_s) / math.sqrt(size + LEAST_LEAD_MM)
        bent = 0.5 * root * size / (size + LEAST_LEAD_MM) / max(size, 1e-12) ** 2
        for offset, share in ((0, 2 / 7), (2, -5 / 7)):
            for row in range(2):
                for column in range(2):
                    same = 1.0 if row == column else 0.0
                    out[leg + offset + row, leg + column] = same
                    by_lead = same * root - bent * here[2 + row] * here[2 + column]
                    out[leg + offset + row, leg + 2 + column] = share * by_lead
                out[leg + offset + row, 0] = share * here[2 + row] * root / 2  # the slip goes with friction's root
    return out


@compiled
def _delays(out: Array, here: Array, place: int, leg: int, mu_s: float) -> None:
    """Of a strike's time, by velocity, rolling velocity and friction."""
    delay = slide_delay(here[0], here[1], here[2], here[3], mu_s)
    there = here.copy()
    for k in range(4):
        there[k] = here[k] + _STEP
        out[place, leg + k] = -(slide_delay(there[0], there[1], there[2], there[3], mu_s) - delay) / _STEP
        there[k] = here[k]
    out[place, 0] = delay  # it goes with 1 / friction


@compiled
def _step(a: Array, g: Array, damping: float, free: NDArray[np.bool_]) -> Array:
    """(n,) a damped Gauss-Newton step; none along what isn't free. NaN where there is none."""
    n = len(g)
    system, pull = a.copy(), np.empty((n, 1))
    for j in range(n):
        pull[j, 0] = g[j] if free[j] else 0.0
        for k in range(n):
            if not (free[j] and free[k]):
                system[j, k] = 0.0
        diagonal = a[j, j] if free[j] else 1.0
        system[j, j] = diagonal + damping * (diagonal + 1e-12)
    if not (np.isfinite(system).all() and np.isfinite(pull).all()):
        return np.nan * g
    step: Array = np.linalg.solve(system, pull)[:, 0].astype(np.float64)
    for j in range(2):
        step[j] = min(max(step[j], -LONGEST_LOG_STEP), LONGEST_LOG_STEP)
    return step


@compiled
def descend(
    shot: ShotArrays, start: Array, free: NDArray[np.bool_], max_steps: int, enough: float, straight: bool
) -> tuple[Array, float]:
    """See `pipeline.descent.descend_all`; from one start (n,), along what is ``free`` (n,)."""
    theta = start.copy()
    a, g, cost = normal_equations(shot, theta)
    damping = 1e-2
    poor = damped = steps = 0
    sliding = slides(shot, theta)
    at, turned, own, own_pull = theta, a, a, g
    moved = True
    while poor < 2 and damped < MOST_DAMPED and steps < max_steps:
        if straight:
            if moved:
                sliding = slides(shot, theta)
                at = to_coordinates(shot, theta, sliding)
                turned = matrix(shot, at, sliding)
                own, own_pull = turned.T @ (a @ turned), turned.T @ g
            new = to_parameters(shot, at - _step(own, own_pull, damping, free), sliding)
        else:
            new = theta - _step(a, g, damping, free)
        new_a, new_g, new_cost = normal_equations(shot, new)
        moved = np.isfinite(new_cost) and new_cost < cost
        if moved:
            poor = poor + 1 if cost - new_cost < enough else 0
            theta, a, g, cost = new, new_a, new_g, new_cost
            damping = max(damping * 0.15, 1e-9)
            damped = 0
            steps += 1
        else:
            damping *= 6
            damped += 1
    return theta, cost
