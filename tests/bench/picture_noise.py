"""How well the coded pictures themselves tell a ball's place across its motion, whatever program looks at them.

Around the true centres, three pictures in a row show the same ball on the same cloth. What the middle one differs in
from the mean of its neighbours is noise: the camera's, and what coding put in its place. A least-squares match of a
known outline would take it for a shift; the spread of that shift is what a program can hope for that knows what the
ball looks like. The three planes (luma and both of colour) are weighed by what each of them holds. Reading between
pixels adds about 0.01 px.
"""

from __future__ import annotations

import math
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_SCALES = (1, 2, 2)  # luma pixels a pixel of each plane
_INNER, _BEYOND_PX = 0.6, 2.5  # of the radius, and past it: where a shift of the outline shows
_NO_EDGE = 1.0  # levels squared per px squared, of the whole ring: this plane shows no ball
_LEAST = 8  # differences from which a spread is told
_SPREAD = 1.4826 / math.sqrt(6)  # median of sizes to standard deviation; of a second difference to one value's


def outline_noise_px(clip: Path, places: dict[str, Array], radius_px: float) -> dict[str, float]:
    """Standard deviation (px) across the motion of a match to the ball's own outline, by ball; absent: too few frames.

    places : by ball (N, 3): frame, and the true centre in the picture (px)
    """
    cutouts = _cutouts(clip, places, radius_px)
    out = {}
    for ball, rows in places.items():
        shifts = _shifts(rows, cutouts[ball], radius_px)
        if len(shifts) >= _LEAST:
            out[ball] = _together(shifts)
    return out


def _grids(radius_px: float) -> list[tuple[Array, Array]]:
    """Offsets from the centre (x, y), in each plane's own pixels."""
    out = []
    for scale in _SCALES:
        n = math.ceil((radius_px + 4) / scale)
        x, y = np.meshgrid(np.arange(-n, n + 1.0), np.arange(-n, n + 1.0))
        out.append((x, y))
    return out


def _cutouts(clip: Path, places: dict[str, Array], radius_px: float) -> dict[str, dict[int, list[Array]]]:
    """By ball and frame, what is around the true centre in each plane."""
    import av

    wanted: dict[int, list[tuple[str, Array]]] = defaultdict(list)
    for ball, rows in places.items():
        for row in rows:
            wanted[int(row[0])].append((ball, row[1:]))
    grids = _grids(radius_px)
    out: dict[str, dict[int, list[Array]]] = {ball: {} for ball in places}
    with av.open(str(clip)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            if index not in wanted:
                continue
            planes = [
                np.frombuffer(p, np.uint8).reshape(p.height, p.line_size)[:, : p.width].astype(np.float32)
                for p in frame.reformat(format="yuv420p").planes
            ]
            for ball, (x, y) in wanted[index]:
                # of 4:2:0, colour lies on every second luma column and between two luma rows (H.264, left siting)
                centres = [(x, y), (x / 2, y / 2 - 0.25), (x / 2, y / 2 - 0.25)]
                out[ball][index] = [
                    cv2.remap(plane, (gx + cx).astype(np.float32), (gy + cy).astype(np.float32), cv2.INTER_LANCZOS4,
                              borderMode=cv2.BORDER_REPLICATE).astype(float)
                    for plane, (gx, gy), (cx, cy) in zip(planes, grids, centres, strict=True)
                ]  # fmt: skip
    return out


def _shifts(rows: Array, seen: dict[int, list[Array]], radius_px: float) -> Array:
    """(N, 3) px: second differences of the shift that each plane shows."""
    rings = []
    for (x, y), scale in zip(_grids(radius_px), _SCALES, strict=True):
        away = scale * np.hypot(x, y)
        rings.append((away > _INNER * radius_px) & (away < radius_px + _BEYOND_PX))
    centre = {int(row[0]): row[1:] for row in rows}
    out = []
    for index in centre:
        if index - 1 not in centre or index + 1 not in centre:
            continue
        step = centre[index + 1] - centre[index - 1]
        size = float(np.hypot(*step))
        if size < 1.0:
            continue
        across = np.array([-step[1], step[0]]) / size
        shift = []
        for plane, (ring, scale) in enumerate(zip(rings, _SCALES, strict=True)):
            before, now, after = (seen[k][plane] for k in (index - 1, index, index + 1))
            slope = _slope((before + now + after) / 3, across)[ring] / scale
            information = float(slope @ slope)
            moved = float(slope @ (before - 2 * now + after)[ring])
            shift.append(-moved / information if information > _NO_EDGE else math.inf)
        out.append(shift)
    return np.array(out).reshape(-1, 3)


def _slope(picture: Array, way: Array) -> Array:
    """Per px along ``way``; over half a px, since an edge is hardly wider than one."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
    ahead, behind = (
        cv2.remap(picture.astype(np.float32), x + np.float32(h * way[0]), y + np.float32(h * way[1]),
                  cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
        for h in (0.25, -0.25)
    )  # fmt: skip
    return np.asarray(ahead - behind, dtype=float) / 0.5


def _together(shifts: Array) -> float:
    """The spread of the weighted mean of the planes that show the ball, or of the best of them alone."""
    shifts = shifts[:, np.isfinite(shifts).all(axis=0)]
    each = _SPREAD * np.median(np.abs(shifts), axis=0)
    weight = 1 / np.maximum(each, 1e-6) ** 2
    both = _SPREAD * float(np.median(np.abs(shifts @ weight))) / float(weight.sum())
    return min(both, float(each.min()))
