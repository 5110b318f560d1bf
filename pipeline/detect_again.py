"""Fits made before the shutter was known, or was known to have changed, which are made again once it is."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_patch import Patch
from pipeline.detect_search import Cloth

Array = NDArray[np.float64]
MOST = 600  # the last of them


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
    shutter_s: float  # with which it was fitted
    row: Array | None  # as it was written down; None where it was taken for no ball


class EarlyFits:
    """Kept until what held at their time is known for sure."""

    def __init__(self, worth_px: float) -> None:
        """worth_px : a smear that is longer or shorter by less than this is not worth another fit"""
        self._worth_px = worth_px
        self._fits: deque[EarlyFit] = deque(maxlen=MOST)

    def keep(self, fit: EarlyFit, interval_s: float) -> None:
        """Keep a fit, unless it hardly moved from frame to frame."""
        if float(np.hypot(*fit.motion_px_s)) * interval_s > self._worth_px:
            self._fits.append(fit)

    @property
    def times(self) -> list[float]:
        """Of the frames they were made of, s, in order."""
        return sorted({fit.t_s for fit in self._fits})

    def to_fit_again(self, shutter_at: Callable[[float], float]) -> list[EarlyFit]:
        """Those whose smears were taken for longer or shorter, with the shutter time that held at their time."""
        right = [replace(fit, shutter_s=shutter_at(fit.t_s)) for fit in self._fits]
        off = [float(np.hypot(*was.motion_px_s)) * abs(now.shutter_s - was.shutter_s) > self._worth_px
               for was, now in zip(self._fits, right, strict=True)]
        held = [now if wrong else was for was, now, wrong in zip(self._fits, right, off, strict=True)]
        self._fits = deque(held, maxlen=MOST)
        return [now for now, wrong in zip(right, off, strict=True) if wrong]

    def forget(self, before_s: float) -> None:
        """Let go of all that were made of frames before a time."""
        while self._fits and self._fits[0].t_s < before_s:
            self._fits.popleft()
