"""Do the model's assumptions hold? What was tested, what came out, and what was done about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan

from pipeline.compare.effects import holm
from pipeline.compare.labels import used
from pipeline.compare.model import LinearFit

ALARM = 0.01  # p below which an assumption counts as broken
_LEAST = 8  # fewer shots can't show it
_ODD = 0.05  # so unlikely is a single shot that is far from the rest
_MOST = 2500
_MOST_NAMED = 5  # shots that are named


@dataclass(frozen=True)
class Diagnosis:
    """``unequal``: scatter differs between cells; ``skewed``: residuals far from normal; ``odd_shots``: their
    names."""

    unequal: bool
    skewed: bool
    odd_shots: tuple[str, ...]
    table: pd.DataFrame


def diagnose(fit: LinearFit, cells: pd.Categorical, names: Sequence[str]) -> Diagnosis:
    """Brown-Forsythe over cells, Breusch-Pagan on the fitted value, Shapiro-Wilk on residuals, outliers by Holm.

    cells, names : the condition and the name of each shot of the fit
    """
    r = fit.residuals
    rows: list[dict[str, object]] = []
    if len(r) < _LEAST:
        note = f"{len(r)} shots are too few to test; ordinary t intervals"
        return Diagnosis(False, False, (), pd.DataFrame([{"check": "assumptions", "p": np.nan, "result": note}]))
    p_cells = _brown_forsythe(r, cells)
    p_fitted = _breusch_pagan(r, fit.fitted)
    some = r[:: max(1, len(r) // _MOST)]  # the test is made for up to 5,000 values
    p_normal = float(stats.shapiro(some).pvalue) if np.ptp(some) > 0 else np.nan
    unequal = bool(p_cells < ALARM or p_fitted < ALARM)
    skewed = bool(p_normal < ALARM)
    rows.append(_row("same scatter in every condition (Brown-Forsythe)", p_cells, "robust errors (HC2) used"))
    rows.append(_row("scatter does not grow with the value (Breusch-Pagan)", p_fitted, "robust errors (HC2) used"))
    rows.append(_row("residuals normal (Shapiro-Wilk)", p_normal, "bootstrap interval given, if for these evenings"))
    tails = 2 * stats.t.sf(np.abs(_externally_studentised(fit)), max(fit.residual_df - 1, 1))
    odd = tuple(names[int(i)] for i in np.flatnonzero(holm(tails) <= _ODD))
    note = "none, allowing for how many shots there are (Holm)"
    if odd:
        note = far_from_the_rest(odd)
    rows.append({"check": "single shots far from the rest", "p": float(tails.min()), "result": note})
    return Diagnosis(unequal, skewed, odd, pd.DataFrame(rows))


def far_from_the_rest(names: Sequence[str]) -> str:
    """'far from the rest, look at them, they are still counted: a, b and 3 more'."""
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    what = "look at it, it is" if len(names) == 1 else "look at them, they are"
    return f"far from the rest, {what} still counted: {', '.join(names[:_MOST_NAMED])}{more}"


def _row(check: str, p: float, remedy: str) -> dict[str, object]:
    if not np.isfinite(p):
        return {"check": check, "p": np.nan, "result": "could not be tested"}
    return {"check": check, "p": p, "result": remedy if p < ALARM else f"holds (p not below {ALARM:g})"}


def _brown_forsythe(r: NDArray[np.float64], cells: pd.Categorical) -> float:
    groups = [r[np.asarray(cells == cell)] for cell in used(cells)]
    groups = [g for g in groups if len(g) >= 3]
    if len(groups) < 2 or all(np.ptp(g) == 0 for g in groups):
        return float("nan")
    return float(stats.levene(*groups, center="median").pvalue)


def _breusch_pagan(r: NDArray[np.float64], fitted: NDArray[np.float64]) -> float:
    if np.ptp(fitted) <= 1e-12 * max(1.0, float(np.abs(fitted).max())) or np.ptp(r) == 0:
        return float("nan")
    z = (fitted - fitted.mean()) / fitted.std()
    return float(het_breuschpagan(r, np.column_stack([np.ones_like(z), z]))[1])


def _externally_studentised(fit: LinearFit) -> NDArray[np.float64]:
    r, df = fit.residuals, fit.residual_df
    room = np.clip(df - r**2, 1e-9, None)
    return np.asarray(r * np.sqrt(max(df - 1, 1) / room))
