"""Values derived from a fitted motion, each with its standard uncertainty through the joint covariance."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.motions import ShotMotion
from pipeline.paths import Path
from pipeline.physics import Array
from shared.equipment import Table


class Measured(NamedTuple):
    """A value and its standard uncertainty (k=1), same unit."""

    value: float
    u: float


_LEAST_SHARE = 0.02  # of an uncertainty, below which the difference of two squares says nothing

Derive = Callable[[Path], Mapping[str, Array]]
Place = Callable[[Path, Table], Array]  # (P,) of a batch of paths on a table


def evaluate(motion: ShotMotion, derive: Derive, *, degrees: frozenset[str] = frozenset()) -> dict[str, Measured]:
    """Carry the parameters' covariance through ``derive``, a function of a batch of paths giving (P,) arrays by name.

    Taken one standard uncertainty to both sides along each principal axis, not by derivatives: where a ball just stops
    sliding before its next contact, or rolls from the start, a measure bends within its own uncertainty. Along the
    motion's bends it is the mean square of all that is likely.

    degrees : names of angles, whose differences are taken round the circle
    """
    axes, bends = motion.axes, motion.bends
    batch = motion.theta + np.concatenate([np.zeros_like(axes[:1]), axes, -axes, *(bend.changes for bend in bends)])
    likely = np.concatenate([np.zeros(0), *(bend.shares for bend in bends)])
    values = derive(Path(motion.layout, batch))
    out = {}
    for name, value in values.items():
        change = value[1:] - value[0]
        if name in degrees:
            change = wrap_deg(change)
        up, down, bent = np.split(change, [len(axes), 2 * len(axes)])
        variance = float((((up - down) / 2) ** 2).sum() + 0.5 * (((up + down) / 2) ** 2).sum() + likely @ bent**2)
        out[name] = Measured(float(value[0]), float(np.sqrt(variance)))
    return out


def slopes(motion: ShotMotion, derive: Derive) -> dict[str, Array]:
    """(n,) of each measure over the parameters, by name."""
    steps = np.diag(motion.layout.steps)
    found = derive(Path(motion.layout, motion.theta + np.concatenate([steps, -steps])))
    return {name: np.subtract(*np.split(values, 2)) / (2 * motion.layout.steps) for name, values in found.items()}


def wrap_deg(angle: Array) -> Array:
    """Into (-180, 180]."""
    return np.asarray(180.0 - np.mod(180.0 - angle, 360.0))


def with_side_unsure(rebound: Measured, incoming: Measured) -> Measured:
    """A rebound angle counts to the side on which the ball went along the cushion: where it came in so nearly square
    that the side may be the other one, the angle may have the other sign.
    """
    if incoming.u <= 0:
        return rebound
    other = 0.5 * math.erfc(abs(incoming.value) / (math.sqrt(2) * incoming.u))
    return Measured(rebound.value, math.sqrt(rebound.u**2 + other * (2 * rebound.value) ** 2))


def direction_deg(v: Array) -> Array:
    """(..., 2) -> (...) direction in the table frame, degrees anticlockwise from +x."""
    return np.asarray(np.degrees(np.arctan2(v[..., 1], v[..., 0])))


def dot(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def cross(a: Array, b: Array) -> Array:
    """z of a x b: positive when b points to the left of a."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def ratio(a: Array, b: Array) -> Array:
    """a / b, nan where b is not above 0: in a fit that missed its frames, a ball may lie still at its contact."""
    a, b = np.broadcast_arrays(a, b)
    return np.asarray(np.divide(a, b, out=np.full(a.shape, np.nan), where=b > 0))


def untold(got: Mapping[str, Measured]) -> list[str]:
    """Names of those that are no number, or have no uncertainty."""
    return [name for name, value in got.items() if not np.isfinite(value).all()]


def speed_mps(v: Array) -> Array:
    return np.asarray(np.hypot(v[..., 0], v[..., 1]) / 1e3)


def without_size(value: Measured, motion: ShotMotion, table: Table, place: Place) -> Measured:
    """A place counted from what grows with the table, without the table's own size in its uncertainty.

    What is left of a size's effect is how far it moves the place on a table that much larger.

    value : of ``place`` on ``table``, its uncertainty with the whole effect of the sizes
    """
    whole, left = [], []
    for effect, size in zip(motion.by_size.T, ("length_mm", "width_mm"), strict=True):
        path = Path(motion.layout, motion.theta + np.array([effect, -effect]))
        up, down = (float(place(path, _grown(table, size, by))[n]) for n, by in enumerate((1, -1)))
        left.append((up - down) / 2)
        up, down = place(path, table)
        whole.append((up - down) / 2)
    other = max(value.u**2 - float(np.square(whole).sum()), (_LEAST_SHARE * value.u) ** 2)
    return Measured(value.value, float(np.sqrt(other + np.square(left).sum())))


def _grown(table: Table, size: str, by: int) -> Table:
    """With its length or width larger by so many standard uncertainties."""
    u = table.length_u_mm if size == "length_mm" else table.width_u_mm
    return replace(table, **{size: getattr(table, size) + by * u})
