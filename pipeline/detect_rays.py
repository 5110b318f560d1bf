"""What the profiles across balls' outlines say of their displacement, their limb and the shadow beside them.

Per ray and channel a few normal equations; then those of all rays and channels of a ball together, in which limb and
shadow are a few harmonics around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_profiles import EdgeProfiles, Levels

Array = NDArray[np.float64]
Samples = NDArray[np.float32]

GREY = 128.0  # Cb, Cr of what has no colour
_WAVES = 2
_TERMS = 2 * _WAVES + 1
_LIMB_U = np.array([0.3, 0.05, 0.05, 0.03, 0.03])  # of the level in luma, of its reach in chroma, per sqrt(px)
_SHADE_U = np.array([0.1, 0.05, 0.05, 0.05, 0.05])  # of the level, per px
_PAIRS = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


@dataclass(frozen=True, eq=False)
class Shape:
    """How a ball's limb and the cloth's shadow fall off beside its outline, as harmonics around it: (N, 3, B)."""

    limb: Array
    shade: Array

    @classmethod
    def flat(cls, balls: int) -> Shape:
        return cls(np.zeros((balls, 3, _TERMS)), np.zeros((balls, 3, _TERMS)))

    def of(self, rows: NDArray[np.intp]) -> Shape:
        """Those balls only."""
        return Shape(self.limb[rows], self.shade[rows])

    def put(self, rows: NDArray[np.intp], other: Shape) -> None:
        """Take these balls from another."""
        self.limb[rows], self.shade[rows] = other.limb, other.shade


@dataclass(frozen=True, eq=False)
class RaySystem:
    """Per ball, channel and ray: equations for (displacement px, limb, shade), its own two levels taken out.

    ``left`` is the power they have to explain; ``limb_reach`` how far a ball's limb can differ from the rest of it, as
    a share of the level inside.
    """

    matrix: Array  # (N, 6, 3, K), symmetric: the pairs in the order of _PAIRS
    pull: Array  # (3 of these, N, 3, K)
    left: Array  # (N, 3, K)
    limb_reach: Array  # (N, 3)

    @classmethod
    def of(
        cls, profiles: Samples, blurs: Array, waves: Array, shape: Shape, edges: EdgeProfiles, swept: Levels
    ) -> RaySystem:
        """Of profiles (N, 3, K, M) across outlines, their samples spaced by ``blurs`` (N, 3, K) px; ``swept``
        (N, 3, K) as ``edges`` tell it.

        With the functions f0 ... f6 of ``edges`` the inside is f0 + beta f1, the outside f2 + omega f3; a displacement
        adds a mix of f4, f5 and f6, the limb one of f1, the shade one of f3.
        """
        balls, shown = len(profiles), profiles.shape[:3]
        exact = profiles.astype(float)
        seen, gram = edges.seen(exact, swept), edges.gram(swept)
        power = np.einsum("nckm,nckm->nck", exact, exact)
        root, around = np.sqrt(blurs), np.swapaxes(waves, 1, 2)
        beta, omega = (shape.limb @ around) * root, (shape.shade @ around) * blurs
        q_ii = gram[0, 0] + beta * (2 * gram[0, 1] + beta * gram[1, 1])
        q_oo = gram[2, 2] + omega * (2 * gram[2, 3] + omega * gram[3, 3])
        q_io = gram[0, 2] + beta * gram[1, 2] + omega * (gram[0, 3] + beta * gram[1, 3])
        p_i, p_o = seen[0] + beta * seen[1], seen[2] + omega * seen[3]
        det = q_ii * q_oo - q_io * q_io
        inner, outer = (q_oo * p_i - q_io * p_o) / det, (q_ii * p_o - q_io * p_i) / det
        limb, shade = inner * root, outer * blurs
        moved = np.stack([inner - outer, inner * beta, outer * omega]) / blurs
        mixed = (gram[:, 4:] * moved).sum(axis=1)  # of a displacement with the functions
        c_i = np.stack([mixed[0] + beta * mixed[1], limb * (gram[0, 1] + beta * gram[1, 1]),
                        shade * (gram[0, 3] + beta * gram[1, 3])])  # of the three with the inside level's function
        c_o = np.stack([mixed[2] + omega * mixed[3], limb * (gram[1, 2] + omega * gram[1, 3]),
                        shade * (gram[2, 3] + omega * gram[3, 3])])
        b_i, b_o = (q_oo * c_i - q_io * c_o) / det, (q_ii * c_o - q_io * c_i) / det
        whole = ((moved * mixed[4:]).sum(axis=0), limb * mixed[1], shade * mixed[3],
                 gram[1, 1] * limb * limb, gram[1, 3] * limb * shade, gram[3, 3] * shade * shade)
        matrix = np.empty((balls, len(_PAIRS), *shown[1:]))
        for k, (i, j) in enumerate(_PAIRS):
            matrix[:, k] = whole[k] - c_i[i] * b_i[j] - c_o[i] * b_o[j]
        pull = np.stack([(moved * seen[4:]).sum(axis=0), limb * seen[1], shade * seen[3]]) - c_i * inner - c_o * outer
        left = np.maximum(power - p_i * inner - p_o * outer, 0)
        return cls(matrix, pull, left, _limb_reach(inner.mean(axis=-1), outer.mean(axis=-1)))

    def times(self, change: Array) -> Array:
        """The matrices times (3, N, 3, K)."""
        d, limb, shade = change
        dd, dl, ds, ll, ls, ss = (self.matrix[:, k] for k in range(len(_PAIRS)))
        out = np.empty_like(change)
        out[0] = dd * d + dl * limb + ds * shade
        out[1] = dl * d + ll * limb + ls * shade
        out[2] = ds * d + ls * limb + ss * shade
        return out


class BallSystem:
    """The equations of all rays and channels of N balls, for the centre's step and the shapes of limb and shadow."""

    def __init__(
        self, system: RaySystem, rays: Array, waves: Array, shape: Shape, *, chroma_shade: float, radius_u_px: float
    ) -> None:
        """rays : (N, K, 3) px along each ray for a step of the centre (mm, mm) and of the radius (px)."""
        self.system, self._rays, self._waves = system, rays, waves
        self._now = np.concatenate([shape.limb, shape.shade], axis=-1)
        limb_u = system.limb_reach[..., None] * _LIMB_U
        shade_u = np.array([1.0, chroma_shade, chroma_shade])[:, None] * _SHADE_U
        self._prior = 1 / np.concatenate([limb_u, np.broadcast_to(shade_u, limb_u.shape)], axis=-1) ** 2  # (N, 3, S)
        self._tight = self._prior[..., None, :] * np.eye(2 * _TERMS)
        self._least = np.diag([1e-6, 1e-6, 1 / radius_u_px**2])
        self._products = _products(rays, rays), _products(waves, rays), _products(waves, waves)

    def solve(self, weight: Array) -> tuple[Array, Array, Array]:
        """(N, 3) step of centre and radius, (N, 3, S) of the shapes, and (N, 3, 3) the step's normal matrix.

        weight : (N, 3, K) of each ray
        """
        return self._solved(weight, self.system.pull, self._now)

    def _solved(self, weight: Array, pull: Array, now: Array) -> tuple[Array, Array, Array]:
        (ray_ray, wave_ray, wave_wave), balls = self._products, len(weight)
        h_sp, h_ss = np.empty((balls, 3, 2 * _TERMS, 3)), np.empty((balls, 3, 2 * _TERMS, 2 * _TERMS))
        matrix = (self.system.matrix * weight[:, None]).reshape(balls, -1, weight.shape[-1])  # (N, 6 x 3, K)
        h_pp = (matrix[:, :3] @ ray_ray).sum(axis=1).reshape(balls, 3, 3)
        mixed = (matrix[:, 3:9] @ wave_ray).reshape(balls, 2, 3, _TERMS, 3)
        shapes = (matrix[:, 9:] @ wave_wave).reshape(balls, 3, 3, _TERMS, _TERMS)
        h_sp[:, :, :_TERMS], h_sp[:, :, _TERMS:] = mixed[:, 0], mixed[:, 1]
        h_ss[:, :, :_TERMS, :_TERMS], h_ss[:, :, _TERMS:, _TERMS:] = shapes[:, 0], shapes[:, 2]
        h_ss[:, :, :_TERMS, _TERMS:] = h_ss[:, :, _TERMS:, :_TERMS] = shapes[:, 1]
        pull = pull * weight
        g_p = (pull[0].sum(axis=1)[:, None] @ self._rays)[:, 0]
        g_s = np.concatenate([pull[1] @ self._waves, pull[2] @ self._waves], axis=-1) - now * self._prior
        solved = np.linalg.solve(h_ss + self._tight, np.concatenate([h_sp, g_s[..., None]], axis=-1))
        taken = np.swapaxes(h_sp.reshape(balls, -1, 3), 1, 2) @ solved.reshape(balls, -1, 4)
        reduced = h_pp - taken[..., :3] + self._least
        step = np.linalg.solve(reduced, (g_p - taken[..., 3])[..., None])[..., 0]
        return step, solved[..., 3] - (solved[..., :3] @ step[:, None, :, None])[..., 0], reduced

    def moved_by_chroma(self, weight: Array) -> Array:
        """(N, 2, 2) by how much the centre (mm, mm) moves per px that all chroma lies further right, or down."""
        first = np.moveaxis(self.system.matrix[:, :3], 1, 0)  # what a displacement of each ray pulls at
        moved = np.empty((len(weight), 2, 2))
        for axis in (0, 1):
            off = np.repeat(self._waves[:, None, :, 1 + axis], 3, axis=1)
            off[:, 0] = 0
            moved[..., axis] = self._solved(weight, first * off, np.zeros_like(self._now))[0][:, :2]
        return moved

    def along_rays(self, step: Array, shapes: Array) -> Array:
        """(3, N, 3, K) of displacement, limb and shade along each ray, from what `solve` gives."""
        around, out = np.swapaxes(self._waves, 1, 2), np.empty((3, *self.system.left.shape))
        out[0] = step[:, None] @ np.swapaxes(self._rays, 1, 2)
        out[1], out[2] = shapes[..., :_TERMS] @ around, shapes[..., _TERMS:] @ around
        return out

    def shape(self, shapes: Array) -> Shape:
        """The shapes after a step."""
        new = self._now + shapes
        return Shape(new[..., :_TERMS], new[..., _TERMS:])


