"""Sub-pixel fit of ball outlines to the edges in a picture, many balls at once.

Along each ray across the predicted outline the picture is modelled as two levels, each with a slope (limb darkening
inside, the contact shadow outside), joined by a blurred step at the outline. The step's displacement is linear to first
order, so one fixed pseudo-inverse turns sampled profiles into contrast and displacement; a robust weighted fit over the
rays then moves the ball's centre in the table plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.detect_outline import BallPicture
from pipeline.frames import Frame

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class EdgeSettings:
    """How outlines are fitted. Lengths along a ray are in units of the edge's own blur."""

    rays: int = 48
    samples: int = 25
    inner_blurs: float = 3.6
    outer_blurs: float = 4.0
    edge_blur_px: float = 0.95  # lens and sensor, standard deviation
    capture_shares: tuple[float, ...] = (0.27, 0.18, 0.12)  # first looks from a rough place: blur in ball radii
    radius_u_px: float = 0.35  # how far the seen radius may differ from the true one
    huber: float = 2.0
    contrast_snr: float = 3.0  # a ray counts as seen above this
    agree_px: float = 0.8  # and when its edge lies this close to the fitted outline
    systematic_px: float = 0.04  # floor: what shadows and compression leave however many rays agree


@dataclass(frozen=True, eq=False)
class OutlineFit:
    """Fitted balls, one row each."""

    xy_mm: Array  # (N, 2)
    cov_mm2: Array  # (N, 2, 2)
    outline_share: Array  # (N,)
    radius_px: Array  # (N,) seen radius less the expected one
    contrast: Array  # (N,) median signal to noise of the rays
    blur_px: Array  # (N, 2) motion assumed


def _template(settings: EdgeSettings) -> tuple[Array, Array, Array]:
    """Sample places (in blurs), pseudo-inverse (5, M) and design (M, 5) of the two-levels-and-step model."""
    s = np.linspace(-settings.inner_blurs, settings.outer_blurs, settings.samples)
    inside = ndtr(-s)
    bell = np.exp(-(s**2) / 2) / np.sqrt(2 * np.pi)
    design = np.column_stack([inside, inside * s, 1 - inside, (1 - inside) * s, bell])
    return s, np.linalg.pinv(design), design


class OutlineFitter:
    """Fits outlines in one clip; keeps the template and the camera."""

    def __init__(self, picture: BallPicture, settings: EdgeSettings | None = None) -> None:
        self.picture = picture
        self.settings = settings or EdgeSettings()
        self._s, self._pinv, self._design = _template(self.settings)
        self._bell_var = float(np.linalg.inv(self._design.T @ self._design)[4, 4])

    def fit(self, frame: Frame, xy_mm: Array, blur_px: Array, *, rough: bool = True) -> OutlineFit:
        """Fit N balls from their rough centres.

        xy_mm : (N, 2) rough centres; blur_px : (N, 2) expected motion during the exposure
        """
        cfg = self.settings
        xy = np.array(xy_mm, dtype=float)
        result = None
        jac = self.picture.jacobian(xy)
        radius = float(self.picture.radius_px(xy[:1])[0])
        looks = [share * radius for share in cfg.capture_shares] if rough else []
        blurs = [blur for blur in looks if blur > 1.6 * cfg.edge_blur_px] + [1.4 * cfg.edge_blur_px, cfg.edge_blur_px]
        for blur in blurs:
            result = self._step(frame, xy, blur_px, blur, jac)
            xy = result.xy_mm
        assert result is not None
        return result

    def _step(self, frame: Frame, xy: Array, motion_px: Array, blur_px: float, jac: Array) -> OutlineFit:
        cfg = self.settings
        px, normal = self.picture.outlines(xy, cfg.rays)
        along = np.einsum("nkd,nd->nk", normal, motion_px)
        radius = np.linalg.norm(px - px.mean(axis=1, keepdims=True), axis=-1).mean(axis=1)
        sigma = np.sqrt(blur_px**2 + along**2 / 12)
        sigma = np.minimum(sigma, 0.95 * radius[:, None] / cfg.inner_blurs)
        where = px[:, :, None] + (sigma[:, :, None] * self._s)[..., None] * normal[:, :, None]
        profiles = sample(frame, where)  # (3, N, K, M)
        coef = profiles @ self._pinv.T.astype(np.float32)
        noise = _noise(profiles, coef, self._design)  # (3, N)
        contrast = coef[..., 0] - coef[..., 2]  # (3, N, K)
        weight = 1 / noise**2
        info = np.einsum("cn,cnk->nk", weight, contrast**2)
        shift = np.einsum("cn,cnk,cnk->nk", weight, contrast, coef[..., 4]) / np.maximum(info, 1e-12)
        # displacement in px, its variance from the noise; neighbouring samples share pixels
        shared = np.maximum(1.0, 1.0 / (sigma * (self._s[1] - self._s[0])))
        edge_px = np.clip(shift, -3, 3) * sigma
        var_px = self._bell_var * shared * sigma**2 / np.maximum(info, 1e-12)
        snr = np.sqrt(info)
        delta, cov, residual, drift = _solve(edge_px, var_px, normal, jac, cfg)
        seen = (snr > cfg.contrast_snr) & (np.abs(residual) < cfg.agree_px + 0.25 * (sigma - blur_px))
        return OutlineFit(
            xy_mm=xy + delta,
            cov_mm2=cov,
            outline_share=seen.mean(axis=1),
            radius_px=drift,
            contrast=np.median(snr, axis=1),
            blur_px=motion_px,
        )


