"""Sub-pixel fit of ball outlines to the edges in a picture, many balls at once.

First the outline is slid over the picture's gradients, taken along rays across it, to the place where most of it lies
on an edge (`capture`): marks on the ball, its reflections and its shadow have edges too, but not in a ring of a ball's
size. Then (`refine`) the picture along each ray is modelled as two levels of its own, the limb's fall inside and the
contact shadow's outside, joined by a blurred step. Limb and shadow change smoothly around the ball, as a few harmonics.
The model is linear in small displacements, so each ray's profile shrinks to a few scalar products with fixed functions,
and one robust weighted fit over all rays and channels moves the ball's centre in the table plane (Gauss-Newton).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_median import median
from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, Places
from pipeline.detect_slide import Slide

Array = NDArray[np.float64]
Samples = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class EdgeSettings:
    """How outlines are fitted. Lengths along a ray are in units of the edge's own blur."""

    ray_spacing_px: float = 1.9
    samples: int = 17
    inner_blurs: float = 2.4
    outer_blurs: float = 3.2
    edge_blur_px: float = 0.95  # lens, sensor and sampling: standard deviation of an edge of a ball at rest
    chroma_blur_px: float = 1.1  # more in the chroma planes, of half the resolution
    luma_u: float = 5.0  # grey levels of shadow and reflection that no slope describes
    chroma_u: float = 4.0
    chroma_shade: float = 0.2  # how freely the shadow outside changes the chroma, beside the luma
    radius_u_px: float = 0.6  # how far the seen radius may differ from the true one
    edge_step: float = 12.0  # grey levels over 2 px that make an edge,
    faint_edge: float = 4.0  # or fewer in a smooth picture, down to so many:
    edge_over_quiet: float = 2.5  # these times what the quietest fifth of the places around shows
    capture_radii: float = 0.4  # how far off a rough place may be
    rest_u_px: float = 0.05  # of a whole outline's place: what shadow, reflection and compression do to all rays alike
    moving_u_px: float = 0.13  # the same for a ball that moves: its picture is compressed anew in each frame,
    blurred_u: float = 0.045  # and along its motion its ends are faint: share of the blur's length, on rendered clips
    contrast_snr: float = 4.0  # a ray counts as seen above this
    agree_px: float = 0.7  # and when its edge lies this close to the fitted outline
    steps: int = 1
    robust_rounds: int = 2


@dataclass(frozen=True, eq=False)
class OutlineFit:
    """Fitted balls, one row each."""

    xy_mm: Array  # (N, 2)
    cov_mm2: Array  # (N, 2, 2)
    outline_share: Array  # (N,)
    radius_px: Array  # (N,) seen radius less the expected one
    contrast: Array  # (N,) median signal to noise of the rays
    blur_px: Array  # (N, 2) motion assumed
    misfit: Array  # (N,) rms of luma left by the model along the rays

    def of(self, rows: NDArray[np.intp]) -> OutlineFit:
        """Those balls only."""
        return OutlineFit(**{part.name: getattr(self, part.name)[rows] for part in fields(self)})


