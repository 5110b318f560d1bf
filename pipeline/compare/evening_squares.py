"""The sum of squares a condition takes up where it may do something else on each evening, and what shots make of it.

Nothing here has rows times evenings of memory: what evening s adds to the fit is the column z where it is s, and sums
over its shots are enough (as in ``sessions``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.sessions import Sessions
from pipeline.compare.subspace import Solution

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

_GONE = 1e-9  # share of a direction that is rounding
_LEAST_DF = 1.0  # of a cell, below which it shows no scatter of its own


@dataclass(frozen=True, eq=False)
class EveningSquares:
    """``between``: sum of squares of what evenings add to a fit, with ``spare`` degrees of freedom.

    z, evenings : (n,) the condition's column inside sessions, and who has a part of it
    basis       : (n, r) of the fit, orthonormal under the weights; h (evenings, r): z's part in it
    of_z        : (evenings,) weighted sum of z^2
    turned      : (evenings, k) what is left of the basis beside evenings' own z, as combinations of these
    residual    : (n,) beside what evenings add; share (n,): how much of its own response goes into ``between``
    """

    between: float
    spare: int
    z: Array
    evenings: Sessions
    basis: Array
    h: Array
    of_z: Array
    turned: Array
    residual: Array
    share: Array

    def spread(self) -> tuple[float, float]:
        """How much ``between`` grows with the variance of evenings, and the degrees of freedom of where it is all."""
        grows = float(self.of_z.sum() - np.sum(self.h**2))
        products = self.h.T @ self.h
        squared = float(np.sum(self.of_z**2) - 2 * self.of_z @ np.sum(self.h**2, axis=1) + np.sum(products**2))
        return grows, grows**2 / squared

    def square_trace(self, w: Array, variance: Array) -> float:
        """Trace of the square of between's form, where shots scatter by ``variance`` (n,) times what w (n,) says."""
        wide = w * variance
        own = self.evenings.sums(self.z**2, wide)
        cross = np.hstack([self.evenings.sums(self.basis * self.z[:, None], wide), self.h])
        r = self.h.shape[1]
        k = np.block([[np.zeros((r, r)), -np.eye(r)], [-np.eye(r), (self.basis * wide[:, None]).T @ self.basis]])
        # the form: diag(alone) + left @ right
        alone = own / self.of_z
        left = np.hstack([cross @ k / self.of_z[:, None], self.turned])
        right = np.vstack([cross.T, self.turned.T * own + self.turned.T @ cross @ k @ cross.T])
        inner = right @ left
        return float(alone @ alone + 2 * np.sum((right * alone) * left.T) + np.sum(inner * inner.T))


@dataclass(frozen=True, eq=False)
class ShotVariances:
    """``variance`` of each cell's shots, over what weights say, with ``df``; ``cell`` (n,) each shot's."""

    variance: Array
    df: Array
    cell: Labels

    @property
    def alike(self) -> bool:
        """One scatter for all?"""
        return len(self.variance) == 1

    @property
    def of_each(self) -> Array:
        """(n,) each shot's."""
        return self.variance[self.cell]

    def sums(self, values: Array) -> Array:
        """(cells,) of values (n,)."""
        return np.asarray(np.bincount(self.cell, values, len(self.variance)), dtype=np.float64)

    def moment(self, times: Array) -> float:
        """Half the variance of sum(times variance), each cell's ``times``."""
        return float(np.sum((times * self.variance) ** 2 / self.df))


def evening_squares(z: Array, fitted: Solution, w: Array, evenings: Sessions) -> EveningSquares:
    """z (n,): a condition's column without sessions' means, weighted by w (n,) as the fit is."""
    of_z = evenings.sums(z**2, w)
    t = evenings.sums(fitted.residual * z, w)
    basis = fitted.basis @ np.linalg.cholesky(fitted.cov)
    h = evenings.sums(basis * z[:, None], w)
    own = h / of_z[:, None]
    left, axes = np.linalg.eigh(np.eye(h.shape[1]) - own.T @ h)  # of the basis beside evenings' own z
    kept = left > _GONE
    axes = axes[:, kept] / np.sqrt(left[kept])
    turned = own @ axes
    mixed = turned.T @ t
    beside = (basis - z[:, None] * own[evenings.labels]) @ axes
    return EveningSquares(
        between=float(np.sum(t**2 / of_z) + np.sum(mixed**2)),
        spare=evenings.count - int((~kept).sum()),
        z=z,
        evenings=evenings,
        basis=basis,
        h=h,
        of_z=of_z,
        turned=turned,
        residual=fitted.residual - z * (t / of_z)[evenings.labels] + beside @ mixed,
        share=w * (z**2 / of_z[evenings.labels] + np.sum(beside**2, axis=1) - np.sum(basis**2, axis=1)),
    )


def shot_variances(squares: EveningSquares, w: Array, leverage: Array, cell: Labels | None) -> ShotVariances:
    """How shots scatter beside what evenings add: those of each ``cell`` (n,) by themselves, or all alike.

    leverage : (n,) of the fit without what evenings add
    """
    room = 1 - leverage - squares.share
    one = np.zeros(len(room), dtype=np.intp)
    found = _by(one if cell is None else cell, squares, w, room)
    return found if float(found.df.min()) >= _LEAST_DF else _by(one, squares, w, room)


def _by(cell: Labels, squares: EveningSquares, w: Array, room: Array) -> ShotVariances:
    df = np.asarray(np.bincount(cell, room), dtype=np.float64)
    return ShotVariances(np.bincount(cell, w * squares.residual**2) / np.maximum(df, _GONE), df, cell)
