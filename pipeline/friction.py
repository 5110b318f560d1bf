"""One friction for the session, from what each clip's own paths say about it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.physics import Array, Friction


def pool_friction(estimates: Sequence[Friction], prior: Friction) -> Friction:
    """Join the clips' estimates of (sliding, rolling) friction, each of which already holds ``prior``: it counts once.

    Weighted means of the logarithms (both are positive and known by a factor), by inverse covariance. If the clips
    scatter more than they say (another cloth, a damp patch), the result's uncertainty is widened by the Birge ratio.
    """
    base = np.linalg.inv(_log_covariance(prior))
    start = base @ _log(prior)
    total, told = base.copy(), start.copy()
    own = []
    for estimate in estimates:
        inverse = np.linalg.inv(_log_covariance(estimate))
        information = _not_negative(inverse - base)
        mean = np.linalg.lstsq(information, inverse @ _log(estimate) - start, rcond=1e-9)[0]
        total += information
        told += information @ mean
        own.append((mean, information))
    covariance = np.linalg.inv(total)
    best = covariance @ told
    if len(own) > 1:
        chi2 = sum(float((mean - best) @ information @ (mean - best)) for mean, information in own)
        covariance = covariance * max(1.0, chi2 / (2 * (len(own) - 1)))
    u = np.sqrt(np.diag(covariance))
    sliding, rolling = np.exp(best)
    return Friction(
        sliding=float(sliding), sliding_u=float(sliding * u[0]),
        rolling=float(rolling), rolling_u=float(rolling * u[1]),
        correlation=float(np.clip(covariance[0, 1] / (u[0] * u[1]), -0.999, 0.999)),
    )


def _log(friction: Friction) -> Array:
    return np.log([friction.sliding, friction.rolling])


def _log_covariance(friction: Friction) -> Array:
    values = np.array([friction.sliding, friction.rolling])
    return np.asarray(friction.covariance / np.outer(values, values))


def _not_negative(matrix: Array) -> Array:
    """The nearest information matrix: an estimate can't know less than the prior that it holds."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.clip(values, 0, None)) @ vectors.T)
