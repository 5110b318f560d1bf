"""The Cramer-Rao bound of a velocity at a contact: no unbiased fit of the same slide-then-roll motion does better."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import travel

Array = NDArray[np.float64]

SLIDING, ROLLING = 0.2, 0.010  # published typical values (Alciatore, FAQ "physics of pool and billiards")


@dataclass(frozen=True, kw_only=True)
class Precision:
    """Standard uncertainties of the velocity at a contact, of the direction once sliding has ended; frames used."""

    angle_deg: float
    speed_percent: float
    settled_angle_deg: float
    frames: int


def contact_precision(
    velocity_mps: Array,
    rolling_mps: Array,
    *,
    noise_mm: float,
    frame_rate: float,
    window_s: float,
    friction: tuple[float, float] = (SLIDING, ROLLING),
    friction_known: bool = True,
) -> Precision:
    """What the frames of ``window_s`` seconds after a contact can tell of the velocity at that contact.

    velocity_mps, rolling_mps : (2,) velocity just after it, and the velocity at which the spin would roll; the first
    frame comes half a period after the contact. ``friction_known``: shared within a session, not fitted from this shot
    """
    count = max(int(window_s * frame_rate), 0)
    start = np.concatenate([np.zeros(2), 1000 * velocity_mps, 1000 * rolling_mps, friction])
    times: Array = np.asarray((np.arange(count) + 0.5) / frame_rate, dtype=np.float64)
    steps = np.array([1e-2, 1e-2, 0.5, 0.5, 0.5, 0.5, 1e-4, 1e-5])
    free = 6 if friction_known else 8
    if 2 * count < free + 2:
        return Precision(angle_deg=math.nan, speed_percent=math.nan, settled_angle_deg=math.nan, frames=count)

    def path(q: Array) -> Array:
        return travel(q[:2], q[2:4], q[4:6], times, q[6], q[7]).ravel()

    slope = np.column_stack(
        [(path(start + step) - path(start - step)) / (2 * step[i]) for i, step in enumerate(np.diag(steps)[:free])]
    )
    information = slope.T @ slope / noise_mm**2
    size = 1 / np.sqrt(np.maximum(np.diag(information), 1e-30))  # millimetres and frictions differ by orders: scaled
    scaled = np.linalg.pinv(information * size[:, None] * size, rcond=1e-13, hermitian=True)
    covariance = size[:, None] * scaled * size
    angle, percent = _polar_u(start[2:4], covariance[2:4, 2:4])
    settle = np.hstack([5 * np.eye(2), 2 * np.eye(2)]) / 7
    settled_angle, _ = _polar_u(settle @ start[2:6], settle @ covariance[2:6, 2:6] @ settle.T)
    return Precision(angle_deg=angle, speed_percent=percent, settled_angle_deg=settled_angle, frames=count)


def _polar_u(velocity: Array, covariance: Array) -> tuple[float, float]:
    """Standard uncertainty of a velocity's direction (deg) and of its size (percent)."""
    speed = float(np.linalg.norm(velocity))
    along = velocity / speed
    across = np.array([-along[1], along[0]])
    return (
        math.degrees(math.sqrt(float(across @ covariance @ across)) / speed),
        100 * math.sqrt(float(along @ covariance @ along)) / speed,
    )


def line_velocity_u(*, noise_mm: float, frame_rate: float, frames: int) -> float:
    """Standard uncertainty (mm/s) of the slope of a straight line through equally spaced frames; NaN below two."""
    if frames < 2:
        return math.nan
    return math.sqrt(12 * noise_mm**2 * frame_rate**2 / (frames * (frames**2 - 1)))
