"""One linear model of shots: the evening (session) is the whole plot, measurement uncertainty a known variance.

A shot's response is y = X beta + b[session] + e, var(e_i) = s2 + u_i^2 with u_i known and s2 fitted. Sessions that
share recordings are of one evening: between sessions they count as one; inside, each is read by itself, as a stray copy
of a clip may have brought two evenings together.

* A contrast that can be read inside sessions (balls changed during the evening) is estimated inside them: session
  effects drop out whatever they are.
* A contrast that can only be read between sessions (the room's humidity) is estimated by generalised least squares with
  the session variance that makes the session residuals come out right (Paule & Mandel 1982), and its standard error is
  taken from the scatter of the sessions themselves (Hartung & Knapp 2001), with as many degrees of freedom as there are
  sessions to spare. With equal sessions this is exactly the t test on session means. Where sessions are very unequal, a
  session variance that is found too small would let the large ones stand alone and the interval hold the truth too
  seldom: all sessions then weigh the same, as in the t test on session means.
* With no session to spare, condition and session cannot be told apart: the difference between these sessions is given,
  and an unbounded interval for the condition.
* Where every session has a single value, its scatter and the session's are one: the values are the sessions, and the t
  test is on them.

Cells may scatter differently. A robust standard error (HC2) has Satterthwaite degrees of freedom from the cells' own
variances; for two groups that is Welch's test. A test of whether they do finds it too seldom where shots are few, so
the wider of two intervals can be had at once: with one scatter, and with each cell's own (Welch, Biometrika 38:330,
1951, a covariate's share of the degrees of freedom taken from the cells whose shots fix its slope). HC2 lets every
shot scatter by itself, which with covariates costs half of few degrees of freedom. F tests of several contrasts are
robust after Fai & Cornelius (J. Stat. Comput. Simul. 54:363, 1996).

What is read inside sessions may differ from evening to evening (``effect_scatter``): the interval leaves room for that
as far as evenings can tell, and ``here`` is for these.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, SupportsFloat

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from pipeline.compare.effect_scatter import EffectScatter, effect_scatter
from pipeline.compare.effects import Interval, t_interval, t_limit, t_test
from pipeline.compare.moments import quadratic_moments
from pipeline.compare.resample import shift_quantiles
from pipeline.compare.sessions import Sessions
from pipeline.compare.subspace import Solution, Subspace, solve, solver_with_sessions, subspace

Basis = Literal["within sessions", "between sessions", "between and within sessions", "not told apart",
                "not estimable"]
Array = NDArray[np.float64]

_U_FLOOR = 0.5  # share of the median u below which a smaller u buys no more weight
_ROOM = 1e-6  # a shot that is fitted exactly has no residual to scale up
_NO_PULL = 1e-9  # share of a contrast's variance that is rounding
_UNEVEN = 4.0  # weight of a session by its shots over another's, above which all weigh the same
_ALIKE = 1e4  # session variance, in variances of a session's mean, at which they do
_MANY = 30  # columns from which on degrees of freedom are put together cell by cell (Welch), not shot by shot
_USUAL = 0.95  # level at which the wider of two F tests is told
_LEAST_VARIANCE = float(np.finfo(float).tiny) * 1e16
_ROUNDING = 1e-9  # share of a contrast, or of the largest response, that is nothing but rounding
LEAST_OWN = 3  # shots of a cell that show a scatter of its own


class TooFewShots(ValueError):
    """No degree of freedom is left for the scatter."""


@dataclass(frozen=True)
class Estimate:
    """A contrast of the model. ``se`` and ``df`` carry t tests; ``here``: the interval for these very sessions;
    ``evenings``: how it differs between them, where it is read inside them and that was asked for."""

    value: float
    se: float
    df: float
    basis: Basis
    method: str
    interval: Interval
    here: Interval
    p: float
    evenings: EffectScatter | None = None


@dataclass(frozen=True)
class FTest:
    """A Wald F test of several contrasts at once; ``ss`` is its sum of squares when every shot weighs the same."""

    ss: float
    df: int
    f: float
    df_error: float
    p: float
    basis: Basis


@dataclass(frozen=True, eq=False)
class LinearFit:
    """A fitted model; make it with :func:`fit_linear`.

    ``sd``: scatter of a shot (without its measurement uncertainty); ``total_sd`` with it; ``session_sd``: scatter of
    sessions (NaN where it can't be had); ``residual_df``: degrees of freedom of ``sd``, infinite where nothing but the
    known uncertainties tells how sure a value is; ``session_df``: sessions to spare. ``residuals``: standardised,
    inside sessions. ``alone``: every session has one value. ``no_scatter``: shots filmed alike don't differ at all, and
    no uncertainty is known either: nothing tells how sure a contrast is.
    """

    sd: float
    rms_u: float
    total_sd: float
    residual_df: float
    session_df: int
    session_sd: float
    n: int
    n_sessions: int
    residuals: Array
    leverage: Array
    fitted: Array
    design: Array
    no_scatter: bool
    alone: bool
    robust: bool
    wider: bool
    _offset: float
    _ones: Array  # design @ _ones = 1
    _inside: Subspace  # of [a dummy a session, design]
    _plain: Subspace  # of the design
    _within: Solution
    _here: Solution
    _between: Solution
    _session_scale: float
    _weighed_by: float  # session variance in the weights of `_between`
    _weights: Array
    _evenings: Sessions
    _cell: NDArray[np.intp] | None

    @property
    def n_terms(self) -> int:
        """Number of columns of the design."""
        return int(self.design.shape[1])

    def estimate(self, contrast: ArrayLike, *, level: float = 0.95, along: ArrayLike | None = None) -> Estimate:
        """contrast (p,) on the coefficients -> its value with honest degrees of freedom.

        along : (p,) what in the design may have another effect on each evening, where that is to be heeded
        """
        c = np.asarray(contrast, dtype=float)
        shift = self._shift(c)
        if self._inside.holds(c):
            g = self._inside.on_basis(c)
            value = float(g @ self._within.gamma) + shift
            se, df, method = self._error(self._pull(self._within, g), g @ self._within.cov @ g, level)
            here = interval = t_interval(value, se, df, level=level)
            evenings = None if along is None else self._evening_scatter(g, along)
            if evenings:
                usual = se
                se, df = evenings.widened(se, df, level=level)
                if se > usual:
                    interval = t_interval(value, se, df, level=level)
                    method += ", evenings disagree" if evenings.disagree else ", evenings may disagree"
            return Estimate(value, se, df, self._basis, method, interval, here, t_test(value, se, df), evenings)
        if not self._plain.holds(c):
            nothing = Interval(math.nan, -math.inf, math.inf, level)
            return Estimate(math.nan, math.nan, 0, "not estimable", "", nothing, nothing, math.nan)
        g = self._plain.on_basis(c)
        here_value = float(g @ self._here.gamma) + shift
        here_se, here_df, _ = self._error(self._pull(self._here, g), g @ self._here.cov @ g, level)
        here = t_interval(here_value, here_se, here_df, level=level)
        if self.session_df < 1:
            unbounded = Interval(here_value, -math.inf, math.inf, level)
            return Estimate(here_value, math.nan, 0, "not told apart", "", unbounded, here, math.nan)
        value = float(g @ self._between.gamma) + shift
        se = _root(g @ self._between.cov @ g * self._session_scale)
        interval = t_interval(value, se, self.session_df, level=level)
        p = t_test(value, se, self.session_df)
        return Estimate(value, se, self.session_df, "between sessions", "session-level t", interval, here, p)

    def pull(self, contrast: ArrayLike) -> Array:
        """(n,) how much each response moves the contrast's value, as weights were found; NaN if not estimable."""
        c = np.asarray(contrast, dtype=float)
        if self._inside.holds(c):
            return self._pull(self._within, self._inside.on_basis(c))
        if not self._plain.holds(c):
            return np.full(self.n, math.nan)
        alone = self._pull(self._between, self._plain.on_basis(c))
        if self.session_df < 1 or self._weighed_by <= 0:
            return alone
        shrink = 1 / (1 / self._weighed_by + self._evenings.weights(self._weights))
        shared = shrink * self._evenings.sums(alone, np.ones(self.n))
        return np.asarray(alone - self._weights * shared[self._evenings.labels])

    def f_test(self, contrasts: ArrayLike, *, along: ArrayLike | None = None) -> FTest:
        """contrasts (k, p) tested together; ``along`` (m, p) as in :meth:`estimate`, one or several."""
        rows = np.atleast_2d(np.asarray(contrasts, dtype=float))
        rank = int(np.linalg.matrix_rank(rows))
        basis: Basis
        if rank and all(self._inside.holds(row) for row in rows):
            g = self._inside.on_basis(rows)
            value, cov = g @ self._within.gamma, g @ self._within.cov @ g.T
            df, basis = float(self.residual_df), self._basis
            own = self._own_f(g, value, rank) if self.robust or self.wider else None
            apart = None if along is None else self._apart_f(g, value, rank, np.atleast_2d(np.asarray(along)))
        elif rank and self.session_df >= 1 and all(self._plain.holds(row) for row in rows):
            g = self._plain.on_basis(rows)
            value, cov = g @ self._between.gamma, g @ self._between.cov @ g.T * self._session_scale
            df, basis, own, apart = float(self.session_df), "between sessions", None, None
        else:
            basis = "not told apart" if rank and all(self._plain.holds(row) for row in rows) else "not estimable"
            return FTest(math.nan, rank, math.nan, 0, math.nan, basis)
        quad = float(value @ np.linalg.pinv(cov, hermitian=True) @ value)
        f = quad / rank
        if apart is not None:
            f, df = apart
        elif own is not None:  # the wider: as of intervals
            tried = [own] if self.robust else [(f, df), own]
            f, df = min(tried, key=lambda test: test[0] / float(stats.f.ppf(_USUAL, rank, test[1])))
        return FTest(quad * self.total_sd**2, rank, f, df, float(stats.f.sf(f, rank, df)), basis)

    def bootstrap(self, contrast: ArrayLike, *, rng: np.random.Generator, draws: int, level: float = 0.95) -> Interval:
        """Basic bootstrap interval of a contrast inside sessions: residuals drawn again, cell by cell."""
        c = np.asarray(contrast, dtype=float)
        g = self._inside.on_basis(c)
        low, high = shift_quantiles(
            self._within.residual / np.sqrt(np.clip(1 - self.leverage, _ROOM, None)),
            self._pull(self._within, g),
            np.zeros(self.n, dtype=np.intp) if self._cell is None else self._cell,
            rng=rng,
            draws=draws,
            probabilities=(0.5 - level / 2, 0.5 + level / 2),
        )
        value = float(g @ self._within.gamma) + self._shift(c)
        return Interval(value, value - float(high), value - float(low), level)

    @property
    def _basis(self) -> Basis:
        return "between sessions" if self.alone else "within sessions"

    def _evening_scatter(self, g: Array, along: ArrayLike) -> EffectScatter | None:
        """Of a contrast inside sessions; None where a session has a single value."""
        if self.alone:
            return None
        pull = self._pull(self._within, g)
        return effect_scatter(
            self.design @ np.asarray(along, dtype=float),
            pull,
            self._within,
            self._weights,
            df=float(self.residual_df),
            leverage=self.leverage,
            cell=self._cell if self._has_own(pull) else None,
            sessions=self._inside.sessions,
            evenings=self._evenings,
        )

    def _shift(self, c: Array) -> float:
        """What the offset adds to a contrast: nothing to a difference."""
        share = float(c @ self._ones)
        return self._offset * share if abs(share) > _ROUNDING else 0.0

    def _pull(self, found: Solution, g: Array) -> Array:
        """(n,) how much each response moves the contrast."""
        return np.asarray((found.basis @ (found.cov @ g)) * self._weights)

    def _error(self, pull: Array, variance: SupportsFloat, level: float) -> tuple[float, float, str]:
        """Standard error, degrees of freedom and method of a contrast: ``variance`` is its own with one scatter."""
        plain = (_root(variance), float(self.residual_df), "t")
        if not self._has_own(pull):
            return plain
        se, df = self._own_error(pull)
        if not se > 0:
            return plain  # shots that are all the same: only the others' scatter can stand for theirs
        if self.robust:
            return se, df, "robust t (HC2)"
        own = (se, df, "t, each condition's own scatter")
        return max(plain, own, key=lambda e: t_limit(e[1], level) * e[0])

    def _has_own(self, pull: Array) -> bool:
        """Do the cells behind a contrast show a scatter of their own, and is it asked for?"""
        pull2 = pull**2
        least = _NO_PULL * float(pull2.sum())
        alone = 1 - self.leverage <= _ROOM
        if not (self.robust or self.wider) or float(pull2[alone].sum()) > least:
            return False  # a shot that is fitted exactly shows none: only the others' can stand for it
        if self.robust:
            return True
        if self._cell is None:
            return False
        shots = np.bincount(self._cell)[np.bincount(self._cell, pull2) > least]
        return len(shots) > 1 and int(shots.min()) >= LEAST_OWN

    def _own_variances(self) -> Array:
        """(n,) variance of each shot's response: its own residual's (HC2), or as its cell's shots scatter."""
        squares, room = self._within.residual**2, np.clip(1 - self.leverage, _ROOM, None)
        if self.robust or self._cell is None:
            return np.asarray(squares / room)
        share = np.bincount(self._cell, self._weights * squares) / np.bincount(self._cell, room)
        return np.asarray(share[self._cell] / self._weights)

    def _own_error(self, pull: Array) -> tuple[float, float]:
        room = np.clip(1 - self.leverage, _ROOM, None)
        pull2 = pull**2
        parts = pull2 * self._own_variances()
        variance = float(parts.sum())
        if not variance > _ROUNDING * float((pull2 / room).sum()) * self.total_sd**2:
            return 0.0, float(self.residual_df)
        many = self._within.basis.shape[1] > _MANY
        if self._cell is not None and (many or not self.robust):  # Welch's df: cells tell their variances apart
            of_cells, freedom = np.bincount(self._cell, parts), np.bincount(self._cell, room)
            return _root(variance), variance**2 / float(np.sum(of_cells**2 / np.maximum(freedom, _ROOM)))
        # variance of that estimate, with the cells' own variances as reference: Welch's df for two groups
        omega = _cell_variances(self._within.residual, room, self._cell)
        mean, spread = quadratic_moments(
            pull2 / room, self._within.basis, self._within.cov, self._weights, omega, self._inside.sessions
        )
        return _root(variance), mean**2 / spread

    def _own_f(self, g: Array, value: Array, rank: int) -> tuple[float, float] | None:
        """F and its degrees of freedom from the cells' own scatter; contrasts g (k, r) turned until uncorrelated."""
        turn = self._uncorrelated(g, rank)
        pulls = np.array([self._pull(self._within, row) for row in turn @ g])
        if not all(self._has_own(pull) for pull in pulls):
            return None
        variances, axes = np.linalg.eigh(pulls @ (pulls * self._own_variances()).T)
        if not variances[0] > _ROUNDING * variances[-1]:
            return None
        found = axes.T @ (turn @ value)
        df = np.array([self._own_error(pull)[1] for pull in axes.T @ pulls])
        return float(np.mean(found**2 / variances)), _error_df(df, rank)

    def _apart_f(self, g: Array, value: Array, rank: int, along: Array) -> tuple[float, float] | None:
        """The same with each contrast's error for evenings at large; None where that is none but for these."""
        turn = self._uncorrelated(g, rank)
        errors, apart = [], False
        for row in turn @ g:
            se, df, _ = self._error(self._pull(self._within, row), row @ self._within.cov @ row, _USUAL)
            scatters = [self._evening_scatter(row, each) for each in along]
            wider = [scatter.widened(se, df, level=_USUAL) for scatter in scatters if scatter]
            variance = se**2 + sum(wide**2 - se**2 for wide, _ in wider)  # each condition's evenings add their own
            apart = apart or variance > se**2
            errors.append((_root(variance), min([df, *(least for _, least in wider)])))
        if not apart:
            return None
        ses, dfs = np.array(errors).T
        return float(np.mean((turn @ value / ses) ** 2)), _error_df(dfs, rank)

    def _uncorrelated(self, g: Array, rank: int) -> Array:
        """(rank, k): turns contrasts g (k, r) into as many whose estimates are uncorrelated."""
        return np.asarray(np.linalg.svd(g @ self._within.cov @ g.T)[0][:, :rank].T)


def _error_df(df: Array, rank: int) -> float:
    """Degrees of freedom of an F test from those of its t tests (Fai & Cornelius)."""
    expected = float(np.sum(df[df > 2] / (df[df > 2] - 2)))
    return 2 * expected / (expected - rank) if expected > rank else float(df.min())


def fit_linear(
    y: ArrayLike,
    x: ArrayLike,
    *,
    u: ArrayLike | None = None,
    session: ArrayLike | None = None,
    evening: ArrayLike | None = None,
    cell: ArrayLike | None = None,
    robust: bool = False,
    wider: bool = False,
    readings: bool = False,
) -> LinearFit:
    """Fit the model of this module.

    y        : (n,) responses; x (n, p) design whose columns span a constant; may be rank deficient
    u        : (n,) standard uncertainties of y, or None
    session  : (n,) labels; None or one label: no session effect
    evening  : (n,) labels, the same for all shots of a session; None: each session's own
    cell     : (n,) labels of groups that may scatter differently
    robust   : each cell's own scatter instead of one for all
    wider    : whichever of the two gives the wider interval, where cells have shots enough (``LEAST_OWN``)
    readings : values that don't scatter by more than ``u`` while a session lasts: where none is left to judge scatter
               by, differences between these sessions are as unsure as that makes them

    Raises TooFewShots when no degree of freedom is left for the scatter.
    """
    values = np.asarray(y, dtype=float)
    design = np.asarray(x, dtype=float)
    n = len(values)
    least = max((_ROUNDING * float(np.abs(values).max(initial=0.0))) ** 2, _LEAST_VARIANCE)
    offset = float(np.median(values)) if n else 0.0  # keeps digits when all values share their leading ones
    values = values - offset
    known_u2 = _known_variance(u, n)
    labels, n_sessions = _codes(session, n)
    sessions = Sessions(labels, n_sessions)
    evenings = sessions if evening is None else Sessions(*_codes(evening, n))
    plain = subspace(design)
    alone = 1 < n == evenings.count and plain.rank < n
    inside = subspace(design, sessions) if n_sessions > 1 and not alone else plain
    spare = n - inside.rank
    by_u = readings and spare < 1 and u is not None and bool((np.asarray(u, dtype=float) > 0).all())
    if spare < 1 and not by_u:
        raise TooFewShots(f"{n} values for {inside.rank} terms leave nothing to judge the scatter by")
    s2 = 0.0 if by_u else _shot_variance(inside, values, known_u2, spare, least)
    weights = 1 / (s2 + known_u2)
    within = solve(inside, values, weights)
    leverage = inside.leverage(within, weights)
    apart, q = inside, within.q
    if evenings.count < sessions.count:
        apart = subspace(design, evenings) if evenings.count > 1 else plain
        q = solve(apart, values, weights).q
    session_df = spare if alone else apart.rank - plain.rank
    between = solver_with_sessions(plain, values, weights, evenings)
    session_var, weighed_by, scale = 0.0, 0.0, 1.0
    if session_df >= 1 and not alone:

        def ratio(variance: float) -> float:
            return (between(variance).q - q) / session_df

        session_var, scale = _session_variance(ratio, start=float(np.var(values)))
        weighed_by = session_var
        total = evenings.weights(weights)
        if float(total.max()) > _UNEVEN * float(total.min()):
            weighed_by = _ALIKE / float(total.min())
            scale = ratio(weighed_by)
    return LinearFit(
        sd=math.sqrt(s2),
        rms_u=math.sqrt(float(np.mean(known_u2))),
        total_sd=math.sqrt(float(1 / np.mean(weights))),
        residual_df=math.inf if by_u else spare,
        session_df=session_df,
        session_sd=math.nan if session_df < 1 else math.sqrt(s2 if alone else session_var),
        n=n,
        n_sessions=evenings.count,
        residuals=within.residual * np.sqrt(weights / np.clip(1 - leverage, _ROOM, None)),
        leverage=leverage,
        fitted=values - within.residual + offset,
        design=design,
        no_scatter=s2 <= least and not known_u2.any(),
        alone=alone,
        robust=robust,
        wider=wider,
        _offset=offset,
        _ones=plain.back @ (plain.basis.T @ np.ones(n)),
        _inside=inside,
        _plain=plain,
        _within=within,
        _here=between(0.0),
        _between=between(weighed_by),
        _session_scale=scale,
        _weighed_by=weighed_by,
        _weights=weights,
        _evenings=evenings,
        _cell=None if cell is None else _codes(cell, n)[0],
    )


def _known_variance(u: ArrayLike | None, n: int) -> Array:
    """u^2 per shot: a missing u gets the median; a tiny one no less than a share of the median."""
    if u is None:
        return np.zeros(n)
    known = np.asarray(u, dtype=float)
    good = np.isfinite(known) & (known >= 0)
    if not good.any():
        return np.zeros(n)
    middle = float(np.median(known[good]))
    return np.asarray(np.maximum(np.where(good, known, middle), _U_FLOOR * middle) ** 2)


def _codes(labels: ArrayLike | None, n: int) -> tuple[NDArray[np.intp], int]:
    if labels is None:
        return np.zeros(n, dtype=np.intp), 1
    texts = labels if isinstance(labels, pd.Categorical) else np.asarray(labels).astype(str)
    codes, names = pd.factorize(texts, sort=True)
    return codes.astype(np.intp), len(names)


def _shot_variance(inside: Subspace, y: Array, u2: Array, df: int, least: float) -> float:
    """s2 >= 0 such that the weighted residuals have their expected size (Paule & Mandel).

    least : of s2, where no uncertainties are known
    """
    plain = solve(inside, y, np.ones(len(y))).q / df
    if not u2.any():
        return max(plain, least)
    if np.ptp(u2) <= 1e-12 * u2.max():
        return max(plain - float(u2[0]), 0.0)

    def excess(s2: float) -> float:
        return solve(inside, y, 1 / (s2 + u2)).q - df

    if excess(0.0) <= 0:
        return 0.0
    high = plain + float(u2.max())
    while excess(high) > 0:
        high *= 2
    return float(optimize.brentq(excess, 0.0, high, rtol=1e-8))


def _session_variance(ratio: Callable[[float], float], *, start: float) -> tuple[float, float]:
    """Session variance >= 0, and by how much the session residuals fall short of what it predicts.

    ratio : session variance -> session residuals' mean square over what is expected; falls as the variance grows
    """
    at_zero = ratio(0.0)
    if at_zero <= 1:
        return 0.0, max(at_zero, 1e-12)
    high = start + 1e-300
    while ratio(high) > 1:
        high *= 4
    return float(optimize.brentq(lambda v: ratio(v) - 1, 0.0, high, rtol=1e-6)), 1.0


def _root(variance: SupportsFloat) -> float:
    return math.sqrt(max(float(variance), 0.0))


def _cell_variances(residual: Array, room: Array, cell: NDArray[np.intp] | None) -> Array:
    """Variance per shot from its cell's residuals; cells of one shot take the pooled variance."""
    squares = residual**2
    pooled = float(np.sum(squares) / np.sum(room))
    if cell is None:
        return np.full(len(residual), pooled)
    freedom = np.bincount(cell, room)
    own = np.bincount(cell, squares) / np.where(freedom > 0.5, freedom, 1.0)
    return np.asarray(np.where(freedom > 0.5, own, pooled)[cell])
