"""How a struck ball slid at first, where the fit's curvature at its minimum misleads."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from pipeline.paths import Layout
from pipeline.physics import G_MM_S2, Array, settled_velocity, slide_delay, slide_time


def first_slip(
    layout: Layout, costs: Callable[[Array], Array], theta: Array, covariance: Array
) -> tuple[Array, Array]:
    """Parameters and covariance with the slip at the strike as the cost itself shows it, where its curvature misleads.

    A ball struck so that it nearly rolls slides for a few frames at most. Whether it was a little too fast or too slow
    for its spin then hardly shows, and the path changes with the square of the slip: the cost has a flat floor or two
    pits. Over all slips that end in the same rolling motion, mean and variance are taken from exp(-cost / 2).

    costs : of a batch of parameters (P, n), as chi squared
    """
    i = next((k for k, e in enumerate(layout.events) if e.kind == "strike"), None)
    if i is None:
        return theta, covariance
    at = layout.leg[layout.events[i].ball, i]
    settled = settled_velocity(theta[at : at + 2], theta[at + 2 : at + 4])
    speed = float(np.hypot(*settled))
    if speed < 100.0:
        return theta, covariance
    along = settled / speed
    reading = np.zeros(layout.size)
    reading[at : at + 2], reading[at + 2 : at + 4] = along, -along
    now = float(reading @ theta)
    spread = math.sqrt(float(reading @ covariance @ reading))
    slips = np.unique(np.concatenate([np.linspace(-0.9, 0.9, 241) * speed, [now]]))
    family = _same_roll(theta, at, along, slips)
    cost = costs(family)
    weight = np.exp(-0.5 * (cost - cost.min())) * np.gradient(slips)
    weight /= weight.sum()
    other_side = float(weight[np.sign(slips) != np.sign(now)].sum())
    if other_side < 0.005 and abs(now) > 3 * spread:
        return theta, covariance
    mean = float(weight @ slips)
    variance = float(weight @ (slips - mean) ** 2) + float(np.median(np.diff(slips))) ** 2 / 12
    told = covariance @ reading
    covariance = covariance + (variance - spread**2) / spread**4 * np.outer(told, told)
    return _same_roll(theta, at, along, np.array([mean]))[0], covariance


def _same_roll(theta: Array, at: int, along: Array, slips: Array) -> Array:
    """(P, n) parameters with other slips along the path at the strike, and the same rolling afterwards."""
    mu_s, slowing = math.exp(theta[0]), math.exp(theta[1]) * G_MM_S2

    def until_rolling(v: Array, roll: Array) -> Array:
        return slide_time(v, roll, mu_s) + slide_delay(v, roll, mu_s)

    v, roll = theta[at : at + 2], theta[at + 2 : at + 4]
    settled, usual = settled_velocity(v, roll), until_rolling(v, roll)
    across = (v - roll) - ((v - roll) @ along) * along
    slip = slips[:, None] * along + across
    out = np.repeat(theta[None], len(slips), axis=0)
    base = settled
    for _ in range(3):  # rolling resistance starts with the rolling: later for a longer slide
        v, roll = base + slip * 2 / 7, base - slip * 5 / 7
        base = settled - slowing * (until_rolling(v, roll) - usual)[:, None] * along
    out[:, at : at + 2], out[:, at + 2 : at + 4] = base + slip * 2 / 7, base - slip * 5 / 7
    return out
