"""One linear model of shots: the evening (session) is the whole plot, measurement uncertainty a known variance.

A shot's response is y = X beta + b[session] + e, var(e_i) = s2 + u_i^2 with u_i known and s2 fitted.

* A contrast that can be read inside sessions (balls changed during the evening) is estimated inside them: session
  effects drop out whatever they are.
* A contrast that can only be read between sessions (the room's humidity) is estimated by generalised least squares with
  the session variance that makes the session residuals come out right (Paule & Mandel 1982), and its standard error is
  taken from the scatter of the sessions themselves (Hartung & Knapp 2001), with as many degrees of freedom as there are
  sessions to spare. With equal sessions this is exactly the t test on session means.
* With no session to spare, condition and session cannot be told apart: the difference between these sessions is given,
  and an unbounded interval for the condition.

Where cells scatter differently, the standard error is robust (HC2) with Satterthwaite degrees of freedom from the
cells' own variances; for two groups that is Welch's test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize, stats

from pipeline.compare.effects import Interval, t_interval, t_test

Basis = Literal["within sessions", "between sessions", "not told apart", "not estimable"]
Array = NDArray[np.float64]

_U_FLOOR = 0.5  # share of the median u below which a smaller u buys no more weight
_RANK_TOL = 1e-9


class TooFewShots(ValueError):
    """No degree of freedom is left for the scatter."""


@dataclass(frozen=True)
class Estimate:
    """A contrast of the model. ``se`` and ``df`` carry t tests; ``here``: the interval for these very sessions."""

    value: float
    se: float
    df: float
    basis: Basis
    method: str
    interval: Interval
    here: Interval
    p: float


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

    ``sd``: scatter of a shot (without its measurement uncertainty), ``session_sd``: scatter of sessions (NaN where it
    can't be had), ``residual_df``: degrees of freedom of ``sd``; ``session_df``: sessions to spare.
    """

    beta: Array
    sd: float
    rms_u: float
    total_sd: float
    residual_df: int
    session_df: int
    session_sd: float
    n: int
    n_sessions: int
    residuals: Array  # standardised, within sessions
    leverage: Array
    fitted: Array
    offset: float
    _x: Array
    _full: Array  # [session dummies, x], scaled design
    _ones: Array  # x @ _ones = 1
    _cov_within: Array  # of the coefficients of _full
    _beta_within: Array
    _cov_between: Array
    _cov_here: Array
    _beta_here: Array
    _weights: Array
    _raw_residuals: Array
    _cell: NDArray[np.intp] | None
    robust: bool

    @property
    def n_terms(self) -> int:
        """Number of columns of the design."""
        return int(self._x.shape[1])

    @property
    def design(self) -> Array:
        """(n, p) the design it was fitted with."""
        return self._x

    def estimate(self, contrast: ArrayLike, *, level: float = 0.95) -> Estimate:
        """contrast (p,) on the coefficients -> its value with honest degrees of freedom."""
        c = np.asarray(contrast, dtype=float)
        k = self._full.shape[1] - self._x.shape[1]
        long = np.concatenate([np.zeros(k), c])
        shift = self.offset * float(c @ self._ones)
        if _in_row_space(self._full, long):
            value = float(long @ self._beta_within) + shift
            se, df, method = self._within_error(long)
            interval = t_interval(value, se, df, level=level)
            return Estimate(value, se, df, "within sessions", method, interval, interval, t_test(value, se, df))
        if not _in_row_space(self._x, c):
            nothing = Interval(math.nan, -math.inf, math.inf, level)
            return Estimate(math.nan, math.nan, 0, "not estimable", "", nothing, nothing, math.nan)
        here_value = float(c @ self._beta_here) + shift
        here_se = math.sqrt(max(float(c @ self._cov_here @ c), 0.0))
        here = t_interval(here_value, here_se, self.residual_df, level=level)
        if self.session_df < 1:
            unbounded = Interval(here_value, -math.inf, math.inf, level)
            return Estimate(here_value, math.nan, 0, "not told apart", "", unbounded, here, math.nan)
        value = float(c @ self.beta) + shift
        se = math.sqrt(max(float(c @ self._cov_between @ c), 0.0))
        interval = t_interval(value, se, self.session_df, level=level)
        p = t_test(value, se, self.session_df)
        return Estimate(value, se, self.session_df, "between sessions", "session-level t", interval, here, p)

    def f_test(self, contrasts: ArrayLike) -> FTest:
        """contrasts (k, p) tested together."""
        rows = np.atleast_2d(np.asarray(contrasts, dtype=float))
        rank = int(np.linalg.matrix_rank(rows))
        k = self._full.shape[1] - self._x.shape[1]
        long = np.hstack([np.zeros((len(rows), k)), rows])
        if all(_in_row_space(self._full, row) for row in long):
            value, cov = long @ self._beta_within, long @ self._cov_within @ long.T
            df, basis = float(self.residual_df), "within sessions"
        elif all(_in_row_space(self._x, row) for row in rows) and self.session_df >= 1:
            value, cov = rows @ self.beta, rows @ self._cov_between @ rows.T
            df, basis = float(self.session_df), "between sessions"
        else:
            known = all(_in_row_space(self._x, row) for row in rows)
            return FTest(math.nan, rank, math.nan, 0, math.nan, "not told apart" if known else "not estimable")
        quad = float(value @ np.linalg.pinv(cov, hermitian=True) @ value)
        f = quad / rank
        return FTest(quad * self.total_sd**2, rank, f, df, float(stats.f.sf(f, rank, df)), basis)  # type: ignore[arg-type]

    def bootstrap(self, contrast: ArrayLike, *, rng: np.random.Generator, draws: int, level: float = 0.95) -> Interval:
        """Percentile interval of a contrast inside sessions from residuals drawn again, cell by cell."""
        c = np.asarray(contrast, dtype=float)
        a, w = self._full, self._weights
        long = np.concatenate([np.zeros(a.shape[1] - self._x.shape[1]), c])
        gram = np.linalg.pinv((a * w[:, None]).T @ a, hermitian=True)
        g = (long @ gram @ a.T) * w
        spread = self._raw_residuals / np.sqrt(np.clip(1 - self.leverage, 1e-6, None))
        cells = np.zeros(self.n, dtype=np.intp) if self._cell is None else self._cell
        shifts = np.zeros(draws)
        for code in np.unique(cells):
            mine = np.flatnonzero(cells == code)
            centred = spread[mine] - spread[mine].mean()
            grown = centred * math.sqrt(len(mine) / max(len(mine) - 1, 1))
            shifts += rng.choice(grown, size=(draws, len(mine))) @ g[mine]
        value = float(long @ self._beta_within) + self.offset * float(c @ self._ones)
        low, high = np.quantile(shifts, [0.5 - level / 2, 0.5 + level / 2])
        return Interval(value, value - float(high), value - float(low), level)

    def predict(self, rows: ArrayLike) -> Array:
        """(m, p) rows of the design -> fitted values."""
        x = np.asarray(rows, dtype=float)
        return np.asarray(x @ self.beta + self.offset * (x @ self._ones))

    def _within_error(self, long: Array) -> tuple[float, float, str]:
        if not self.robust:
            return math.sqrt(max(float(long @ self._cov_within @ long), 0.0)), float(self.residual_df), "t"
        a, w = self._full, self._weights
        gram = np.linalg.pinv((a * w[:, None]).T @ a, hermitian=True)
        g = (long @ gram @ a.T) * w  # value = g @ y
        room = np.clip(1 - self.leverage, 1e-6, None)
        b = g**2 / room
        variance = float(np.sum(b * self._raw_residuals**2))
        # variance of that estimate, with the cells' own variances as reference: Welch's df for two groups
        omega = _cell_variances(self._raw_residuals, room, self._cell)
        m = np.eye(self.n) - a @ gram @ (a * w[:, None]).T
        mb = m.T @ (b[:, None] * m) * omega[None, :]
        df = float(np.trace(mb)) ** 2 / float(np.sum(mb * mb.T))
        return math.sqrt(variance), df, "robust t (HC2)"


