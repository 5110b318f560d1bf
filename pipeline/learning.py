"""What the shots of a session say of its cloth and balls, and what a shot may learn from the others.

All are positive and known by a factor, so it is their logarithms that are joined: of sliding friction, rolling
resistance and, where balls met, of the cue ball's mass over the other's.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np

from pipeline.few import between, student_factor
from pipeline.knowledge import ANY_TWO, SET_U, CueMass, Shown
from pipeline.physics import Array, Friction

_LITTLE_MOVED, _LITTLE_SHRUNK = 0.2, 0.05  # of a standard uncertainty
_MOST_SCATTER = 0.9  # of a prior's variance: what is learnt is never less certain than what was known
TELLING = 0.7  # of the prior's uncertainty: what is less certain says little without the prior
_SAYS_NOTHING = 1e-3  # information in its place
_LEAST_SCATTER = np.array([0.0, 0.0, SET_U**2])  # variance of the logarithms from shot to shot, however few there are

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class ClothAndBalls:
    """What is known of them before a shot, or what a shot says. ``cue_mass`` None: it tells nothing of the balls."""

    friction: Friction
    cue_mass: CueMass | None = None
    restitution: Shown | None = None  # of the cue ball on the first ball it hit; only a shot says it
    ball_friction: Shown | None = None  # and that between these two

    @classmethod
    def kept(cls, record: Mapping[str, Any]) -> ClothAndBalls:
        """From what ``dataclasses.asdict`` made of it."""
        mass = record["cue_mass"]
        shown = (record[name] for name in ("restitution", "ball_friction"))
        return cls(Friction(**record["friction"]), None if mass is None else CueMass(**mass),
                   *(None if one is None else Shown(**one) for one in shown))


def pool_friction(estimates: Sequence[Friction], prior: Friction) -> Friction:
    """Join estimates of (sliding, rolling) friction, each of which already holds ``prior``: it counts once.

    Random-effects means of the logarithms: where estimates of one of the two scatter more than they say (a damp patch,
    balls polished in between), that one's scatter is allowed for in each (DerSimonian and Laird's estimate), with
    Student's t for so few that show it; the other is as certain as before. What all share (the camera, the lamps) does
    not average out.
    """
    best, covariance = _pool([_of_friction(estimate) for estimate in estimates], _of_friction(prior))
    return _friction(best, covariance)


def pool_cue_mass(estimates: Sequence[CueMass]) -> CueMass:
    """The same for the cue ball's mass over the others', each of which holds what is known of any two of a set."""
    best, covariance = _pool([_of_mass(mass) for mass in estimates if tells(mass)], _of_mass(ANY_TWO))
    return _mass(best, covariance)


def learnt_from_others(
    estimates: Mapping[Key, ClothAndBalls], alike: Mapping[Key, Hashable], prior: Friction
) -> dict[Key, ClothAndBalls]:
    """For each shot, what the session's other shots say of its cloth and balls: a prior for measuring it once more.

    estimates : each shot's own, which hold ``prior`` ; alike : the conditions each shot was filmed under
    returns   : by shot. From the shots under the same conditions, else from all others; never from the shot itself,
                which would count twice. Balls or cloth may differ between shots all the same: their scatter beyond
                their own uncertainty (DerSimonian and Laird's estimate, from memory) is added to the mean's, and for
                the balls at least that of a set.
    """
    before = _vector(ClothAndBalls(prior))
    own = {shot: _vector(_telling(estimate)) for shot, estimate in estimates.items()}
    told = {shot: _told(estimate, before) for shot, estimate in own.items()}
    groups: dict[Hashable, list[Key]] = {}
    for shot in told:
        groups.setdefault(alike.get(shot), []).append(shot)
    within = _scatter([[told[shot] for shot in shots] for shots in groups.values()])
    everybody = _Together(told, own, list(told), _scatter([list(told.values())]), before)
    out = {}
    for shots in groups.values():
        together = _Together(told, own, shots, within, before) if len(shots) > 1 else everybody
        for shot in shots if len(told) > 1 else ():
            best, covariance = together.without(shot)
            out[shot] = ClothAndBalls(_friction(best[:2], covariance[:2, :2]), _mass(best[2:], covariance[2:, 2:]))
    return out


def tells_more(learnt: ClothAndBalls, estimate: ClothAndBalls, prior: Friction) -> bool:
    """Whether ``learnt`` in place of ``prior`` would move a shot's own ``estimate`` (which holds the prior) at all.

    At all: by more than a fifth of the estimate's own standard uncertainty, or so that it shrinks by a twentieth. Less
    is lost among the uncertainties of everything measured with it.
    """
    held, new = _vector(estimate), _vector(learnt)
    own = _told(held, _vector(ClothAndBalls(prior)))
    covariance = np.linalg.inv(own.information + np.linalg.inv(new.covariance))
    best = covariance @ (own.information @ own.mean + np.linalg.solve(new.covariance, new.mean))
    u = np.sqrt(np.diag(held.covariance))
    moved, shrunk = np.abs(best - held.mean) / u, 1 - np.sqrt(np.diag(covariance)) / u
    told = slice(0, 2 if estimate.cue_mass is None else 3)
    return bool((moved > _LITTLE_MOVED)[told].any() or (shrunk > _LITTLE_SHRUNK)[told].any())


def tells(mass: CueMass) -> bool:
    """Whether it says more than that the balls are two of a set."""
    return mass.u < TELLING * ANY_TWO.u


def _telling(estimate: ClothAndBalls) -> ClothAndBalls:
    """The estimate without masses of which it says little."""
    mass = estimate.cue_mass
    return estimate if mass is None or tells(mass) else ClothAndBalls(estimate.friction)


@dataclass(frozen=True, eq=False)
class _Vector:
    """Logarithms (d,) with their covariance (d, d), and the variance (d,) of what other shots share of it."""

    mean: Array
    covariance: Array
    common: Array


@dataclass(frozen=True, eq=False)
class _Told:
    """What one shot's frames alone say: mean of the logarithms (d,), and the information matrix (d, d) behind it."""

    mean: Array
    information: Array

    @property
    def covariance(self) -> Array:
        """Its inverse, large where the frames say nothing."""
        return np.asarray(np.linalg.inv(self.information + _SAYS_NOTHING * np.eye(len(self.mean))))


def _vector(known: ClothAndBalls) -> _Vector:
    cloth, mass = _of_friction(known.friction), _of_mass(known.cue_mass or ANY_TWO)
    covariance = np.zeros((3, 3))
    covariance[:2, :2], covariance[2:, 2:] = cloth.covariance, mass.covariance
    return _Vector(np.concatenate([cloth.mean, mass.mean]), covariance, np.concatenate([cloth.common, mass.common]))


def _of_friction(friction: Friction) -> _Vector:
    values = np.array([friction.sliding, friction.rolling])
    common = np.array([friction.sliding_common_u, friction.rolling_common_u])
    return _Vector(np.log(values), friction.covariance / np.outer(values, values), (common / values) ** 2)


def _of_mass(mass: CueMass) -> _Vector:
    u, common = mass.u / mass.ratio, mass.common_u / mass.ratio
    return _Vector(np.log([mass.ratio]), np.array([[u**2]]), np.array([common**2]))


def _friction(best: Array, covariance: Array) -> Friction:
    u = np.sqrt(np.diag(covariance))
    sliding, rolling = np.exp(best)
    return Friction(
        sliding=float(sliding), sliding_u=float(sliding * u[0]),
        rolling=float(rolling), rolling_u=float(rolling * u[1]),
        correlation=float(np.clip(covariance[0, 1] / (u[0] * u[1]), -0.999, 0.999)),
    )


def _mass(best: Array, covariance: Array) -> CueMass:
    ratio = float(np.exp(best[0]))
    return CueMass(ratio, ratio * float(np.sqrt(covariance[0, 0])))


class _Together(Generic[Key]):
    """What several shots say together of one shot more that scatters as they do; any of them can be left out."""

    def __init__(
        self, told: Mapping[Key, _Told], own: Mapping[Key, _Vector], shots: Sequence[Key], scatter: Array,
        prior: _Vector,
    ) -> None:
        """``prior``: of one shot; of what shots have in common it knows more, by what they scatter."""
        self._told, self._own, self._many = told, own, len(shots)
        self._spread = np.clip(scatter, _LEAST_SCATTER, _MOST_SCATTER * np.diag(prior.covariance))
        self._base = np.linalg.inv(prior.covariance - np.diag(self._spread))
        self._based = self._base @ prior.mean
        self._weights = {shot: np.linalg.inv(told[shot].covariance + np.diag(self._spread)) for shot in shots}
        self._total = np.sum(list(self._weights.values()), axis=0)
        self._weighted = np.sum([self._weights[shot] @ told[shot].mean for shot in shots], axis=0)
        self._common = np.sum([own[shot].common for shot in shots], axis=0)

    def without(self, shot: Key) -> tuple[Array, Array]:
        """Mean and covariance of the logarithms."""
        weight, others = self._weights[shot], self._many - 1
        covariance = np.linalg.inv(self._total - weight + self._base)
        best = covariance @ (self._weighted - weight @ self._told[shot].mean + self._based)
        common = (self._common - self._own[shot].common) / others
        return best, covariance + np.diag(self._spread + _shared(common, others))


def _pool(estimates: Sequence[_Vector], prior: _Vector) -> tuple[Array, Array]:
    """Mean and covariance of what all the estimates are of."""
    own = [_told(estimate, prior) for estimate in estimates]
    base = np.linalg.inv(prior.covariance)
    scatter, wider = _unlike(own, estimates, prior)
    weights = [_scattered(one.information, scatter) / np.outer(wider, wider) for one in own]
    covariance = np.linalg.inv(base + sum(weights))
    best = covariance @ (base @ prior.mean + sum(weight @ one.mean for weight, one in zip(weights, own, strict=True)))
    if len(own) > 1:
        common = np.mean([estimate.common for estimate in estimates], axis=0)
        covariance = covariance + np.diag(_shared(common, len(own)))
    return np.asarray(best), covariance


def _unlike(own: Sequence[_Told], estimates: Sequence[_Vector], prior: _Vector) -> tuple[Array, Array]:
    """(d,) variance of the logarithms from one to the next beyond their own, and how much wider a mean of so few is.

    Only of those count that tell of a quantity: the others are not few that agree, but none.
    """
    scatter, wider = np.zeros(len(prior.mean)), np.ones(len(prior.mean))
    for k, known in enumerate(np.diag(prior.covariance)):
        told = [(one.mean[k], one.covariance[k, k], held.common[k]) for one, held in zip(own, estimates, strict=True)
                if held.covariance[k, k] < TELLING**2 * known]
        if len(told) > 1:
            values, variance, common = np.array(told).T
            alone = np.maximum(variance - common, 0.01 * variance)  # what they share makes them no less alike
            scatter[k], wider[k] = between(values, alone), student_factor(len(told) - 1)
    return scatter, np.where(scatter > 0, wider, 1.0)


def _scattered(information: Array, scatter: Array) -> Array:
    """The information of what scatters by so much more variance: (information^-1 + scatter)^-1, where it has no inverse
    too.
    """
    out = np.linalg.solve(np.eye(len(scatter)) + information * scatter, information)
    return np.asarray((out + out.T) / 2)


def _told(estimate: _Vector, prior: _Vector) -> _Told:
    """Take the prior out of a fitted estimate."""
    base, inverse = np.linalg.inv(prior.covariance), np.linalg.inv(estimate.covariance)
    information = _not_negative(inverse - base)
    mean = np.linalg.lstsq(information, inverse @ estimate.mean - base @ prior.mean, rcond=1e-9)[0]
    return _Told(np.asarray(mean), information)


def _scatter(groups: Sequence[Sequence[_Told]]) -> Array:
    """(d,) variance of the logarithms between shots of a group beyond their own uncertainty, pooled over the groups."""
    many = len(_LEAST_SCATTER)
    excess, scale = np.zeros(many), np.zeros(many)
    for told in groups:
        means = np.array([one.mean for one in told]).reshape(-1, many)
        weights = 1 / np.array([np.diag(one.covariance) for one in told]).reshape(-1, many)
        telling = (weights > 2 * _SAYS_NOTHING).sum(axis=0)
        if len(means) < 2:
            continue
        whole = weights.sum(axis=0)
        centre = (weights * means).sum(axis=0) / whole
        excess += (weights * (means - centre) ** 2).sum(axis=0) - np.maximum(telling - 1, 0)
        scale += whole - (weights**2).sum(axis=0) / whole
    return np.where(scale > 0, np.clip(excess, 0, None) / np.where(scale > 0, scale, 1.0), 0.0)


def _shared(common: Array, many: int) -> Array:
    """(d,) what the variance of a mean of so many lacks where ``common`` of each is the same in all."""
    return common * (1 - 1 / many)


def _not_negative(matrix: Array) -> Array:
    """The nearest information matrix: an estimate can't know less than the prior that it holds."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.clip(values, 0, None)) @ vectors.T)
