"""Mean and spread of a robust variance estimate: traces of a quadratic form of residuals, without an n x n matrix."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.sessions import Sessions

Array = NDArray[np.float64]


def quadratic_moments(
    size: Array, basis: Array, cov: Array, w: Array, omega: Array, sessions: Sessions | None = None
) -> tuple[float, float]:
    """Traces of Q omega and of (Q omega)^2, Q = M' diag(size) M, M = 1 - H, H the weighted projection that was fitted.

    size, w, omega : (n,) diagonals
    basis          : (n, r) what was fitted beside a constant a session, their weighted means taken out; cov (r, r)

    With N = 1 - (weighted session means) and H the rest's projection, basis cov basis' diag(w), M = N - H: Q is
    N' diag(size) N, a block a session of a diagonal and rank two, plus F K F' of rank 2 r.
    """
    bc = basis @ cov
    weighted = size[:, None] * bc
    h = bc.T @ weighted
    if sessions:
        weighted = weighted - w[:, None] * (_sums(sessions, weighted) / sessions.weights(w)[:, None])[sessions.labels]
    f = np.hstack([weighted, w[:, None] * basis])
    r = basis.shape[1]
    k = np.block([[np.zeros((r, r)), -np.eye(r)], [-np.eye(r), h]])
    spread = omega[:, None] * f
    kf = k @ (f.T @ spread)
    if sessions:
        spread = sessions.centred(spread, w)
    mixed = k @ (spread.T @ (size[:, None] * spread))
    mean, square = _block_traces(size, w, omega, sessions)
    return mean + float(np.trace(kf)), square + float(2 * np.trace(mixed) + np.sum(kf * kf.T))


def _block_traces(size: Array, w: Array, omega: Array, sessions: Sessions | None) -> tuple[float, float]:
    """Traces of T omega and (T omega)^2, T = N' diag(size) N: in each session diag(size) + F K F', F = [size, w]."""
    diagonal = size * omega
    mean, square = float(diagonal.sum()), float(diagonal @ diagonal)
    if sessions is None:
        return mean, square
    total = sessions.weights(w)
    k = np.zeros((sessions.count, 2, 2))
    k[:, 0, 1] = k[:, 1, 0] = -1 / total
    k[:, 1, 1] = sessions.weights(size) / total**2
    kf = k @ _forms(sessions, size, w, omega)
    mixed = k @ _forms(sessions, size, w, diagonal * omega)
    return mean + _trace(kf), square + 2 * _trace(mixed) + _trace(kf @ kf)


def _forms(sessions: Sessions, a: Array, b: Array, middle: Array) -> Array:
    """(count, 2, 2) per session: [a, b]' diag(middle) [a, b]."""
    aa, ab, bb = (sessions.weights(left * right * middle) for left, right in ((a, a), (a, b), (b, b)))
    return np.stack([np.stack([aa, ab], axis=-1), np.stack([ab, bb], axis=-1)], axis=-2)


def _sums(sessions: Sessions, values: Array) -> Array:
    return sessions.sums(values, np.ones(len(values)))


def _trace(matrices: Array) -> float:
    return float(np.trace(matrices, axis1=1, axis2=2).sum())
