"""How much shots and sessions scatter: the mixed model with the session as a random effect, by REML.

The restricted likelihood (Patterson & Thompson 1971) of a random session mean depends on the shots only through their
sums over a session and products inside it, so each trial costs sessions, not shots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

from pipeline.compare.sessions import Sessions
from pipeline.compare.subspace import independent_columns, triangle

Array = NDArray[np.float64]

_LEAST_SESSIONS = 3
_RATIOS = np.concatenate([[0.0], 10.0 ** np.arange(-8.0, 8.1, 0.5)])  # of session to shot variance, tried first


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of a shot and of a session's mean; ``minus2_log_l``: REML criterion. NaN: not to be had."""

    shot_sd: float
    session_sd: float
    mean: float
    mean_se: float
    minus2_log_l: float
    n_sessions: int
    note: str = ""

    @property
    def session_share(self) -> float:
        """Share of the variance that lies between sessions (intraclass correlation)."""
        total = self.shot_sd**2 + self.session_sd**2
        return self.session_sd**2 / total if total > 0 else math.nan


def session_scatter(y: ArrayLike, x: ArrayLike, session: ArrayLike) -> Scatter:
    """REML estimates for y (n,) on the full-rank part of x (n, p) with a random effect per session (n,)."""
    values = np.asarray(y, dtype=float)
    labels, names = pd.factorize(session if isinstance(session, pd.Categorical) else np.asarray(session).astype(str))
    n_sessions = len(names)
    if n_sessions < _LEAST_SESSIONS or len(values) < n_sessions + 2:
        note = f"{n_sessions} session(s): the scatter of sessions can't be estimated from fewer than {_LEAST_SESSIONS}"
        return Scatter(math.nan, math.nan, math.nan, math.nan, math.nan, n_sessions, note)
    size = float(np.std(values)) or 1.0
    design = independent_columns(np.asarray(x, dtype=float))
    model = _Likelihood.of(values / size, design, Sessions(labels.astype(np.intp), n_sessions))
    ratio = model.best_ratio()
    coefficients, cov, variance = model.fit(ratio)
    return Scatter(
        shot_sd=math.sqrt(variance) * size,
        session_sd=math.sqrt(ratio * variance) * size,
        mean=float(coefficients[0]) * size,
        mean_se=math.sqrt(float(cov[0, 0]) * variance) * size,
        minus2_log_l=model.criterion(ratio) + math.log(size) * 2 * model.freedom,  # back to the response's unit
        n_sessions=n_sessions,
    )


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """What it takes of n shots with q columns.

    ``inside`` (q + 1, q + 1): triangle of the columns and y without their session's mean; ``means`` (sessions, q + 1)
    of the columns and y; ``counts`` (sessions,); ``freedom``: n - q.
    """

    inside: Array
    means: Array
    counts: Array
    freedom: int

    @classmethod
    def of(cls, y: Array, x: Array, sessions: Sessions) -> _Likelihood:
        both, once = np.column_stack([x, y]), np.ones(len(y))
        counts = sessions.weights(once)
        means = sessions.sums(both, once) / counts[:, None]
        return cls(triangle(both - means[sessions.labels]), means, counts, len(y) - x.shape[1])

    def fit(self, ratio: float) -> tuple[Array, Array, float]:
        """Coefficients, their covariance for unit shot variance, and the shot variance, at a ratio of variances."""
        rows = np.vstack([self.inside, self.means * np.sqrt(self.counts / (1 + ratio * self.counts))[:, None]])
        r = triangle(rows)
        q = r.shape[1] - 1
        back = np.linalg.inv(r[:q, :q])
        return back @ r[:q, q], back @ back.T, float(r[q, q]) ** 2 / self.freedom

    def criterion(self, ratio: float) -> float:
        """-2 log of the restricted likelihood at its best shot variance."""
        _, cov, variance = self.fit(ratio)
        grown = float(np.sum(np.log1p(ratio * self.counts))) - float(np.linalg.slogdet(cov)[1])
        return self.freedom * (1 + math.log(2 * math.pi * max(variance, 1e-300))) + grown

    def best_ratio(self) -> float:
        """Session over shot variance of the largest restricted likelihood; 0 where none is better."""
        tried = [self.criterion(ratio) for ratio in _RATIOS]
        k = int(np.argmin(tried))
        if k == 0:
            return 0.0
        low, high = math.log(_RATIOS[max(k - 1, 1)]), math.log(_RATIOS[min(k + 1, len(_RATIOS) - 1)])
        found = optimize.minimize_scalar(
            lambda log_ratio: self.criterion(math.exp(log_ratio)),
            bounds=(low, high),
            method="bounded",
            options={"xatol": 1e-7},
        )
        return math.exp(float(found.x))

