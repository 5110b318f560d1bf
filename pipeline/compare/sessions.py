"""Which session each shot belongs to, and what is left of a column once sessions are taken out of it.

A column a session would do the same (Frisch & Waugh 1933, Lovell 1963), but for rows times sessions of memory; here
sums over a session's shots are enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Sessions:
    """``labels`` (n,): 0 .. count - 1, each at least once."""

    labels: NDArray[np.intp]
    count: int

    @cached_property
    def _members(self) -> sparse.csr_array:
        """(count, n): 1 where a shot is a session's."""
        rows = np.arange(len(self.labels))
        return sparse.csr_array((np.ones(len(rows)), (self.labels, rows)), shape=(self.count, len(rows)))

    def sums(self, values: Array, w: Array) -> Array:
        """Sum over each session of w times values: (n,) -> (count,), (n, k) -> (count, k)."""
        if values.ndim == 1:
            return np.asarray(np.bincount(self.labels, w * values, self.count), dtype=np.float64)
        return np.asarray(self._members @ (values * w[:, None]))

    def weights(self, w: Array) -> Array:
        """(count,) sum of each session's weights."""
        return np.asarray(np.bincount(self.labels, w, self.count), dtype=np.float64)

    def centred(self, values: Array, w: Array) -> Array:
        """values (n,) or (n, k) without their session's mean weighted by w (n,)."""
        total = self.weights(w)
        total = total if values.ndim == 1 else total[:, None]
        return np.asarray(values - (self.sums(values, w) / total)[self.labels])
