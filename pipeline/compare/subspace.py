"""Least squares in an orthonormal basis of a design's columns: rank, estimability and weighted fits from one SVD.

With sessions, the columns are those of [a dummy a session, design]. The dummies are never made: a basis of what the
design adds to them is enough, as no contrast asked for has a part in them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.sessions import Sessions

Array = NDArray[np.float64]

_RANK_TOL = 1e-9  # singular values below this share of the largest, columns scaled to length 1, are zero
_IN_SPACE = 1e-6


@dataclass(frozen=True, eq=False)
class Subspace:
    """Columns of x (n, p) as ``basis`` (n, r): x beta = basis gamma, up to a constant in each session if ``sessions``.

    ``back`` (p, r) turns a contrast on beta into one on gamma: c' beta = (c' back) gamma, where c is estimable.
    """

    basis: Array
    back: Array
    rows: Array  # (r, p) orthonormal basis of the (scaled) row space
    size: Array  # (p,) lengths of the columns
    sessions: Sessions | None = None

    @property
    def rank(self) -> int:
        """Dimension of the space, the sessions' own included."""
        return int(self.basis.shape[1]) + (self.sessions.count if self.sessions else 0)

    def holds(self, contrast: Array) -> bool:
        """Is the contrast (p,) a combination of rows of x, i.e. can the data say anything about it?"""
        scaled = contrast / self.size
        rest = scaled - self.rows.T @ (self.rows @ scaled)
        return float(np.linalg.norm(rest)) <= _IN_SPACE * float(np.linalg.norm(scaled))

    def on_basis(self, contrast: Array) -> Array:
        """The contrast (p,) or contrasts (k, p) in coordinates of the basis."""
        return np.asarray(contrast @ self.back)

    def leverage(self, found: Solution, w: Array) -> Array:
        """(n,) how much of each shot's own response goes into its fitted value."""
        own = np.einsum("ij,ij->i", found.basis @ found.cov, found.basis)
        if self.sessions:
            own += (1 / self.sessions.weights(w))[self.sessions.labels]
        return np.asarray(own * w)


@dataclass(frozen=True, eq=False)
class Solution:
    """Weighted least squares: gamma (r,), its covariance for unit weights' scale, weighted sum of squared residuals.

    ``basis`` (n, r): as the subspace's, without the sessions' weighted means.
    """

    gamma: Array
    cov: Array
    residual: Array
    q: float
    basis: Array


def subspace(x: Array, sessions: Sessions | None = None, *, times: Array | None = None) -> Subspace:
    """Decompose a design (n, p), or what it says inside sessions.

    times : (n,) how many shots each row stands for, one if None; the basis' rows are then longer by its root
    """
    once = np.ones(len(x)) if times is None else times
    root = np.sqrt(once)[:, None]
    size = np.linalg.norm(x if times is None else x * root, axis=0)
    size = np.where(size > 0, size, 1.0)
    scaled = x / size
    if sessions:
        scaled = sessions.centred(sessions.centred(scaled, once), once)  # again: the rest of a large mean
    scaled = scaled if times is None else scaled * root
    u, s, vt = np.linalg.svd(scaled, full_matrices=False)
    # the largest is at least 1 before sessions are taken out; what they leave may be nothing but rounding
    rank = int(np.sum(s > _RANK_TOL * max(float(s[0]), 1.0))) if len(s) else 0
    basis, rows = np.ascontiguousarray(u[:, :rank]), vt[:rank]
    return Subspace(basis, (rows.T / s[:rank]) / size[:, None], rows, size, sessions)


def triangle(x: Array) -> Array:
    """R of x = QR: the columns' lengths and angles, without their n rows."""
    return np.asarray(np.linalg.qr(x, mode="r"), dtype=np.float64)


def independent_columns(x: Array) -> Array:
    """The columns of x (n, p) that aren't combinations of earlier ones."""
    size = np.linalg.norm(x, axis=0)
    small = triangle(x / np.where(size > 0, size, 1.0))  # as dependent as x
    kept: list[int] = []
    for column in range(x.shape[1]):
        if np.linalg.matrix_rank(small[:, [*kept, column]], rtol=_RANK_TOL) > len(kept):
            kept.append(column)
    return x[:, kept]


def solve(space: Subspace, y: Array, w: Array) -> Solution:
    """Weighted least squares of y (n,) with weights w (n,)."""
    basis = space.basis
    if space.sessions:
        basis, y = space.sessions.centred(basis, w), space.sessions.centred(y, w)
    weighted = basis * w[:, None]
    cov = np.asarray(np.linalg.inv(weighted.T @ basis), dtype=np.float64)
    gamma = cov @ (weighted.T @ y)
    residual = y - basis @ gamma
    return Solution(gamma, cov, residual, float(w @ residual**2), basis)


def solver_with_sessions(space: Subspace, y: Array, w: Array, sessions: Sessions) -> Callable[[float], Solution]:
    """Session variance -> generalised least squares with V = diag(1/w) + variance Z Z' (Woodbury, session by session).

    space : of the design alone
    """
    b = space.basis
    weighted = b * w[:, None]
    bb, by = weighted.T @ b, weighted.T @ y
    total, zb, zy = sessions.weights(w), sessions.sums(b, w), sessions.sums(y, w)

    def at(variance: float) -> Solution:
        if variance <= 0:
            return solve(space, y, w)
        shrink = 1 / (1 / variance + total)
        cov = np.asarray(np.linalg.inv(bb - (zb * shrink[:, None]).T @ zb), dtype=np.float64)
        gamma = cov @ (by - zb.T @ (shrink * zy))
        residual = y - b @ gamma
        q = float(w @ residual**2 - shrink @ sessions.sums(residual, w) ** 2)
        return Solution(gamma, cov, residual, q, b)

    return at
