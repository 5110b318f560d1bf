"""Which session each shot belongs to, and what is left of a column once sessions are taken out of it.

A column a session would do the same (Frisch & Waugh 1933, Lovell 1963), but for rows times sessions of memory; here
sums over a session's shots are enough.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Sessions:
    """``labels`` (n,): 0 .. count - 1, each at least once."""

    labels: NDArray[np.intp]
    count: int
    _order: NDArray[np.intp] = field(init=False, repr=False)
    _ends: NDArray[np.intp] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_order", np.argsort(self.labels, kind="stable"))
        ends = np.concatenate([[0], np.cumsum(np.bincount(self.labels, minlength=self.count))])
        object.__setattr__(self, "_ends", ends.astype(np.intp))

    def sums(self, values: Array, w: Array) -> Array:
        """Sum over each session of w times values: (n,) -> (count,), (n, k) -> (count, k)."""
        if values.ndim == 1:
            return np.asarray(np.bincount(self.labels, w * values, self.count), dtype=np.float64)
        members = sparse.csr_array((w[self._order], self._order, self._ends), shape=(self.count, len(self.labels)))
        return np.asarray(members @ values)

    def weights(self, w: Array) -> Array:
        """(count,) sum of each session's weights."""
        return np.asarray(np.bincount(self.labels, w, self.count), dtype=np.float64)

    def centred(self, values: Array, w: Array) -> Array:
        """values (n,) or (n, k) without their session's mean weighted by w (n,)."""
        total = self.weights(w)
        total = total if values.ndim == 1 else total[:, None]
        return np.asarray(values - (self.sums(values, w) / total)[self.labels])
