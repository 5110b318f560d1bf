"""Adjusting for what differed from shot to shot: which measures, and how far their own uncertainty weakens them.

No one hits every shot alike. A covariate measured with error pulls its slope towards zero; each value is therefore
replaced by its best guess given its cell, cell mean + reliability x (value - cell mean), before the fit (regression
calibration: Carroll, Ruppert, Stefanski & Crainiceanu, Measurement Error in Nonlinear Models, 2nd ed., ch. 4).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: how the ball arrives at the cushion, then what the cue ball tells of the hit, in order of what moves the response
#: most; the last are left out first when shots are few (an order fixed by physics, before any result)
ANGLE_COVARIATES = (
    "incoming_angle_deg",
    "impact_roll_ratio",
    "speed_at_impact_mps",
    "cue_roll_ratio",
    "cue_cross_ratio",
)
SPEED_COVARIATES = (
    "speed_at_impact_mps",
    "incoming_angle_deg",
    "impact_roll_ratio",
    "cue_roll_ratio",
    "cue_cross_ratio",
)
#: degrees of freedom that adjusting must leave: below, wider t limits cost more than it gains. How balls come to a
#: cushion does move what they do there, so as many covariates as that are worth their cost
LEAST_SPARE = 4
LEAST_MEASURED = 0.8  # share of the shots, and of what they tell of each difference, that a covariate must leave
LEAST_RELIABILITY = 0.3  # below, it varies little more than its own uncertainty: adjusting would add noise
_TOO_FEW = "too few shots"
_ITSELF = "is the response"
WEAK_RELIABILITY = 0.8  # below, the reader is told


@dataclass(frozen=True, eq=False)
class Adjustment:
    """Covariates that are used. ``columns`` (n, k): centred, error-corrected; ``keep`` (n,): shots that have them all.

    ``table``: a row a candidate: name, used, why, measured (share), mean, sd, u_rms, reliability.
    """

    names: tuple[str, ...]
    columns: Array
    keep: NDArray[np.bool_]
    table: pd.DataFrame


def most_covariates(spare: int) -> int:
    """How many covariates shots allow whose model without any leaves ``spare`` degrees of freedom: they spend at most
    half of these, and leave four.
    """
    return max(min(spare // 2, spare - LEAST_SPARE), 0)


def choose_covariates(
    shots: pd.DataFrame,
    cells: NDArray[np.intp],
    *,
    candidates: Sequence[str],
    spare: int,
    response: str,
    lacking: Callable[[NDArray[np.bool_]], str],
) -> Adjustment:
    """Pick covariates by rules that don't look at the response.

    shots : the counted shots of one comparison; cells (n,): number of the combination of conditions and session
    spare : degrees of freedom left by the model without covariates; ``most_covariates`` of them are used
    lacking : (n,) shots that carry a covariate, with those chosen before it -> where too few do, '' if enough
              (``Support.lacking``); adjusting for what they lack would cost a difference
    """
    n = len(shots)
    rows: list[dict[str, object]] = []
    used: list[str] = []
    columns: list[Array] = []
    having = np.ones(n, dtype=np.bool_)
    room = most_covariates(spare)
    for name in candidates:
        row: dict[str, object] = {"covariate": name, "used": False, "why": ""}
        rows.append(row)
        if name == response or name not in shots:
            row["why"] = _ITSELF if name == response else "not measured"
            continue
        x = pd.to_numeric(shots[name]).to_numpy(dtype=float, na_value=np.nan)
        have = np.isfinite(x)
        row["measured"] = float(np.mean(have)) if n else 0.0
        if row["measured"] < LEAST_MEASURED:  # type: ignore[operator]
            row["why"] = "not measured" if not have.any() else f"measured in only {have.sum()} of {n} shots"
            continue
        u = _uncertainties(shots, name)
        corrected, reliability = _best_guess(x, u, cells, have)
        row |= {
            "mean": float(np.mean(x[have])),
            "sd": float(np.std(x[have], ddof=1)) if have.sum() > 1 else np.nan,
            "u_rms": float(np.sqrt(np.nanmean(u[have] ** 2))) if np.isfinite(u[have]).any() else np.nan,
            "reliability": reliability,
        }
        if np.isnan(reliability):
            row["why"] = f"{_TOO_FEW} to tell how it varies from shot to shot"
        elif reliability < LEAST_RELIABILITY:
            row["why"] = "varies little more than its own uncertainty"
        elif len(used) >= room:
            row["why"] = f"{_TOO_FEW}: {n} allow {room}"
        elif few := lacking(have):
            row["why"] = f"measured in {few}"
        elif few := lacking(having & have):
            row["why"] = f"measured together with {', '.join(map(covariate_words, used))} in {few}"
        else:
            row["used"] = True
            having &= have
            if reliability < WEAK_RELIABILITY:
                row["why"] = f"its uncertainty would weaken the slope to {reliability:.0%}; corrected for"
            used.append(name)
            columns.append(corrected)
    values = np.column_stack(columns) if columns else np.zeros((n, 0))
    keep = np.asarray(np.isfinite(values).all(axis=1), dtype=np.bool_)
    if columns and keep.any():
        values = values - values[keep].mean(axis=0)
    table = pd.DataFrame(rows) if rows else pd.DataFrame({"covariate": [], "used": [], "why": []})
    return Adjustment(tuple(used), values, keep, table)


def not_adjusted(adjustment: Adjustment, adjusted: bool) -> str:
    """What was not adjusted for and why, as a sentence: 'Not adjusted for incoming angle (not measured).'; '' if all.

    adjusted : was anything adjusted for at all
    """
    table = adjustment.table
    left = table[~table["used"].astype(bool) & (table["why"] != _ITSELF)] if adjusted else table
    if left.empty:
        return ""
    reasons: dict[str, list[str]] = {}
    for name, why in zip(left["covariate"].astype(str), left["why"].astype(str), strict=True):
        reasons.setdefault(why or f"{_TOO_FEW} for the model", []).append(covariate_words(name))
    few = [why for why in reasons if why.startswith(_TOO_FEW)]
    if not adjusted and few:
        return f"Not adjusted for how each shot was hit: {few[0]}."
    said = "; ".join(f"{', '.join(names)} ({why})" for why, names in reasons.items())
    return f"Not adjusted for {said}." if adjusted else f"Not adjusted: {said}."


def covariate_words(name: str) -> str:
    """'incoming_angle_deg' -> 'incoming angle'."""
    for unit in ("_deg", "_mps", "_mm", "_rps"):
        name = name.removesuffix(unit)
    return name.replace("_", " ")


def _uncertainties(shots: pd.DataFrame, name: str) -> Array:
    if f"{name}_u" not in shots:
        return np.zeros(len(shots))
    return pd.to_numeric(shots[f"{name}_u"]).to_numpy(dtype=float, na_value=np.nan)


def _best_guess(x: Array, u: Array, labels: NDArray[np.intp], have: NDArray[np.bool_]) -> tuple[Array, float]:
    """Values shrunk to their cell's mean by their reliability; the overall reliability (true over total variance)."""
    count = np.bincount(labels[have], minlength=labels.max() + 1 if len(labels) else 0)
    sums = np.bincount(labels[have], weights=x[have], minlength=len(count))
    mean = np.divide(sums, count, out=np.full(len(count), np.nan), where=count > 0)[labels]
    freedom = int(have.sum() - np.count_nonzero(count))
    if freedom < 1:
        return x, np.nan
    total = float(np.sum((x - mean)[have] ** 2)) / freedom
    middle = float(np.nanmedian(u[have])) if np.isfinite(u[have]).any() else 0.0
    u2 = np.where(np.isfinite(u), u, middle) ** 2
    true = total - float(np.mean(u2[have]))
    if total <= 0 or true <= 0:
        return x, 0.0
    return np.asarray(mean + true / (true + u2) * (x - mean)), true / total
