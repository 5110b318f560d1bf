"""Where a ball's outline may lie though the ball looks like cloth: edges that stand in a ring of its size."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_QUIET = 5.0  # gradients so many standard deviations of the cloth's count half


class RingFinder:
    """Votes for rings of one radius, at low resolution.

    Each cell's gradients over all planes make a 2 x 2 matrix (structure tensor); a ring is where, all the way around,
    they point to or from its middle. Neither their sign nor, beyond the noise, their size matters: a ball may be
    lighter than the cloth on one side and darker on the other.
    """

    def __init__(self, radius: float) -> None:
        """``radius`` of the outline in cells."""
        half = int(np.ceil(radius + 1))
        dy, dx = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
        away = np.hypot(dx, dy)
        ring = np.clip(1.2 - np.abs(away - radius), 0, 1)
        ring /= ring.sum()
        away = np.maximum(away, 1e-9)
        x, y = dx / away, dy / away
        self._kernels = [np.asarray(k * ring, np.float32) for k in (x * x, 2 * x * y, y * y)]

    def share(self, planes: Sequence[NDArray[Any]], noise: Array) -> Image:
        """(rows, columns) of planes of that size: the share of a ring around each cell that shows, 0 to 1.

        noise : standard deviation of each plane's cells where there is only cloth
        """
        xx: Image | None = None
        xy = yy = np.zeros(0, np.float32)
        for plane, sigma in zip(planes, noise, strict=True):
            scaled = plane.astype(np.float32) * np.float32(1 / (_QUIET * sigma))
            gx = cv2.filter2D(scaled, cv2.CV_32F, _CENTRAL, borderType=cv2.BORDER_REPLICATE)
            gy = cv2.filter2D(scaled, cv2.CV_32F, _CENTRAL.T, borderType=cv2.BORDER_REPLICATE)
            if xx is None:
                xx, xy, yy = gx * gx, gx * gy, gy * gy
            else:
                xx, xy, yy = xx + gx * gx, xy + gx * gy, yy + gy * gy
        assert xx is not None
        whole = 1 / (1 + xx + yy)
        out = np.zeros_like(xx)
        for part, kernel in zip((xx, xy, yy), self._kernels, strict=True):
            out += cv2.filter2D(part * whole, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
        return out


_CENTRAL = np.array([[-1.0, 0.0, 1.0]], np.float32)
