"""What the shots that carry a covariate can tell, beside all shots: no response is looked at.

A shot without a covariate can't be adjusted. Where such shots lie scattered they cost little; where they are a whole
condition or evening, adjusting would cost the difference itself. Each difference is therefore held against what all
shots tell of it: by what kind of evidence (inside sessions, between them, between these very sessions only), and by how
wide its interval would be if every shot, or every session, scattered alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.covariates import LEAST_MEASURED
from pipeline.compare.design import Contrast, Design
from pipeline.compare.effects import t_limit
from pipeline.compare.labels import combinations
from pipeline.compare.rows import Rows
from pipeline.compare.sessions import Sessions
from pipeline.compare.subspace import Subspace, subspace

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ROUNDING = 1e-9
_MOST_NAMED = 3  # places with equally few shots
_NOTHING, _THESE_SESSIONS, _BETWEEN, _INSIDE = range(4)


@dataclass(frozen=True)
class _Told:
    """Kind of evidence for a difference, and the squared half-width of its interval if values scatter by 1.

    Inside sessions, and between these very ones, without the t limit.
    """

    kind: int
    width2: float


class Support:
    """The shots of one comparison, and the differences that its design asks for.

    rows : all shots of the raw comparison; design: without covariates; level: of the intervals
    """

    def __init__(self, rows: Rows, design: Design, level: float) -> None:
        self._rows = rows
        self._level = level
        self._contrasts: list[Contrast] = design.contrasts()
        slopes = [rows.levels[f.name] for f in design.factors if f.is_slope]
        self._alike = combinations([rows.cells, rows.strata, rows.session, *slopes])  # shots with one row of the design
        first = ~pd.Series(self._alike).duplicated().to_numpy()  # they are numbered as they first appear
        part = rows.take(first)
        self._x = design.matrix(part.levels, part.strata, np.zeros((len(part.y), 0)), part.means)
        self._session, self._evening = part.session, part.evening
        self._all: list[_Told] | None = None

    def lacking(self, keep: Mask) -> str:
        """Where shots lack if those of ``keep`` (n,) tell too little: 'none of the 8 shots at cloth worn'.

        "" if they tell enough.
        """
        if keep.all():
            return ""
        if float(np.mean(keep)) < LEAST_MEASURED:
            return f"only {keep.sum()} of {len(keep)} shots"
        if self._all is None:
            self._all = self._told(np.ones(len(keep), dtype=np.bool_))
        told = zip(self._contrasts, self._all, self._told(keep), strict=True)
        return self._least(keep) if any(_costs(c, every, kept) for c, every, kept in told) else ""

    def _told(self, keep: Mask) -> list[_Told]:
        times = np.bincount(self._alike[keep], minlength=len(self._x)).astype(float)
        here = times > 0
        x, times, n = self._x[here], times[here], int(keep.sum())
        sessions, evenings = _sessions(self._session[here]), _sessions(self._evening[here])
        plain = subspace(x, times=times)
        alone = 1 < n == evenings.count and plain.rank < n  # as of the fit: then the values are the sessions
        inside = subspace(x, sessions, times=times) if sessions.count > 1 and not alone else plain
        apart = inside
        if evenings.count < sessions.count:
            apart = subspace(x, evenings, times=times) if evenings.count > 1 else plain
        spare = n - inside.rank if alone else apart.rank - plain.rank  # of sessions
        between = _between(plain, evenings, times)
        out = []
        for contrast in self._contrasts:
            c = np.array(contrast.row)
            if inside.holds(c):
                out.append(_Told(_INSIDE, float(np.sum(inside.on_basis(c) ** 2))))
            elif not plain.holds(c):
                out.append(_Told(_NOTHING, np.inf))
            elif spare < 1:
                out.append(_Told(_THESE_SESSIONS, float(np.sum(plain.on_basis(c) ** 2))))
            else:
                # single degrees of freedom count here; inside sessions `most_covariates` sees to them
                g = plain.on_basis(c)
                out.append(_Told(_BETWEEN, float(g @ between @ g) * t_limit(spare, self._level) ** 2))
        return out

    def _least(self, keep: Mask) -> str:
        """The combination of conditions, the session, or the one in the other, with the smallest share of ``keep``."""
        cells, sessions = self._rows.cells, self._rows.session
        cell, session = (np.asarray(of.astype(str), dtype=object) for of in (cells, sessions))
        names: list[NDArray[np.object_]] = []
        if len(set(cell)) > 1:
            names.append(np.array([f"at {name}" for name in cell], dtype=object))
        if len(set(session)) > 1:
            names.append(np.array([f"of session {name}" for name in session], dtype=object))
        if len(names) == 2:
            names.append(names[0] + " " + names[1])
        found: tuple[float, str] = (1.0, f"only {keep.sum()} of {len(keep)} shots")
        for of in names:
            table = pd.Series(keep).groupby(of).agg(["sum", "count"])
            share = table["sum"] / table["count"]
            least = table[share <= share.min() + _ROUNDING]
            if float(share.min()) < found[0] - _ROUNDING:
                have, n = int(least["sum"].sum()), int(least["count"].sum())
                many = f"only {have} of {n} shots" if have else f"none of the {n} shots"
                found = float(share.min()), f"{many} {_listed([str(name) for name in least.index])}"
        return found[1]


def _listed(names: list[str]) -> str:
    named = names if len(names) <= _MOST_NAMED + 1 else [*names[:_MOST_NAMED], f"{len(names) - _MOST_NAMED} more such"]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"


def _costs(contrast: Contrast, every: _Told, kept: _Told) -> bool:
    """Does this difference lose its kind of evidence, or, over all of the other conditions, too much of it?"""
    if kept.kind < every.kind:
        return True
    return contrast.main and every.kind > _NOTHING and not every.width2 >= (LEAST_MEASURED - _ROUNDING) * kept.width2


def _between(plain: Subspace, sessions: Sessions, times: Array) -> Array:
    """Covariance on the basis where shots scatter by 1, and sessions by 1 as well (Woodbury, session by session)."""
    sums = sessions.sums(plain.basis, np.sqrt(times))
    shrink = 1 / (1 + sessions.weights(times))
    return np.asarray(np.linalg.inv(np.eye(plain.basis.shape[1]) - (sums * shrink[:, None]).T @ sums))


def _sessions(labels: pd.Categorical) -> Sessions:
    codes, names = pd.factorize(labels.codes)
    return Sessions(codes.astype(np.intp), len(names))
