"""A clip's clock: when its frames were taken, where that is not when they are stamped.

Tables hold the times at which frames were taken; whoever opens the clip again finds its stamps.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_SAME_S = 1e-6  # of one stamp, written and read again


@dataclass(frozen=True)
class ClipClock:
    """What is known of it.

    again : stamps of frames that show another one again, s
    later : (stamp of a frame, by how much later it and all after it were taken; below 0: earlier), s
    """

    again: tuple[float, ...] = ()
    later: tuple[tuple[float, float], ...] = ()

    def shows_again(self, stamp_s: ArrayLike) -> NDArray[np.bool_]:
        """(N,) whether the frames of these stamps (N,) show another one again: they have no time of their own."""
        stamps = np.asarray(stamp_s, dtype=float)
        until = np.searchsorted(self._again, stamps + _SAME_S, side="right")
        return np.asarray(until > np.searchsorted(self._again, stamps - _SAME_S))

    @cached_property
    def _again(self) -> Array:
        """In order: asked for each frame, and in a clip that was converted there are many."""
        return np.array(sorted(self.again), dtype=float)

    def taken(self, stamp_s: ArrayLike) -> Array:
        """(N,) s at which the frames of these stamps (N,) were taken."""
        stamps = np.asarray(stamp_s, dtype=float)
        shifts = [np.where(stamps > from_s - _SAME_S, by_s, 0.0) for from_s, by_s in self.later]
        return np.asarray(stamps + sum(shifts), dtype=float)

    def stamped(self, taken_s: ArrayLike) -> Array:
        """(N,) s: the stamps of the frames taken at these times (N,). Where frames are missing, before the next one."""
        times = np.asarray(taken_s, dtype=float)
        if not self.later:
            return times
        first, by_s = np.array(sorted(self.later)).T
        shift = np.concatenate([[0.0], np.cumsum(by_s)])
        piece = np.searchsorted(first + shift[1:], times + _SAME_S, side="right")
        before_next = np.append(first - 2 * _SAME_S, np.inf)[piece]
        return np.asarray(np.minimum(times - shift[piece], before_next), dtype=float)


AS_STAMPED: Final = ClipClock()
