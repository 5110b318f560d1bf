"""What adjusting takes away from a condition: its levels differ in a measure that is adjusted for.

A slow cloth slows the ball on its way. Adjusted to balls that arrive alike, that part of what it does is gone, which is
no fault of the hits. A measure is named where its standardised difference (that of its means over its scatter within
the levels: common practice, no source) is beyond 1, and no chance of few shots by a t test. The limit of 1: with a
slope b, adjusting takes b times the scatter out of a single shot, and b times the difference of the means out of the
answer. Beyond 1 it changes the answer by more than it steadies a shot.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.compare.covariates import covariate_words
from pipeline.compare.design import Contrast
from pipeline.compare.effects import t_limit
from pipeline.compare.settings import CompareSettings
from pipeline.condition_words import level_words

#: what cue and object ball did before the cloth and the cushion had their say
EQUAL_HITS = ("object_speed_mps", "aim_error_deg", "cue_roll_ratio")
#: of balls whose aim isn't known for want of a pattern's file: a rolling ball keeps its line on any cloth
FOR_THE_AIM = "incoming_angle_deg"
_BEYOND = 1.0
_SINGULAR = 1e-10  # share of the largest eigenvalue below which a direction of the design isn't there

Array = NDArray[np.float64]


def standardised_differences(x: Array, design: Array, contrasts: Array, level: float = 0.95) -> Array:
    """(m, k) each covariate's difference along each contrast, over its scatter (with its measurement's) about the
    design; 0 where chance alone makes as much at ``level``.

    x (n, k): covariates as measured; design (n, p) without them; contrasts (m, p)
    """
    size = np.sqrt(np.sum(design**2, axis=0))
    size[size == 0] = 1.0
    weights, ways = np.linalg.eigh(design.T @ design / np.outer(size, size))  # columns in units of their own
    told = weights > _SINGULAR * weights.max()
    inverse = (ways[:, told] / weights[told]) @ ways[:, told].T / np.outer(size, size)
    freedom = len(x) - int(told.sum())
    if freedom < 1:
        return np.zeros((len(contrasts), x.shape[1]))
    means = inverse @ (design.T @ x)
    scatter = np.sqrt(((x - design @ means) ** 2).sum(axis=0) / freedom)
    found = np.divide(contrasts @ means, scatter, out=np.zeros((len(contrasts), x.shape[1])), where=scatter > 0)
    spread = np.sqrt(np.einsum("mp,pq,mq->m", contrasts, inverse, contrasts))
    chance = t_limit(freedom, level) * spread
    return np.asarray(np.where(np.abs(found) > chance[:, None], found, 0.0))


def taken_away(
    contrasts: Sequence[Contrast], names: Iterable[str], x: Array, design: Array, level: float
) -> dict[tuple[str, str, str], str]:
    """By factor and its two levels, over all other conditions, a sentence that names the measures; "" needs none.

    names (k), x (n, k), design (n, p) : as in ``standardised_differences``
    """
    main = [c for c in contrasts if c.main]
    if not main:
        return {}
    rows = standardised_differences(x, design, np.array([c.row for c in main]), level)
    words = [covariate_words(name) for name in names]
    return {(c.factor, c.a, c.b): _sentence(c, dict(zip(words, row, strict=True))) for c, row in
            zip(main, rows.tolist(), strict=True)}


def equal_hits(settings: CompareSettings) -> str:
    """How to compare equal hits, as a sentence; "" where that was asked for."""
    if settings.adjust is not None and set(settings.adjust) <= {*EQUAL_HITS, FOR_THE_AIM}:
        return ""
    return (f"To compare equal hits instead: --adjust {','.join(EQUAL_HITS)} ({FOR_THE_AIM} for {EQUAL_HITS[1]} where "
            "no pattern file tells the aim).")


def _sentence(contrast: Contrast, found: dict[str, float]) -> str:
    far = {name: abs(value) for name, value in found.items() if math.isfinite(value) and abs(value) > _BEYOND}
    if not far:
        return ""
    a, b = level_words(contrast.factor, contrast.a), level_words(contrast.factor, contrast.b)
    named = " and ".join(f"{name}{' differs' * (k == 0)} by {far[name]:.1f}" for k, name in enumerate(far))
    return (
        f"Between {a} and {b}, {named} times its scatter within each: adjusting takes away what {contrast.factor} may "
        f"do through {'it' if len(far) == 1 else 'them'}."
    )
