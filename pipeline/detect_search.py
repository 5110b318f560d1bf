"""Where something happens and where balls may be: change and discs of a ball's size, both at low resolution."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.detect_outline import BallPicture
from pipeline.detect_rings import RingFinder
from pipeline.frames import Frame

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Px = tuple[float, float]  # a place in the picture


@dataclass(frozen=True, eq=False)
class Cloth:
    """What the cloth looks like in one light: colour of every cell, (rows, columns, 3) Y, Cb, Cr, and (3,) the cells'
    standard deviation. Never changed in place: whoever holds one keeps that light's.
    """

    colour: Image
    sigma: Array


@dataclass(frozen=True, kw_only=True)
class SearchSettings:
    """How rough places are found."""

    cells_per_radius: float = 2.5  # low-resolution pixels per ball radius, at least
    cloth_distance: float = 8.0  # standard deviations off the cloth's colour that count half
    relit: float = 2.0  # standard deviations by which most of the cloth must differ to be learnt anew
    disc_share: float = 0.35  # of a ball-sized disc that must not be cloth
    lone_share: float = 0.25  # that share less 0.6 of the ring's around it
    ring_share: float = 0.42  # or so much of a ring of a ball's size shows: a ball of the cloth's own colour
    change_levels: float = 1.6  # mean over 3 x 3 cells, in grey levels, above the noise
    quiet_share: float = 0.85  # of the table where nothing is taken to happen, which shows the noise
    all_changed_share: float = 0.4
    most_candidates: int = 6  # in one changed region,
    most_at_first: int = 40  # or when all of the table is looked over
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
        parts = np.array_split(places, _PARTS)
        xy = np.concatenate([pose.to_table(part, picture.radius_mm) for part in parts])
        xy = xy.reshape(self.cells[1], self.cells[0], 2)
        self.inside_mm = np.minimum.reduce(
            [xy[..., 0], table.length_mm - xy[..., 0], xy[..., 1], table.width_mm - xy[..., 1]]
        )
        self._on_table = (self.inside_mm > -self.settings.beyond_mm).astype(np.uint8)
        self._bed = self.inside_mm[_SPARSE] > 0
        self._u, self._v = xy[..., 0] / table.length_mm * 2 - 1, xy[..., 1] / table.width_mm * 2 - 1
        self.cloth: Cloth | None = None
        self._cloth8: list[NDArray[np.uint8]] = []
        self._unlike: Image = np.zeros((3, 256), np.float32)
        self._noise, self._noise_age = [0.0, 0.0], 0
        self._looked_at: list[NDArray[np.uint8]] = []  # luma, and chroma at half that resolution
        radius = self.radius_px / factor
        reach = 2 * int(np.ceil(1.2 * radius)) + 1
        self._reach = np.ones((reach, reach), np.uint8)  # as far as a change may be from a ball it concerns
        self._disc = _disc(radius)
        self._rings = RingFinder(radius)
        self._frame = (2 * round(1.2 * radius) + 1, 2 * round(1.7 * radius) + 1)  # cells: square ring around a ball

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

    def px(self, column: float, row: float) -> Px:
        """As `to_px`, of a single place."""
        middle = (self.factor - 1) / 2
        return column * self.factor + middle + self.origin[0], row * self.factor + middle + self.origin[1]

    def place(self, px: Px) -> tuple[float, float]:
        """As `to_cells`, of a single place."""
        middle = (self.factor - 1) / 2
        return (px[0] - self.origin[0] - middle) / self.factor, (px[1] - self.origin[1] - middle) / self.factor

    def cell(self, px: Px) -> tuple[int, int]:
        """The (column, row) that a place lies in."""
        column, row = self.place(px)
        return round(column), round(row)

    def small_luma(self, frame: Frame) -> NDArray[np.uint8]:
        """(rows, columns) luma of the cells' middle 2 x 2 pixels: enough to see change, and quick."""
        return np.asarray(cv2.resize(frame.luma[self._crop], self.cells, interpolation=cv2.INTER_LINEAR))

    def _small_chroma(self, plane: NDArray[np.uint8], box: tuple[int, int, int, int]) -> NDArray[np.uint8]:
        """A chroma plane of a box of cells (x0, y0, x1, y1)."""
        x0, y0, x1, y1 = box
        f = self.factor // 2
        top, left = self._half[0].start, self._half[1].start
        window = plane[top + y0 * f : top + y1 * f, left + x0 * f : left + x1 * f]
        return np.asarray(cv2.resize(window, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR))

    def small(self, frame: Frame) -> Image:
        """(rows, columns, 3) Y, Cb, Cr at low resolution."""
        planes = [self.small_luma(frame)]
        planes += [self._small_chroma(plane, (0, 0, *self.cells)) for plane in frame.chroma]
        return np.asarray(cv2.merge(planes)).astype(np.float32)

    def learn_cloth(self, small: Image) -> bool:
        """Fit the cloth's surface (cubic in the table's coordinates) to a low-resolution picture, robustly.

        False, and nothing learnt, where the picture doesn't show the cloth that was known before in another light: it
        is far more uneven.
        """
        bed = np.flatnonzero(self.inside_mm > 0.3 * self.picture.radius_mm)
        bed = bed[:: max(len(bed) // 6000, 1)]
        terms = _cubic(self._u.ravel()[bed], self._v.ravel()[bed])
        values = small.reshape(-1, 3)[bed].astype(float)
        keep = np.ones(len(terms), bool)
        spread = np.ones(3)
        for _ in range(6):
            kept = terms[keep]
            normal = np.sum([part.T @ part for part in np.array_split(kept, _PARTS)], axis=0)
            coef = np.linalg.solve(normal, kept.T @ values[keep])
            left = np.abs(values - terms @ coef)
            spread = np.maximum(1.4826 * np.median(left[keep], axis=0), [1.0, 0.7, 0.7])
            keep = np.asarray((left < 3 * spread).all(axis=1))
        if self.cloth is not None and (spread > UNEVEN * self.cloth.sigma + UNEVEN_LEVELS).any():
            return False
        self.cloth = Cloth((_cubic(self._u, self._v) @ coef).astype(np.float32), spread)
        self._rounded()
        steps = np.arange(256)
        squared = (steps / spread[:, None]) ** 2
        self._unlike = (squared / (squared + self.settings.cloth_distance**2)).astype(np.float32)
        return True

    def _rounded(self) -> None:
        assert self.cloth is not None
        rounded = np.clip(np.rint(self.cloth.colour), 0, 255).astype(np.uint8)
        self._cloth8 = [np.ascontiguousarray(rounded[..., c]) for c in range(3)]

    def follow_light(self, small_luma: NDArray[np.uint8]) -> None:
        """Make the cloth as much brighter or darker as most of it has become; between this and learning it anew."""
        assert self.cloth is not None
        seen, known = small_luma[_SPARSE][self._bed], self._cloth8[0][_SPARSE][self._bed]
        off = float(np.median(seen.astype(np.int16) - known))
        if abs(off) > self.cloth.sigma[0]:
            middle = max(float(np.median(known)) - BLACK, 1.0)
            gain = np.float32(max(1 + off / middle, 0.05))
            self.cloth = Cloth((self.cloth.colour - _NO_LIGHT) * gain + _NO_LIGHT, self.cloth.sigma)
            self._rounded()

    def lit_otherwise(self, small: Image) -> bool:
        """Whether most of the cloth no longer looks as it was learnt: the light or the exposure changed."""
        assert self.cloth is not None
        off = (small[_SPARSE] - self.cloth.colour[_SPARSE])[self._bed]
        return bool((np.abs(np.median(off, axis=0)) > self.settings.relit * self.cloth.sigma).any())

    def changed(self, frame: Frame, small_luma: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
        """(rows, columns) 1 where the picture differs from what was last looked at; None where nothing does.

        In chroma too: a ball may be just as bright as the cloth. What is reported counts as looked at.
        """
        half = (self.cells[0] // 2, self.cells[1] // 2)
        small = [small_luma, *(_resized(plane[self._half], half, cv2.INTER_LINEAR) for plane in frame.chroma)]
        if not self._looked_at:
            return self._all_of(small)
        luma, cb, cr = (cv2.absdiff(plane, kept) for plane, kept in zip(small, self._looked_at, strict=True))
        mask = self._beyond_noise(0, np.asarray(luma))
        other = self._beyond_noise(1, np.asarray(cv2.add(cb, cr)))
        self._noise_age += 1
        if cv2.countNonZero(other):
            mask = np.asarray(cv2.bitwise_or(mask, _resized(other, self.cells, cv2.INTER_NEAREST)))
        if cv2.countNonZero(mask) == 0:
            return None
        part = mask[_around(mask, 2)]
        part[:] = cv2.morphologyEx(part, cv2.MORPH_OPEN, _PAIR)
        share = cv2.countNonZero(mask) / mask.size
        if share == 0:
            return None
        if share > self.settings.all_changed_share:  # the light, the camera or the film changed: look everywhere
            return self._all_of(small)
        part[:] = cv2.dilate(part, _NEIGHBOURS)
        cv2.copyTo(small_luma, mask, self._looked_at[0])
        coarse = _resized(mask, half, cv2.INTER_NEAREST)
        for plane, kept in zip(small[1:], self._looked_at[1:], strict=True):
            cv2.copyTo(plane, coarse, kept)
        return mask

    def forget(self) -> None:
        """Whatever is seen next is new."""
        self._looked_at = []

    def _all_of(self, small: list[NDArray[np.uint8]]) -> NDArray[np.uint8]:
        self._looked_at = [small[0].copy(), *small[1:]]
        return np.ones(small[0].shape, np.uint8)

    def _beyond_noise(self, which: int, difference: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """1 where luma (0) or chroma (1) differs by more than its noise."""
        around = cv2.boxFilter(difference, cv2.CV_16U, (3, 3), normalize=False)
        if self._noise_age % 8 == 0:  # sensor noise, and blocks that compression renews now and then
            quiet = around[::3, ::3].ravel()
            rank = int(self.settings.quiet_share * len(quiet))
            self._noise[which] = float(np.partition(quiet, rank)[rank])
        level = self.settings.change_levels * 9 * (1 + which) + self._noise[which]  # of chroma, two planes are added
        return np.asarray((around > np.uint16(level)).view(np.uint8))  # whole numbers: as above the level itself

    def candidates(
        self, frame: Frame, small_luma: NDArray[np.uint8], mask: NDArray[np.uint8], known: list[Px]
    ) -> Candidates:
        """Places in the changed regions (``mask``) where a disc of a ball's size isn't cloth, or a ring of it shows.

        known : px of balls that were there before; where fewer discs are found, rings are looked for
        """
        pad = int(np.ceil(self.radius_px / self.factor)) + 1
        there = _around(mask, len(self._reach))  # with room for the regions' margins, too
        top, left = there[0].start, there[1].start
        near = np.asarray(cv2.dilate(mask[there], self._reach), np.uint8)
        outlines, _ = cv2.findContours(near, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE, offset=(left, top))
        cells = [self.place(px) for px in known]
        found: list[tuple[float, float]] = []
        regions: list[_Region] = []
        for x, y, w, h in map(cv2.boundingRect, outlines):
            x0, y0 = max(x - pad, 0), max(y - pad, 0)
            x1, y1 = min(x + w + pad, self.cells[0]), min(y + h + pad, self.cells[1])
            here = near[y0 - top : y1 - top, x0 - left : x1 - left] & self._on_table[y0:y1, x0:x1]
            region = _Region(self, frame, small_luma, (x0, y0, x1, y1))
            expected = sum(x <= column < x + w and y <= row < y + h for column, row in cells)
            places = region.places(here, max(expected, 1))
            regions.append(region)
            found += [(x0 + column, y0 + row) for column, row in places]
        return Candidates([self.px(*place) for place in found], tuple(regions), self)

    def planes(
        self, frame: Frame, small_luma: NDArray[np.uint8], box: tuple[int, int, int, int]
    ) -> list[NDArray[np.uint8]]:
        """Y, Cb, Cr of a box of cells (x0, y0, x1, y1)."""
        x0, y0, x1, y1 = box
        return [small_luma[y0:y1, x0:x1], *(self._small_chroma(plane, box) for plane in frame.chroma)]

    def distance(self, planes: list[NDArray[np.uint8]], box: tuple[int, int, int, int]) -> Image:
        """How little a box of cells looks like cloth, 0 to 1; saturates, so that a ball outweighs its shadow."""
        x0, y0, x1, y1 = box
        out: Image | None = None
        for plane, cloth, unlike in zip(planes, self._cloth8, self._unlike, strict=True):
            part = cv2.LUT(cv2.absdiff(plane, cloth[y0:y1, x0:x1]), unlike).astype(np.float32, copy=False)
            out = part if out is None else np.maximum(out, part)
        assert out is not None
        return out

    def discs(self, other: Image) -> tuple[Image, Image]:
        """Shares of a ball's disc around every cell that aren't cloth, and the same less what is around the disc."""
        edge = cv2.BORDER_REPLICATE
        disc = np.asarray(cv2.filter2D(other, -1, self._disc, borderType=edge), np.float32)
        inner, outer = (cv2.boxFilter(other, -1, (n, n), normalize=False, borderType=edge) for n in self._frame)
        around = (outer - inner) * np.float32(0.6 / (self._frame[1] ** 2 - self._frame[0] ** 2))
        return disc, np.asarray(disc - around, np.float32)

    def rings(self, planes: list[NDArray[np.uint8]]) -> Image:
        """Shares of a ball's outline around every cell that show."""
        assert self.cloth is not None
        return self._rings.share(planes, self.cloth.sigma)


@dataclass(eq=False)
class _Region:
    """A box of cells (x0, y0, x1, y1) of one frame in which balls are looked for."""

    search: ClothSearch
    frame: Frame
    small_luma: NDArray[np.uint8]
    box: tuple[int, int, int, int]

    @cached_property
    def planes(self) -> list[NDArray[np.uint8]]:
        return self.search.planes(self.frame, self.small_luma, self.box)

    @cached_property
    def disc(self) -> tuple[Image, Image]:
        return self.search.discs(self.search.distance(self.planes, self.box))

    @cached_property
    def ring(self) -> Image:
        return self.search.rings(self.planes)

    def places(self, here: NDArray[np.uint8], expected: int) -> list[tuple[float, float]]:
        """(column, row) in the box where ``here`` isn't 0: discs; rings, too, if fewer discs than ``expected``."""
        cfg, (disc, score) = self.search.settings, self.disc
        whole = score.size > 0.5 * self.search.cells[0] * self.search.cells[1]
        most = cfg.most_at_first if whole else cfg.most_candidates
        enough = (score > cfg.lone_share) & (disc > cfg.disc_share)
        kept = self._best(score, enough & (here > 0) if whole else enough, most, [])
        found = [_refined(*peak, score, self._reach) for peak in kept if here[peak[1], peak[0]]]
        if whole or len(kept) < expected:
            rings = self._best(self.ring, (here > 0) & (self.ring > cfg.ring_share), most, kept)
            found += [_refined(*peak, self.ring, self._reach) for peak in rings]
        rows, columns = here.shape
        return [(x, y) for x, y in found if here[min(max(round(y), 0), rows - 1), min(max(round(x), 0), columns - 1)]]

    @property
    def _reach(self) -> int:
        """Cells around a peak over which its place is told."""
        return max(1, int(np.ceil(0.5 * self.search.radius_px / self.search.factor)))

    def _best(
        self, score: Image, enough: NDArray[np.bool_], most: int, taken: list[tuple[int, int]]
    ) -> list[tuple[int, int]]:
        """(column, row) of the highest peaks, apart from each other and from those ``taken``."""
        rows, columns = np.nonzero((score >= cv2.dilate(score, _NEIGHBOURS)) & enough)
        apart2 = (0.7 * self.search.radius_px / self.search.factor) ** 2
        kept: list[tuple[int, int]] = []
        order = np.argsort(-score[rows, columns])[:100]
        for row, column in zip(rows[order].tolist(), columns[order].tolist(), strict=True):
            if all((row - r) ** 2 + (column - c) ** 2 > apart2 for c, r in [*kept, *taken]):
                kept.append((column, row))
            if len(kept) == most:
                break
        return kept

    def holds(self, cell: tuple[int, int]) -> bool:
        """Whether a (column, row) of the whole lies in it."""
        x0, y0, x1, y1 = self.box
        return x0 <= cell[0] < x1 and y0 <= cell[1] < y1

    def at(self, shares: Image, cell: tuple[int, int]) -> float:
        """One of its pictures at a (column, row) of the whole."""
        return float(shares[cell[1] - self.box[1], cell[0] - self.box[0]])


@dataclass(frozen=True, eq=False)
class Candidates:
    """Rough places, px, and the regions they were found in, to ask for other places."""

    px: list[Px]
    regions: tuple[_Region, ...]
    search: ClothSearch

    def disc(self, px: Px) -> float:
        """Share of a ball's disc at this place that isn't cloth; 0 outside the regions."""
        cell = self.search.cell(px)
        return max((region.at(region.disc[0], cell) for region in self.regions if region.holds(cell)), default=0.0)

    def ring(self, px: Px) -> float:
        """Share of a ball's outline at this place that shows; 0 outside the regions."""
        cell = self.search.cell(px)
        return max((region.at(region.ring, cell) for region in self.regions if region.holds(cell)), default=0.0)


_PARTS = 8  # of large products: BLAS's threads, once awake, keep a core busy for a tenth of a second that others need
_SPARSE = (slice(None, None, 4), slice(None, None, 4))  # cells enough to tell the light by
UNEVEN, UNEVEN_LEVELS = 3.0, np.array([4.0, 2.0, 2.0])  # more times and more levels than at first: something else
BLACK = 16.0  # luma without light, in video's usual range
_NO_LIGHT = np.array([BLACK, 128.0, 128.0], np.float32)
_NEIGHBOURS = np.ones((3, 3), np.uint8)
_PAIR = np.ones((2, 2), np.uint8)


def _resized(plane: NDArray[Any], size: tuple[int, int], how: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.resize(plane, size, interpolation=how), dtype=np.uint8)


def _refined(column: int, row: int, score: Image, reach: int) -> tuple[float, float]:
    """A peak's place moved to the centroid of the top of the score around it."""
    y0, x0 = max(row - reach, 0), max(column - reach, 0)
    top = score[y0 : row + reach + 1, x0 : column + reach + 1]
    weight = np.maximum(top - (top.max() - np.float32(0.2)), np.float32(1e-6))
    across, down = weight.sum(axis=0).tolist(), weight.sum(axis=1).tolist()
    total = sum(across)
    column_, row_ = (sum(k * share for k, share in enumerate(shares)) / total for shares in (across, down))
    return x0 + column_, y0 + row_


def _around(mask: NDArray[np.uint8], margin: int) -> tuple[slice, slice]:
    """Rows and columns of the part of a mask that isn't empty, and a margin."""
    x, y, w, h = cv2.boundingRect(mask)
    return slice(max(y - margin, 0), y + h + margin), slice(max(x - margin, 0), x + w + margin)


def _cubic(u: Array, v: Array) -> Array:
    """(..., 10) terms of a cubic surface."""
    out = np.empty((*u.shape, 10))
    uu, vv = u * u, v * v
    for k, term in enumerate((1.0, u, v, uu, u * v, vv, uu * u, uu * v, u * vv, vv * v)):
        out[..., k] = term
    return out


def _disc(radius: float) -> Image:
    half = int(np.ceil(radius))
    kernel = np.clip(radius - np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) + 0.5, 0, 1)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)
