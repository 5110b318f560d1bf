"""The cloth in a picture: candidate areas of one colour whose outline is a quadrilateral.

Nothing is known yet, so several colours and several tolerances are tried; what is handed on is an ordered list of
guesses. Which guess is a table is decided later, by the marks on its rails.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

WORK_WIDTH_PX = 480  # longest side of the reduced picture in which colours are grouped
MIN_SHARE = 0.04  # of the picture: a smaller table could not be measured
COLOURS = 7
TOLERANCES = (4.5, 7.0, 11.0, 16.0, 24.0)  # colour distances (CIE Lab, lightness weighted down)
PART_SHARE, PARTS_FILL = 0.15, 0.7  # of the larger part; of the area round both, with what lies between
BRIGHT_LEVEL = 190.0
LIGHTNESS_WEIGHT = 0.6  # lamps make the lightness vary over a bed more than its hue


@dataclass(frozen=True, eq=False)
class Outline:
    """A quadrilateral area. ``sides``: per side the contour points seen on it, (N, 2) px of the full picture.

    ``corners_px``: (4, 2), where the fitted lines cross, side i running from corner i to corner i+1.
    ``score``: share of the quadrilateral's outline backed by contour points (0 to 1).
    """

    corners_px: NDArray[np.float64]
    sides: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
    score: float


def cloth_outlines(picture: NDArray[np.uint8], *, most: int = 6, in_parts: bool = False) -> list[Outline]:
    """Up to ``most`` candidate cloth outlines in a BGR picture, best first.

    in_parts : of two areas of one colour taken together, as a lamp leaves them that hangs across the table
    """
    height, width = picture.shape[:2]
    scale = min(1.0, WORK_WIDTH_PX / max(height, width))
    small = np.asarray(cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    colour = _colour_space(small)
    found: list[tuple[float, NDArray[np.uint8]]] = []
    outlines: list[Outline] = []
    for mask in _masks(colour, in_parts):
        if any(_overlap(mask, other) > 0.985 for _, other in found):
            continue
        outline = _outline(mask, scale)
        found.append((0.0, mask))
        if outline is not None:
            outlines.append(outline)
    outlines.sort(key=lambda o: -o.score)
    return outlines[:most]


def _colour_space(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    smooth = cv2.medianBlur(picture, 5)
    bright = max(1.0, float(np.percentile(smooth.max(axis=2), 85)))
    gain = float(np.clip(BRIGHT_LEVEL / bright, 1.0, 5.0))  # colours of an underexposed picture lie close together
    lab = cv2.cvtColor(np.minimum(smooth.astype(np.float32) * (gain / 255.0), 1.0), cv2.COLOR_BGR2Lab)
    return np.asarray(lab * np.array([LIGHTNESS_WEIGHT, 1.0, 1.0], dtype=np.float32), dtype=np.float32)


def _masks(colour: NDArray[np.float32], in_parts: bool) -> list[NDArray[np.uint8]]:
    """Connected areas of one colour, or two such and what lies between them, for the main colours of the picture and
    several tolerances."""
    height, width = colour.shape[:2]
    sample = colour[2::4, 2::4].reshape(-1, 3)
    cv2.setRNGSeed(1)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 12, 0.5)
    empty: NDArray[np.int32] = np.empty(0, np.int32)
    _, labels, centres = cv2.kmeans(sample, COLOURS, empty, criteria, 1, cv2.KMEANS_PP_CENTERS)
    counts = np.bincount(labels.ravel(), minlength=COLOURS)
    planes = [np.ascontiguousarray(colour[..., i]) for i in range(3)]
    masks = []
    for index in np.argsort(-counts):
        if counts[index] < 0.02 * len(sample):
            continue
        apart = [(plane - middle) ** 2 for plane, middle in zip(planes, centres[index], strict=True)]
        distance = np.sqrt(apart[0] + apart[1] + apart[2])
        for tolerance in TOLERANCES:
            near = distance < tolerance
            if np.count_nonzero(near) <= MIN_SHARE * height * width:  # no part of it can be large enough
                continue
            area = cv2.morphologyEx(near.view(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
            count, names = cv2.connectedComponents(area, connectivity=4, ltype=cv2.CV_16U)
            if count < 2:
                continue
            sizes = np.bincount(names.ravel())
            largest = 1 + int(np.argmax(sizes[1:]))
            if in_parts:
                others = np.flatnonzero(sizes > PART_SHARE * sizes[largest])
                masks += [mask for other in others if other not in (0, largest)
                          and (mask := _joined(names == largest, names == other)) is not None]
                continue
            if MIN_SHARE * height * width < sizes[largest] < 0.97 * height * width:
                masks.append((names == largest).view(np.uint8))
    return masks


def _joined(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> NDArray[np.uint8] | None:
    """Two areas and what lies between them, or None where that is too much of it all."""
    both = (one | other).view(np.uint8)
    contours, _ = cv2.findContours(both, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.concatenate(contours))
    if np.count_nonzero(both) < PARTS_FILL * cv2.contourArea(hull):
        return None
    return np.asarray(cv2.fillConvexPoly(np.zeros_like(both), hull, 1), dtype=np.uint8)


def _overlap(a: NDArray[np.uint8], b: NDArray[np.uint8]) -> float:
    both = int(np.count_nonzero(a & b))
    return both / max(1, int(np.count_nonzero(a | b)))


def _outline(mask: NDArray[np.uint8], scale: float) -> Outline | None:
    """The quadrilateral round a mask, or None when its outline is not one."""
    height, width = mask.shape
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    hull = cv2.convexHull(contour)
    hull_area = cv2.contourArea(hull)
    if hull_area < MIN_SHARE * height * width or cv2.contourArea(contour) < 0.75 * hull_area:
        return None
    points = contour.reshape(-1, 2).astype(float)
    on_border = (points[:, 0] < 2) | (points[:, 1] < 2) | (points[:, 0] > width - 3) | (points[:, 1] > height - 3)
    lines = _four_lines(hull.reshape(-1, 2).astype(float))
    if lines is None:
        return None
    tolerance = 2.0 + 0.012 * float(np.sqrt(hull_area))  # room for a bent side
    on_side: list[NDArray[np.bool_]] = []
    for _ in range(2):  # a second pass over the contour itself: the hull bridges what the lens bends inwards
        corners = _crossings(lines)
        if corners is None:
            return None
        on_side = []
        for i, line in enumerate(lines):
            near = np.abs(points @ line[:2] + line[2]) < tolerance
            start, end = corners[i], corners[(i + 1) % 4]
            along = (points - start) @ (end - start) / max(1e-9, float((end - start) @ (end - start)))
            on_side.append(near & (along > 0.06) & (along < 0.94))
        lines = [_fit_line(points[here]) if here.sum() > 20 else line
                 for here, line in zip(on_side, lines, strict=True)]
    corners = _crossings(lines)
    if corners is None:
        return None
    lengths = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    spans = 0.88 * lengths  # as cut above
    backed = sum(min(int(here.sum()), n) for here, n in zip(on_side, spans, strict=True)) / float(spans.sum())
    area = cv2.contourArea(corners.astype(np.float32))
    if backed < 0.5 or not 0.6 * hull_area < area < 1.7 * hull_area:
        return None
    fill = float(np.count_nonzero(mask)) / max(1.0, area)
    full = [(points[here & ~on_border] + 0.5) / scale - 0.5 for here in on_side]
    return Outline((corners + 0.5) / scale - 0.5, (full[0], full[1], full[2], full[3]), backed * min(1.0, fill))


def _four_lines(hull: NDArray[np.float64]) -> list[NDArray[np.float64]] | None:
    """Four lines (a, b, c with unit normal pointing outwards) round a convex hull, in its own order."""
    following = np.roll(hull, -1, axis=0)
    edges = following - hull
    lengths = np.linalg.norm(edges, axis=1)
    if (lengths > 0).sum() < 4:
        return None
    angles = np.arctan2(edges[:, 1], edges[:, 0])
    # the direction, modulo a right angle, that most of the outline agrees on
    turn = np.angle(np.sum(lengths**2 * np.exp(4j * angles))) / 4
    quarter = np.round((angles - turn) / (np.pi / 2)).astype(int) % 4
    lines = []
    for k in range(4):
        chosen = (quarter == k) & (lengths > 0)
        if not chosen.any():
            return None
        samples = np.vstack([a + step * _shares(max(2, int(n))) for a, step, n in
                             zip(hull[chosen], edges[chosen], lengths[chosen], strict=True)])
        lines.append(_fit_line(samples))
    centre = hull.mean(axis=0)
    lines = [line if centre @ line[:2] + line[2] < 0 else -line for line in lines]
    # order round the centre: line k then k+1 cross in corner k+1
    order = np.argsort([np.arctan2(line[1], line[0]) for line in lines])
    return [lines[i] for i in order]


@cache
def _shares(count: int) -> NDArray[np.float64]:
    """(count, 1) from 0 to 1."""
    return np.linspace(0, 1, count)[:, None]


def _fit_line(points: NDArray[np.float64]) -> NDArray[np.float64]:
    vx, vy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    return np.array([-vy, vx, vy * x - vx * y], dtype=float)


def _crossings(lines: list[NDArray[np.float64]]) -> NDArray[np.float64] | None:
    """(4, 2): corner i is where line i-1 meets line i."""
    corners = []
    for i in range(4):
        (a, b, c), (d, e, f) = lines[i - 1], lines[i]
        sine = a * e - b * d
        if abs(sine) < 0.2:  # nearly parallel neighbours
            return None
        corners.append([(b * f - c * e) / sine, (c * d - a * f) / sine])
    return np.array(corners)