class OutlineFitter:
    """Fits outlines in one clip; keeps the template and the camera."""

    def __init__(self, picture: BallPicture, settings: EdgeSettings | None = None) -> None:
        self.picture = picture
        self.settings = settings or EdgeSettings()
        pose = picture.pose
        middle = pose.to_table(np.array([[pose.width_px / 2, pose.height_px / 2]]), picture.radius_mm)
        self.radius_px = float(picture.radius_px(middle)[0])
        self.rays = 4 * int(np.clip(2 * np.pi * self.radius_px / self.settings.ray_spacing_px / 4, 8, 24))
        _, normal = picture.outlines(middle, self.rays)
        self._slide = Slide.over(normal[0], self.settings.capture_radii * self.radius_px)
        self._s, self._basis = _basis(self.settings)
        self._gram = self._basis.T @ self._basis

    def with_blur(self, edge_blur_px: float) -> OutlineFitter:
        """The same fitter for another edge blur."""
        return OutlineFitter(self.picture, replace(self.settings, edge_blur_px=edge_blur_px))

    def fit(
        self, mosaic: Mosaic, xy_mm: Array, blur_px: Array, *, of: NDArray[np.intp] | None = None, rough: bool = True
    ) -> OutlineFit:
        """Fit N balls from their rough centres, each in its own patch.

        xy_mm : (N, 2) rough centres; blur_px : (N, 2) expected motion during the exposure
        of    : (N,) which patches they lie in; one each unless told
        rough : slide the outline first; False where the place is known to a pixel
        """
        xy = np.array(xy_mm, dtype=float)
        jac = self.picture.jacobian(xy)
        if rough:
            xy, _ = self.capture(mosaic, xy, jac, of)
        fit, shape = self.refine(mosaic, xy, blur_px, jac, of=of, widen=1.6, rounds=1)
        for _ in range(self.settings.steps):
            fit, shape = self.refine(mosaic, fit.xy_mm, blur_px, jac, of=of, shape=shape)
        return fit

    def capture(
        self, mosaic: Mosaic, xy: Array, jac: Array, of: NDArray[np.intp] | None = None
    ) -> tuple[Array, Array]:
        """(N, 2) mm, the places nearby where most of the outline lies on edges, and (N,) how much of it does."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        s, arm = self._slide.s_px, self._slide.arm
        profiles = mosaic.sample(_along(px, normal, s), of=of)
        slope = profiles[..., 2 * arm :] - profiles[..., : -2 * arm]
        energy = np.einsum("ncks,ncks->nks", slope, slope)
        rank = energy[0].size // 5
        quiet = np.sqrt(np.partition(energy.reshape(len(energy), -1), rank, axis=1)[:, rank])
        step = np.clip(cfg.edge_over_quiet * quiet, cfg.faint_edge, cfg.edge_step)
        votes = energy / (energy + step[:, None, None] ** 2)
        best, support = self._slide.best(votes)
        return xy + np.linalg.solve(jac, best[..., None])[..., 0], support

    def refine(
        self, mosaic: Mosaic, xy: Array, motion_px: Array, jac: Array, *, of: NDArray[np.intp] | None = None,
        widen: float = 1.0, shape: _Shape | None = None, rounds: int | None = None,
    ) -> tuple[OutlineFit, _Shape]:
        """One step of the sub-pixel fit from places known to about a pixel; ``widen`` the edge for a first step."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        along = (normal @ motion_px[:, :, None])[..., 0]
        blur = np.sqrt((widen * cfg.edge_blur_px) ** 2 + along**2 / 12)
        blur = np.minimum(blur, 0.95 * self.radius_px / cfg.inner_blurs)
        chroma_blur = np.sqrt(blur**2 + cfg.chroma_blur_px**2)
        blurs = np.stack([blur, chroma_blur, chroma_blur], axis=1)
        luma_at, chroma_at = (_along(px, normal, wide[..., None] * self._s) for wide in (blur, chroma_blur))
        profiles = mosaic.sample(luma_at, chroma_at, of)
        if shape is None:
            shape = _Shape.flat(len(xy))
        waves = _waves(normal, _WAVES)
        rays = np.concatenate([normal @ jac, np.ones((*normal.shape[:2], 1))], axis=-1)  # (N, K, 3)
        system = self._eliminated(profiles, blurs, waves, shape)
        return self._joined(xy, motion_px, jac, blur, blurs, shape, rays, waves, system, rounds or cfg.robust_rounds)

    def _eliminated(self, profiles: Samples, blurs: Array, waves: Array, shape: _Shape) -> _RaySystem:
        """Each ray's normal equations for displacement (px), limb and shade, its own two levels taken out.

        With the basis f0 ... f6, the inside is f0 + beta f1, the outside f2 + omega f3; a displacement adds a mix of
        f4, f5 and f6, the limb one of f1, the shade one of f3.
        """
        balls, shown = len(profiles), profiles.shape[:3]
        flat = profiles.reshape(balls, -1, profiles.shape[-1]).astype(float)
        # scalar products with the basis, ball by ball: larger products would wake BLAS's threads
        seen = np.moveaxis((self._basis.T @ np.swapaxes(flat, 1, 2)).reshape(balls, -1, *shown[1:]), 1, 0)
        power = np.einsum("nrm,nrm->nr", flat, flat).reshape(shown)
        root, around, gram = np.sqrt(blurs), np.swapaxes(waves, 1, 2), self._gram
        beta, omega = (shape.limb @ around) * root, (shape.shade @ around) * blurs
        q_ii = gram[0, 0] + beta * (2 * gram[0, 1] + beta * gram[1, 1])
        q_oo = gram[2, 2] + omega * (2 * gram[2, 3] + omega * gram[3, 3])
        q_io = gram[0, 2] + beta * gram[1, 2] + omega * (gram[0, 3] + beta * gram[1, 3])
        p_i, p_o = seen[0] + beta * seen[1], seen[2] + omega * seen[3]
        det = q_ii * q_oo - q_io * q_io
        inner, outer = (q_oo * p_i - q_io * p_o) / det, (q_ii * p_o - q_io * p_i) / det
        limb, shade = inner * root, outer * blurs
        moved = np.stack([inner - outer, inner * beta, outer * omega]) / blurs
        mixed = (gram[:, 4:] @ moved.reshape(3, -1)).reshape(-1, *shown)  # of a displacement with the basis
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
        return _RaySystem(matrix, pull, left, _limb_reach(inner.mean(axis=-1), outer.mean(axis=-1)))

    def _joined(
        self, xy: Array, motion_px: Array, jac: Array, blur: Array, blurs: Array, shape: _Shape, rays: Array,
        waves: Array, system: _RaySystem, rounds: int,
    ) -> tuple[OutlineFit, _Shape]:
        """Rays and channels put together, robustly: a step of the centre, and the shape of limb and shadow."""
        cfg, balls = self.settings, len(xy)
        model_u = np.array([cfg.luma_u, cfg.chroma_u, cfg.chroma_u])[:, None]
        shared = np.maximum(1.0, 1.0 / (blurs * (self._s[1] - self._s[0])))
        now = np.concatenate([shape.limb, shape.shade], axis=-1)
        limb_u = system.limb_reach[..., None] * _LIMB_U
        shade_u = np.array([1.0, cfg.chroma_shade, cfg.chroma_shade])[:, None] * _SHADE_U
        loose = np.concatenate([limb_u, np.broadcast_to(shade_u, limb_u.shape)], axis=-1)
        prior = 1 / loose**2  # (N, 3, S)
        tight = prior[..., None, :] * np.eye(2 * _TERMS)
        ray_ray, wave_ray, wave_wave = _products(rays, rays), _products(waves, rays), _products(waves, waves)
        change = np.empty((3, *system.left.shape))  # of displacement, limb, shade along each ray
        around = np.swapaxes(waves, 1, 2)
        degrees = len(self._s) - 3
        left, d_d = system.left, system.matrix[:, 0]
        agree = np.ones(blur.shape)
        h_sp = np.empty((balls, 3, 2 * _TERMS, 3))
        h_ss = np.empty((balls, 3, 2 * _TERMS, 2 * _TERMS))
        for _ in range(rounds):
            rms = np.sqrt(left / degrees)
            typical = np.maximum(median(rms), 0.7)[..., None]
            odd2 = np.maximum(rms / typical, 1.0) ** 2
            weight = agree[:, None] / (typical**2 * shared * odd2**2 + model_u**2)
            matrix = (system.matrix * weight[:, None]).reshape(balls, -1, blur.shape[1])  # (N, 6 x 3, K)
            h_pp = (matrix[:, :3] @ ray_ray).sum(axis=1).reshape(balls, 3, 3)
            mixed = (matrix[:, 3:9] @ wave_ray).reshape(balls, 2, 3, _TERMS, 3)
            shapes = (matrix[:, 9:] @ wave_wave).reshape(balls, 3, 3, _TERMS, _TERMS)
            h_sp[:, :, :_TERMS], h_sp[:, :, _TERMS:] = mixed[:, 0], mixed[:, 1]
            h_ss[:, :, :_TERMS, :_TERMS], h_ss[:, :, _TERMS:, _TERMS:] = shapes[:, 0], shapes[:, 2]
            h_ss[:, :, :_TERMS, _TERMS:] = h_ss[:, :, _TERMS:, :_TERMS] = shapes[:, 1]
            pull = system.pull * weight
            g_p = (pull[0].sum(axis=1)[:, None] @ rays)[:, 0]
            g_s = np.concatenate([pull[1] @ waves, pull[2] @ waves], axis=-1) - now * prior
            solved = np.linalg.solve(h_ss + tight, np.concatenate([h_sp, g_s[..., None]], axis=-1))
            taken = np.swapaxes(h_sp.reshape(balls, -1, 3), 1, 2) @ solved.reshape(balls, -1, 4)
            reduced, gradient = h_pp - taken[..., :3], g_p - taken[..., 3]
            reduced[:, 2, 2] += 1 / cfg.radius_u_px**2
            reduced[:, range(2), range(2)] += 1e-6
            step = np.linalg.solve(reduced, gradient[..., None])[..., 0]  # mm, mm, px
            moved = solved[..., 3] - (solved[..., :3] @ step[:, None, :, None])[..., 0]
            change[0] = step[:, None] @ np.swapaxes(rays, 1, 2)
            change[1], change[2] = moved[..., :_TERMS] @ around, moved[..., _TERMS:] @ around
            rest = system.pull - system.times(change)
            left = np.maximum(system.left - (change * (system.pull + rest)).sum(axis=0), 0)
            # each ray's own edge place against the fitted outline
            stiff = (weight * d_d).sum(axis=1)
            place = (weight * rest[0]).sum(axis=1) / np.maximum(stiff, 1e-9)
            scale = np.maximum(1.4826 * median(np.abs(place)), 0.12)[:, None]
            agree = 1 / (1 + (place / (3 * scale)) ** 2)
        snr = np.sqrt((d_d / (typical**2 * odd2)).sum(axis=1)) * blur
        seen = (snr > cfg.contrast_snr) & (np.abs(place) < cfg.agree_px + 0.3 * (blur - cfg.edge_blur_px))
        freedom = np.maximum(agree.sum(axis=1) - 3, 1)
        spread = (stiff * agree * place**2).sum(axis=1) / freedom
        noise = np.linalg.inv(reduced)[:, :2, :2] * np.maximum(spread, 1.0)[:, None, None]
        cov = noise + _common(motion_px, jac, cfg)
        fit = OutlineFit(
            xy + step[:, :2], cov, seen.mean(axis=1), step[:, 2], median(snr), motion_px, median(rms[:, 0])
        )
        new = now + moved
        return fit, _Shape(new[..., :_TERMS], new[..., _TERMS:])