def _limb_reach(inside: Array, outside: Array) -> Array:
    """(N, 3) from the levels (N, 3) inside and outside: 1 in luma, in chroma the way there is to go, over the level.

    A ball's rim mirrors the cloth and is lit by it, more on the open side than on that of a cushion; in the dark it is
    grey. So its chroma goes towards the cloth's or towards grey, no further.
    """
    level, cloth = inside[:, 1:], outside[:, 1:]
    highest, lowest = np.maximum(np.maximum(level, cloth), GREY), np.minimum(np.minimum(level, cloth), GREY)
    reach = np.maximum(highest - lowest, 1.0) / np.maximum(level, 1.0)
    return np.concatenate([np.ones_like(inside[:, :1]), reach], axis=1)


def _products(a: Array, b: Array) -> Array:
    """(N, K, A * B) of (N, K, A) and (N, K, B): every term of the one times every one of the other."""
    out = np.empty((*a.shape[:2], a.shape[2], b.shape[2]))
    for k in range(a.shape[2]):
        np.multiply(a[..., k, None], b, out=out[..., k, :])
    return out.reshape(*a.shape[:2], -1)


def harmonics(normal: Array, order: int = _WAVES) -> Array:
    """(N, K, 2 order + 1): 1, cos, sin ... of the ray's direction."""
    out = np.empty((*normal.shape[:2], 2 * order + 1))
    out[..., 0], out[..., 1:3] = 1.0, normal
    for n in range(3, 2 * order + 1, 2):
        out[..., n] = out[..., n - 2] * normal[..., 0] - out[..., n - 1] * normal[..., 1]
        out[..., n + 1] = out[..., n - 1] * normal[..., 0] + out[..., n - 2] * normal[..., 1]
    return out
