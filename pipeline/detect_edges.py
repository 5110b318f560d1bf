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

from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Patch, sample_chroma, sample_luma
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
        self._s, basis = _basis(self.settings)
        self._basis = basis.astype(np.float32)
        self._gram32 = (basis.T @ basis).astype(np.float32)

    def with_blur(self, edge_blur_px: float) -> OutlineFitter:
        """The same fitter for another edge blur."""
        return OutlineFitter(self.picture, replace(self.settings, edge_blur_px=edge_blur_px))

    def fit(self, patches: list[Patch], xy_mm: Array, blur_px: Array, *, rough: bool = True) -> OutlineFit:
        """Fit N balls from their rough centres, each in its own patch.

        xy_mm : (N, 2) rough centres; blur_px : (N, 2) expected motion during the exposure
        rough : slide the outline first; False where the place is known to a pixel
        """
        xy = np.array(xy_mm, dtype=float)
        jac = self.picture.jacobian(xy)
        if rough:
            xy, _ = self.capture(patches, xy, jac)
        fit, shape = self.refine(patches, xy, blur_px, jac, widen=1.6, rounds=1)
        for _ in range(self.settings.steps):
            fit, shape = self.refine(patches, fit.xy_mm, blur_px, jac, shape=shape)
        return fit

    def capture(self, patches: list[Patch], xy: Array, jac: Array) -> tuple[Array, Array]:
        """(N, 2) mm, the places nearby where most of the outline lies on edges, and (N,) how much of it does."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        s, arm = self._slide.s_px, self._slide.arm
        places = px[:, :, None] + s[:, None] * normal[:, :, None]
        profiles = np.concatenate([sample_luma(patches, places)[None], sample_chroma(patches, places)])
        slope = profiles[..., 2 * arm :] - profiles[..., : -2 * arm]
        energy = np.einsum("cnks,cnks->nks", slope, slope)
        rank = energy[0].size // 5
        quiet = np.sqrt(np.partition(energy.reshape(len(energy), -1), rank, axis=1)[:, rank])
        step = np.clip(cfg.edge_over_quiet * quiet, cfg.faint_edge, cfg.edge_step)
        votes = energy / (energy + step[:, None, None] ** 2)
        best, support = self._slide.best(votes)
        return xy + np.linalg.solve(jac, best[..., None])[..., 0], support

    def refine(
        self, patches: list[Patch], xy: Array, motion_px: Array, jac: Array, *, widen: float = 1.0,
        shape: _Shape | None = None, rounds: int | None = None,
    ) -> tuple[OutlineFit, _Shape]:
        """One step of the sub-pixel fit from places known to about a pixel; ``widen`` the edge for a first step."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        along = np.einsum("nkd,nd->nk", normal, motion_px)
        blur = np.sqrt((widen * cfg.edge_blur_px) ** 2 + along**2 / 12)
        blur = np.minimum(blur, 0.95 * self.radius_px / cfg.inner_blurs)
        chroma_blur = np.sqrt(blur**2 + cfg.chroma_blur_px**2)
        blurs = np.stack([blur, chroma_blur, chroma_blur])
        profiles = np.concatenate([
            sample_luma(patches, _along(px, normal, blur, self._s))[None],
            sample_chroma(patches, _along(px, normal, chroma_blur, self._s)),
        ])
        if shape is None:
            shape = _Shape.flat(len(xy))
        waves = _waves(normal, _WAVES)
        rays = np.concatenate([normal @ jac, np.ones((*normal.shape[:2], 1))], axis=-1)  # (N, K, 3)
        system = self._eliminated(profiles, blurs, waves, shape)
        return self._joined(xy, motion_px, jac, blur, blurs, shape, rays, waves, system, rounds or cfg.robust_rounds)

    def _eliminated(self, profiles: Samples, blurs: Array, waves: Array, shape: _Shape) -> _RaySystem:
        """Each ray's normal equations for displacement (px), limb and shade, its own two levels taken out."""
        seen = profiles @ self._basis  # (3, N, K, 7) scalar products with the basis
        power = np.einsum("cnkm,cnkm->cnk", profiles, profiles)
        blurs = blurs.astype(np.float32)
        root = np.sqrt(blurs)
        waves = waves.astype(np.float32)
        beta = (waves @ shape.limb[..., None].astype(np.float32))[..., 0] * root
        omega = (waves @ shape.shade[..., None].astype(np.float32))[..., 0] * blurs
        gram = self._gram32
        q_ii = gram[0, 0] + beta * (2 * gram[0, 1] + beta * gram[1, 1])
        q_oo = gram[2, 2] + omega * (2 * gram[2, 3] + omega * gram[3, 3])
        q_io = gram[0, 2] + beta * gram[1, 2] + omega * (gram[0, 3] + beta * gram[1, 3])
        p_i, p_o = seen[..., 0] + beta * seen[..., 1], seen[..., 2] + omega * seen[..., 3]
        det = q_ii * q_oo - q_io**2
        inner, outer = (q_oo * p_i - q_io * p_o) / det, (q_ii * p_o - q_io * p_i) / det
        rows = np.zeros((*seen.shape[:3], 3, 7), np.float32)  # displacement, limb, shade as mixes of the basis
        rows[..., 0, 4], rows[..., 0, 5], rows[..., 0, 6] = inner - outer, inner * beta, outer * omega
        rows[..., 0, :] /= blurs[..., None]
        rows[..., 1, 1], rows[..., 2, 3] = inner * root, outer * blurs
        rows_gram = rows @ gram
        c_i = rows_gram[..., 0] + beta[..., None] * rows_gram[..., 1]  # (3, N, K, 3) with the inside level's function
        c_o = rows_gram[..., 2] + omega[..., None] * rows_gram[..., 3]
        b_i = (q_oo[..., None] * c_i - q_io[..., None] * c_o) / det[..., None]
        b_o = (q_ii[..., None] * c_o - q_io[..., None] * c_i) / det[..., None]
        matrix = rows_gram @ np.swapaxes(rows, -1, -2)
        matrix -= c_i[..., :, None] * b_i[..., None, :] + c_o[..., :, None] * b_o[..., None, :]
        pull = (rows @ seen[..., None])[..., 0] - c_i * inner[..., None] - c_o * outer[..., None]
        left = np.maximum(power - p_i * inner - p_o * outer, 0)
        return _RaySystem(matrix, pull, left, _limb_reach(inner.mean(axis=-1), outer.mean(axis=-1)))

    def _joined(
        self, xy: Array, motion_px: Array, jac: Array, blur: Array, blurs: Array, shape: _Shape, rays: Array,
        waves: Array, system: _RaySystem, rounds: int,
    ) -> tuple[OutlineFit, _Shape]:
        """Rays and channels put together, robustly: a step of the centre, and the shape of limb and shadow."""
        cfg = self.settings
        model_u = np.array([cfg.luma_u, cfg.chroma_u, cfg.chroma_u])[:, None, None]
        shared = np.maximum(1.0, 1.0 / (blurs * (self._s[1] - self._s[0])))
        now = np.concatenate([shape.limb, shape.shade], axis=-1)
        limb_u = system.limb_reach[..., None] * _LIMB_U
        shade_u = np.array([1.0, cfg.chroma_shade, cfg.chroma_shade])[:, None, None] * _SHADE_U
        loose = np.concatenate([limb_u, np.broadcast_to(shade_u, limb_u.shape)], axis=-1)
        prior = 1 / loose**2  # (3, N, S)
        tight = prior[..., None, :] * np.eye(2 * _TERMS)
        factors = (rays, waves, waves)
        degrees = len(self._s) - 3
        left = system.left
        agree = np.ones(blur.shape)
        for _ in range(rounds):
            rms = np.sqrt(left / degrees)
            typical = np.maximum(np.median(rms, axis=-1, keepdims=True), 0.7)
            odd = np.maximum(rms / typical, 1.0)
            weight = agree / (typical**2 * shared * odd**4 + model_u**2)
            matrix = system.matrix * weight[..., None, None]
            blocks = [[np.swapaxes(a * matrix[..., i, j, None], -1, -2) @ b for j, b in enumerate(factors)]
                      for i, a in enumerate(factors)]
            g = [((system.pull[..., i] * weight)[..., None, :] @ a)[..., 0, :] for i, a in enumerate(factors)]
            h_sp = np.concatenate([blocks[1][0], blocks[2][0]], axis=-2)  # (3, N, S, 3)
            h_ss = np.concatenate([np.concatenate(row[1:], axis=-1) for row in blocks[1:]], axis=-2)
            g_s = np.concatenate(g[1:], axis=-1) - now * prior
            solved = np.linalg.solve(h_ss + tight, np.concatenate([h_sp, g_s[..., None]], axis=-1))
            h_ps = np.swapaxes(h_sp, -1, -2)
            reduced = (blocks[0][0] - h_ps @ solved[..., :3]).sum(axis=0)
            gradient = (g[0] - (h_ps @ solved[..., 3:])[..., 0]).sum(axis=0)
            reduced[:, 2, 2] += 1 / cfg.radius_u_px**2
            reduced[:, range(2), range(2)] += 1e-6
            step = np.linalg.solve(reduced, gradient[..., None])[..., 0]  # mm, mm, px
            moved = solved[..., 3] - (solved[..., :3] @ step[None, ..., None])[..., 0]
            change = np.empty((*left.shape, 3))  # of displacement, limb, shade along each ray
            change[..., 0] = (rays @ step[..., None])[..., 0]
            change[..., 1] = (waves @ moved[..., :_TERMS, None])[..., 0]
            change[..., 2] = (waves @ moved[..., _TERMS:, None])[..., 0]
            rest = system.pull - (system.matrix @ change[..., None])[..., 0]
            left = np.maximum(system.left - np.einsum("cnki,cnki->cnk", change, system.pull + rest), 0)
            # each ray's own edge place against the fitted outline
            stiff = np.einsum("cnk,cnk->nk", weight, system.matrix[..., 0, 0])
            place = np.einsum("cnk,cnk->nk", weight, rest[..., 0]) / np.maximum(stiff, 1e-9)
            scale = np.maximum(1.4826 * np.median(np.abs(place), axis=1), 0.12)[:, None]
            agree = 1 / (1 + (place / (3 * scale)) ** 2)
        snr = np.sqrt(np.einsum("cnk,cnk->nk", system.matrix[..., 0, 0], 1 / (typical**2 * odd**2))) * blur
        seen = (snr > cfg.contrast_snr) & (np.abs(place) < cfg.agree_px + 0.3 * (blur - cfg.edge_blur_px))
        freedom = np.maximum(agree.sum(axis=1) - 3, 1)
        spread = np.einsum("nk,nk,nk->n", stiff, agree, place**2) / freedom
        noise = np.linalg.inv(reduced)[:, :2, :2] * np.maximum(spread, 1.0)[:, None, None]
        cov = noise + _common(motion_px, jac, cfg)
        fit = OutlineFit(
            xy + step[:, :2], cov, seen.mean(axis=1), step[:, 2], np.median(snr, axis=1), motion_px,
            np.median(rms[0], axis=-1),
        )
        new = now + moved
        return fit, _Shape(new[..., :_TERMS], new[..., _TERMS:])