_PAIRS = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


@dataclass(frozen=True, eq=False)
class _RaySystem:
    """Per channel, ball and ray: equations for (displacement px, limb, shade), and the power they have to explain.

    ``limb_reach``: how far a ball's limb can differ from the rest of it, as a share of the level inside.
    """

    matrix: Array  # (N, 6, 3, K), symmetric: the pairs in the order of _PAIRS
    pull: Array  # (3 of these, N, 3, K)
    left: Array  # (N, 3, K)
    limb_reach: Array  # (N, 3)

    def times(self, change: Array) -> Array:
        """The matrices times (3, N, 3, K)."""
        d, limb, shade = change
        dd, dl, ds, ll, ls, ss = (self.matrix[:, k] for k in range(len(_PAIRS)))
        out = np.empty_like(change)
        out[0] = dd * d + dl * limb + ds * shade
        out[1] = dl * d + ll * limb + ls * shade
        out[2] = ds * d + ls * limb + ss * shade
        return out


@dataclass(frozen=True, eq=False)
class _Shape:
    """How a ball's limb and the cloth's shadow fall off beside its outline, as harmonics around it: (N, 3, B)."""

    limb: Array
    shade: Array

    @classmethod
    def flat(cls, balls: int) -> _Shape:
        return cls(np.zeros((balls, 3, _TERMS)), np.zeros((balls, 3, _TERMS)))


