"""Which session each shot belongs to, and what is left of a column once sessions are taken out of it.

A column a session would do the same (Frisch & Waugh 1933, Lovell 1963), but for rows times sessions of memory; here
sums over a session's shots are enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Sessions:
    """``labels`` (n,): 0 .. count - 1, each at least once."""

    labels: NDArray[np.intp]
    count: int

    def sums(self, values: Array, w: Array) -> Array:
        """Sum over each session of w times values: (n,) -> (count,), (n, k) -> (count, k)."""
        if values.ndim == 1:
            return np.asarray(np.bincount(self.labels, w * values, self.count), dtype=np.float64)
        sums = np.empty((self.count, values.shape[1]))
        for k in range(values.shape[1]):  # few: a sparse product takes longer to set up
            sums[:, k] = np.bincount(self.labels, w * values[:, k], self.count)
        return sums

    def weights(self, w: Array) -> Array:
        """(count,) sum of each session's weights."""
        return np.asarray(np.bincount(self.labels, w, self.count), dtype=np.float64)

    def centred(self, values: Array, w: Array) -> Array:
        """values (n,) or (n, k) without their session's mean weighted by w (n,)."""
        total = self.weights(w)
        total = total if values.ndim == 1 else total[:, None]
        return np.asarray(values - (self.sums(values, w) / total)[self.labels])
