"""The shots of one fit, as arrays; shots that can't take part are left out and counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import Factor
from pipeline.compare.evenings import evening_of
from pipeline.compare.labels import joined, labels, numbered
from pipeline.compare.responses import Response

_MOSTLY_EMPTY = 0.5
_ROUNDING = 1e-9  # share of a reading below which two are the same


@dataclass(frozen=True, eq=False)
class Rows:
    """n shots: response y and its uncertainty u, session, cell (combination of named levels) and stratum.

    ``evening``: the session's own, but where several share recordings.
    ``levels``: each factor's value per shot; ``means``: its session's mean, of slopes that change inside sessions, too.
    """

    shots: pd.DataFrame
    levels: Mapping[str, pd.Series]
    y: NDArray[np.float64]
    u: NDArray[np.float64]
    session: pd.Categorical
    evening: pd.Categorical
    cells: pd.Categorical
    strata: pd.Categorical
    means: Mapping[str, pd.Series] = field(default_factory=dict)

    def take(self, mask: NDArray[np.bool_]) -> Rows:
        """Only the shots where ``mask`` is true."""
        return Rows(
            shots=self.shots[mask],
            levels={name: values[mask] for name, values in self.levels.items()},
            y=self.y[mask],
            u=self.u[mask],
            session=self.session[mask],
            evening=self.evening[mask],
            cells=self.cells[mask],
            strata=self.strata[mask],
            means={name: values[mask] for name, values in self.means.items()},
        )


def complete_rows(
    shots: pd.DataFrame,
    levels: Mapping[str, pd.Series],
    factors: Sequence[Factor],
    response: Response,
    strata: pd.Series,
    *,
    where: str = "",
) -> tuple[Rows, list[str]]:
    """Shots that have the response and every condition, and lines that say how many have not."""
    lines: list[str] = []
    n = len(shots)
    if response.name in shots:
        y = pd.to_numeric(shots[response.name]).to_numpy(dtype=float, na_value=np.nan)
    else:
        y = np.full(n, np.nan)
    have = np.isfinite(y)
    found = int(have.sum())
    if n and found < _MOSTLY_EMPTY * n:
        lines.append(
            f"{where}: mostly empty, measured in {found} of {n} counted shots; those may not be typical "
            "(the notes column of shots.csv says why)."
        )
    elif found < n:
        lines.append(f"{where}: {n - found} of {n} counted shots have no value and are left out.")
    for factor in factors:
        told = levels[factor.name].reindex(shots.index).notna().to_numpy(dtype=bool)
        if not told.all():
            lines.append(f"{where}: {factor.name} is empty for {int((~told).sum())} counted shot(s); left out.")
        have &= told
    rows = shots[have]
    u_name = f"{response.name}_u"
    u = pd.to_numeric(rows[u_name]).to_numpy(dtype=float, na_value=np.nan) if u_name in rows else np.zeros(len(rows))
    return (
        Rows(
            shots=rows,
            levels={f.name: levels[f.name].reindex(rows.index) for f in factors},
            y=np.asarray(y[have], dtype=np.float64),
            u=np.asarray(u, dtype=np.float64),
            session=labels(rows["session"]),
            evening=labels(evening_of(rows)),
            cells=_alike(len(rows)),
            strata=labels(strata.reindex(rows.index)),
        ),
        lines,
    )


def factors_present(factors: Sequence[Factor], rows: Rows, *, where: str) -> tuple[tuple[Factor, ...], list[str]]:
    """Factors with at least two levels among these shots, with just those levels; and lines on the others."""
    out: list[Factor] = []
    lines: list[str] = []
    for factor in factors:
        seen = rows.levels[factor.name].dropna()
        if factor.is_slope:
            if len(seen) and seen.min() < seen.max():
                out.append(_ranged(factor, seen, rows.evening))
            else:
                lines.append(f"{where}: {factor.name} does not vary among the counted shots; not compared.")
            continue
        levels = tuple(level for level in factor.levels if (seen == level).any())
        lost = [level for level in factor.levels if level not in levels]
        if len(levels) < 2:
            only = ", ".join(levels) or "none"
            lines.append(f"{where}: {factor.name} has counted shots at one level only ({only}); not compared.")
            continue
        if lost:
            lines.append(f"{where}: no counted shot at {factor.name} {', '.join(lost)}; compared without it.")
        out.append(replace(factor, levels=levels))
    return tuple(out), lines


def _ranged(factor: Factor, seen: pd.Series, session: pd.Categorical) -> Factor:
    """The slope with the range over which these shots show it.

    It is read both ways where sessions differ by more than it changed inside one; where they differ by less, inside
    sessions tells nearly all, over the range that one of them saw.
    """
    numbers = seen.astype(float)
    of = numbers.groupby(session.codes)
    means, low, high = (of.agg(kind).to_numpy(dtype=float) for kind in ("mean", "min", "max"))
    rounding = _ROUNDING * float(numbers.abs().max())
    most = int(np.argmax(high - low))
    inside = (float(low[most]), float(high[most]))
    if inside[1] - inside[0] > rounding:
        if np.ptp(means) <= inside[1] - inside[0]:
            return replace(factor, low=inside[0], high=inside[1], inside=None)
        return replace(factor, low=float(means.min()), high=float(means.max()), inside=inside)
    return replace(factor, low=float(numbers.min()), high=float(numbers.max()), inside=None)


def with_means(rows: Rows, factors: Sequence[Factor]) -> Rows:
    """Rows with the session's mean of each slope that is read between sessions and inside them."""
    both_ways = [f.name for f in factors if f.inside]
    numbers = {name: rows.levels[name].astype(float) for name in both_ways}
    session = rows.evening.codes
    return replace(rows, means={name: values.groupby(session).transform("mean") for name, values in numbers.items()})


def with_cells(rows: Rows, factors: Sequence[Factor]) -> Rows:
    """Rows with their cell's name: 'cloth new, balls clean'."""
    words = [f.name for f in factors if not f.is_slope]
    if not words:
        return replace(rows, cells=_alike(len(rows.y)))

    def name(levels: tuple[str, ...]) -> str:
        return ", ".join(f"{word} {level}" for word, level in zip(words, levels, strict=True))

    return replace(rows, cells=joined([rows.levels[word] for word in words], name))


def _alike(n: int) -> pd.Categorical:
    return numbered(np.zeros(n, dtype=np.intp), [""])
