"""What the picture along a ray across a ball's outline is made of: few functions, blurred as lens and motion blur them.

Lens and sensor blur an edge like a normal distribution. A ball that moves while the shutter is open sweeps its edge
evenly over a way, and what that leaves has another shape: taken for a normal one of the same width, streaks erred a
sixth more along themselves on drawn clips, and the measures of their shots by a quarter of their uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Levels = NDArray[np.intp]

FUNCTIONS = 7
_STEP = 0.21  # between half lengths of sweeps, in blurs
_SWEPT = 1.68  # the longest: sqrt(3), a sweep and nothing else, would have corners. Longer ones are taken for that
_REACH, _FINE = 12.0, 2401  # of the kernels, in blurs, and how finely they are worked out


@dataclass(frozen=True, eq=False)
class EdgeProfiles:
    """Sample places along a ray, and what each function shows there, for each length of the sweep.

    Inside level, the limb's fall (a sphere's surface turns away as the square root of the distance to its outline),
    outside level, outside slope; then what a displacement of the step, of the limb's fall and of the slope adds.
    """

    s: Array  # (M,) in blurs
    functions: Array  # (L, 7, M)
    products: Array  # (49, L) of every function with every other, summed over the samples

    @classmethod
    @lru_cache(maxsize=4)  # the same for all clips that a process looks at
    def over(cls, inner_blurs: float, outer_blurs: float, samples: int) -> EdgeProfiles:
        s = np.linspace(-inner_blurs, outer_blurs, samples)
        functions = np.stack([_blurred(s, half) for half in np.arange(0.0, _SWEPT + _STEP / 2, _STEP)])
        products = np.einsum("lim,ljm->ijl", functions, functions).reshape(FUNCTIONS**2, -1)
        return cls(s, functions, products)

    def swept(self, half_px: Array, blur_px: Array) -> Levels:
        """Which length fits edges of this blur (...), standard deviation, that moved half this way (...) either way."""
        return np.minimum(np.rint(half_px / blur_px / _STEP).astype(np.intp), len(self.functions) - 1)

    def seen(self, profiles: Array, swept: Levels) -> Array:
        """(7, N, ...) scalar products of profiles (N, ..., M) with the functions for sweeps (N, ...)."""
        balls, shown = len(profiles), swept.shape
        used, which = np.unique(swept, return_inverse=True)
        functions = self.functions[used].reshape(-1, len(self.s))
        # ball by ball: larger products would wake BLAS's threads
        all_of_them = functions @ np.swapaxes(profiles.reshape(balls, -1, len(self.s)), 1, 2)
        if len(used) > 1:
            of_each = all_of_them.reshape(balls, len(used), FUNCTIONS, -1)
            all_of_them = np.take_along_axis(of_each, which.reshape(balls, 1, 1, -1), axis=1)[:, 0]
        return np.moveaxis(all_of_them.reshape(balls, FUNCTIONS, *shown[1:]), 1, 0)

    def gram(self, swept: Levels) -> Array:
        """(7, 7, ...) the functions' products with one another; for sweeps that are all the same, of sizes 1."""
        if (swept == swept.flat[0]).all():
            swept = swept.ravel()[:1].reshape((1,) * swept.ndim)
        return np.take(self.products, swept, axis=1).reshape(FUNCTIONS, FUNCTIONS, *swept.shape)


def _blurred(s: Array, half: float) -> Array:
    """(7, M) the functions at places (M,), swept over so much either way and blurred to a standard deviation of 1."""
    fine = np.linspace(-_REACH, _REACH, _FINE)
    inside = (fine < 0).astype(float)
    parts = [inside, np.sqrt(np.clip(-fine, 0, None)), 1 - inside, np.clip(fine, 0, None)]
    away = fine - s[:, None]
    spread = np.sqrt(1 - half**2 / 3)
    if half == 0.0:
        kernel = np.exp(-(away**2) / 2)
        slope = kernel * away  # the blur's derivative with respect to the sample place
    else:
        ends = [(away + end) / spread for end in (half, -half)]
        kernel = _normal(ends[0]) - _normal(ends[1])
        slope = (np.exp(-(ends[1] ** 2) / 2) - np.exp(-(ends[0] ** 2) / 2)) / (np.sqrt(2 * np.pi) * spread)
    norm = kernel.sum(axis=1, keepdims=True)
    kernel, slope = kernel / norm, slope / norm
    values = [kernel @ part for part in parts]
    moved = [-(slope @ part) for part in (parts[0], parts[1], parts[3])]
    return np.stack([*values, *moved])


def _normal(x: Array) -> Array:
    """The normal distribution's share below; without SciPy, which takes a while to load, to 1e-6."""
    places = np.linspace(-8.0, 8.0, 3201)
    density = np.exp(-(places**2) / 2)
    below = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    return np.asarray(np.interp(x, places, below / below[-1]))
