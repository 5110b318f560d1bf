"""A shot's fit as a problem of least squares: frames, events and knowledge, and what parameters cost.

All that is done at every step of a descent is compiled: `pipeline.compiled_frames`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline import compiled_frames
from pipeline.compiled_knowledge import KNOWN_OF
from pipeline.compiled_motion import BALL, CUSHION, JAW, STRIKE, ShotArrays
from pipeline.knowledge import Knowledge
from pipeline.paths import Layout, Path, Seen
from pipeline.physics import Array
from shared.equipment import CUSHIONS

HUBER = 2.5  # residuals beyond this many standard uncertainties count less
_FRICTIONS = 2  # of what is known, the first rows
_MAY_BE = {STRIKE: [0, 1, 2], BALL: [2, 3, 4, 5]}  # rows of what is known in which a stroke, or balls, may be odd
_KINDS = {"strike": STRIKE, "ball": BALL, "cushion": CUSHION, "jaw": JAW}


class MotionProblem:
    """Whitened residuals of a shot; a thin thing that lives for one fit."""

    def __init__(
        self, layout: Layout, seen: dict[str, Seen], knowledge: Knowledge, tolerated: float = HUBER
    ) -> None:
        """``tolerated``: standard uncertainties beyond which a residual counts less."""
        self.layout, self.seen, self.knowledge, self.tolerated = layout, seen, knowledge, tolerated
        self.whiten = {b: np.linalg.inv(np.linalg.cholesky(s.covariance)) for b, s in seen.items()}

    @cached_property
    def arrays(self) -> ShotArrays:
        """For compiled functions."""
        layout, balls = self.layout, self.layout.balls
        chain = np.full((len(balls), 1 + max(map(len, layout.chain.values()), default=0)), -1)
        legs = []
        for b, ball in enumerate(balls):
            events = layout.chain[ball]
            chain[b, : len(events)] = events
            legs += [(layout.leg[ball, i], b, i, k) for i, k in zip(events, [*events[1:], -1], strict=False)]
        met = [(e.ball, e.other if e.kind == "ball" else "") for e in layout.events]
        order = sorted({pair for events in layout.chain.values() for pair in pairwise(events)})
        seen = [self.seen[ball] for ball in balls]
        whiten = np.concatenate([self.whiten[ball] for ball in balls])
        return ShotArrays(
            kind=_ints([_KINDS[e.kind] for e in layout.events]),
            ball=_ints([[balls.index(name) if name else -1 for name in pair] for pair in met], 2),
            cushion=_ints([CUSHIONS.index(e.other) if e.other in CUSHIONS else -1 for e in layout.events]),
            leg=_ints([[layout.leg.get((name, i), -1) for name in pair] for i, pair in enumerate(met)], 2),
            place=_ints([layout.place[ball] for ball in balls]), chain=_ints(chain), order=_ints(order, 2),
            legs=_ints(legs, 4), steps=layout.steps, known=self._known(),
            cue=balls.index("cue") if "cue" in balls else -1,
            t_s=np.concatenate([s.t_s for s in seen]).astype(float),
            xy_mm=np.ascontiguousarray(np.concatenate([s.xy_mm for s in seen]), dtype=float),
            white=np.ascontiguousarray(np.stack([whiten[:, 0, 0], whiten[:, 1, 0], whiten[:, 1, 1]], axis=1)),
            begins=_ints(np.cumsum([0, *(len(s.t_s) for s in seen)])),
            last_s=np.array([s.t_s[-1] for s in seen], dtype=float), tolerated=float(self.tolerated),
        )

    def _known(self) -> Array:
        table, f, mass = self.knowledge.table, self.knowledge.friction, self.knowledge.cue_mass
        ball = table.ball
        return np.array([
            math.log(f.sliding), f.sliding_u / f.sliding, math.log(f.rolling), f.rolling_u / f.rolling,
            table.length_mm, table.width_mm, table.contact_distance_mm(ball.radius_mm), ball.diameter_mm,
            mass.ratio, mass.u,
        ])

    @property
    def last_s(self) -> dict[str, float]:
        """When each ball was last seen."""
        return {ball: float(seen.t_s[-1]) for ball, seen in self.seen.items()}

    @property
    def effects(self) -> int:
        """How many systematic effects there are."""
        return max((s.systematic.shape[2] for s in self.seen.values()), default=0)

    @cached_property
    def white_effects(self) -> Array:
        """(2N, Q): what each systematic effect does to the residuals, in standard uncertainties; ball by ball."""
        whole = np.zeros((sum(len(s.t_s) for s in self.seen.values()), 2, self.effects))
        at = 0
        for ball in self.layout.balls:
            s = self.seen[ball]
            whole[at : at + len(s.t_s), :, : s.systematic.shape[2]] = self.whiten[ball] @ s.systematic
            at += len(s.t_s)
        return whole.reshape(2 * len(whole), self.effects)

    def weights(self, residuals: Array) -> Array:
        """(N,) Huber's, of whitened residuals (2N,)."""
        size = np.linalg.norm(residuals.reshape(-1, 2), axis=1)
        return np.asarray(np.minimum(1.0, self.tolerated / np.maximum(size, 1e-9)))

    def noise_mm(self, ball: str) -> float:
        """Of a ball's typical frame, per axis."""
        return float(np.sqrt(np.median(np.trace(self.seen[ball].covariance, axis1=1, axis2=2)) / 2))

    def observed(self, ball: str, theta: Array) -> Array:
        """(N, 2) whitened."""
        s = self.seen[ball]
        p = Path(self.layout, theta, [ball]).states(ball, s.t_s)[0][0]
        return np.asarray((self.whiten[ball] @ (s.xy_mm - p)[..., None])[..., 0])

    def cost(self, theta: Array) -> float:
        """Chi squared, with Huber's loss in the frames."""
        return compiled_frames.cost(self.arrays, theta)

    def costs(self, thetas: Array) -> Array:
        """(P,) costs of a batch."""
        return np.array([self.cost(theta) for theta in thetas])

    def normal_equations(self, theta: Array) -> tuple[Array, Array, float]:
        """J^T W J (n, n), J^T W r (n,) and the cost."""
        return compiled_frames.normal_equations(self.arrays, theta)

    def slopes(self, theta: Array) -> tuple[Array, Array]:
        """Residuals (2N,) and their derivatives (2N, n), ball by ball."""
        return compiled_frames.slopes(self.arrays, theta)

    def strains(self, theta: Array) -> Array:
        """(E, 2) by event, the most by which anything departs from what is known of such beforehand, in standard
        uncertainties; and the same without what an odd stroke, or balls unequal in weight or sticky, may do.
        """
        known = np.abs(compiled_frames.walk_slopes(self.arrays, theta)[2])
        out = np.empty((len(self.arrays.kind), 2))
        at = _FRICTIONS + len(self.arrays.order)
        for i, kind in enumerate(self.arrays.kind):
            own = known[at : at + KNOWN_OF[kind]]
            out[i] = own.max(), np.delete(own, _MAY_BE.get(kind, [])).max(initial=0.0)
            at += KNOWN_OF[kind]
        return out

    def rows_of(self, ball: str) -> slice:
        """One ball's frames among all."""
        begins, k = self.arrays.begins, self.layout.balls.index(ball)
        return slice(int(begins[k]), int(begins[k + 1]))

    def lasting_costs(self, thetas: Array, held: Sequence[int]) -> Array:
        """(P,) costs at (P, n) if what shifts many frames alike (``Seen.systematic``) may be what it fits best: a
        standard uncertainty of each costs 1. All parameters but those ``held`` give way, to first order.

        Frames' noise alone would make much of a bend in the path that is no larger than a lamp's or a lens's doing.
        """
        effects = self.white_effects
        free = np.setdiff1d(np.arange(self.layout.size), held)
        n = len(free)
        system, pull = np.empty((n + self.effects, n + self.effects)), np.empty(n + self.effects)
        costs = np.empty(len(thetas))
        for p, theta in enumerate(thetas):
            a, g, cost = self.normal_equations(theta)
            r, j = self.slopes(theta)
            weighted = effects * np.repeat(self.weights(r), 2)[:, None]
            system[:n, :n], pull[:n] = a[np.ix_(free, free)], g[free]
            system[:n, n:] = -(j[:, free].T @ weighted)
            system[n:, :n] = system[:n, n:].T
            system[n:, n:] = effects.T @ weighted
            system[range(n, len(pull)), range(n, len(pull))] += 1.0
            pull[n:] = -(weighted.T @ r)
            scale = 1 / np.sqrt(np.diag(system) + 1e-12)
            equations = system * scale[:, None] * scale
            equations[np.diag_indices(len(pull))] += 1e-9
            costs[p] = cost - (pull * scale) @ np.linalg.solve(equations, pull * scale)
        return costs


def _ints(values: object, columns: int = 0) -> NDArray[np.int64]:
    """Contiguous; (N, columns) even where there are none."""
    out = np.ascontiguousarray(values, dtype=np.int64)
    return out.reshape(-1, columns) if columns else out
