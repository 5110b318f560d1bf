"""How far a contrast moves when residuals are drawn again: the bootstrap's distribution, drawn or by its cumulants."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]

MOST_VALUES = 10**8  # drawn for one contrast
_AT_ONCE = 2 * 10**6
_NEAR_NORMAL = 0.1  # skewness and excess kurtosis of the sum up to which the expansion is nearer than 2000 draws are


def shift_quantiles(
    spread: Array,
    pull: Array,
    cells: NDArray[np.intp],
    *,
    rng: np.random.Generator,
    draws: int,
    probabilities: tuple[float, ...],
) -> Array:
    """Quantiles of sum(pull e*), each e* drawn from the ``spread`` (n,) of its own cell, centred and grown.

    Drawn ``draws`` times. Where that is more than MOST_VALUES values, and their sum is as good as normal, from its
    cumulants, which are known, by Cornish & Fisher's expansion (Hall 1992, The Bootstrap and Edgeworth Expansion, 2.5).
    """
    if draws * len(spread) > MOST_VALUES:
        variance, skewness, kurtosis = _cumulants(spread, pull, cells)
        if variance > 0 and max(abs(skewness), abs(kurtosis)) < _NEAR_NORMAL:
            z = stats.norm.ppf(probabilities)
            bent = (z**2 - 1) * skewness / 6 + (z**3 - 3 * z) * kurtosis / 24 - (2 * z**3 - 5 * z) * skewness**2 / 36
            return np.asarray((z + bent) * math.sqrt(variance), dtype=np.float64)
    shifts = np.zeros(draws)
    for grown, mine in _by_cell(spread, cells):
        rows = max(_AT_ONCE // len(mine), 1)
        for start in range(0, draws, rows):
            some = slice(start, min(start + rows, draws))
            shifts[some] += rng.choice(grown, size=(some.stop - some.start, len(mine))) @ pull[mine]
    return np.asarray(np.quantile(shifts, probabilities), dtype=np.float64)


def _by_cell(spread: Array, cells: NDArray[np.intp]) -> Iterator[tuple[Array, NDArray[np.intp]]]:
    """Each cell's values as they are drawn, and which shots are its."""
    order = np.argsort(cells, kind="stable")
    for mine in np.split(order, np.cumsum(np.bincount(cells))[:-1]):
        if len(mine):
            centred = spread[mine] - spread[mine].mean()
            yield centred * math.sqrt(len(mine) / max(len(mine) - 1, 1)), mine


def _cumulants(spread: Array, pull: Array, cells: NDArray[np.intp]) -> tuple[float, float, float]:
    """Variance, skewness and excess kurtosis of the sum: cumulants of independent parts add up."""
    second = third = fourth = 0.0
    for grown, mine in _by_cell(spread, cells):
        m2, m3, m4 = (float(np.mean(grown**k)) for k in (2, 3, 4))
        p = pull[mine]
        second += m2 * float(np.sum(p**2))
        third += m3 * float(np.sum(p**3))
        fourth += (m4 - 3 * m2**2) * float(np.sum(p**4))
    if not second > 0:
        return 0.0, math.nan, math.nan
    return second, third / second**1.5, fourth / second**2
