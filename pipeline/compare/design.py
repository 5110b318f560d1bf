"""The model's terms as columns, and the contrasts that answer "what did this condition do"."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import Factor
from shared.numbers import number_text

Array = NDArray[np.float64]
Level = str | float


@dataclass(frozen=True)
class Contrast:
    """``b`` minus ``a`` of one factor, averaged over the other factors' levels, or at one of each (``at``: pairs of
    factor and level). ``along`` (p,): the factor's own columns, as what it does may differ from evening to evening; a
    step along them is a difference of 1."""

    factor: str
    a: str
    b: str
    at: tuple[tuple[str, str], ...]
    row: tuple[float, ...]
    main: bool
    span: float = np.nan  # of a slope: b - a
    inside: bool = False  # of a slope that is read both ways: its change inside sessions
    along: tuple[float, ...] = ()


@dataclass(frozen=True)
class Design:
    """Constant, factors (treatment coding; slopes centred), their interactions in pairs, covariates (already centred).

    A slope that differs between sessions and changes inside them has two columns, its session's mean and what is left
    of the reading without it (Mundlak, Econometrica 46:69, 1978): what else differs from evening to evening can't then
    pass for what happens as it drifts. It acts together with other conditions by its session's mean.

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

    def matrix(
        self,
        values: Mapping[str, pd.Series],
        stratum: pd.Categorical,
        covariates: Array,
        means: Mapping[str, pd.Series] | None = None,
    ) -> Array:
        """(n, p) design. values: a Series a factor; stratum (n,); covariates (n, n_covariates).

        means : the session's mean per shot of each slope that is read both ways
        """
        n = len(stratum)
        held = {**values, **(means or {})}
        blocks = [self._block(f, held[f.name]) for f in self.factors]
        parts = [np.ones((n, 1))]
        parts += [np.asarray(stratum == s, dtype=float)[:, None] for s in self.strata[1:]]
        for f, block in zip(self.factors, blocks, strict=True):
            parts.append(block)
            if f.inside:
                parts.append((values[f.name].to_numpy(dtype=float) - held[f.name].to_numpy(dtype=float))[:, None])
        parts += [_products(blocks[i], blocks[j]) for i, j in self._pairs]
        return np.hstack([*parts, np.asarray(covariates, dtype=float).reshape(n, self.n_covariates)])

    def row(self, levels: Mapping[str, Level], stratum: str | None = None) -> Array:
        """The mean of this cell as coefficients; ``stratum`` None: the average of all strata. Covariates at zero, and a
        slope that is read both ways at its session's mean."""
        blocks = [self._block(f, pd.Series([levels[f.name]]))[0] for f in self.factors]
        if stratum is None:
            strata = np.full(len(self.strata) - 1, 1 / len(self.strata))
        else:
            strata = np.array([float(stratum == s) for s in self.strata[1:]])
        pairs = [_products(blocks[i][None, :], blocks[j][None, :])[0] for i, j in self._pairs]
        mains = [np.append(b, [0.0] * bool(f.inside)) for f, b in zip(self.factors, blocks, strict=True)]
        return np.concatenate([[1.0], strata, *mains, *pairs, np.zeros(self.n_covariates)])

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
                out.append(self._contrast(factor, a, b, (), np.mean(rows, axis=0), main=True))
                if others and self.interactions:
                    for cell, row in zip(grid, rows, strict=True):
                        at = tuple((f.name, _step_text(f, cell[f.name])) for f in others)
                        out.append(self._contrast(factor, a, b, at, row, main=False))
            if factor.inside:
                out.append(self._drift(factor, *factor.inside))
        return out

    def terms(self) -> list[tuple[str, Array, Array]]:
        """Each factor and each interaction with the rows that test it (for the table of F tests), and the columns
        (k, p) along which that may differ from evening to evening."""
        out: list[tuple[str, Array, Array]] = []
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
            if factor.inside:
                drift = self._drift(factor, *factor.inside)
                out.append((f"{factor.name}, between sessions", np.array(rows), self._own(factor)))
                out.append((f"{factor.name}, inside sessions", np.array([drift.row]), np.array([drift.along])))
            else:
                out.append((factor.name, np.array(rows), self._own(factor)))
        p = self.n_columns
        start = 1 + len(self.strata) - 1 + sum(_columns(f) for f in self.factors)
        for i, j in self._pairs:
            width = _width(self.factors[i]) * _width(self.factors[j])
            both = np.vstack([self._own(self.factors[i]), self._own(self.factors[j])])
            out.append((f"{self.factors[i].name} x {self.factors[j].name}", np.eye(p)[start : start + width], both))
            start += width
        return out

    def _block(self, factor: Factor, values: pd.Series) -> Array:
        if factor.is_slope:
            middle = (factor.low + factor.high) / 2
            return (values.to_numpy(dtype=float) - middle)[:, None]
        return np.column_stack([(values == level).to_numpy(dtype=float) for level in factor.levels[1:]])

    def _first(self, factor: Factor) -> int:
        """A factor's first column."""
        return len(self.strata) + sum(_columns(f) for f in self.factors[: self.factors.index(factor)])

    def _own(self, factor: Factor) -> Array:
        """(k, p) the columns by which a factor acts together with others."""
        first = self._first(factor)
        return np.eye(self.n_columns)[first : first + _width(factor)]

    def _contrast(
        self, factor: Factor, a: Level, b: Level, at: tuple[tuple[str, str], ...], row: Array, *, main: bool
    ) -> Contrast:
        share = self._own(factor) @ row
        along = tuple(share @ self._own(factor) / float(share @ share))
        if isinstance(a, str) or isinstance(b, str):
            return Contrast(factor.name, _text(a), _text(b), at, tuple(row), main, along=along)
        return Contrast(factor.name, reading(a, b - a), reading(b, b - a), at, tuple(row), main, b - a, along=along)

    def _drift(self, factor: Factor, a: float, b: float) -> Contrast:
        """What a slope that is read both ways did inside sessions, over the range that one of them saw."""
        row = np.zeros(self.n_columns)
        row[self._first(factor) + _width(factor)] = b - a
        names = factor.name, reading(a, b - a), reading(b, b - a)
        return Contrast(*names, (), tuple(row), True, b - a, inside=True, along=tuple(row / (b - a) ** 2))


def _steps(factor: Factor) -> list[Level]:
    return [factor.low, factor.high] if factor.is_slope else list(factor.levels)


def _width(factor: Factor) -> int:
    """Columns by which a factor acts together with others."""
    return 1 if factor.is_slope else len(factor.levels) - 1


def _columns(factor: Factor) -> int:
    """All columns of a factor itself."""
    return _width(factor) + bool(factor.inside)


def _step_text(factor: Factor, step: Level) -> str:
    return step if isinstance(step, str) else reading(step, factor.high - factor.low)


def reading(value: float, span: float) -> str:
    """A reading with as many digits as tell a hundredth of the range ``span`` apart."""
    digits = max(0, 2 - math.floor(math.log10(abs(span)))) if span else 6
    return f"{round(value, digits):.10g}"


def _text(level: Level) -> str:
    return level if isinstance(level, str) else number_text(level)


def _products(a: Array, b: Array) -> Array:
    return (a[:, :, None] * b[:, None, :]).reshape(len(a), -1)
