"""Sub-pixel fit of ball outlines to the edges in a picture, many balls at once.

First the outline is slid over the picture's gradients, taken along rays across it, to the place where most of it lies
on an edge (`capture`): marks on the ball, its reflections and its shadow have edges too, but not in a ring of a ball's
size. Then the picture along each ray is modelled as two levels of its own, the limb's fall inside and the contact
shadow's outside, joined by a blurred step (`detect_profiles.py`). Limb and shadow change smoothly around the ball, as a
few harmonics. The model is linear in small displacements, so each ray's profile shrinks to a few scalar products with
fixed functions, and one robust weighted fit over all rays and channels moves the ball's centre in the table plane
(Gauss-Newton).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_median import median
from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, Places
from pipeline.detect_profiles import EdgeProfiles
from pipeline.detect_rays import BallSystem, RaySystem, Shape, harmonics
from pipeline.detect_slide import Slide

Array = NDArray[np.float64]


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
    blurred_u: float = 0.045  # and along its motion its ends are faint: share of the blur's length, on rendered clips;
    long_streak: float = 0.6  # the more so by how much it is longer than so many balls, on drawn clips up to 1.5 balls
    part_px: float = 0.5  # seen smaller by more than this, and with gaps,
    part_gaps: float = 0.1  # a share of the outline, it may be part of a ball: a white cap, the stripe like the cloth.
    part_u: float = 2.0  # Its place is then as unsure as so many times what is missing of the radius, on drawn clips
    contrast_snr: float = 4.0  # a ray counts as seen above this
    agree_px: float = 0.7  # and when its edge lies this close to the fitted outline
    steps: int = 1  # after the first, coarser one; at least one
    slow_streaks: tuple[float, float] = (0.35, 1.0)  # widths of a ball: the faint ends of such give way but slowly.
    more_steps: int = 8  # Of drawn ones of 0.6 to 0.8 one step left four fifths of the error, these next to nothing;
    #                      of longer ones, no part of which shows the ball all the time, more steps go astray
    settled_px: float = 0.02  # a step of less is the last one
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
    part_u_px: Array  # (N,) of its uncertainty, what comes from only a part of it standing out

    def of(self, rows: NDArray[np.intp]) -> OutlineFit:
        """Those balls only."""
        return OutlineFit(**{part.name: getattr(self, part.name)[rows] for part in fields(self)})

    def put(self, rows: NDArray[np.intp], other: OutlineFit) -> None:
        """Take these balls from another fit."""
        for part in fields(self):
            getattr(self, part.name)[rows] = getattr(other, part.name)


class OutlineFitter:
    """Fits outlines in one clip; keeps the template and the camera."""

    def __init__(
        self, picture: BallPicture, settings: EdgeSettings | None = None, *,
        chroma_u_px: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """chroma_u_px : how unsure it is where the chroma lies, to the right and down"""
        self.picture = picture
        self._chroma_var = np.square(chroma_u_px)
        self.settings = settings or EdgeSettings()
        pose = picture.pose
        middle = pose.to_table(np.array([[pose.width_px / 2, pose.height_px / 2]]), picture.radius_mm)
        self.radius_px = float(picture.radius_px(middle)[0])
        self.rays = 4 * int(np.clip(2 * np.pi * self.radius_px / self.settings.ray_spacing_px / 4, 8, 24))
        _, normal = picture.outlines(middle, self.rays)
        self._slide = Slide.over(normal[0], self.settings.capture_radii * self.radius_px)
        edges = self.settings
        self._edges = EdgeProfiles.over(edges.inner_blurs, edges.outer_blurs, edges.samples)

    def fit(
        self, mosaic: Mosaic, xy_mm: Array, blur_px: Array, *, of: NDArray[np.intp] | None = None, rough: bool = True
    ) -> OutlineFit:
        """Fit N balls from their rough centres, each in its own patch.

        xy_mm : (N, 2) rough centres; blur_px : (N, 2) expected motion during the exposure
        of    : (N,) which patches they lie in; one each unless told
        rough : slide the outline first; False where the place is known to a pixel
        """
        cfg, xy = self.settings, np.array(xy_mm, dtype=float)
        jac = self.picture.jacobian(xy)
        if rough:
            xy, _ = self.capture(mosaic, xy, jac, of)
        nearer, blur, blurs = self._equations(mosaic, xy, blur_px, jac, of, Shape.flat(len(xy)), widen=1.6)
        _, _, weight = self._weights(nearer.system.left, blurs)
        step, shapes, _ = nearer.solve(weight)
        xy, shape = xy + step[:, :2], nearer.shape(shapes)
        for _ in range(cfg.steps):
            balls, blur, blurs = self._equations(mosaic, xy, blur_px, jac, of, shape)
            fit, shape = self._refined(balls, xy, blur_px, jac, blur, blurs)
            xy = fit.xy_mm
        balls_long = np.sqrt((blur_px**2).sum(axis=1)) / (2 * self.radius_px)
        slow = np.flatnonzero((balls_long > cfg.slow_streaks[0]) & (balls_long < cfg.slow_streaks[1]))
        if len(slow):
            self._settle(fit, shape, slow, mosaic, blur_px, jac, np.arange(len(xy)) if of is None else of)
        return fit

    def _settle(
        self, fit: OutlineFit, shape: Shape, rows: NDArray[np.intp], mosaic: Mosaic, motion_px: Array, jac: Array,
        of: NDArray[np.intp],
    ) -> None:
        """Go on with some balls of a fit, in place, each until it hardly moves any more."""
        cfg = self.settings
        for _ in range(cfg.more_steps):
            xy, motion = fit.xy_mm[rows], motion_px[rows]
            balls, blur, blurs = self._equations(mosaic, xy, motion, jac[rows], of[rows], shape.of(rows))
            nearer, better = self._refined(balls, xy, motion, jac[rows], blur, blurs)
            fit.put(rows, nearer)
            shape.put(rows, better)
            step = (jac[rows] @ (nearer.xy_mm - xy)[..., None])[..., 0]
            rows = rows[np.sqrt((step**2).sum(axis=1)) > cfg.settled_px]
            if not len(rows):
                return

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

    def _equations(
        self, mosaic: Mosaic, xy: Array, motion_px: Array, jac: Array, of: NDArray[np.intp] | None, shape: Shape, *,
        widen: float = 1.0,
    ) -> tuple[BallSystem, Array, Array]:
        """The equations for a step from places known to about a pixel, the edge's blur (N, K) and that of each channel
        (N, 3, K), px; ``widen`` the edge for a first step.
        """
        cfg = self.settings
        px, normal = self.picture.outlines(xy, self.rays)
        along = np.abs(normal @ motion_px[:, :, None])[..., 0]
        blur = np.sqrt((widen * cfg.edge_blur_px) ** 2 + along**2 / 12)
        blur = np.minimum(blur, 0.95 * self.radius_px / cfg.inner_blurs)
        chroma_blur = np.sqrt(blur**2 + cfg.chroma_blur_px**2)
        blurs = np.stack([blur, chroma_blur, chroma_blur], axis=1)
        luma_at, chroma_at = (_along(px, normal, wide[..., None] * self._edges.s) for wide in (blur, chroma_blur))
        profiles = mosaic.sample(luma_at, chroma_at, of)
        waves = harmonics(normal)
        rays = np.concatenate([normal @ jac, np.ones((*normal.shape[:2], 1))], axis=-1)  # (N, K, 3)
        swept = self._edges.swept(along[:, None] / 2, blurs)
        system = RaySystem.of(profiles, blurs, waves, shape, self._edges, swept)
        balls = BallSystem(system, rays, waves, shape, chroma_shade=cfg.chroma_shade, radius_u_px=cfg.radius_u_px)
        return balls, blur, blurs

    def _weights(self, left: Array, blurs: Array, agree: Array | None = None) -> tuple[Array, Array, Array]:
        """(N, 3, K) rms of what is left along each ray, its noise^2, and its weight; ``agree`` (N, K) of each ray."""
        cfg = self.settings
        rms = np.sqrt(left / (len(self._edges.s) - 3))
        typical = np.maximum(median(rms), 0.7)[..., None]
        odd2 = np.maximum(rms / typical, 1.0) ** 2
        model_u = np.array([cfg.luma_u, cfg.chroma_u, cfg.chroma_u])[:, None]
        shared = np.maximum(1.0, 1.0 / (blurs * (self._edges.s[1] - self._edges.s[0])))
        noise2 = typical**2 * odd2
        weight = 1 / (noise2 * odd2 * shared + model_u**2)
        return rms, noise2, weight if agree is None else agree[:, None] * weight

    def _refined(
        self, balls: BallSystem, xy: Array, motion_px: Array, jac: Array, blur: Array, blurs: Array
    ) -> tuple[OutlineFit, Shape]:
        """Rays and channels put together, robustly: a step of the centre, and the shape of limb and shadow."""
        cfg, system = self.settings, balls.system
        left, d_d = system.left, system.matrix[:, 0]
        agree: Array | None = None
        for _ in range(cfg.robust_rounds):
            rms, noise2, weight = self._weights(left, blurs, agree)
            step, shapes, normal = balls.solve(weight)
            change = balls.along_rays(step, shapes)
            rest = system.pull - system.times(change)
            left = np.maximum(system.left - (change * (system.pull + rest)).sum(axis=0), 0)
            # each ray's own edge place against the fitted outline
            stiff = (weight * d_d).sum(axis=1)
            place = (weight * rest[0]).sum(axis=1) / np.maximum(stiff, 1e-9)
            scale = np.maximum(1.4826 * median(np.abs(place)), 0.12)[:, None]
            agree = 1 / (1 + (place / (3 * scale)) ** 2)
        assert agree is not None
        snr = np.sqrt((d_d / noise2).sum(axis=1)) * blur
        seen = (snr > cfg.contrast_snr) & (np.abs(place) < cfg.agree_px + 0.3 * (blur - cfg.edge_blur_px))
        freedom = np.maximum(agree.sum(axis=1) - 3, 1)
        spread = (stiff * agree * place**2).sum(axis=1) / freedom
        noise = np.linalg.inv(normal)[:, :2, :2] * np.maximum(spread, 1.0)[:, None, None]
        share = seen.mean(axis=1)
        part_u_px = cfg.part_u * np.where(share < 1 - cfg.part_gaps, np.maximum(-step[:, 2] - cfg.part_px, 0.0), 0.0)
        cov = noise + _common(motion_px, jac, cfg, part_u_px, 2 * self.picture.radius_mm)
        if self._chroma_var.any():
            moved = balls.moved_by_chroma(weight)
            cov += (moved * self._chroma_var) @ np.swapaxes(moved, 1, 2)
        fit = OutlineFit(
            xy + step[:, :2], cov, share, step[:, 2], median(snr), motion_px, median(rms[:, 0]), part_u_px
        )
        return fit, balls.shape(shapes)


def streak_u(length: Array, ball: Array | float) -> Array:
    """How unsure a place is along a streak of this length, for a ball of this diameter, all in one unit.

    Past two thirds of a ball the fall of the light at its ends is longer than the rays that look at it.
    """
    return np.asarray(EdgeSettings.blurred_u * length * np.maximum(1.0, length / (EdgeSettings.long_streak * ball)))


def streak_length(u: Array, ball: float) -> Array:
    """The length that `streak_u` tells so much of."""
    short = u / EdgeSettings.blurred_u
    longest = EdgeSettings.long_streak * ball
    return np.asarray(np.where(short < longest, short, np.sqrt(short * longest)))


@dataclass(frozen=True, eq=False)
class LongStreaks:
    """Of N covariances of places: what streaks add along themselves, (N,) mm^2, the direction (N, 2), and how much that
    is one of a long streak, (N,): not at all up to half a ball, wholly from a ball's width on.
    """

    variance: Array
    along: Array
    share: Array
    length_mm: Array

    @classmethod
    def of(cls, covariance: Array, radius_mm: float) -> LongStreaks:
        """(N, 2, 2) mm^2, as they are stated."""
        values, vectors = np.linalg.eigh(covariance)
        variance = np.maximum(values[:, 1] - values[:, 0], 0.0)
        length = streak_length(np.sqrt(variance), 2 * radius_mm)
        return cls(variance, vectors[:, :, 1], np.clip(length / radius_mm - 1.0, 0.0, 1.0), length)

    def adding(self, variance: Array) -> Array:
        """(N, 2, 2) of so much (N,) along the streaks."""
        return np.asarray(variance[:, None, None] * self.along[:, :, None] * self.along[:, None, :])


def _common(motion_px: Array, jac: Array, cfg: EdgeSettings, part_u_px: Array, ball_mm: float) -> Array:
    """(N, 2, 2) mm^2 of a place's variance that more rays would not lessen; ``part_u_px`` (N,) as only part is seen."""
    length = np.linalg.norm(motion_px, axis=1)
    moving = np.minimum(length / 0.5, 1.0)
    var_px = cfg.rest_u_px**2 + moving * (cfg.moving_u_px**2 - cfg.rest_u_px**2)
    ball_px = ball_mm * np.sqrt(np.abs(np.linalg.det(jac)))
    ends = motion_px * (streak_u(length, ball_px) / np.maximum(length, 1e-9))[:, None]
    cov_px = (var_px + part_u_px**2)[:, None, None] * np.eye(2) + ends[:, :, None] * ends[:, None, :]
    inverse = np.linalg.inv(jac)
    return np.asarray(inverse @ cov_px @ np.swapaxes(inverse, 1, 2))


def _along(px: Array, normal: Array, s_px: Array) -> Places:
    """Places (N, K, S) along rays, ``s_px`` (..., S) from the outline (N, K, 2)."""
    return tuple(px[..., axis, None] + s_px * normal[..., axis, None] for axis in (0, 1))  # type: ignore[return-value]