@dataclass(frozen=True, eq=False)
class _RaySystem:
    """Per channel, ball and ray: equations for (displacement px, limb, shade), and the power they have to explain.

    ``limb_reach``: how far a ball's limb can differ from the rest of it, as a share of the level inside.
    """

    matrix: Samples  # (3, N, K, 3, 3)
    pull: Samples  # (3, N, K, 3)
    left: Samples  # (3, N, K)
    limb_reach: Samples  # (3, N)


@dataclass(frozen=True, eq=False)
class _Shape:
    """How a ball's limb and the cloth's shadow fall off beside its outline, as harmonics around it: (3, N, B)."""

    limb: Array
    shade: Array

    @classmethod
    def flat(cls, balls: int) -> _Shape:
        return cls(np.zeros((3, balls, _TERMS)), np.zeros((3, balls, _TERMS)))


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


def _limb_reach(inside: Samples, outside: Samples) -> Samples:
    """(3, N) from the levels (3, N) inside and outside: 1 in luma, in chroma the way there is to go, over the level.

    A ball's rim mirrors the cloth and is lit by it, more on the open side than on that of a cushion; in the dark it is
    grey. So its chroma goes towards the cloth's or towards grey, no further.
    """
    ends = np.stack([inside[1:], outside[1:], np.full_like(inside[1:], GREY)])
    reach = np.maximum(np.ptp(ends, axis=0), 1.0) / np.maximum(inside[1:], 1.0)
    return np.concatenate([np.ones_like(inside[:1]), reach])


def _waves(normal: Array, order: int) -> Array:
    """(N, K, 2 order + 1): 1, cos, sin ... of the ray's direction."""
    phase = normal[..., 0] + 1j * normal[..., 1]
    waves = [np.ones_like(phase.real)]
    for n in range(1, order + 1):
        waves += [(phase**n).real, (phase**n).imag]
    return np.stack(waves, axis=-1)


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


def _along(px: Array, normal: Array, blur: Array, s: Array) -> Array:
    return np.asarray(px[:, :, None] + (blur[:, :, None] * s)[..., None] * normal[:, :, None])