GREY = 128.0  # Cb, Cr of what has no colour
_WAVES = 2
_TERMS = 2 * _WAVES + 1
_LIMB_U = np.array([0.3, 0.05, 0.05, 0.03, 0.03])  # of the level in luma, of its reach in chroma, per sqrt(px)
_SHADE_U = np.array([0.1, 0.05, 0.05, 0.05, 0.05])  # of the level, per px


def _common(motion_px: Array, jac: Array, cfg: EdgeSettings) -> Array:
    """(N, 2, 2) mm^2 of a place's variance that more rays would not lessen."""
    length = np.linalg.norm(motion_px, axis=1)
    moving = np.minimum(length / 0.5, 1.0)
    var_px = cfg.rest_u_px**2 + moving * (cfg.moving_u_px**2 - cfg.rest_u_px**2)
    ends = cfg.blurred_u * motion_px
    cov_px = var_px[:, None, None] * np.eye(2) + ends[:, :, None] * ends[:, None, :]
    inverse = np.linalg.inv(jac)
    return np.asarray(inverse @ cov_px @ np.swapaxes(inverse, 1, 2))


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


def _waves(normal: Array, order: int) -> Array:
    """(N, K, 2 order + 1): 1, cos, sin ... of the ray's direction."""
    out = np.empty((*normal.shape[:2], 2 * order + 1))
    out[..., 0], out[..., 1:3] = 1.0, normal
    for n in range(3, 2 * order + 1, 2):
        out[..., n] = out[..., n - 2] * normal[..., 0] - out[..., n - 1] * normal[..., 1]
        out[..., n + 1] = out[..., n - 1] * normal[..., 0] + out[..., n - 2] * normal[..., 1]
    return out


