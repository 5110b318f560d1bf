"""How balls leave a hit or a cushion, roughly: without throw, and at the middle of the published restitutions."""

from __future__ import annotations

from pipeline.knowledge import CUSHION_OUT, RESTITUTION
from pipeline.physics import Array


def after_hit(v: Array, w: Array, line: Array) -> tuple[Array, Array]:
    """Velocities (2,) of two equal balls after a hit, where ``line`` (2,), of length 1, leads from the first's centre
    to the other's. Unchanged where they don't come together.
    """
    push = 0.5 * (1 + RESTITUTION) * max(float((v - w) @ line), 0.0) * line
    return v - push, w + push


def after_cushion(v: Array, inward: Array) -> Array:
    """Velocity (2,) after a cushion with this normal (2,) into the table."""
    return v - (1 + CUSHION_OUT) * min(float(v @ inward), 0.0) * inward
