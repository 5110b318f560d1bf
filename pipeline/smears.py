"""How long the shutter was open, told from how far balls smear along their way.

The edge of a ball that moves is blurred along its motion by the way it went, and across it by lens and sensor alone.
So profiles across the outline are compared with those of an edge swept over such a way, for shutters from none to the
whole time between frames; that of least misfit over many balls is the one. What lens and sensor do, and how ball and
cloth darken near the outline, is told by the profiles of the same ball beside its motion. On 42 clips, rendered and
drawn, with shutters from 0.06 to 0.95 of the time between frames, two could not tell; half of what the others tell lies
within 7 % of the truth, nine tenths within 23 %; the rest are smears of 2 px, which hardly matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, Patch

Array = NDArray[np.float64]

ENOUGH = 64  # balls that smear,
FEWEST = 12  # and fewer tell nothing
_EDGES_PX = np.array([0.5, 0.7, 0.95, 1.25, 1.6, 2.1])  # what lens and sensor may do to an edge, standard deviation,
_EDGE_PX, _EDGE_U = 0.95, 0.35  # and what they do as a rule, by such a factor more or less
_LENGTHS = 14  # for which edges are worked out; between them straight lines
_SHARES = np.linspace(0.0, 1.1, 45)  # of the time between frames, to be tried
_SAMPLE_PX = 0.7
_CONTRAST = 15.0  # grey levels between ball and cloth that make an edge
_QUIET = 2.0  # grey levels^2 that no edge explains, besides what is seen
_MOST_MISFIT = 40.0  # of one profile, in units of its noise: marks and reflections aren't to decide
_BESIDE = 0.35  # cosine of a profile's angle to the motion: below, it shows ball and cloth at rest;
_SHADE = 0.8  # so much of what it says of them is believed, chosen on these clips
_GROUPS = 8  # of balls, each left out once, for what chance does,
_MODEL_U, _MODEL_PX = 0.1, 0.5  # share of the shutter, and px of a smear: what all balls err alike, on these clips
_LEAST_SHARE = 0.02


@dataclass(frozen=True, eq=False)
class Smear:
    """A ball that moved, as it was fitted at a time: centre (2,) mm, motion (2,) px/s, and the picture around it."""

    t_s: float
    patch: Patch
    xy_mm: Array
    motion_px_s: Array


@dataclass(frozen=True)
class Shutter:
    """How long it was open, s, its standard uncertainty, and how fast the balls moved that tell it, px/s."""

    seconds: float
    u: float
    motion_px_s: float


@dataclass(frozen=True, eq=False)
class Curves:
    """How ill the smears of N balls, in order of time, go with each share of the time between frames.

    t_s, way_px : (N,) when each was seen, and how far it went from frame to frame; misfit : (shares, N)
    """

    interval_s: float  # from frame to frame
    t_s: Array
    way_px: Array
    misfit: Array

    def of(self, which: slice | NDArray[np.bool_]) -> Curves:
        """Those balls only."""
        return replace(self, t_s=self.t_s[which], way_px=self.way_px[which], misfit=self.misfit[:, which])

    def per(self, interval_s: float) -> Curves:
        """With shares of another time between frames; where none was tried, the last that was."""
        if interval_s == self.interval_s:
            return self
        factor = interval_s / self.interval_s
        misfit = np.array([np.interp(_SHARES * factor, _SHARES, one) for one in self.misfit.T])
        return replace(self, interval_s=interval_s, way_px=factor * self.way_px,
                       misfit=misfit.reshape(-1, len(_SHARES)).T)

    def and_later(self, more: Curves) -> Curves:
        """With more balls, seen after these, whose time between frames counts."""
        mine = self.per(more.interval_s)
        return replace(more, t_s=np.append(mine.t_s, more.t_s), way_px=np.append(mine.way_px, more.way_px),
                       misfit=np.concatenate([mine.misfit, more.misfit], axis=1))

    @property
    def share(self) -> float:
        """Of the time between frames: that of least misfit."""
        return _least(self.misfit.sum(axis=1))

    def told(self) -> Shutter | None:
        """The shutter; None where they tell it neither by a third nor by a pixel."""
        share = self.share
        group = np.arange(len(self.t_s)) % _GROUPS  # fast and slow ones in each
        without = np.array([_least(self.misfit[:, group != g].sum(axis=1)) for g in range(_GROUPS)])
        chance = np.sqrt((_GROUPS - 1) / _GROUPS * ((without - without.mean()) ** 2).sum())
        usual = float(np.median(self.way_px))
        u = float(np.sqrt(chance**2 + (_MODEL_U * share) ** 2 + (_MODEL_PX / usual) ** 2))
        if u > share / 3 and u * usual > 1.0:
            return None
        return Shutter(float(np.clip(share, _LEAST_SHARE, 1.0)) * self.interval_s, u * self.interval_s,
                       usual / self.interval_s)


def curves_of(
    smears: list[Smear], picture: BallPicture, rays: int, interval_s: float, shift_px: tuple[float, float] = (0.0, 0.0)
) -> Curves:
    """Of the smears of balls, in order of time: of the longest.

    rays : around each outline; interval_s : from frame to frame; shift_px : of the chroma
    """
    motion = np.array([smear.motion_px_s for smear in smears]) * interval_s
    way = np.hypot(*motion.T)
    best = np.argsort(-way, kind="stable")[: 2 * ENOUGH]
    order = np.sort(best)
    motion, way = motion[order], way[order]
    chosen = [smears[i] for i in order]
    xy = np.array([smear.xy_mm for smear in chosen])
    mosaic = Mosaic([smear.patch for smear in chosen], shift_px)
    return Curves(interval_s, np.array([smear.t_s for smear in chosen]), way,
                  _misfits(mosaic, xy, motion, picture, rays))


def _least(misfit: Array) -> float:
    """Where a curve over _SHARES is lowest, by a parabola through its lowest points."""
    k = int(np.clip(misfit.argmin(), 1, len(misfit) - 2))
    before, here, after = misfit[k - 1 : k + 2]
    bend = before - 2 * here + after
    step = 0.5 * (before - after) / bend if bend > 0 else 0.0
    return float(np.clip(_SHARES[k] + np.clip(step, -1, 1) * (_SHARES[1] - _SHARES[0]), 0.0, _SHARES[-1]))


def _misfits(mosaic: Mosaic, xy_mm: Array, motion_px: Array, picture: BallPicture, rays: int) -> Array:
    """(shares, N) how ill each ball's profiles go with each shutter, with the lens and sensor that suit it best.

    motion_px : (N, 2) from frame to frame
    """
    px, normal = picture.outlines(xy_mm, rays)
    way = np.abs((normal @ motion_px[:, :, None])[..., 0])  # of the edge, across itself
    radius_px = float(np.median(picture.radius_px(px.mean(axis=1))))
    reach = 2.2 + 0.6 * float(np.quantile(np.hypot(*motion_px.T), 0.8))
    inside, outside = min(0.75 * radius_px, reach), min(radius_px, 1.2 * reach)
    s = np.linspace(-inside, outside, int(np.clip((inside + outside) / _SAMPLE_PX, 17, 33)))
    at = px[..., None] + s * normal[..., None]  # (N, K, 2, S)
    profiles = mosaic.sample((at[:, :, 0], at[:, :, 1]))[:, 0].astype(float)
    step = profiles[..., s < -0.35 * inside].mean(axis=-1) - profiles[..., s > 0.35 * outside].mean(axis=-1)
    shows = np.abs(step) > _CONTRAST
    beside = shows & (way < _BESIDE * np.hypot(*motion_px.T)[:, None])
    lengths = np.linspace(0.0, min(1.1 * float(way.max()), 1.2 * (inside + outside)), _LENGTHS)
    power = (profiles**2).sum(axis=-1)
    left = np.empty((len(_EDGES_PX), _LENGTHS, *power.shape))
    for e, edge in enumerate(_EDGES_PX):
        shape = _falls(profiles, _swept(s, edge, 0.0), beside)
        for k, length in enumerate(lengths):
            basis = _swept(s, edge, length)
            seen, gram = profiles @ basis, basis.T @ basis
            pull = seen @ shape
            inverse = np.linalg.inv(np.swapaxes(shape, 1, 2) @ gram @ shape + 1e-9 * np.eye(3))
            left[e, k] = power - (pull * (pull @ inverse)).sum(axis=-1)
    lowest = left.min(axis=(0, 1))
    noise = lowest / (len(s) - 3)
    noise = np.median(noise, axis=1)[:, None] + noise + _QUIET
    misfit = np.minimum((left - lowest) / noise, _MOST_MISFIT) * shows
    return np.asarray(_by_share(misfit, way / (lengths[1] or 1.0)).min(axis=0))


def _by_share(misfit: Array, way: Array) -> Array:
    """(edges, shares, N) of misfits (edges, lengths, N, K) of profiles whose edges go ``way`` (N, K), in lengths."""
    off = (np.log(_EDGES_PX / _EDGE_PX) / _EDGE_U) ** 2
    out = np.empty((len(misfit), len(_SHARES), len(way)))
    for j, share in enumerate(_SHARES):
        x = np.minimum(share * way, _LENGTHS - 1.001)
        k = x.astype(int)
        low, high = (np.take_along_axis(misfit, (k + i)[None, None], axis=1)[:, 0] for i in (0, 1))
        out[:, j] = (low + (x - k) * (high - low)).sum(axis=-1) + off[:, None]
    return out


def _falls(profiles: Array, basis: Array, beside: NDArray[np.bool_]) -> Array:
    """(N, 5, 3) what each ball's profiles are made of, from those ``beside`` its motion (N, K): the inside with its
    limb's fall, the outside with its shadow's, and a displacement.
    """
    parts = profiles @ basis @ np.linalg.inv(basis.T @ basis)  # (N, K, 5)
    shape = np.zeros((len(profiles), 5, 3))
    for level, fall, column in ((0, 1, 0), (2, 3, 1)):
        there = np.where(beside, parts[..., level], 0.0)
        shape[:, level, column] = 1.0
        shape[:, fall, column] = _SHADE * (there * parts[..., fall]).sum(1) / np.maximum((there**2).sum(1), 1.0)
    shape[:, 4, 2] = 1.0
    return shape


def _swept(s: Array, edge: float, length: float) -> Array:
    """(S, 5) a profile's functions at places ``s`` px from the outline, blurred by lens and sensor and swept over a
    length: inside level, limb's fall, outside level, shadow's slope, displacement.
    """
    from scipy.special import ndtr  # takes a while to load, which goes on while the first frames are decoded

    reach = 4 * edge + length / 2
    fine = np.linspace(s[0] - reach, s[-1] + reach, 401)
    away = s[:, None] - fine
    if length > 0.2 * edge:
        kernel = ndtr((away + length / 2) / edge) - ndtr((away - length / 2) / edge)
    else:
        kernel = np.exp(-((away / edge) ** 2) / 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    inside = kernel @ (fine < 0).astype(float)
    return np.column_stack([
        inside, kernel @ np.sqrt(np.clip(-fine, 0, None)), 1 - inside, kernel @ np.clip(fine, 0, None),
        np.gradient(inside, s),
    ])
