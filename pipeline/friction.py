"""The session's friction, from what each clip's own paths say about it, and what a clip may learn from the others."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.physics import Array, Friction

_LITTLE_MOVED, _LITTLE_SHRUNK = 0.2, 0.05  # of a standard uncertainty


def pool_friction(estimates: Sequence[Friction], prior: Friction) -> Friction:
    """Join the clips' estimates of (sliding, rolling) friction, each of which already holds ``prior``: it counts once.

    Weighted means of the logarithms (both are positive and known by a factor), by inverse covariance. If the clips
    scatter more than they say (another cloth, a damp patch), the result's uncertainty is widened by the Birge ratio.
    What all share (the camera, the lamps) does not average out.
    """
    own = [_told(estimate, prior) for estimate in estimates]
    best, covariance = _join(own, prior)
    if len(own) > 1:
        chi2 = sum(float((one.mean - best) @ one.information @ (one.mean - best)) for one in own)
        covariance = covariance * max(1.0, chi2 / (2 * (len(own) - 1))) + _shared(estimates)
    return _friction(best, covariance)


def learnt_from_others(
    estimates: Mapping[str, Friction], alike: Mapping[str, Hashable], prior: Friction
) -> dict[str, Friction]:
    """For each clip, what the session's other clips say of its friction: a prior for measuring it once more.

    estimates : each clip's own, which hold ``prior`` ; alike : the conditions each clip was filmed under
    returns   : by clip. From the clips under the same conditions, else from all others; never from the clip itself,
                which would count twice. Balls or cloth may differ between clips all the same: their scatter beyond
                their own uncertainty (DerSimonian and Laird's estimate, from memory) is added to the mean's.
    """
    told = {clip: _told(estimate, prior) for clip, estimate in estimates.items()}
    groups: dict[Hashable, list[str]] = {}
    for clip in told:
        groups.setdefault(alike.get(clip), []).append(clip)
    within = _scatter([[told[clip] for clip in clips] for clips in groups.values()])
    between = _scatter([list(told.values())])
    out = {}
    for clip in told:
        fellows = [c for c in groups[alike.get(clip)] if c != clip]
        scatter = within if fellows else between
        others = fellows or [c for c in told if c != clip]
        if others:
            best, covariance = _join([told[c] for c in others], prior, scatter)
            out[clip] = _friction(best, covariance + _shared([estimates[c] for c in others]))
    return out


def tells_more(learnt: Friction, estimate: Friction, prior: Friction) -> bool:
    """Whether ``learnt`` in place of ``prior`` would move a clip's own ``estimate`` (which holds the prior) at all.

    At all: by more than a fifth of the estimate's own standard uncertainty, or so that it shrinks by a twentieth. Less
    is lost among the uncertainties of everything measured with it.
    """
    own = _told(estimate, prior)
    covariance = np.linalg.inv(own.information + np.linalg.inv(_log_covariance(learnt)))
    best = covariance @ (own.information @ own.mean + np.linalg.solve(_log_covariance(learnt), _log(learnt)))
    u = np.sqrt(np.diag(_log_covariance(estimate)))
    moved, shrunk = np.abs(best - _log(estimate)) / u, 1 - np.sqrt(np.diag(covariance)) / u
    return bool((moved > _LITTLE_MOVED).any() or (shrunk > _LITTLE_SHRUNK).any())


@dataclass(frozen=True, eq=False)
class _Told:
    """What one clip's frames alone say: mean of the logarithms (2,), and the information matrix (2, 2) behind it."""

    mean: Array
    information: Array

    @property
    def covariance(self) -> Array:
        """Its inverse, large where the frames say nothing."""
        return np.asarray(np.linalg.inv(self.information + 1e-3 * np.eye(2)))


def _told(estimate: Friction, prior: Friction) -> _Told:
    """Take the prior out of a fitted estimate."""
    base = np.linalg.inv(_log_covariance(prior))
    inverse = np.linalg.inv(_log_covariance(estimate))
    information = _not_negative(inverse - base)
    mean = np.linalg.lstsq(information, inverse @ _log(estimate) - base @ _log(prior), rcond=1e-9)[0]
    return _Told(np.asarray(mean), information)


def _join(told: Sequence[_Told], prior: Friction, scatter: Array | None = None) -> tuple[Array, Array]:
    """Mean and covariance of the logarithms: for the clips' common value, or, with ``scatter``, for one clip more."""
    base = np.linalg.inv(_log_covariance(prior))
    spread = np.zeros((2, 2)) if scatter is None else np.diag(scatter)
    total: Array = np.zeros((2, 2))
    weighted: Array = np.zeros(2)
    for one in told:
        weight: Array = one.information if scatter is None else np.asarray(np.linalg.inv(one.covariance + spread))
        total = np.asarray(total + weight)
        weighted = np.asarray(weighted + weight @ one.mean)
    if scatter is not None and told:
        mean = np.linalg.solve(total, weighted)
        total = np.asarray(np.linalg.inv(np.linalg.inv(total) + spread))
        weighted = np.asarray(total @ mean)
    covariance = np.linalg.inv(total + base)
    return covariance @ (weighted + base @ _log(prior)), covariance


def _scatter(groups: Sequence[Sequence[_Told]]) -> Array:
    """(2,) variance of the logarithms between clips of a group beyond their own uncertainty, pooled over the groups."""
    excess, scale = np.zeros(2), np.zeros(2)
    for told in groups:
        means = np.array([one.mean for one in told]).reshape(-1, 2)
        weights = 1 / np.array([np.diag(one.covariance) for one in told]).reshape(-1, 2)
        if len(means) < 2:
            continue
        whole = weights.sum(axis=0)
        centre = (weights * means).sum(axis=0) / whole
        excess += (weights * (means - centre) ** 2).sum(axis=0) - (len(means) - 1)
        scale += whole - (weights**2).sum(axis=0) / whole
    return np.where(scale > 0, np.clip(excess, 0, None) / np.where(scale > 0, scale, 1.0), 0.0)


def _shared(estimates: Sequence[Friction]) -> Array:
    """(2, 2) what a mean of estimates lacks where part of their errors is the same in all: of the logarithms."""
    parts = [((f.sliding_common_u / f.sliding) ** 2, (f.rolling_common_u / f.rolling) ** 2) for f in estimates]
    return np.diag(np.mean(parts, axis=0) * (1 - 1 / len(parts)))


def _friction(best: Array, covariance: Array) -> Friction:
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
