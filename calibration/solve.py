"""The search for the camera: coordinates that hardly depend on each other, and a damped Gauss-Newton."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.equipment import Table

F64 = NDArray[np.float64]

HUBER = 2.0  # residuals beyond this many standard uncertainties count less
CHART_SCALES = np.array([0.3, 10.0, 10.0, 0.05, 0.05, 0.01, 0.01, 0.01, 1.0, 1.0, 0.01, 3.0, 2.0, 3.0])


@dataclass(frozen=True, eq=False)
class Chart:
    """Coordinates for the search in which the camera's unknowns hardly depend on each other.

    In focal length, height and place, a camera looking down has a long bent valley of nearly equal pictures. Here the
    table is held by what is seen directly: the pixel of its middle, its scale there, and its turn against the line of
    sight; focal length and principal point then only change the perspective.
    """

    origin: F64  # (14,) f.. as values, but 5:8 unused, 8:11 = middle's pixel u, v and log of px per mm
    turn: F64  # (3, 3) table against the line of sight at the start
    middle: F64  # (3,) the table's middle, mm

    @classmethod
    def at(cls, values: F64, table: Table) -> Chart:
        origin = values.copy()
        middle = np.array([table.length_mm / 2, table.width_mm / 2, table.nose_height_mm])
        rotation, _ = cv2.Rodrigues(values[5:8])
        seen = rotation @ middle + values[8:11]
        f = float(np.exp(values[0]))
        pixel = f * seen[:2] / seen[2] + values[1:3]
        origin[8:11] = [pixel[0], pixel[1], np.log(f / seen[2])]
        ray = np.append((pixel - origin[1:3]) / np.exp(origin[0]), 1.0)
        return cls(origin, turn_to(ray).T @ rotation, middle)

    def values(self, scaled: F64) -> F64:
        here = self.origin.copy()
        moved = scaled * CHART_SCALES
        here[:5] += moved[:5]
        here[8:] += moved[8:]
        f = float(np.exp(here[0]))
        ray = np.append((here[8:10] - here[1:3]) / f, 1.0)
        small, _ = cv2.Rodrigues(moved[5:8])
        rotation = turn_to(ray) @ small @ self.turn
        scale = np.exp(np.clip(here[10], -_FARTHEST, _FARTHEST))  # a step gone astray is refused later, for its cost
        here[8:11] = f / scale * ray - rotation @ self.middle
        rvec, _ = cv2.Rodrigues(rotation)
        here[5:8] = rvec.ravel()
        return here


_FARTHEST = 50.0  # logarithm of px per mm


def turn_to(ray: F64) -> F64:
    """(3, 3) smallest rotation that takes the optical axis to ``ray``."""
    unit = ray / sqrt(ray @ ray)
    axis = np.array([-unit[1], unit[0], 0.0])
    sine = sqrt(axis @ axis)
    if sine < 1e-12:
        return np.eye(3)
    rotation, _ = cv2.Rodrigues(axis / sine * np.arctan2(sine, unit[2]))
    return np.asarray(rotation, dtype=float)


def levenberg_marquardt(
    function: Callable[[F64], F64], size: int, *, priors: int, robust: bool, most_steps: int, enough: float
) -> tuple[F64, float]:
    """Minimise a Huber cost from zero; the last ``priors`` residuals stay quadratic.

    ``function`` takes points (..., size), many at once for the derivatives, to residuals (..., M).

    Ends when a step gains less than ``enough``, of a cost above 1 as a share. Returns the point and the cost.

    Height and focal length are nearly exchangeable when the camera looks straight down: a long flat valley, in which
    a general-purpose trust region stops early. This damped Gauss-Newton takes full steps along it. While they gain,
    the derivatives follow the function by Broyden's update (1965) instead of being taken anew.
    """
    point = np.zeros(size)
    seen = function(point)
    split = len(seen) - priors

    def cost_of(r: F64) -> float:
        big = np.abs(r[:split])
        with np.errstate(over="ignore"):
            loss = np.where(big < HUBER, 0.5 * big**2, HUBER * (big - 0.5 * HUBER)) if robust else 0.5 * big**2
        return float(loss.sum() + 0.5 * (r[split:] ** 2).sum())

    def derivative() -> F64:
        return np.ascontiguousarray((function(point + 1e-6 * np.eye(size)) - seen).T / 1e-6)

    cost, damping = cost_of(seen), 1e-4
    jacobian, fresh = derivative(), True
    for _ in range(most_steps):
        weight = np.ones(len(seen))
        if robust:
            weight[:split] = HUBER / np.maximum(np.abs(seen[:split]), HUBER)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        slope = jacobian.T @ (weight * seen)
        gained = 0.0
        while damping < 1e8:
            step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slope)
            after = function(point + step)
            cost_after = cost_of(after) if np.isfinite(after).all() else np.inf
            if cost_after < cost:
                gained = cost - cost_after
                jacobian = jacobian + np.outer(after - seen - jacobian @ step, step) / (step @ step)
                point, seen, cost, damping = point + step, after, cost_after, damping * 0.1
                break
            if not fresh:
                break
            damping = max(damping, 1e-7) * 10
        if gained > enough * max(cost, 1.0):
            fresh = False
        elif fresh:
            break
        else:
            jacobian, fresh = derivative(), True
    return point, cost
