"""Small windows of a frame's planes, kept after the frame is let go, and sub-pixel samples of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frames import Frame

Array = NDArray[np.float64]
Samples = NDArray[np.float32]

#: place of a chroma sample against the middle of the 2 x 2 luma pixels it belongs to, px right
CHROMA_SHIFT_PX = 0.0


@dataclass(frozen=True, eq=False)
class Patch:
    """Copies of a window of luma and chroma; ``x``, ``y`` are its top left luma pixel (even)."""

    x: int
    y: int
    luma: Samples  # (h, w)
    chroma: Samples  # (ceil(h/2), ceil(w/2), 2): Cb, Cr


def cut(frame: Frame, centre_px: Array, half_px: float) -> Patch:
    """A square window around a place, clipped to the picture."""
    height, width = frame.luma.shape
    x0 = int(np.clip(centre_px[0] - half_px, 0, width - 8)) & ~1
    y0 = int(np.clip(centre_px[1] - half_px, 0, height - 8)) & ~1
    x1 = int(np.clip(centre_px[0] + half_px + 2, x0 + 8, width))
    y1 = int(np.clip(centre_px[1] + half_px + 2, y0 + 8, height))
    half = (slice(y0 // 2, (y1 + 1) // 2), slice(x0 // 2, (x1 + 1) // 2))
    chroma = np.stack([plane[half] for plane in frame.chroma], axis=-1).astype(np.float32)
    return Patch(x0, y0, frame.luma[y0:y1, x0:x1].astype(np.float32), chroma)


def sample_luma(patches: list[Patch], where: Array) -> Samples:
    """(N, ...) bilinear luma at px places (N, ..., 2), each from its own patch."""
    out = np.empty(where.shape[:-1], np.float32)
    corners = np.array([(patch.x, patch.y) for patch in patches], dtype=float).reshape(-1, *[1] * (where.ndim - 2), 2)
    local = (where - corners).astype(np.float32).reshape(len(patches), 1, -1, 2)
    for i, patch in enumerate(patches):
        out[i] = _remap(patch.luma, local[i]).reshape(out.shape[1:])
    return out


def sample_chroma(patches: list[Patch], where: Array) -> Samples:
    """(2, N, ...) bilinear Cb and Cr at px places (N, ..., 2)."""
    out = np.empty((2, *where.shape[:-1]), np.float32)
    corners = np.array([(patch.x + 0.5 + CHROMA_SHIFT_PX, patch.y + 0.5) for patch in patches], dtype=float)
    corners = corners.reshape(-1, *[1] * (where.ndim - 2), 2)
    local = ((where - corners) / 2).astype(np.float32).reshape(len(patches), 1, -1, 2)
    for i, patch in enumerate(patches):
        pair = _remap(patch.chroma, local[i])
        out[:, i] = pair.reshape(-1, 2).T.reshape(2, *out.shape[2:])
    return out


def _remap(plane: Samples, local: Samples) -> Samples:
    edge = cv2.BORDER_REPLICATE
    seen = cv2.remap(plane, local, None, cv2.INTER_LINEAR, borderMode=edge)  # type: ignore[call-overload]
    return np.asarray(seen, dtype=np.float32)
