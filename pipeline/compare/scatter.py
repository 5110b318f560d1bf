"""How much shots and sessions scatter: the mixed model with the session as a random effect (statsmodels, REML)."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning


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
    labels = np.asarray(session).astype(str)
    n_sessions = len(np.unique(labels))
    if n_sessions < 3 or len(values) < n_sessions + 2:
        note = f"{n_sessions} session(s): the scatter of sessions can't be estimated from fewer than 3"
        return Scatter(math.nan, math.nan, math.nan, math.nan, math.nan, n_sessions, note)
    design = _independent(np.asarray(x, dtype=float))
    size = float(np.std(values)) or 1.0
    with warnings.catch_warnings():
        # a session variance at or near zero is a result here, not a failure
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        fit = MixedLM(values / size, design, groups=labels).fit(reml=True, method="powell")
        mean_se = float(fit.bse_fe[0]) * size
    scaled = math.log(size) * 2 * (len(values) - design.shape[1])  # back to the response's unit
    return Scatter(
        shot_sd=math.sqrt(float(fit.scale)) * size,
        session_sd=math.sqrt(max(float(np.asarray(fit.cov_re)[0, 0]), 0.0)) * size,
        mean=float(fit.fe_params[0]) * size,
        mean_se=mean_se,
        minus2_log_l=-2 * float(fit.llf) + scaled,
        n_sessions=n_sessions,
    )


def _independent(x: np.ndarray) -> np.ndarray:
    """The columns of x that aren't combinations of earlier ones."""
    kept: list[int] = []
    for column in range(x.shape[1]):
        if np.linalg.matrix_rank(x[:, [*kept, column]]) > len(kept):
            kept.append(column)
    return x[:, kept]
