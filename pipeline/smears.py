"""How long the shutter was open, told from how far balls smear along their way.

The edge of a ball that moves is blurred along its motion by the way it went, and across it by lens and sensor alone.
So profiles across the outline are compared with those of an edge swept over such a way, for shutters from none to the
whole time between frames; that of least misfit over many balls is the one. What lens and sensor do, and how ball and
cloth darken near the outline, is told by the profiles of the same ball beside its motion. On 42 clips, rendered and
drawn, with shutters from 0.06 to 0.95 of the time between frames, two could not tell; half of what the others tell lies
within 7 % of the truth, nine tenths within 23 %; the rest are smears of 2 px, which hardly matter.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, Patch

Array = NDArray[np.float64]

ENOUGH = 64  # balls that smear,
FEWEST = 12  # and fewer tell nothing
MOST = 4 * ENOUGH  # which are kept, with their pictures; if they can't tell, more won't
_LEAST_PX = 3.0  # from frame to frame; a slower ball shows no smear,
_MOST_BALLS = 1.5  # and one that goes further than so many of its own width is too faint at its ends
_WHOLE, _CLEAR = 0.8, 0.5  # of the outline seen, and of the cloth around, where the smear lies, too: hands have neither
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
    """A ball that moved, as it was fitted: centre (2,) mm, motion (2,) px/s, and the picture around it."""

    patch: Patch
    xy_mm: Array
    motion_px_s: Array


@dataclass(frozen=True)
class Shutter:
    """How long it was open, s, its standard uncertainty, and how fast the balls moved that tell it, px/s."""

    seconds: float
    u: float
    motion_px_s: float


@dataclass(eq=False)
class Smears:
    """Collects balls that smear while frames go by; ``told`` once they tell of the shutter."""

    found: list[Smear] = field(default_factory=list)
    told: Shutter | None = None
    _tried: int = 0

    def take(self, smear: Smear, interval_s: float, radius_px: float, outline: float, clear: float) -> None:
        """A fitted ball, if it goes far enough from frame to frame and stands alone.

        outline, clear : shares of its outline seen, and of plain cloth around it
        """
        way = float(np.hypot(*smear.motion_px_s)) * interval_s
        if _LEAST_PX < way < 2 * _MOST_BALLS * radius_px and outline > _WHOLE and clear > _CLEAR and not self.full:
            self.found.append(smear)

    @property
    def full(self) -> bool:
        """No more are wanted, but to be asked."""
        return self.told is not None or len(self.found) >= min(self._tried + ENOUGH, MOST)

    def ask(self, picture: BallPicture, rays: int, interval_s: float, shift_px: tuple[float, float]) -> None:
        """Ask those found so far, unless they were asked before; ``told`` then, unless they can't tell."""
        before, self._tried = self._tried, len(self.found)
        if self._tried >= FEWEST and self._tried > before and interval_s > 0:
            self.told = shutter_of(self.found, picture, rays, interval_s, shift_px)


def shutter_of(
    smears: list[Smear], picture: BallPicture, rays: int, interval_s: float, shift_px: tuple[float, float] = (0.0, 0.0)
) -> Shutter | None:
    """From smears of balls; None where they tell it neither by a third nor by a pixel.

    rays : around each outline; interval_s : from frame to frame; shift_px : of the chroma
    """
    motion = np.array([smear.motion_px_s for smear in smears]) * interval_s
    way = np.hypot(*motion.T)
    best = np.argsort(-way, kind="stable")[: 2 * ENOUGH]
    order = np.sort(best)
    motion, way = motion[order], way[order]
    xy = np.array([smears[i].xy_mm for i in order])
    per_ball = _misfits(Mosaic([smears[i].patch for i in order], shift_px), xy, motion, picture, rays)
    share = _least(per_ball.sum(axis=1))
    group = np.arange(len(order)) % _GROUPS  # fast and slow ones in each
    without = np.array([_least(per_ball[:, group != g].sum(axis=1)) for g in range(_GROUPS)])
    chance = np.sqrt((_GROUPS - 1) / _GROUPS * ((without - without.mean()) ** 2).sum())
    usual = float(np.median(way))
    u = float(np.sqrt(chance**2 + (_MODEL_U * share) ** 2 + (_MODEL_PX / usual) ** 2))
    if u > share / 3 and u * usual > 1.0:
        return None
    return Shutter(float(np.clip(share, _LEAST_SHARE, 1.0)) * interval_s, u * interval_s, usual / interval_s)


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
