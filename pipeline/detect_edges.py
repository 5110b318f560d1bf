"""Sub-pixel fit of ball outlines to the edges in a picture, many balls at once.

First the outline is slid over the picture's gradients, taken along rays across it, to the place where most of it lies on
an edge (`capture`): marks on the ball, its reflections and its shadow have edges too, but not in a ring of the ball's own
size. Then (`refine`) the picture along each ray is modelled as two levels, each with a slope (limb darkening inside, the
contact shadow outside), joined by a blurred step. The step's displacement is linear to first order, so one fixed
pseudo-inverse turns sampled profiles into contrast and displacement, and a robust weighted fit over the rays moves the
ball's centre in the table plane.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.detect_outline import BallPicture
from pipeline.frames import Frame

Array = NDArray[np.float64]
Samples = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class EdgeSettings:
    """How outlines are fitted. Lengths along a ray are in units of the edge's own blur."""

    ray_spacing_px: float = 1.6
    samples: int = 17
    inner_blurs: float = 3.0
    outer_blurs: float = 3.2
    edge_blur_px: float = 0.85  # lens, sensor and sampling: standard deviation of an edge of a ball at rest
    chroma_blur_px: float = 1.1  # more in the chroma planes, of half the resolution
    luma_u: float = 5.0  # grey levels of shadow and reflection that no slope describes
    chroma_u: float = 2.0
    luma_u_px: float = 0.10  # how well one ray's edge can be trusted, however clear it is
    chroma_u_px: float = 0.2
    chroma_shape: float = 0.3  # how freely limb and shadow change the chroma, beside the luma
    radius_u_px: float = 0.25  # how far the seen radius may differ from the true one
    edge_step: float = 12.0  # grey levels over 2 px that make an edge
    capture_radii: float = 0.4  # how far off a rough place may be
    contrast_snr: float = 4.0  # a ray counts as seen above this
    agree_px: float = 0.7  # and when its edge lies this close to the fitted outline
    steps: int = 2


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