def _basis(settings: EdgeSettings) -> tuple[Array, Array]:
    """Sample places (in blurs) and the blurred functions (M, 7) that a profile across an edge is made of.

    Inside level, the limb's fall (a sphere's surface turns away as the square root of the distance to its outline),
    outside level, outside slope; then what a displacement of the step, of the limb's fall and of the slope adds.
    """
    s = np.linspace(-settings.inner_blurs, settings.outer_blurs, settings.samples)
    fine = np.linspace(-12, 12, 2401)
    inside = (fine < 0).astype(float)
    parts = [inside, np.sqrt(np.clip(-fine, 0, None)), 1 - inside, np.clip(fine, 0, None)]
    kernel = np.exp(-((s[:, None] - fine) ** 2) / 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    slope = kernel * (fine - s[:, None])  # the blur's derivative with respect to the sample place
    values = [kernel @ part for part in parts]
    moved = [-(slope @ part) for part in (parts[0], parts[1], parts[3])]
    return s, np.column_stack([*values, *moved])


def _along(px: Array, normal: Array, s_px: Array) -> Places:
    """Places (N, K, S) along rays, ``s_px`` (..., S) from the outline (N, K, 2)."""
    return tuple(px[..., axis, None] + s_px * normal[..., axis, None] for axis in (0, 1))  # type: ignore[return-value]
