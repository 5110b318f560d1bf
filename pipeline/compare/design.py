"""The model's terms as columns, and the contrasts that answer "what did this condition do"."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import Factor

Array = NDArray[np.float64]
Level = str | float


@dataclass(frozen=True)
class Contrast:
    """``b`` minus ``a`` of one factor, averaged over the other factors' levels, or at one of them (``at``)."""

    factor: str
    a: str
    b: str
    at: str
    row: tuple[float, ...]
    main: bool


@dataclass(frozen=True)
class Design:
    """Constant, factors (treatment coding; slopes centred), their interactions in pairs, covariates (already centred).

    ``strata``: levels of the block the comparison is made within; one level adds no column.
    """

    factors: tuple[Factor, ...]
    strata: tuple[str, ...] = ("",)
    interactions: bool = True
    n_covariates: int = 0
    _pairs: tuple[tuple[int, int], ...] = field(init=False, default=())

    def __post_init__(self) -> None:
        pairs = tuple(itertools.combinations(range(len(self.factors)), 2)) if self.interactions else ()
        object.__setattr__(self, "_pairs", pairs)

    @property
    def n_columns(self) -> int:
        """Columns of the design, covariates included."""
        return len(self.row(next(self.cells())))

    def matrix(self, values: Mapping[str, pd.Series], stratum: pd.Categorical, covariates: Array) -> Array:
        """(n, p) design. values: a Series a factor; stratum (n,); covariates (n, n_covariates)."""
        n = len(stratum)
        blocks = [self._block(f, values[f.name]) for f in self.factors]
        parts = [np.ones((n, 1))]
        parts += [np.asarray(stratum == s, dtype=float)[:, None] for s in self.strata[1:]]
        parts += blocks
        parts += [_products(blocks[i], blocks[j]) for i, j in self._pairs]
        return np.hstack([*parts, np.asarray(covariates, dtype=float).reshape(n, self.n_covariates)])

    def row(self, levels: Mapping[str, Level], stratum: str | None = None) -> Array:
        """The mean of this cell as coefficients; ``stratum`` None: the average of all strata. Covariates at zero."""
        blocks = [self._block(f, pd.Series([levels[f.name]]))[0] for f in self.factors]
        if stratum is None:
            strata = np.full(len(self.strata) - 1, 1 / len(self.strata))
        else:
            strata = np.array([float(stratum == s) for s in self.strata[1:]])
        pairs = [_products(blocks[i][None, :], blocks[j][None, :])[0] for i, j in self._pairs]
        return np.concatenate([[1.0], strata, *blocks, *pairs, np.zeros(self.n_covariates)])

    def cells(self) -> Iterator[dict[str, Level]]:
        """Every combination of levels; a slope stands at its two ends."""
        names = [f.name for f in self.factors]
        for combination in itertools.product(*(_steps(f) for f in self.factors)):
            yield dict(zip(names, combination, strict=True))

    def contrasts(self) -> list[Contrast]:
        """Each pair of levels of each factor, averaged over the others; and at each level of the others if they act
        together."""
        out: list[Contrast] = []
        for factor in self.factors:
            others = [f for f in self.factors if f is not factor]
            grid = [
                dict(zip([f.name for f in others], c, strict=True))
                for c in itertools.product(*(_steps(f) for f in others))
            ]
            pairs = list(itertools.combinations(_steps(factor), 2))
            for a, b in pairs:
                rows = [self.row({**c, factor.name: b}) - self.row({**c, factor.name: a}) for c in grid]
                out.append(self._contrast(factor, a, b, "", np.mean(rows, axis=0), main=True))
                if others and self.interactions:
                    for cell, row in zip(grid, rows, strict=True):
                        at = ", ".join(f"{k} {_text(v)}" for k, v in cell.items())
                        out.append(self._contrast(factor, a, b, at, row, main=False))
        return out

    def terms(self) -> list[tuple[str, Array]]:
        """Each factor and each interaction with the rows that test it (for the table of F tests)."""
        out: list[tuple[str, Array]] = []
        for factor in self.factors:
            steps = _steps(factor)
            others = [f for f in self.factors if f is not factor]
            grid = [
                dict(zip([f.name for f in others], c, strict=True))
                for c in itertools.product(*(_steps(f) for f in others))
            ]
            rows = [
                np.mean(
                    [self.row({**c, factor.name: b}) - self.row({**c, factor.name: steps[0]}) for c in grid], axis=0
                )
                for b in steps[1:]
            ]
            out.append((factor.name, np.array(rows)))
        p = self.n_columns
        start = 1 + len(self.strata) - 1 + sum(_width(f) for f in self.factors)
        for i, j in self._pairs:
            width = _width(self.factors[i]) * _width(self.factors[j])
            out.append((f"{self.factors[i].name} x {self.factors[j].name}", np.eye(p)[start : start + width]))
            start += width
        return out

    def _block(self, factor: Factor, values: pd.Series) -> Array:
        if factor.is_slope:
            middle = (factor.low + factor.high) / 2
            return (values.to_numpy(dtype=float) - middle)[:, None]
        return np.column_stack([(values == level).to_numpy(dtype=float) for level in factor.levels[1:]])

    @staticmethod
    def _contrast(factor: Factor, a: Level, b: Level, at: str, row: Array, *, main: bool) -> Contrast:
        return Contrast(factor.name, _text(a), _text(b), at, tuple(row), main)


def _steps(factor: Factor) -> list[Level]:
    return [factor.low, factor.high] if factor.is_slope else list(factor.levels)


def _width(factor: Factor) -> int:
    return 1 if factor.is_slope else len(factor.levels) - 1


def _text(level: Level) -> str:
    return level if isinstance(level, str) else f"{level:g}"


def _products(a: Array, b: Array) -> Array:
    return (a[:, :, None] * b[:, None, :]).reshape(len(a), -1)
