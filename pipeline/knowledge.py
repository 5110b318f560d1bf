"""What is known of a shot before any frame is seen, as residuals of the fit: sizes, published bands, equal masses.

It holds what few frames cannot tell, with an uncertainty that is stated and finite.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.paths import MotionEvent, Path, inward_normal, nose_distance
from pipeline.physics import Array, Friction
from shared.equipment import Table

NOSE_U_MM = 0.4  # how well the nose line and the ball fit the ideal contact distance
TOUCH_U_MM = 0.2  # the same for two balls: sizes and roundness
MASS_U = 0.012  # equal masses: two balls of a set, k=1; of the impulse, so along the line of centres
CLOTH_U = 0.004  # across it, of the closing speed: what the cloth takes of a ball that the other's skin presses down
RESTITUTION, RESTITUTION_U = 0.95, 0.03  # ball on ball: published band 0.92-0.98 (Alciatore FAQ)
GRIP_U = 0.05  # tangential over normal impulse between balls: published band of friction 0.03-0.08
SPIN_GRIP = 2.5 * GRIP_U  # the most that friction can change a rolling velocity, over the closing speed
TOWARDS_U = 0.02  # of the speed: balls that meet come towards each other, and don't touch from behind
ORDER_U_S = 2e-4  # far below a frame: no contact before the one that led to it
CUSHION_OUT, CUSHION_OUT_U = 0.78, 0.15  # horizontal restitution: published band 0.6-0.9


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def _norm(a: Array) -> Array:
    return np.asarray(np.sqrt(_dot(a, a)) + 1e-9)


@dataclass(frozen=True)
class Knowledge:
    """What is known before any frame is seen: sizes, friction, and how much the contacts may be trusted."""

    table: Table
    friction: Friction

    def residuals(self, path: Path) -> Array:
        """(P, K) departures from it, in standard uncertainties."""
        rows: list[Array] = []
        f = self.friction
        rows.append((path.theta[:, 0] - np.log(f.sliding)) / (f.sliding_u / f.sliding))
        rows.append((path.theta[:, 1] - np.log(f.rolling)) / (f.rolling_u / f.rolling))
        rows += self._order(path)
        for i, event in enumerate(path.layout.events):
            if event.kind == "strike":
                rows += self._strike(path, i, event)
            elif event.kind == "ball":
                rows += self._balls(path, i, event)
            else:
                rows += self._cushion(path, i, event)
        return np.stack(rows, axis=1)

    @staticmethod
    def _order(path: Path) -> list[Array]:
        """What a ball met one after the other, it met in that order."""
        pairs = {pair for chain in path.layout.chain.values() for pair in pairwise(chain)}
        return [np.minimum(path.time(k) - path.time(i), 0.0) / ORDER_U_S for i, k in sorted(pairs)]

    @staticmethod
    def _strike(path: Path, i: int, event: MotionEvent) -> list[Array]:
        """A cue hits near the centre line: any draw or follow up to the miscue limit, hardly any sideways roll."""
        _, v, roll = path.after[event.ball, i]
        speed = _norm(v)
        along = _dot(roll, v) / speed
        across = (v[..., 0] * roll[..., 1] - v[..., 1] * roll[..., 0]) / speed
        return [(along - 0.2 * speed) / (0.7 * speed + 10), across / (0.06 * speed + 10)]

    def _balls(self, path: Path, i: int, event: MotionEvent) -> list[Array]:
        pa, va, ra = path.before[event.ball, i]
        pb, vb, rb = path.before[event.other, i]
        _, va2, ra2 = path.after[event.ball, i]
        _, vb2, rb2 = path.after[event.other, i]
        gap = pb - pa
        distance = _norm(gap)
        n = gap / distance[:, None]
        t = np.stack([-n[:, 1], n[:, 0]], axis=1)
        closing = np.abs(_dot(va - vb, n)) + 20.0
        speed = _norm(va - vb) + 20.0
        out = [(distance - self.table.ball.diameter_mm) / TOUCH_U_MM]
        out.append(np.minimum(_dot(va - vb, n), 0.0) / (TOWARDS_U * speed))
        momentum = va2 + vb2 - va - vb
        out.append(_dot(momentum, n) / (MASS_U * closing))
        out.append(_dot(momentum, t) / np.hypot(CLOTH_U * closing, MASS_U * _dot(vb2 - vb, t)))
        out.append((_dot(vb2 - va2, n) - RESTITUTION * _dot(va - vb, n)) / (RESTITUTION_U * closing))
        out.append(_dot(vb2 - vb, t) / (GRIP_U * closing))
        change_a, change_b = ra2 - ra, rb2 - rb
        same = (change_a - change_b) / (0.01 * speed + 5)[:, None]
        out += [same[:, 0], same[:, 1]]
        # Friction at the contact drives both balls against the roll that they bring along, and not past it.
        brought = _dot(ra + rb, n)
        half = np.sqrt((brought / 2) ** 2 + (0.005 * closing) ** 2)
        most = (half**-4 + (SPIN_GRIP * closing) ** -4) ** -0.25  # the smaller of both, without an edge to be caught at
        out.append((_dot(change_b, n) + 0.6 * brought / (2 * half) * most) / (0.4 * most + 0.01 * closing))
        out.append(_dot(change_b, t) / (0.01 * closing + 5))
        return out

    def _cushion(self, path: Path, i: int, event: MotionEvent) -> list[Array]:
        p, v, roll = path.before[event.ball, i]
        _, v2, roll2 = path.after[event.ball, i]
        n = inward_normal(event.other)[None, :]
        t = np.stack([-n[:, 1], n[:, 0]], axis=1)
        speed = _norm(v) + 20.0
        out: list[Array] = []
        wide = 1.0
        if event.kind == "cushion":
            reach = self.table.contact_distance_mm(self.table.ball.radius_mm)
            out.append((nose_distance(self.table, event.other, p) - reach) / NOSE_U_MM)
        else:
            wide = 5.0  # a jaw's direction is not known
        out.append((_dot(v2, n) + CUSHION_OUT * _dot(v, n)) / (wide * CUSHION_OUT_U * speed))
        out.append((_dot(v2, t) - 0.8 * _dot(v, t)) / (wide * 0.3 * speed))
        out.append((_dot(roll2, n) - 0.2 * _dot(roll, n)) / (wide * 0.4 * speed))
        out.append((_dot(roll2, t) - 0.8 * _dot(roll, t)) / (wide * 0.4 * speed))
        return out