class OutlineFitter:
    """Fits outlines in one clip; keeps the template and the camera."""

    def __init__(self, picture: BallPicture, settings: EdgeSettings | None = None) -> None:
        self.picture = picture
        self.settings = settings or EdgeSettings()
        pose = picture.pose
        middle = pose.to_table(np.array([[pose.width_px / 2, pose.height_px / 2]]), picture.radius_mm)
        self.radius_px = float(picture.radius_px(middle)[0])
        self.rays = 4 * int(np.clip(2 * np.pi * self.radius_px / self.settings.ray_spacing_px / 4, 8, 24))
        self._s, basis = _basis(self.settings)
        self._basis = basis.astype(np.float32)
        self._gram = basis.T @ basis

    def with_blur(self, edge_blur_px: float) -> OutlineFitter:
        """The same fitter for another edge blur."""
        return OutlineFitter(self.picture, replace(self.settings, edge_blur_px=edge_blur_px))

    def fit(self, frame: Frame, xy_mm: Array, blur_px: Array, *, rough: bool = True) -> OutlineFit:
        """Fit N balls from their rough centres.

        xy_mm : (N, 2) rough centres; blur_px : (N, 2) expected motion during the exposure
        rough : slide the outline first; False where the place is known to a pixel
        """
        xy = np.array(xy_mm, dtype=float)
        jac = self.picture.jacobian(xy)
        if rough:
            xy = self.capture(frame, xy, blur_px, jac)
        fit, shape = self.refine(frame, xy, blur_px, jac, 1.6)
        for _ in range(self.settings.steps):
            fit, shape = self.refine(frame, fit.xy_mm, blur_px, jac, 1.0, shape)
        return fit

    def capture(self, frame: Frame, xy: Array, motion_px: Array, jac: Array) -> Array:
        """(N, 2) mm: the places nearby where most of the outline lies on edges."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        reach = cfg.capture_radii * self.radius_px
        step = max(0.5, reach / 14)
        half = int(np.ceil(reach / step))
        arm = max(1, round(1.0 / step))
        s = np.arange(-half - arm, half + arm + 1) * step
        profiles = sample(frame, px[:, :, None] + s[:, None] * normal[:, :, None])
        slope = profiles[..., 2 * arm :] - profiles[..., : -2 * arm]
        energy = np.einsum("cnks,cnks->nks", slope, slope)
        votes = energy / (energy + cfg.edge_step**2)
        grid = np.arange(-half, half + 1) * step
        gx, gy = (g.ravel() for g in np.meshgrid(grid, grid))
        near = np.hypot(gx, gy) <= reach + 0.01
        shifts = np.column_stack([gx[near], gy[near]])
        n, k = normal.shape[:2]
        bins = np.rint(normal @ shifts.T / step).astype(np.intp) + half  # (N, K, G)
        best, most = np.zeros((len(xy), 2)), np.full(len(xy), -1.0)
        for grown in range(-3, 2):  # the limb's fall puts the steepest place a little inside
            at = np.clip(bins + grown, 0, votes.shape[2] - 1)
            support = np.take_along_axis(votes, at, axis=2).mean(axis=1)  # (N, G)
            top = support.argmax(axis=1)
            value = support[range(len(xy)), top] - 0.012 * abs(grown)
            best[value > most] = shifts[top[value > most]]
            most = np.maximum(most, value)
        return xy + np.linalg.solve(jac, best[..., None])[..., 0]

    def refine(
        self, frame: Frame, xy: Array, motion_px: Array, jac: Array, widen: float = 1.0, shape: _Shape | None = None
    ) -> tuple[OutlineFit, _Shape]:
        """One step of the sub-pixel fit from places known to about a pixel; ``widen`` the edge for a first step."""
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        along = np.einsum("nkd,nd->nk", normal, motion_px)
        blur = np.sqrt((widen * cfg.edge_blur_px) ** 2 + along**2 / 12)
        blur = np.minimum(blur, 0.95 * self.radius_px / cfg.inner_blurs)
        blurs = np.stack([blur, *2 * [np.sqrt(blur**2 + cfg.chroma_blur_px**2)]])
        profiles = np.stack([
            _sample_luma(frame, _along(px, normal, blurs[0], self._s)),
            *_sample_chroma(frame, _along(px, normal, blurs[1], self._s)),
        ])
        seen = (profiles @ self._basis).astype(float)  # (3, N, K, 7) scalar products with the basis
        power = np.einsum("cnkm,cnkm->cnk", profiles, profiles).astype(float)
        if shape is None:
            shape = _Shape.flat(len(xy))
        root = np.sqrt(blurs)
        waves = _waves(normal, _WAVES)  # (N, K, B)
        beta = np.einsum("nkb,cnb->cnk", waves, shape.limb) * root
        omega = np.einsum("nkb,cnb->cnk", waves, shape.shade) * blurs
        levels, dull = self._levels(seen, beta, omega)
        inner, outer = levels[..., 0], levels[..., 1]
        # what each ray's own levels can't take up, as mixes of the basis
        step_px = np.zeros((*seen.shape[:3], 7))
        step_px[..., 4], step_px[..., 5], step_px[..., 6] = inner - outer, inner * beta, outer * omega
        step_px /= blurs[..., None]
        rays = np.concatenate([normal @ jac, np.ones((*normal.shape[:2], 1))], axis=-1)  # (N, K, 3)
        mix = np.zeros((*seen.shape[:3], 7, 3 + 2 * _TERMS))
        mix[..., :3] = step_px[..., None] * rays[None, :, :, None, :]
        mix[..., 1, 3 : 3 + _TERMS] = (inner * root)[..., None] * waves
        mix[..., 3, 3 + _TERMS :] = (outer * blurs)[..., None] * waves
        own = np.zeros((*seen.shape[:3], 7, 2))
        own[..., 0, 0], own[..., 1, 0], own[..., 2, 1], own[..., 3, 1] = 1, beta, 1, omega
        gram_mix = self._gram @ mix
        clear = gram_mix - (self._gram @ own) @ (dull @ (np.swapaxes(own, -1, -2) @ gram_mix))
        clear_t = np.swapaxes(clear, -1, -2)  # (3, N, K, P, 7)
        left = seen - ((own @ levels[..., None])[..., 0]) @ self._gram  # of the levels, in the basis' products
        pull = np.swapaxes(mix, -1, -2) @ left[..., None]  # (3, N, K, P, 1)
        matrix = clear_t @ mix
        residual_power = power - np.einsum("cnki,cnki->cnk", levels, (np.swapaxes(own, -1, -2) @ seen[..., None])[..., 0])
        return self._joined(xy, motion_px, blur, blurs, shape, rays, matrix, pull[..., 0], residual_power)

    def _levels(self, seen: Array, beta: Array, omega: Array) -> tuple[Array, Array]:
        """(3, N, K, 2) level inside and outside each ray's edge, and the inverse of their normal equations."""
        own = np.zeros((*seen.shape[:3], 7, 2))
        own[..., 0, 0], own[..., 1, 0], own[..., 2, 1], own[..., 3, 1] = 1, beta, 1, omega
        own_t = np.swapaxes(own, -1, -2)
        inverse = np.linalg.inv(own_t @ self._gram @ own)
        return (inverse @ (own_t @ seen[..., None]))[..., 0], inverse

    def _joined(
        self, xy: Array, motion_px: Array, blur: Array, blurs: Array, shape: _Shape, rays: Array,
        matrix: Array, pull: Array, residual_power: Array,
    ) -> tuple[OutlineFit, _Shape]:
        """Rays and channels put together, robustly: a step of the centre, and the shape of limb and shadow."""
        cfg = self.settings
        model_u = np.array([cfg.luma_u, cfg.chroma_u, cfg.chroma_u])[:, None, None]
        shared = np.maximum(1.0, 1.0 / (blurs * (self._s[1] - self._s[0])))
        prior_mean = np.concatenate([np.zeros_like(shape.limb), np.zeros_like(shape.shade)], axis=-1)
        now = np.concatenate([shape.limb, shape.shade], axis=-1)
        loose = np.concatenate([_LIMB_U, _SHADE_U]) * np.array([[1.0], [cfg.chroma_shape], [cfg.chroma_shape]])
        prior = (np.eye(2 * _TERMS) / loose[:, None] ** 2)[:, None]  # (3, 1, S, S)
        degrees = len(self._s) - 3
        left = np.maximum(residual_power, 0)
        agree = np.ones_like(left)
        for _ in range(4):
            rms = np.sqrt(left / degrees)
            typical = np.maximum(np.median(rms, axis=-1, keepdims=True), 0.7)
            odd = np.maximum(rms / typical, 1.0)
            weight = agree / (typical**2 * shared * odd**4 + model_u**2)
            h = np.einsum("cnk,cnkpq->cnpq", weight, matrix)
            g = np.einsum("cnk,cnkp->cnp", weight, pull)
            hss = h[..., 3:, 3:] + prior
            gs = g[..., 3:] + ((prior_mean - now)[..., None, :] @ prior)[..., 0, :]
            cross = np.linalg.solve(hss, h[..., 3:, :3])  # (3, N, S, 3)
            reduced = (h[..., :3, :3] - np.swapaxes(cross, -1, -2) @ h[..., 3:, :3]).sum(axis=0)
            gradient = (g[..., :3] - np.einsum("cnsp,cns->cnp", cross, gs)).sum(axis=0)
            reduced[:, 2, 2] += 1 / cfg.radius_u_px**2
            reduced[:, range(2), range(2)] += 1e-6
            step = np.linalg.solve(reduced, gradient[..., None])[..., 0]  # mm, mm, px
            moved = np.linalg.solve(hss, gs[..., None])[..., 0] - np.einsum("cnsp,np->cns", cross, step)
            full = np.concatenate([np.broadcast_to(step, (3, *step.shape)), moved], axis=-1)
            seen_rest = pull - np.einsum("cnkpq,cnq->cnkp", matrix, full)  # each ray's own remaining pull
            left = residual_power - np.einsum("cnkp,cnp->cnk", 2 * pull, full) + np.einsum(
                "cnp,cnkpq,cnq->cnk", full, matrix, full)
            left = np.maximum(left, 0)
            # each ray's own edge place, from its pull along the outline's normal (the radius' column)
            stiff = np.einsum("cnk,cnk->nk", weight, matrix[..., 2, 2])
            place = np.einsum("cnk,cnk->nk", weight, seen_rest[..., 2]) / np.maximum(stiff, 1e-9)
            scale = np.maximum(1.4826 * np.median(np.abs(place), axis=1), 0.12)[:, None]
            agree = np.broadcast_to(1 / (1 + (place / (3 * scale)) ** 2), left.shape)
        snr = np.sqrt(np.einsum("cnk,cnk->nk", matrix[..., 2, 2], 1 / (typical**2 * odd**2))) * blur
        seen = (snr > cfg.contrast_snr) & (np.abs(place) < cfg.agree_px + 0.3 * (blur - cfg.edge_blur_px))
        cov = np.linalg.inv(reduced)
        freedom = np.maximum(agree[0].sum(axis=1) - 3, 1)
        spread = np.einsum("nk,nk,nk->n", stiff, agree[0], place**2) / freedom
        cov = cov * np.maximum(spread, 1.0)[:, None, None]
        fit = OutlineFit(
            xy + step[:, :2], cov[:, :2, :2], seen.mean(axis=1), step[:, 2], np.median(snr, axis=1), motion_px,
            np.median(rms[0], axis=-1),
        )
        new = now + moved
        return fit, _Shape(new[..., :_TERMS], new[..., _TERMS:])


