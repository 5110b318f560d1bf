"""Values with their covariance, carried through functions.

First order: the law of propagation of uncertainty with correlations (JCGM 100:2008, GUM, 5.2). Where a function bends
within an uncertainty: the propagation of distributions by Monte Carlo (JCGM 101:2008, Supplement 1, clause 7).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Function = Callable[[Array], ArrayLike]


def jacobian(function: Function, at: ArrayLike, steps: ArrayLike) -> Array:
    """(M, N) derivatives of ``function`` (N,) -> (M,) by central differences, ``steps`` (N,) each."""
    x = np.asarray(at, dtype=float)
    width = np.broadcast_to(np.asarray(steps, dtype=float), x.shape)
    columns = []
    for i, h in enumerate(width):
        up, down = x.copy(), x.copy()
        up[i] += h
        down[i] -= h
        rise = np.atleast_1d(np.asarray(function(up), dtype=float)) - np.atleast_1d(
            np.asarray(function(down), dtype=float)
        )
        columns.append(rise / (up[i] - down[i]))
    return np.column_stack(columns)


def propagate(function: Function, mean: ArrayLike, covariance: ArrayLike) -> tuple[Array, Array]:
    """``function(mean)`` and its covariance J C J^T.

    mean (N,), covariance (N, N) -> value (M,), covariance (M, M). The derivatives are taken over a tenth of a standard
    uncertainty, so the result describes the function where the values really lie; a quantity with no uncertainty takes
    no part. A covariance that is not symmetric, finite and of the right shape raises ValueError.
    """
    x, cov = _checked(mean, covariance)
    value = np.atleast_1d(np.asarray(function(x), dtype=float))
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    free = np.flatnonzero(u > 0)
    if free.size == 0:
        return value, np.zeros((value.size, value.size))

    def of_the_free(part: Array) -> ArrayLike:
        full = x.copy()
        full[free] = part
        return function(full)

    slope = jacobian(of_the_free, x[free], np.maximum(0.1 * u[free], 1e-9 * np.abs(x[free])))
    out = slope @ cov[np.ix_(free, free)] @ slope.T
    return value, (out + out.T) / 2


def monte_carlo(
    function: Function, mean: ArrayLike, covariance: ArrayLike, *, draws: int, rng: np.random.Generator
) -> Array:
    """(draws, M) values of ``function`` at normal draws of its argument."""
    x, cov = _checked(mean, covariance)
    samples = rng.multivariate_normal(x, cov, size=draws, method="eigh")
    return np.array([np.atleast_1d(np.asarray(function(sample), dtype=float)) for sample in samples])


def coverage_interval(samples: ArrayLike, probability: float = 0.95) -> tuple[float, float]:
    """The probabilistically symmetric interval of a sample (JCGM 101, 7.7)."""
    tail = 50 * (1 - probability)
    low, high = np.percentile(np.asarray(samples, dtype=float), [tail, 100 - tail])
    return float(low), float(high)


def combine(*parts: float) -> float:
    """Root sum of squares of uncorrelated standard uncertainties."""
    return math.sqrt(sum(part * part for part in parts))


def effective_degrees_of_freedom(parts: ArrayLike, degrees: ArrayLike) -> float:
    """Welch-Satterthwaite (GUM G.4): degrees of freedom of the combined uncertainty of uncorrelated ``parts``."""
    u, nu = np.asarray(parts, dtype=float), np.asarray(degrees, dtype=float)
    spread = float(np.sum(u**4 / nu))
    return float(np.sum(u**2) ** 2 / spread) if spread > 0 else math.inf


@dataclass(frozen=True, eq=False)
class Uncertain:
    """A vector of values (N,) with its covariance (N, N)."""

    value: Array
    covariance: Array

    def __post_init__(self) -> None:
        value, covariance = _checked(self.value, self.covariance)
        for name, array in (("value", value), ("covariance", covariance)):
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    @property
    def u(self) -> Array:
        """(N,) standard uncertainties."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    @property
    def correlation(self) -> Array:
        """(N, N) correlation coefficients; 0 beside a value without uncertainty."""
        scale = np.outer(self.u, self.u)
        return np.divide(self.covariance, scale, out=np.zeros_like(scale), where=scale > 0)

    def through(self, function: Function) -> Uncertain:
        """What ``function`` makes of it, to first order."""
        return Uncertain(*propagate(function, self.value, self.covariance))

    def joined(self, other: Uncertain) -> Uncertain:
        """Both after one another, taken as independent."""
        n, m = self.value.size, other.value.size
        covariance = np.zeros((n + m, n + m))
        covariance[:n, :n], covariance[n:, n:] = self.covariance, other.covariance
        return Uncertain(np.concatenate([self.value, other.value]), covariance)


def _checked(mean: ArrayLike, covariance: ArrayLike) -> tuple[Array, Array]:
    x = np.atleast_1d(np.array(mean, dtype=float))
    cov = np.atleast_2d(np.array(covariance, dtype=float))
    if cov.shape != (x.size, x.size):
        raise ValueError(f"{x.size} values need a covariance of shape {(x.size, x.size)}; got {cov.shape}.")
    if not np.isfinite(cov).all() or np.abs(cov - cov.T).max(initial=0.0) > 1e-9 * np.abs(cov).max(initial=0.0):
        raise ValueError("a covariance must be finite and symmetric.")
    return x, cov


def with_u(value: float, u: float | None) -> str:
    """``31.2 ± 0.3``: the uncertainty to two figures at most, the value to the same place."""
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.3g} (± unknown)"
    places = max(0, min(4, -math.floor(math.log10(u)) + (1 if u < 10 ** math.floor(math.log10(u)) * 2 else 0)))
    return f"{round(value, places) + 0.0:.{places}f} ± {u:.{places}f}"  # + 0.0: never -0.0
