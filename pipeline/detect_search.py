"""Where balls may be: what differs from the cloth, at low resolution, in discs of a ball's size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.detect_outline import BallPicture
from pipeline.frames import Frame

Array = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class SearchSettings:
    """How rough places are found."""

    cells_per_radius: float = 2.9  # low-resolution pixels per ball radius, at least
    cloth_distance: float = 4.0  # standard deviations off the cloth's colour
    disc_share: float = 0.55  # of a ball-sized disc that must not be cloth
    beyond_mm: float = 25.0  # ball centres are looked for this far outside the nose lines: pocket mouths


class ClothSearch:
    """Low-resolution pictures of the table and the cloth's colour over it (a smooth surface per channel)."""

    def __init__(self, calibration: Calibration, picture: BallPicture, settings: SearchSettings | None = None) -> None:
        self.settings = settings or SearchSettings()
        self.calibration = calibration
        table, pose = calibration.table, calibration.pose
        middle = np.array([[table.length_mm / 2, table.width_mm / 2]])
        self.radius_px = float(picture.radius_px(middle)[0])
        factor = 2 ** int(np.floor(np.log2(max(self.radius_px / self.settings.cells_per_radius, 2.0))))
        self.factor = factor
        self.picture = picture
        x0, y0, x1, y1 = self._bounds(pose.width_px, pose.height_px)
        self.origin = (x0, y0)
        self.cells = ((x1 - x0) // factor, (y1 - y0) // factor)  # columns, rows
        self._crop = (slice(y0, y0 + self.cells[1] * factor), slice(x0, x0 + self.cells[0] * factor))
        self._half = tuple(slice(s.start // 2, s.stop // 2) for s in self._crop)
        columns, rows = np.meshgrid(np.arange(self.cells[0]), np.arange(self.cells[1]))
        places = self.to_px(np.column_stack([columns.ravel(), rows.ravel()]))
        xy = pose.to_table(places, picture.radius_mm).reshape(self.cells[1], self.cells[0], 2)
        self.inside_mm = np.minimum.reduce(
            [xy[..., 0], table.length_mm - xy[..., 0], xy[..., 1], table.width_mm - xy[..., 1]]
        )
        u, v = xy[..., 0] / table.length_mm * 2 - 1, xy[..., 1] / table.width_mm * 2 - 1
        self._terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3], axis=-1)
        self.cloth: Image | None = None
        self.sigma: Array | None = None

    def _bounds(self, width: int, height: int) -> tuple[int, int, int, int]:
        table, f = self.calibration.table, self.factor
        out = 2 * self.settings.beyond_mm + self.picture.radius_mm
        t = np.linspace(0, 1, 9)
        edge = np.concatenate([np.column_stack([t, 0 * t]), np.column_stack([t, 0 * t + 1]),
                               np.column_stack([0 * t, t]), np.column_stack([0 * t + 1, t])])
        around = edge * [table.length_mm + 2 * out, table.width_mm + 2 * out] - out
        px = self.picture.centres(around)
        step = max(f, 2)
        x0, y0 = (np.clip(np.floor(px.min(axis=0) / step) * step, 0, None)).astype(int)
        x1, y1 = np.minimum(np.ceil(px.max(axis=0)), [width, height]).astype(int)
        return int(x0), int(y0), int(x1), int(y1)

    def to_px(self, cells: Array) -> Array:
        """Low-resolution places (column, row) to px."""
        return np.asarray(np.asarray(cells) * self.factor + (self.factor - 1) / 2 + np.array(self.origin), dtype=float)

    def to_cells(self, px: Array) -> Array:
        """px to low-resolution places (column, row)."""
        return np.asarray((np.asarray(px) - np.array(self.origin) - (self.factor - 1) / 2) / self.factor, dtype=float)

    def small_luma(self, frame: Frame) -> NDArray[np.uint8]:
        """(rows, columns) luma averaged over cells."""
        return np.asarray(cv2.resize(frame.luma[self._crop], self.cells, interpolation=cv2.INTER_AREA))

    def small(self, frame: Frame) -> Image:
        """(rows, columns, 3) Y, Cb, Cr averaged over cells."""
        planes = [self.small_luma(frame)]
        planes += [cv2.resize(plane[self._half], self.cells, interpolation=cv2.INTER_AREA) for plane in frame.chroma]
        return np.asarray(cv2.merge(planes)).astype(np.float32)

    def learn_cloth(self, small: Image) -> None:
        """Fit the cloth's surface (cubic in the table's coordinates) to a low-resolution picture, robustly."""
        bed = self.inside_mm > 0.3 * self.picture.radius_mm
        terms, values = self._terms[bed], small[bed].astype(float)
        step = max(len(terms) // 6000, 1)
        terms_s, values_s = terms[::step], values[::step]
        keep = np.ones(len(terms_s), bool)
        spread = np.ones(3)
        for _ in range(6):
            coef, *_ = np.linalg.lstsq(terms_s[keep], values_s[keep], rcond=None)
            left = values_s - terms_s @ coef
            spread = np.maximum(1.4826 * np.median(np.abs(left[keep]), axis=0), [1.0, 0.7, 0.7])
            keep = (np.abs(left) < 3 * spread).all(axis=1)
        self.cloth = (self._terms @ coef).astype(np.float32)
        self.sigma = spread

    def distance(self, small: Image) -> Image:
        """(rows, columns) how far from the cloth's colour, in its own standard deviations."""
        assert self.cloth is not None
        assert self.sigma is not None
        scaled = (small - self.cloth) * (1 / self.sigma).astype(np.float32)
        return np.asarray(cv2.sqrt(np.einsum("ijk,ijk->ij", scaled, scaled)))

    def candidates(self, small: Image, mask: NDArray[np.bool_] | None = None) -> Array:
        """(N, 2) rough ball centres in px; ``mask`` limits where."""
        other = (self.distance(small) > self.settings.cloth_distance).astype(np.float32)
        radius = self.radius_px / self.factor
        disc = cv2.filter2D(other, -1, _disc(0, radius), borderType=cv2.BORDER_REPLICATE)
        ring = cv2.filter2D(other, -1, _disc(1.25 * radius, 1.9 * radius), borderType=cv2.BORDER_REPLICATE)
        score = disc - 0.5 * ring
        peak = (score >= cv2.dilate(score, np.ones((3, 3)))) & (disc > self.settings.disc_share)
        peak &= self.inside_mm > -self.settings.beyond_mm
        if mask is not None:
            peak &= mask
        rows, columns = np.nonzero(peak)
        if len(rows) == 0:
            return np.zeros((0, 2))
        order = np.argsort(-score[rows, columns])
        places = np.column_stack([columns, rows])[order].astype(float)
        kept: list[Array] = []
        for place in places:
            if all(np.hypot(*(place - other_place)) > 0.7 * radius for other_place in kept):
                kept.append(place)
        return self.to_px(_refined(np.array(kept), disc - ring, radius))


def _refined(places: Array, score: Image, radius: float) -> Array:
    """Places moved to the centroid of the score around them."""
    reach = int(np.ceil(0.6 * radius))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    rows = np.clip(places[:, 1, None, None].astype(int) + dy, 0, score.shape[0] - 1)
    columns = np.clip(places[:, 0, None, None].astype(int) + dx, 0, score.shape[1] - 1)
    weight = np.clip(score[rows, columns] - 0.3, 0, None).astype(float) + 1e-6
    total = weight.sum(axis=(1, 2))
    return places + np.column_stack([(weight * dx).sum(axis=(1, 2)) / total, (weight * dy).sum(axis=(1, 2)) / total])


def _disc(inner: float, outer: float) -> Image:
    half = int(np.ceil(outer))
    d = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1])
    kernel = np.clip(outer - d + 0.5, 0, 1) - (np.clip(inner - d + 0.5, 0, 1) if inner > 0 else 0)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)
