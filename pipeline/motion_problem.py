"""A shot's residuals, and the normal equations of its fit: the frames' from closed forms, the knowledge's by steps."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.knowledge import Knowledge
from pipeline.paths import Layout, Path, Seen
from pipeline.physics import Array, position_derivatives

HUBER = 2.5  # residuals beyond this many standard uncertainties count less
_LOCAL = 9  # what a leg's places depend on: its start's place, velocity, rolling velocity and time, both frictions


class MotionProblem:
    """Whitened residuals of a shot; a thin thing that lives for one fit. Many parameter vectors are done at once."""

    def __init__(
        self, layout: Layout, seen: dict[str, Seen], knowledge: Knowledge, tolerated: float = HUBER
    ) -> None:
        """``tolerated``: standard uncertainties beyond which a residual counts less."""
        self.layout, self.seen, self.knowledge, self.tolerated = layout, seen, knowledge, tolerated
        self.whiten = {b: np.linalg.inv(np.linalg.cholesky(s.covariance)) for b, s in seen.items()}

    @property
    def last_s(self) -> dict[str, float]:
        """When each ball was last seen."""
        return {ball: float(seen.t_s[-1]) for ball, seen in self.seen.items()}

    @property
    def effects(self) -> int:
        """How many systematic effects there are."""
        return max((s.systematic.shape[2] for s in self.seen.values()), default=0)

    @cached_property
    def white_effects(self) -> dict[str, Array]:
        """By ball (2N, Q): what each systematic effect does to the residuals, in standard uncertainties."""
        return {b: (self.whiten[b] @ s.systematic).reshape(2 * len(s.t_s), s.systematic.shape[2])
                for b, s in self.seen.items()}

    def weights(self, residuals: Array) -> Array:
        """(N,) Huber's, of whitened residuals (2N,)."""
        size = np.linalg.norm(residuals.reshape(-1, 2), axis=1)
        return np.asarray(np.minimum(1.0, self.tolerated / np.maximum(size, 1e-9)))

    def noise_mm(self, ball: str) -> float:
        """Of a ball's typical frame, per axis."""
        return float(np.sqrt(np.median(np.trace(self.seen[ball].covariance, axis1=1, axis2=2)) / 2))

    def observed(self, ball: str, theta: Array) -> Array:
        """(P, N, 2) whitened."""
        s = self.seen[ball]
        p = Path(self.layout, theta, [ball]).states(ball, s.t_s)[0]
        return np.asarray((self.whiten[ball] @ (s.xy_mm - p)[..., None])[..., 0])

    def cost(self, theta: Array) -> float:
        return float(self.costs(theta[None])[0])

    def costs(self, thetas: Array) -> Array:
        """(P,) costs of a batch."""
        total = (self.knowledge.residuals(Path(self.layout, thetas)) ** 2).sum(axis=1)
        for b in self.seen:
            total = total + self._loss(np.linalg.norm(self.observed(b, thetas), axis=2)).sum(axis=1)
        return np.asarray(total)

    def normal_equations(self, thetas: Array) -> tuple[Array, Array, Array]:
        """J^T W J (P, n, n), J^T W r (P, n) and cost (P,) at each of the vectors (P, n)."""
        layout, many = self.layout, len(thetas)
        n, steps = layout.size, layout.steps
        batch = np.repeat(thetas[:, None, :], n + 1, axis=1)
        batch[:, np.arange(1, n + 1), np.arange(n)] += steps
        path = Path(layout, batch.reshape(-1, n))
        k = self.knowledge.residuals(path).reshape(many, n + 1, -1)
        jk = (k[:, 1:] - k[:, :1]) / steps[:, None]
        a: Array = jk @ jk.transpose(0, 2, 1)
        g: Array = (jk @ k[:, 0, :, None])[..., 0]
        cost: Array = (k[:, 0] ** 2).sum(axis=1)
        for ball in self.seen:
            columns = layout.columns(ball)
            a_ball, g_ball, cost_ball = self._frames(path, ball, columns, many)
            a[:, columns[:, None], columns] += a_ball
            g[:, columns] += g_ball
            cost += cost_ball
        return a, g, cost

    def _frames(
        self, path: Path, ball: str, columns: NDArray[np.intp], many: int
    ) -> tuple[Array, Array, Array]:
        """One ball's part in the normal equations, over its own ``columns``.

        path : of every vector and, after each, of the vector with one parameter stepped
        """
        seen, whiten = self.seen[ball], self.whiten[ball]
        start, chain = self._legs(path, ball, columns, many)
        rows = np.arange(many)[:, None]
        leg = np.stack([np.searchsorted(times[1:], seen.t_s, side="right") for times in start[:, :, 6].T])  # (P, N)
        at = start[leg, rows]  # (P, N, 9)
        tau = np.where(leg > 0, seen.t_s - at[..., 6], -1.0)
        moved, local = position_derivatives(at[..., 2:4], at[..., 4:6], tau, np.exp(at[..., 7]), np.exp(at[..., 8]))
        z = (whiten @ (seen.xy_mm - at[..., :2] - moved)[..., None])[..., 0]  # (P, N, 2)
        slope = (whiten @ local).reshape(many, -1, _LOCAL)  # of the model: minus that of the residuals
        size = np.sqrt(z[..., 0] ** 2 + z[..., 1] ** 2)
        weight = np.minimum(1.0, self.tolerated / np.maximum(size, 1e-9))
        a = np.zeros((many, len(columns), len(columns)))
        g = np.zeros((many, len(columns)))
        for k, dependence in enumerate(chain):  # (P, 9, m)
            share = np.repeat(weight * (leg == k), 2, axis=1)[..., None]
            if not share.any():
                continue
            weighted = (slope * share).transpose(0, 2, 1)  # (P, 9, 2N)
            turned = dependence.transpose(0, 2, 1)
            a += turned @ (weighted @ slope) @ dependence
            g -= (turned @ (weighted @ z.reshape(many, -1, 1)))[..., 0]
        return a, g, self._loss(size).sum(axis=1)

    def _legs(
        self, path: Path, ball: str, columns: NDArray[np.intp], many: int
    ) -> tuple[Array, list[Array]]:
        """What each leg starts with (K + 1, P, 9), the first being the rest before it was met, and how that depends on
        the parameters: K + 1 times (P, 9, m).
        """
        layout, steps = self.layout, self.layout.steps[columns]
        place = np.searchsorted(columns, layout.place[ball])
        theta = path.theta.reshape(many, -1, layout.size)[:, 0]
        start = np.zeros((len(layout.chain[ball]) + 1, many, _LOCAL))
        start[0, :, :2] = theta[:, layout.place[ball] : layout.place[ball] + 2]
        start[..., 7:] = theta[:, :2]
        frozen = np.zeros((many, _LOCAL, len(columns)))
        frozen[:, [0, 1], [place, place + 1]] = 1.0
        out = [frozen]
        for k, i in enumerate(layout.chain[ball], start=1):
            p = path.after[ball, i][0].reshape(many, -1, 2)
            t = path.time(i).reshape(many, -1)
            leg = layout.leg[ball, i]
            start[k, :, :2], start[k, :, 2:6], start[k, :, 6] = p[:, 0], theta[:, leg : leg + 4], t[:, 0]
            dependence = np.zeros((many, _LOCAL, len(columns)))
            dependence[:, :2] = ((p[:, 1 + columns] - p[:, :1]) / steps[:, None]).transpose(0, 2, 1)
            own = np.searchsorted(columns, leg) + np.arange(4)
            dependence[:, np.arange(2, 6), own] = 1.0
            dependence[:, 6] = (t[:, 1 + columns] - t[:, :1]) / steps
            dependence[:, [7, 8], [0, 1]] = 1.0  # the frictions come first of all parameters
            out.append(dependence)
        return start, out

    def jacobian(self, ball: str, theta: Array) -> tuple[NDArray[np.intp], Array, Array]:
        """Columns, residuals (2N,), J^T (n_ball, 2N)."""
        columns = self.layout.columns(ball)
        steps = self.layout.steps[columns]
        batch = np.repeat(theta[None], len(columns) + 1, axis=0)
        batch[np.arange(1, len(columns) + 1), columns] += steps
        z = self.observed(ball, batch).reshape(len(columns) + 1, -1)
        return columns, z[0], (z[1:] - z[0]) / steps[:, None]

    def lasting_costs(self, thetas: Array, held: Sequence[int]) -> Array:
        """(P,) costs at (P, n) if what shifts many frames alike (``Seen.systematic``) may be what it fits best: a
        standard uncertainty of each costs 1. All parameters but those ``held`` give way, to first order.

        Frames' noise alone would make much of a bend in the path that is no larger than a lamp's or a lens's doing.
        """
        a, g, costs = self.normal_equations(thetas)
        n, effects = self.layout.size, self.effects
        free = np.concatenate([np.setdiff1d(np.arange(n), held), np.arange(n, n + effects)])
        for p, theta in enumerate(thetas):
            system = np.zeros((n + effects, n + effects))
            pull = np.zeros(n + effects)
            system[:n, :n], pull[:n] = a[p], g[p]
            system[range(n, n + effects), range(n, n + effects)] = 1.0
            for ball, effect in self.white_effects.items():
                columns, r, j = self.jacobian(ball, theta)
                weighted = effect * np.repeat(self.weights(r), 2)[:, None]
                own = n + np.arange(effect.shape[1])
                system[np.ix_(columns, own)] -= j @ weighted
                system[np.ix_(own, columns)] -= (j @ weighted).T
                system[np.ix_(own, own)] += effect.T @ weighted
                pull[own] -= weighted.T @ r
            scale = 1 / np.sqrt(np.diag(system)[free] + 1e-12)
            equations = system[np.ix_(free, free)] * scale[:, None] * scale + 1e-9 * np.eye(len(free))
            pull = pull[free] * scale
            costs[p] -= pull @ np.linalg.solve(equations, pull)
        return costs

    def _loss(self, size: Array) -> Array:
        """Huber's: squares of sizes, but lines beyond what is tolerated."""
        most = self.tolerated
        return np.asarray(np.where(size <= most, size**2, 2 * most * size - most**2))
