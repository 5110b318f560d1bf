"""How a ball moves on cloth between two contacts: it slides on a parabola, then rolls straight, then rests.

Closed forms after Coriolis (1835): a ball of any spin about a horizontal axis has a *rolling velocity* ``v_roll``, the
velocity at which its spin would make it roll. Sliding friction acts against the slip ``u = v - v_roll``, and keeps its
direction until it is gone at ``t = 2|u| / (7 mu_s g)``; the ball then rolls at ``(5 v + 2 v_roll) / 7``.
Spin about the vertical does not act on the path. Millimetres and seconds throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

G_MM_S2 = 9806.65
_TINY = 1e-9  # mm/s: keeps directions of vanishing velocities finite


@dataclass(frozen=True)
class Friction:
    """Ball on cloth: sliding friction and rolling resistance (deceleration / g), with standard uncertainties.

    The default is the published band (sliding 0.15-0.4, typically 0.2; rolling 0.005-0.015: Alciatore, FAQ "physics of
    pool and billiards", Colorado State Univ.), taken as a standard uncertainty wide enough for the whole band.
    """

    sliding: float = 0.2
    rolling: float = 0.010
    sliding_u: float = 0.06
    rolling_u: float = 0.004
    correlation: float = 0.0
    sliding_common_u: float = 0.0  # of these, what other shots before the same camera share
    rolling_common_u: float = 0.0

    @property
    def covariance(self) -> Array:
        cross = self.correlation * self.sliding_u * self.rolling_u
        return np.array([[self.sliding_u**2, cross], [cross, self.rolling_u**2]])


def settled_velocity(v: Array, v_roll: Array) -> Array:
    """Velocity once sliding has ended, same shape as ``v`` (mm/s)."""
    return np.asarray((5 * v + 2 * v_roll) / 7)


def slide_time(v: Array, v_roll: Array, mu_s: Array | float) -> Array:
    """Seconds of sliding; ``v``, ``v_roll`` (..., 2) in mm/s."""
    u = v - v_roll
    return np.asarray(2 * np.hypot(u[..., 0], u[..., 1]) / (7 * np.asarray(mu_s) * G_MM_S2))


def slide_delay(v: Array, v_roll: Array, mu_s: Array | float) -> Array:
    """Seconds after which a ball starts later than one that rolls from the start and ends on the same line of motion.

    While it slides, a ball gains ``u t / 7`` on its later rolling line (u slip, t slide time); taken along that line.
    """
    u = v - v_roll
    settled = settled_velocity(v, v_roll)
    square = settled[..., 0] ** 2 + settled[..., 1] ** 2 + 1.0
    gained = (u[..., 0] * settled[..., 0] + u[..., 1] * settled[..., 1]) * slide_time(v, v_roll, mu_s) / 7
    return np.asarray(np.clip(gained / square, -0.2, 0.2))


def rest_time(v: Array, v_roll: Array, mu_s: Array | float, mu_r: Array | float) -> Array:
    """Seconds until the ball lies still."""
    settled = settled_velocity(v, v_roll)
    return np.asarray(
        slide_time(v, v_roll, mu_s) + np.hypot(settled[..., 0], settled[..., 1]) / (np.asarray(mu_r) * G_MM_S2)
    )


def travel(p: Array, v: Array, v_roll: Array, tau: Array, mu_s: Array | float, mu_r: Array | float) -> Array:
    """Positions ``tau`` seconds after a ball was at ``p`` with velocity ``v`` and rolling velocity ``v_roll``.

    p, v, v_roll : (..., 2), broadcast against tau (...), mu_s (...), mu_r (...). Negative times stay at ``p``.
    """
    return state_after(p, v, v_roll, tau, mu_s, mu_r)[0]


def state_after(
    p: Array, v: Array, v_roll: Array, tau: Array, mu_s: Array | float, mu_r: Array | float
) -> tuple[Array, Array, Array]:
    """Position, velocity and rolling velocity after ``tau`` seconds; shapes as in ``travel``."""
    a = np.asarray(mu_s, dtype=float) * G_MM_S2
    b = np.asarray(mu_r, dtype=float) * G_MM_S2
    ux, uy = v[..., 0] - v_roll[..., 0], v[..., 1] - v_roll[..., 1]
    slip = np.sqrt(ux * ux + uy * uy) + _TINY
    t_slide = 2 * slip / (7 * a)
    sliding = np.minimum(np.maximum(tau, 0.0), t_slide)
    ax, ay = a * ux / slip, a * uy / slip
    half = 0.5 * sliding * sliding
    vx, vy = v[..., 0] - ax * sliding, v[..., 1] - ay * sliding
    speed = np.sqrt(vx * vx + vy * vy) + _TINY
    rolling = np.minimum(np.maximum(tau - t_slide, 0.0), speed / b)
    run = rolling - 0.5 * (b / speed) * rolling * rolling  # seconds at the first rolling velocity
    slow = 1 - b * rolling / speed
    x = p[..., 0] + v[..., 0] * sliding - ax * half + vx * run
    y = p[..., 1] + v[..., 1] * sliding - ay * half + vy * run
    position = np.stack([x, y], axis=-1)
    velocity = np.stack([vx * slow, vy * slow], axis=-1)
    still_sliding = tau < t_slide
    rx = np.where(still_sliding, v_roll[..., 0] + 2.5 * ax * sliding, velocity[..., 0])
    ry = np.where(still_sliding, v_roll[..., 1] + 2.5 * ay * sliding, velocity[..., 1])
    return position, velocity, np.stack([rx, ry], axis=-1)


def local_velocity(t: Array, xy: Array, half_s: float = 0.05, half_rows: int = 3) -> Array:
    """(N, 2) mm/s: slope of a line over the neighbouring rows, enough of them for a steady value."""
    n = len(t)
    out = np.zeros((n, 2))
    if n < 2:
        return out
    low = np.minimum(np.searchsorted(t, t - half_s), np.maximum(np.arange(n) - half_rows, 0))
    high = np.maximum(np.searchsorted(t, t + half_s, side="right"), np.minimum(np.arange(n) + half_rows + 1, n))
    origin = t[0]
    tau = t - origin

    def window(a: Array) -> Array:
        total = np.concatenate([np.zeros((1, *a.shape[1:])), np.cumsum(a, axis=0)])
        return np.asarray(total[high] - total[low])

    count = (high - low).astype(float)
    st, stt = window(tau), window(tau * tau)
    centred = xy - xy[0]
    sx, stx = window(centred), window(centred * tau[:, None])
    spread = stt - st**2 / count
    return np.asarray((stx - sx * (st / count)[:, None]) / np.maximum(spread, 1e-12)[:, None])
