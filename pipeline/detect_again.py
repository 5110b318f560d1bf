"""Fits made before the shutter was known, which are made again once it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_patch import Patch
from pipeline.detect_search import Cloth

Array = NDArray[np.float64]
MOST = 600  # by then the shutter is told, or won't be


@dataclass(frozen=True, eq=False)
class EarlyFit:
    """A ball that moved, as it was fitted with a smear that was assumed."""

    frame: int
    t_s: float
    patch: Patch
    cloth: Cloth
    start_mm: Array  # (2,) where it was looked for,
    xy_mm: Array  # (2,) and found
    motion_px_s: Array  # (2,)
    guessed: bool  # that motion
    support: float
    row: Array | None  # as it was written down; None where it was taken for no ball


class EarlyFits:
    """Kept until the shutter is told."""

    def __init__(self, worth_px: float) -> None:
        """worth_px : a smear that is longer or shorter by less than this is not worth another fit"""
        self._worth_px = worth_px
        self._fits: list[EarlyFit] = []

    def keep(self, fit: EarlyFit, interval_s: float) -> None:
        """Keep a fit, unless it hardly moved from frame to frame."""
        if float(np.hypot(*fit.motion_px_s)) * interval_s > self._worth_px and len(self._fits) < MOST:
            self._fits.append(fit)

    def let_go(self, other_s: float) -> list[EarlyFit]:
        """Those whose smears were taken for longer or shorter, by a shutter that is ``other_s`` off; none is kept."""
        fits, self._fits = self._fits, []
        return [fit for fit in fits if float(np.hypot(*fit.motion_px_s)) * abs(other_s) > self._worth_px]