def fit_linear(
    y: ArrayLike,
    x: ArrayLike,
    *,
    u: ArrayLike | None = None,
    session: ArrayLike | None = None,
    cell: ArrayLike | None = None,
    robust: bool = False,
) -> LinearFit:
    """Fit the model of this module.

    y        : (n,) responses; x (n, p) design whose columns span a constant; may be rank deficient
    u        : (n,) standard uncertainties of y, or None
    session  : (n,) labels; None or one label: no session effect
    cell     : (n,) labels of groups that may scatter differently (used by ``robust``)

    Raises TooFewShots when no degree of freedom is left for the scatter.
    """
    values = np.asarray(y, dtype=float)
    design = np.asarray(x, dtype=float)
    n = len(values)
    offset = float(np.median(values)) if n else 0.0  # keeps digits when all values share their leading ones
    values = values - offset
    ones = np.linalg.lstsq(design, np.ones(n), rcond=None)[0]
    known_u2 = _known_variance(u, n)
    labels, n_sessions = _codes(session, n)
    dummies = np.eye(n_sessions)[labels] if n_sessions > 1 else np.zeros((n, 0))
    full = np.hstack([dummies, design])
    rank_full, rank_x = int(np.linalg.matrix_rank(full)), int(np.linalg.matrix_rank(design))
    residual_df = n - rank_full
    if residual_df < 1:
        raise TooFewShots(f"{n} shots for {rank_full} terms leave nothing to judge the scatter by")
    s2 = _shot_variance(values, full, known_u2, residual_df)
    total = s2 + known_u2
    weights = 1 / total
    beta_w, gram_w, q_within = _wls(values, full, weights)
    leverage = np.einsum("ij,jk,ik->i", full, gram_w, full) * weights
    residual = values - full @ beta_w
    session_df = rank_full - rank_x
    session_var, q_scale = 0.0, 1.0
    if session_df >= 1:
        session_var, q_scale = _session_variance(values, design, weights, labels, n_sessions, q_within, session_df)
    beta, gram, _ = _gls(values, design, weights, labels, n_sessions, session_var)
    beta_here, gram_here, _ = _wls(values, design, weights)
    total_sd = math.sqrt(float(1 / np.mean(weights)))
    codes = None if cell is None else _codes(cell, n)[0]
    return LinearFit(
        beta=beta,
        sd=math.sqrt(s2),
        rms_u=math.sqrt(float(np.mean(known_u2))),
        total_sd=total_sd,
        residual_df=residual_df,
        session_df=session_df,
        session_sd=math.sqrt(session_var) if session_df >= 1 else math.nan,
        n=n,
        n_sessions=n_sessions,
        residuals=residual * np.sqrt(weights) / np.sqrt(np.clip(1 - leverage, 1e-6, None)),
        leverage=leverage,
        fitted=full @ beta_w + offset,
        offset=offset,
        _x=design,
        _full=full,
        _ones=ones,
        _cov_within=gram_w,
        _beta_within=beta_w,
        _cov_between=gram * q_scale,
        _cov_here=gram_here,
        _beta_here=beta_here,
        _weights=weights,
        _raw_residuals=residual,
        _cell=codes,
        robust=robust,
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
    names, codes = np.unique(np.asarray(labels).astype(str), return_inverse=True)
    return codes.astype(np.intp), len(names)


def _wls(y: Array, x: Array, w: Array) -> tuple[Array, Array, float]:
    """Coefficients (minimum norm), pseudo-inverse of x'wx, weighted sum of squared residuals."""
    root = np.sqrt(w)
    pinv = np.asarray(np.linalg.pinv(x * root[:, None], rcond=_RANK_TOL), dtype=np.float64)
    beta = pinv @ (y * root)
    residual = (y - x @ beta) * root
    gram = np.asarray(pinv @ pinv.T, dtype=np.float64)
    return beta, gram, float(residual @ residual)


def _shot_variance(y: Array, full: Array, u2: Array, df: int) -> float:
    """s2 >= 0 such that the weighted residuals have their expected size (Paule & Mandel)."""
    plain = _wls(y, full, np.ones(len(y)))[2] / df
    if not u2.any():
        return max(plain, np.finfo(float).tiny * 1e16)
    if np.ptp(u2) <= 1e-12 * u2.max():
        return max(plain - float(u2[0]), 0.0)

    def excess(s2: float) -> float:
        return _wls(y, full, 1 / (s2 + u2))[2] - df

    if excess(0.0) <= 0:
        return 0.0
    high = plain + float(u2.max())
    while excess(high) > 0:
        high *= 2
    return float(optimize.brentq(excess, 0.0, high, rtol=1e-8))


def _gls(
    y: Array, x: Array, w: Array, labels: NDArray[np.intp], n_sessions: int, session_var: float
) -> tuple[Array, Array, float]:
    """Generalised least squares with V = diag(1/w) + session_var Z Z' (inverted by Woodbury, session by session)."""
    if session_var <= 0:
        return _wls(y, x, w)
    sums = np.bincount(labels, weights=w, minlength=n_sessions)
    shrink = 1 / (1 / session_var + sums)
    wx = np.zeros((n_sessions, x.shape[1]))
    np.add.at(wx, labels, x * w[:, None])
    wy = np.bincount(labels, weights=w * y, minlength=n_sessions)
    gram = (x * w[:, None]).T @ x - (wx * shrink[:, None]).T @ wx
    right = x.T @ (w * y) - wx.T @ (shrink * wy)
    inverse = np.asarray(np.linalg.pinv(gram, rcond=1e-12, hermitian=True), dtype=np.float64)
    beta = inverse @ right
    r = y - x @ beta
    wr = np.bincount(labels, weights=w * r, minlength=n_sessions)
    return beta, inverse, float(np.sum(w * r * r) - np.sum(shrink * wr**2))


def _session_variance(
    y: Array, x: Array, w: Array, labels: NDArray[np.intp], n_sessions: int, q_within: float, df: int
) -> tuple[float, float]:
    """Session variance >= 0 and the scale by which the session residuals exceed what it predicts."""

    def between(session_var: float) -> float:
        return (_gls(y, x, w, labels, n_sessions, session_var)[2] - q_within) / df

    at_zero = between(0.0)
    if at_zero <= 1:
        return 0.0, max(at_zero, 1e-12)
    high = float(np.var(y)) + 1e-300
    while between(high) > 1:
        high *= 4
    return float(optimize.brentq(lambda v: between(v) - 1, 0.0, high, rtol=1e-6)), 1.0


def _in_row_space(x: Array, row: Array) -> bool:
    """Is ``row`` a combination of the rows of ``x``, i.e. can the data say anything about it?"""
    basis = linalg.orth(x.T, rcond=_RANK_TOL)
    rest = row - basis @ (basis.T @ row)
    return float(np.linalg.norm(rest)) <= 1e-6 * float(np.linalg.norm(row))


def _cell_variances(residual: Array, room: Array, cell: NDArray[np.intp] | None) -> Array:
    """Variance per shot from its cell's residuals; cells of one shot take the pooled variance."""
    squares = residual**2
    pooled = float(np.sum(squares) / np.sum(room))
    out = np.full(len(residual), pooled)
    if cell is None:
        return out
    for code in np.unique(cell):
        mine = cell == code
        freedom = float(np.sum(room[mine]))
        if freedom > 0.5:
            out[mine] = float(np.sum(squares[mine])) / freedom
    return out
