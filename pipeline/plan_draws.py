"""A plan played in numbers: which shots count by lot, and how wide `compare`'s own model makes its intervals.

Few shots make no textbook t test: some don't count, by chance more at one level or in one session; covariates are only
used where shots allow, and cost degrees of freedom inside sessions and precision between them; conditions may scatter
differently, and of two intervals the wider is given; evenings may seem to disagree; sessions weigh by their shots, or
all the same. A contrast's estimate doesn't depend on the interval's width (both are of independent normal variables),
so each draw gives its power exactly, and a hundred draws suffice inside sessions. Between few sessions the width
itself varies much. There each draw is set beside the t test that sessions of known, equal scatter would have given
with the same luck: its power is known, and what both have in common is taken off (a control variate: Hammersley &
Handscomb, Monte Carlo Methods, 1964, ch. 5).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.plan_power import power_t
from pipeline.plan_sheet import Sheet

Array = NDArray[np.float64]

_DRAWS = 120  # power is then within about 0.02
_FEW_SPARE = 4  # sessions below which intervals vary so much that it takes more draws
_MORE_DRAWS = 480
MOST_DRAWN = 300  # counted shots; of more, counting and choosing no longer matter, and the t test does
_SEED = 20
_RANK_TOL = 1e-9
_LEAST_DF = 2  # that conditions acting together must leave, as in `compare`


@dataclass(frozen=True, eq=False)
class Draws:
    """Of one condition, (n,) each, for shots that scatter by 1: covariates ``used``, true standard error ``se`` of the
    difference and the interval's half-width ``half``, infinite where too few shots or sessions are left to compare.

    df, luck : of the t test between sessions beside it: degrees of freedom (0 inside sessions and where nothing is
               compared), and the scatter it finds over the true one
    """

    used: NDArray[np.intp]
    se: Array
    half: Array
    df: NDArray[np.intp]
    luck: Array

    def power(self, shift: float, scatter: Array) -> float:
        """To see ``shift``; ``scatter`` of a shot by how many covariates are used."""
        d = abs(shift) / scatter[self.used]
        with np.errstate(invalid="ignore"):
            seen = _seen(d, self.half, self.se)
            ncp = d / self.se
            known = np.array([power_t(float(a), int(df)) if df else 0.0 for a, df in zip(ncp, self.df, strict=True)])
            lucky = _seen(d, stats.t.ppf(0.975, np.maximum(self.df, 1)) * self.luck * self.se, self.se)
        seen = np.where(np.isfinite(seen), seen, 0.0)
        chance = np.where(self.df > 0, known - lucky, 0.0)  # 0 in the mean
        alike = float(np.mean((seen - seen.mean()) * chance) / max(float(np.mean(chance**2)), 1e-12))
        return float(np.clip(np.mean(seen - alike * chance), 0.0, 1.0))


def _seen(d: Array, half: Array, se: Array) -> Array:
    return np.asarray(stats.norm.cdf((d - half) / se) + stats.norm.cdf((-d - half) / se))


@lru_cache(maxsize=64)
def drawn(sheet: Sheet, kept_share: float, session_sd: tuple[float, ...]) -> Mapping[str, Draws]:
    """Each condition's draws.

    kept_share : of the shots filmed, those that count and have the response
    session_sd : scatter of sessions over that of a shot where none, the first ... of the covariates are used
    """
    from pipeline.compare.model import TooFewShots, fit_linear

    played = _Played(sheet)
    conditions = [name for name, _ in (*sheet.easy, *sheet.hard)]
    rng, of_sessions = np.random.default_rng(_SEED), np.random.default_rng(_SEED + 1)
    found: dict[str, list[tuple[int, float, float, int, float]]] = {name: [] for name in conditions}
    for _ in range(_MORE_DRAWS if 0 < sheet.sessions_to_spare < _FEW_SPARE else _DRAWS):
        kept = np.flatnonzero(rng.random(sheet.shots) < kept_share)
        y, hits = rng.normal(size=len(kept)), rng.normal(size=(len(kept), len(session_sd) - 1))
        evenings = of_sessions.normal(size=sheet.evenings)
        together, used = played.model(kept, len(session_sd) - 1)
        session, x = played.session[kept], played.matrices[together][kept]
        y += session_sd[used] * evenings[session]
        try:
            fit = fit_linear(
                y, np.hstack([x, hits[:, :used]]), session=played.labels[kept], cell=played.cell[kept], wider=True
            )
        except TooFewShots:
            fit = None
        df, luck = _luck(y, played.held[together], session, session_sd[used])
        for name in conditions:
            se, half, beside = math.nan, math.inf, 0
            if fit is not None:
                wide, along = (np.append(c, np.zeros(used)) for c in played.contrasts[together][name])
                pull = fit.pull(wide)
                se = math.hypot(np.linalg.norm(pull), session_sd[used] * np.linalg.norm(np.bincount(session, pull)))
                interval = fit.estimate(wide, along=along).interval
                half = (interval.high - interval.low) / 2
                beside = df if name in dict(sheet.hard) and math.isfinite(half) else 0
            found[name].append((used, se, half, beside, luck))
    return {name: Draws(*(np.array(each) for each in zip(*draws, strict=True))) for name, draws in found.items()}


def _luck(y: Array, held: Array, session: NDArray[np.intp], session_sd: float) -> tuple[int, float]:
    """Degrees of freedom of the sessions' mean errors, each over its true scatter, beside the columns ``held`` (a row a
    session), and the scatter that these show."""
    shots = np.bincount(session, minlength=len(held))
    there = shots > 0
    error = np.bincount(session, y, minlength=len(held))[there] / shots[there]
    error /= np.sqrt(session_sd**2 + 1 / shots[there])
    basis, size, _ = np.linalg.svd(held[there], full_matrices=False)
    basis = basis[:, size > _RANK_TOL * float(size.max(initial=0.0))]
    df = int(there.sum()) - basis.shape[1]
    rest = error - basis @ (basis.T @ error)
    return (df, math.sqrt(float(rest @ rest) / df)) if df > 0 else (0, math.nan)


class _Played:
    """A sheet's shots as `compare` reads them.

    session, labels, cell : (n,) number and name of the session, and number of the combination of levels
    matrices, contrasts   : with conditions that act together (True) or add up: the design (n, p), each condition's row
                            and the columns along which evenings may disagree
    held                  : (sessions, k) its columns that stay for a session
    """

    def __init__(self, sheet: Sheet) -> None:
        from pipeline.compare.conditions import read_factor
        from pipeline.compare.design import Design
        from pipeline.compare.labels import numbered

        table = sheet.table()
        read = {name: read_factor(table, name) for name, _ in (*sheet.easy, *sheet.hard)}
        factors = tuple(factor for factor, _ in read.values())
        words = [factor.name for factor in factors if not factor.is_slope]
        n = len(table)
        self.session = table["session"].to_numpy(dtype=np.intp)
        self.labels = numbered(self.session, [str(k) for k in range(sheet.evenings)])
        self.cell = table.groupby(words).ngroup().to_numpy() if words else np.zeros(n, dtype=np.intp)
        self.matrices: dict[bool, Array] = {}
        self.contrasts: dict[bool, dict[str, tuple[Array, Array]]] = {}
        self.held: dict[bool, Array] = {}
        _, first = np.unique(self.session, return_index=True)
        strata = numbered(np.zeros(n, dtype=np.intp), [""])
        for together in (False, True):
            design = Design(factors, interactions=together and len(factors) > 1)
            x = design.matrix({name: column for name, (_, column) in read.items()}, strata, np.zeros((n, 0)))
            stays = (x == x[first][self.session]).all(axis=0)
            self.matrices[together], self.held[together] = x, x[first][:, stays]
            self.contrasts[together] = {
                c.factor: (np.array(c.row), np.array(c.along))
                for c in reversed(design.contrasts())
                if c.main and not c.inside
            }

    def model(self, kept: NDArray[np.intp], covariates: int) -> tuple[bool, int]:
        """As `compare` chooses: do conditions act together, and how many of the covariates are used?"""
        from pipeline.compare.covariates import most_covariates

        everywhere = len(np.unique(self.cell[kept])) == self.cell.max() + 1
        sessions = len(np.unique(self.session[kept]))
        alone = sessions == len(kept)
        crossed = self.matrices[True].shape[1] + (0 if alone else sessions - 1)
        together = everywhere and len(kept) - crossed >= _LEAST_DF
        spare, between = self._left(kept, together)
        if together and between < 1:
            adding = self._left(kept, False)
            if adding[1] > between:
                together, spare = False, adding[0]
        return together, min(most_covariates(spare), covariates)

    def _left(self, kept: NDArray[np.intp], together: bool) -> tuple[int, int]:
        """Degrees of freedom of shots and of sessions that a design leaves."""
        from pipeline.compare.sessions import Sessions
        from pipeline.compare.subspace import subspace

        x = self.matrices[together][kept]
        plain = int(np.linalg.matrix_rank(x))
        names, session = np.unique(self.session[kept], return_inverse=True)
        if len(names) == len(kept):
            return len(kept) - plain, len(kept) - plain
        inside = subspace(x, Sessions(session, len(names))).rank
        return len(kept) - inside, inside - plain
