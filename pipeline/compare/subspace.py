"""Least squares in an orthonormal basis of a design's columns: rank, estimability and weighted fits from one SVD."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_RANK_TOL = 1e-9  # singular values below this share of the largest, columns scaled to length 1, are zero
_IN_SPACE = 1e-6


@dataclass(frozen=True, eq=False)
class Subspace:
    """Columns of x (n, p) of rank r as ``basis`` (n, r): x beta = basis gamma.

    ``back`` (p, r) turns a contrast on beta into one on gamma: c' beta = (c' back) gamma, where c is estimable.
    """

    basis: Array
    back: Array
    rows: Array  # (r, p) orthonormal basis of the (scaled) row space
    size: Array  # (p,) lengths of the columns

    @property
    def rank(self) -> int:
        return int(self.basis.shape[1])

    def holds(self, contrast: Array) -> bool:
        """Is the contrast (p,) a combination of rows of x, i.e. can the data say anything about it?"""
        scaled = contrast / self.size
        rest = scaled - self.rows.T @ (self.rows @ scaled)
        return float(np.linalg.norm(rest)) <= _IN_SPACE * float(np.linalg.norm(scaled))

    def on_basis(self, contrast: Array) -> Array:
        """The contrast (p,) or contrasts (k, p) in coordinates of the basis."""
        return np.asarray(contrast @ self.back)


@dataclass(frozen=True, eq=False)
class Solution:
    """Weighted least squares: gamma (r,), its covariance for unit weights' scale, weighted sum of squared residuals."""

    gamma: Array
    cov: Array
    residual: Array
    q: float


def subspace(x: Array) -> Subspace:
    """Decompose a design (n, p)."""
    size = np.linalg.norm(x, axis=0)
    size = np.where(size > 0, size, 1.0)
    u, s, vt = np.linalg.svd(x / size, full_matrices=False)
    rank = int(np.sum(s > _RANK_TOL * s[0])) if len(s) else 0
    basis, rows = u[:, :rank], vt[:rank]
    return Subspace(basis, (rows.T / s[:rank]) / size[:, None], rows, size)


def solve(space: Subspace, y: Array, w: Array) -> Solution:
    """Weighted least squares of y (n,) with weights w (n,)."""
    weighted = space.basis * w[:, None]
    cov = np.asarray(np.linalg.inv(weighted.T @ space.basis), dtype=np.float64)
    gamma = cov @ (weighted.T @ y)
    residual = y - space.basis @ gamma
    return Solution(gamma, cov, residual, float(w @ residual**2))


def solve_with_sessions(
    space: Subspace, y: Array, w: Array, labels: NDArray[np.intp], n_sessions: int, session_var: float
) -> Solution:
    """Generalised least squares with V = diag(1/w) + session_var Z Z', inverted by Woodbury session by session."""
    if session_var <= 0:
        return solve(space, y, w)
    b = space.basis

    def by_session(values: Array) -> Array:
        return np.asarray(np.bincount(labels, w * values, n_sessions), dtype=np.float64)

    shrink = 1 / (1 / session_var + by_session(np.ones(len(y))))
    zb, zy = np.stack([by_session(column) for column in b.T], axis=1), by_session(y)
    cov = np.asarray(np.linalg.inv((b * w[:, None]).T @ b - (zb * shrink[:, None]).T @ zb), dtype=np.float64)
    gamma = cov @ (b.T @ (w * y) - zb.T @ (shrink * zy))
    residual = y - b @ gamma
    return Solution(gamma, cov, residual, float(w @ residual**2 - shrink @ by_session(residual) ** 2))