@dataclass(frozen=True, eq=False)
class _Shape:
    """How a ball's limb and the cloth's shadow fall off beside its outline, as harmonics around it: (3, N, B)."""

    limb: Array
    shade: Array

    @classmethod
    def flat(cls, balls: int) -> _Shape:
        return cls(np.zeros((3, balls, _TERMS)), np.zeros((3, balls, _TERMS)))


_WAVES = 2
_TERMS = 2 * _WAVES + 1
_LIMB_U = np.array([0.3, 0.05, 0.05, 0.03, 0.03])  # of the level, per sqrt(px)
_SHADE_U = np.array([0.1, 0.05, 0.05, 0.05, 0.05])  # of the level, per px


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


def _sample_luma(frame: Frame, where: Array) -> Samples:
    return _remap(frame.luma, where.astype(np.float32))


def _sample_chroma(frame: Frame, where: Array) -> Samples:
    half = ((where - 0.5) / 2).astype(np.float32)
    return np.stack([_remap(plane, half) for plane in frame.chroma])


def sample(frame: Frame, where: Array) -> Samples:
    """(3, ...) bilinear samples of Y, Cb, Cr at px places (..., 2)."""
    return np.concatenate([_sample_luma(frame, where)[None], _sample_chroma(frame, where)])


def _remap(plane: NDArray[np.uint8], where: NDArray[np.float32]) -> Samples:
    """Bilinear samples of one plane; where (..., 2). The window around the places is widened to float first."""
    flat = where.reshape(1, -1, 2) if where.ndim < 3 else where.reshape(where.shape[0], -1, 2)
    out = np.empty(flat.shape[:2], np.float32)
    for i, places in enumerate(flat):  # one ball at a time: its window is small
        low = np.maximum(np.floor(places.min(axis=0)).astype(int), 0)
        high = np.ceil(places.max(axis=0)).astype(int) + 2
        window = plane[low[1] : high[1], low[0] : high[0]]
        if window.size == 0:
            out[i] = 0
            continue
        local = (places - low.astype(np.float32))[None]
        out[i] = cv2.remap(window.astype(np.float32), local, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(where.shape[:-1])
