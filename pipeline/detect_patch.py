"""Small windows of a frame's planes, kept after the frame is let go, and sub-pixel samples of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frames import Frame, Plane

Array = NDArray[np.float64]
Samples = NDArray[np.float32]
Places = tuple[Array, Array]  # x and y, px, both (N, ...)


@dataclass(frozen=True, eq=False)
class Patch:
    """Copies of a window of luma and chroma; ``x``, ``y`` are its top left luma pixel (even)."""

    x: int
    y: int
    luma: Plane  # (h, w)
    chroma: tuple[Plane, Plane]  # Cb, Cr, (ceil(h/2), ceil(w/2))

    def luma_around(self, centre_px: tuple[float, float], half_px: float) -> tuple[int, int, Plane]:
        """Left, top and luma of what lies within so much of a place, down and across."""
        x, y = (max(math.floor(c - half_px) - first, 0) for c, first in zip(centre_px, (self.x, self.y), strict=True))
        x1, y1 = (math.ceil(c + half_px) - first + 1 for c, first in zip(centre_px, (self.x, self.y), strict=True))
        return self.x + x, self.y + y, self.luma[y:max(y1, 0), x:max(x1, 0)]


def cut(frame: Frame, centre_px: Sequence[float] | Array, half_px: float) -> Patch:
    """A square window around a place, clipped to the picture."""
    height, width = frame.luma.shape
    x, y = float(centre_px[0]), float(centre_px[1])
    x0 = int(min(max(x - half_px, 0), width - 8)) & ~1
    y0 = int(min(max(y - half_px, 0), height - 8)) & ~1
    x1 = int(min(max(x + half_px + 2, x0 + 8), width))
    y1 = int(min(max(y + half_px + 2, y0 + 8), height))
    half = (slice(y0 // 2, (y1 + 1) // 2), slice(x0 // 2, (x1 + 1) // 2))
    cb, cr = frame.chroma
    return Patch(x0, y0, frame.luma[y0:y1, x0:x1].copy(), (cb[half].copy(), cr[half].copy()))


class Mosaic:
    """Patches side by side in one picture per plane, so that all of them are sampled in one go."""

    def __init__(self, patches: Sequence[Patch], chroma_shift_px: tuple[float, float] = (0.0, 0.0)) -> None:
        """N patches; what is sampled beyond the edge of one is its edge.

        chroma_shift_px : place of a chroma sample against the middle of its 2 x 2 luma pixels, to the right and down
        """
        corners = np.array([(patch.x, patch.y) for patch in patches], dtype=float).reshape(-1, 2)
        self._luma = _Tiles.of([patch.luma for patch in patches], corners, 1)
        pairs = [np.asarray(cv2.merge(patch.chroma), np.uint8) for patch in patches]
        self._chroma = _Tiles.of(pairs, corners + 0.5 + np.array(chroma_shift_px), 2)

    def sample(self, luma_at: Places, chroma_at: Places | None = None, of: NDArray[np.intp] | None = None) -> Samples:
        """(N, 3, ...) bilinear Y, Cb, Cr at px places (N, ...), each from its own patch, or from the patches ``of``
        these numbers; chroma at places of its own where they are given.
        """
        shape = luma_at[0].shape
        out = np.empty((shape[0], 3, int(np.prod(shape[1:]))), np.float32)
        self._luma.sample(luma_at, of, out[:, 0])
        pairs = np.empty((*out[:, 0].shape, 2), np.float32)
        self._chroma.sample(luma_at if chroma_at is None else chroma_at, of, pairs)
        out[:, 1], out[:, 2] = pairs[..., 0], pairs[..., 1]
        return out.reshape(shape[0], 3, *shape[1:])


_PARTS = 32  # of a sample, to which OpenCV's remap rounds places in pictures of two channels


@dataclass(frozen=True, eq=False)
class _Tiles:
    """One plane of N patches in a grid, which keeps places in it small: they are single precision."""

    picture: Samples
    step: int  # px between samples
    low: Array  # (N, 2) x, y of each patch's first sample in the picture,
    high: Array  # (N, 2) of its last
    shift: Array  # (N, 2) from px / step to there

    @classmethod
    def of(cls, planes: Sequence[Plane], corners_px: Array, step: int) -> _Tiles:
        """Planes, of one or more channels, whose first samples lie at ``corners_px`` (N, 2)."""
        sizes = np.array([plane.shape[:2] for plane in planes])
        across = int(np.ceil(np.sqrt(len(planes))))
        rows, columns = sizes.max(axis=0).tolist()
        whole = (-(-len(planes) // across) * rows, across * columns, *planes[0].shape[2:])
        picture = np.zeros(whole, np.float32)
        at = np.array([(k % across * columns, k // across * rows) for k in range(len(planes))])
        for plane, (x, y), (height, width) in zip(planes, at.tolist(), sizes.tolist(), strict=True):
            picture[y : y + height, x : x + width] = plane
        low = at.astype(float)
        return cls(picture, step, low, low + sizes[:, ::-1] - 1, low - corners_px / step)

    def sample(self, where: Places, of: NDArray[np.intp] | None, out: Samples) -> None:
        """Bilinear samples at px places, into ``out`` (N, M) or (N, M, channels)."""
        maps: list[Samples] = []
        for axis, places in enumerate(where):
            low, high, shift = (part[:, axis, None] for part in (self.low, self.high, self.shift))
            if of is not None:
                low, high, shift = low[of], high[of], shift[of]
            flat = places.reshape(len(places), -1)
            there = (flat if self.step == 1 else flat / self.step) + shift
            if out.ndim == 3:  # remap does so, too; done here, wherever in the grid a patch lies gives the same
                np.rint(_PARTS * there, out=there)
                there /= _PARTS
            np.maximum(there, low, out=there)
            np.minimum(there, high, out=there)
            maps.append(there.astype(np.float32))
        cv2.remap(self.picture, maps[0], maps[1], cv2.INTER_LINEAR, out, cv2.BORDER_REPLICATE)