def sample(frame: Frame, where: Array) -> NDArray[np.float32]:
    """(3, ...) bilinear samples of Y, Cb, Cr at px places (..., 2)."""
    shape = where.shape[:-1]
    flat = where.astype(np.float32).reshape(shape[0], -1, 2)
    out = np.empty((3, *flat.shape[:2]), np.float32)
    out[0] = _remap(frame.luma, flat[..., 0], flat[..., 1])
    half_x, half_y = (flat[..., 0] - 0.5) / 2, (flat[..., 1] - 0.5) / 2
    out[1] = _remap(frame.chroma[0], half_x, half_y)
    out[2] = _remap(frame.chroma[1], half_x, half_y)
    return out.reshape(3, *shape)


def _remap(plane: NDArray[np.uint8], x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bilinear samples without cv2.remap's rounding of places to 1/32 px."""
    h, w = plane.shape
    x = np.clip(x, 0, w - 1.001)
    y = np.clip(y, 0, h - 1.001)
    xi, yi = x.astype(np.intp), y.astype(np.intp)
    fx, fy = x - xi, y - yi
    a, b = plane[yi, xi].astype(np.float32), plane[yi, xi + 1].astype(np.float32)
    c, d = plane[yi + 1, xi].astype(np.float32), plane[yi + 1, xi + 1].astype(np.float32)
    top = a + (b - a) * fx
    return np.asarray(top + ((c + (d - c) * fx) - top) * fy)


def _noise(profiles: NDArray[np.float32], coef: NDArray[np.float32], design: Array) -> Array:
    """(3, N) standard deviation of what the model leaves, median over the rays."""
    left = profiles - coef @ design.T.astype(np.float32)
    rms = np.sqrt(np.mean(left**2, axis=-1) * (design.shape[0] / (design.shape[0] - design.shape[1])))
    return np.maximum(np.median(rms, axis=-1), np.array([[0.8], [0.6], [0.6]]))


def _solve(edge_px: Array, var_px: Array, normal: Array, jac: Array, cfg: EdgeSettings) -> tuple[Array, Array, Array, Array]:
    """Robust step (N, 2) mm, covariance (N, 2, 2), residuals (N, K) px, radius difference (N,)."""
    n, k = edge_px.shape
    rows = np.concatenate([np.einsum("nkd,nde->nke", normal, jac), np.ones((n, k, 1))], axis=-1)
    base = 1 / (var_px + cfg.systematic_px**2 * k / 6)
    weight = base.copy()
    prior = np.zeros((n, 3, 3))
    prior[:, 2, 2] = 1 / cfg.radius_u_px**2
    prior[:, 0, 0] = prior[:, 1, 1] = 1e-6
    residual = edge_px
    step = np.zeros((n, 3))
    for _ in range(4):
        normal_matrix = np.einsum("nk,nki,nkj->nij", weight, rows, rows) + prior
        step = np.linalg.solve(normal_matrix, np.einsum("nk,nki,nk->ni", weight, rows, edge_px)[..., None])[..., 0]
        residual = edge_px - np.einsum("nki,ni->nk", rows, step)
        scale = np.maximum(1.4826 * np.median(np.abs(residual), axis=1), 0.1)[:, None]
        far = np.abs(residual) / (cfg.huber * scale)
        weight = base / np.maximum(far, 1) ** 2
    cov = np.linalg.inv(normal_matrix)
    spread = np.sum(weight * residual**2, axis=1) / np.maximum(np.sum(weight / base, axis=1) - 3, 1)
    cov = cov * np.maximum(spread, 1.0)[:, None, None]
    return step[:, :2], cov[:, :2, :2], residual, step[:, 2]
