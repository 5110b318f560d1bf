"""Frames to ball centres and their uncertainty."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.detect_edges import EdgeSettings, OutlineFit, OutlineFitter
from pipeline.detect_outline import BallPicture
from pipeline.detect_search import ClothSearch, SearchSettings
from pipeline.frames import Frame
from shared.columns import DETECTIONS

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class DetectSettings:
    """Detection's settings. ``shutter_s`` None: taken as half the frame interval for the blur's length."""

    edges: EdgeSettings = field(default_factory=EdgeSettings)
    search: SearchSettings = field(default_factory=SearchSettings)
    shutter_s: float | None = None
    outline_share: float = 0.45  # less of the outline than this is no ball


def detect_balls(
    frames: Iterable[Frame], calibration: Calibration, *, settings: DetectSettings | None = None
) -> pd.DataFrame:
    """Find every ball on the table in every frame.

    frames   : in order of presentation; each is looked at once and let go
    returns  : DETECTIONS, a row per ball per frame, ordered by frame; no identities yet
    """
    detector = BallDetector(calibration, settings or DetectSettings())
    for frame in frames:
        detector.look(frame)
    return detector.table()


class BallDetector:
    """Looks at one frame after the other and keeps the rows."""

    def __init__(self, calibration: Calibration, settings: DetectSettings) -> None:
        self.settings = settings
        self.picture = BallPicture(calibration.pose, calibration.table.ball.radius_mm)
        self.search = ClothSearch(calibration, self.picture, settings.search)
        self.fitter = OutlineFitter(self.picture, settings.edges)
        self.table_mm = np.array([calibration.table.length_mm, calibration.table.width_mm])
        self.rows: list[Array] = []
        self._xy: Array = np.zeros((0, 2))
        self._v: Array = np.zeros((0, 2))  # mm/s
        self._t = 0.0

    def look(self, frame: Frame) -> None:
        """Find the balls of one frame."""
        small = self.search.small(frame)
        if self.search.cloth is None:
            self.search.learn_cloth(small)
        dt = frame.t_s - self._t
        pose = self.picture.pose
        found_px = self.search.candidates(small)
        found = pose.to_table(found_px, self.picture.radius_mm) if len(found_px) else np.zeros((0, 2))
        predicted = self._xy + self._v * dt
        xy, v = _joined(predicted, self._v, found, self._xy, dt, self.picture.radius_mm)
        if len(xy) == 0:
            self._xy, self._v, self._t = xy, v, frame.t_s
            return
        shutter = self.settings.shutter_s if self.settings.shutter_s is not None else 0.4 * dt
        blur = np.einsum("nij,nj->ni", self.picture.jacobian(xy), v * shutter)
        fit = self.fitter.fit(frame, xy, blur)
        keep = self._accepted(fit, xy)
        previous = self._xy
        self._xy = fit.xy_mm[keep]
        self._v = _velocities(self._xy, previous, v[keep], dt, self.picture.radius_mm)
        self._t = frame.t_s
        self._note(frame, fit, keep)

    def _accepted(self, fit: OutlineFit, start: Array) -> NDArray[np.intp]:
        """Indices of fits that are balls, one per place."""
        edge = 0.3 * self.picture.radius_mm
        inside = ((fit.xy_mm > -edge) & (fit.xy_mm < self.table_mm + edge)).all(axis=1)
        moved = np.linalg.norm(fit.xy_mm - start, axis=1) < 1.2 * self.picture.radius_mm
        good = inside & moved & (fit.outline_share > self.settings.outline_share) & (np.abs(fit.radius_px) < 1.2)
        kept: list[int] = []
        for i in np.argsort(-fit.outline_share):
            apart = all(np.linalg.norm(fit.xy_mm[i] - fit.xy_mm[j]) > 1.6 * self.picture.radius_mm for j in kept)
            if good[i] and apart:
                kept.append(int(i))
        return np.array(sorted(kept), dtype=np.intp)

    def _note(self, frame: Frame, fit: OutlineFit, keep: NDArray[np.intp]) -> None:
        if len(keep) == 0:
            return
        xy, cov = fit.xy_mm[keep], fit.cov_mm2[keep]
        centres = self.picture.centres(xy)
        u = np.sqrt(np.einsum("nii->ni", cov))
        looks = self._looks(frame, xy, centres)
        self.rows.append(
            np.column_stack([
                np.full(len(keep), frame.index), np.full(len(keep), frame.t_s), centres, xy, u,
                cov[:, 0, 1] / (u[:, 0] * u[:, 1]), fit.blur_px[keep], fit.outline_share[keep], looks,
            ])
        )

    def _looks(self, frame: Frame, xy: Array, centres: Array) -> Array:
        """(N, 5) clear_share, luma, cb, cr, white_share."""
        from pipeline.detect_edges import sample

        outline, _ = self.picture.outlines(xy, 24)
        arms = outline - centres[:, None]
        inside = np.concatenate([centres[:, None]] + [centres[:, None] + f * arms[:, ::3] for f in (0.3, 0.55, 0.78)], axis=1)
        values = sample(frame, inside)
        gain, zero = (1.0, 0.0) if frame.full_range else (255 / 219, 16.0)
        luma = (values[0] - zero) * gain
        cb, cr = values[1] - 128, values[2] - 128
        white = (luma > 0.55 * np.percentile(luma, 95)) & (np.hypot(cb, cr) < 22)
        around = centres[:, None] + 1.45 * arms
        cells = np.rint(self.search.to_cells(around)).astype(int)
        cells = np.clip(cells, 0, np.array(self.search.cells) - 1)
        assert self.search.cloth is not None
        assert self.search.sigma is not None
        cloth = np.moveaxis(self.search.cloth[cells[..., 1], cells[..., 0]], -1, 0)
        off = (sample(frame, around) - cloth) / (3 * self.search.sigma[:, None, None])
        clear = (np.abs(off[1:]) < 2.5).all(axis=0) & (off[0] < 3) & (off[0] > -6)
        return np.column_stack([clear.mean(axis=1), np.median(luma, axis=1), np.median(cb, axis=1),
                                np.median(cr, axis=1), white.mean(axis=1)])

    def table(self) -> pd.DataFrame:
        """DETECTIONS so far."""
        if not self.rows:
            return DETECTIONS.empty()
        data = np.concatenate(self.rows)
        return DETECTIONS.conform(pd.DataFrame(data, columns=DETECTIONS.names))


def _joined(predicted: Array, v: Array, found: Array, last: Array, dt: float, radius: float) -> tuple[Array, Array]:
    """Places to look at and the velocity to expect there: known balls ahead of new finds that aren't one of them."""
    if len(found) == 0:
        return predicted, v
    if len(predicted) == 0:
        return found, np.zeros_like(found)
    far = np.linalg.norm(found[:, None] - predicted[None], axis=-1).min(axis=1) > 0.35 * radius
    fresh = found[far]
    nearest = np.linalg.norm(fresh[:, None] - last[None], axis=-1)
    guess = np.zeros_like(fresh)
    if len(fresh) and dt > 0:
        which = nearest.argmin(axis=1)
        close = nearest.min(axis=1) < 6 * radius
        guess[close] = (fresh[close] - last[which[close]]) / dt
    return np.concatenate([predicted, fresh]), np.concatenate([v, guess])


def _velocities(xy: Array, previous: Array, expected: Array, dt: float, radius: float) -> Array:
    """Velocity from the nearest earlier place, where there is a plausible one."""
    if len(xy) == 0 or len(previous) == 0 or dt <= 0:
        return np.zeros_like(xy)
    away = np.linalg.norm(xy[:, None] - (previous + 0)[None], axis=-1)
    expected_from = np.linalg.norm(xy[:, None] - expected[:, None] * dt - previous[None], axis=-1)
    which = np.minimum(away, expected_from).argmin(axis=1)
    step = xy - previous[which]
    plausible = np.linalg.norm(step, axis=1) < 8 * radius
    return np.where(plausible[:, None], step / dt, 0.0)
