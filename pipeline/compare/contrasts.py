"""The table of differences: raw and adjusted, with what tests and a sentence need; slopes read both ways joined."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.compare.both_ways import ALARM, Reading, agreement, join, joins
from pipeline.compare.design import Contrast, Design
from pipeline.compare.effects import Interval, equivalence_test, hedges_correction, hedges_g
from pipeline.compare.evening_words import evening_columns
from pipeline.compare.model import Estimate, LinearFit
from pipeline.compare.settings import CompareSettings
from pipeline.condition_words import level_words

BETWEEN, INSIDE = "between sessions", "inside sessions"  # the column ``part``
_UNTOLD = ("not told apart", "not estimable")  # the less is told, the later
_LOST = "Not adjusted: with what is adjusted for beside the conditions, these shots can't tell it."


@dataclass(frozen=True, eq=False)
class Fits:
    """One comparison's models. ``adjusted`` None: not adjusted; ``everyone``: mis-hits left in, None without any.

    ``same``: raw, of just the shots that are adjusted.
    """

    raw: LinearFit
    adjusted: LinearFit | None
    same: LinearFit
    everyone: LinearFit | None
    design: Design
    adjusted_design: Design


@dataclass(frozen=True, eq=False)
class _Estimated:
    """A contrast with its estimates; ``wide``: the contrast in the adjusted model. ``same``, ``everyone``: just the
    value. ``lost``: adjusting would leave less told of it than raw tells."""

    plain: Contrast
    wide: Contrast
    raw: Estimate
    adjusted: Estimate | None
    same: Estimate | None
    everyone: Estimate | None
    lost: bool = False
    part: str = ""
    note: str = ""

    @property
    def best(self) -> Estimate:
        return self.adjusted or self.raw

    @property
    def reading(self) -> Reading:
        return Reading(self.best, self.plain.span)


def contrast_table(
    fits: Fits, *, bound: float, skewed: bool, not_adjusted: str, settings: CompareSettings
) -> pd.DataFrame:
    """A row a difference.

    bound        : smallest difference that matters, NaN where none is known
    skewed       : residuals are far from normal: bootstrap intervals, too
    not_adjusted : what was not adjusted for and why, to stand beside the number
    """
    rng = np.random.default_rng(settings.seed)
    rows = []
    for e in _both_ways(_estimates(fits, settings.level), settings.level):
        best, fit = e.best, fits.adjusted if fits.adjusted and e.adjusted else fits.raw
        row = _names(e.plain) | {"part": e.part, "note": e.note}
        row |= _columns("raw", e.raw, fits.raw.n)
        row |= _columns("adjusted", e.adjusted, fits.adjusted.n if fits.adjusted else 0)
        row |= {"basis": best.basis, "method": best.method, "df": best.df}
        row |= evening_columns(best, level=settings.level)
        row |= {"used": "adjusted" if e.adjusted else "raw", "not_adjusted": _LOST if e.lost else not_adjusted}
        row["raw_same_shots"] = e.same.value if e.adjusted and e.same else math.nan
        row["with_mishits"] = e.everyone.value if e.everyone else math.nan
        effect = _effect_size(best, fit, settings.level)
        row |= {"g": effect.value, "g_low": effect.low, "g_high": effect.high}
        row |= {"bound": bound, "equivalence_p": math.nan, "equivalence_low": math.nan, "equivalence_high": math.nan}
        if math.isfinite(bound) and best.df > 0:
            tested = equivalence_test(best.value, best.se, best.df, bound=bound, alpha=1 - settings.level)
            row |= {"equivalence_p": tested.p, "equivalence_low": tested.low, "equivalence_high": tested.high}
        row |= {"boot_low": math.nan, "boot_high": math.nan}
        if skewed and best.basis == "within sessions" and best.interval == best.here:
            used = e.wide.row if e.adjusted else e.plain.row
            boot = fit.bootstrap(used, rng=rng, draws=settings.bootstrap, level=settings.level)
            row |= {"boot_low": boot.low, "boot_high": boot.high}
        rows.append(row)
    return pd.DataFrame(rows)


def _estimates(fits: Fits, level: float) -> list[_Estimated]:
    out = []
    for plain, wide in zip(fits.design.contrasts(), fits.adjusted_design.contrasts(), strict=True):
        raw = fits.raw.estimate(plain.row, level=level, along=plain.along)
        adjusted = fits.adjusted.estimate(wide.row, level=level, along=wide.along) if fits.adjusted else None
        same = raw if fits.same is fits.raw else fits.same.estimate(plain.row)
        everyone = fits.everyone.estimate(plain.row) if fits.everyone else None
        lost = adjusted is not None and _told(adjusted) < _told(raw)
        out.append(_Estimated(plain, wide, raw, None if lost else adjusted, same, everyone, lost))
    return out


def _told(e: Estimate) -> int:
    """How much is told of a contrast: between these sessions and not of the condition is less, nothing the least."""
    return -_UNTOLD.index(e.basis) - 1 if e.basis in _UNTOLD else 0


def _both_ways(found: list[_Estimated], level: float) -> list[_Estimated]:
    """Slopes that were read between sessions and inside them as one row each, or two with why."""
    drifts = {e.plain.factor: e for e in found if e.plain.inside}
    out: list[_Estimated] = []
    for e in found:
        drift = drifts.get(e.plain.factor)
        if drift is None or not e.plain.main:
            out.append(e)
        elif not e.plain.inside:
            out += _joined_or_apart(e, drift, level)
    return out


def _joined_or_apart(between: _Estimated, inside: _Estimated, level: float) -> list[_Estimated]:
    b, i = between.reading, inside.reading
    p = agreement(b, i)
    if joins(b, i):
        note = f"Read both from session to session and as it changed inside them, which agree (p {_p(p)})."
        return [_joined(between, inside, note, level)]
    if between.best.basis in _UNTOLD:
        why = ""
    elif p < ALARM:
        why = (
            f"From session to session and inside them it reads differently (p {_p(p)}), so each stands for itself: "
            "something else may change with it from evening to evening, or as an evening goes on."
        )
    else:
        why = "There are too few sessions or shots to join this with the other reading."
    return [replace(between, part=BETWEEN, note=why), replace(inside, part=INSIDE, note=why)]


def _p(p: float) -> str:
    return f"= {p:.2g}" if p >= 0.0001 else "< 0.0001"


def _joined(between: _Estimated, inside: _Estimated, note: str, level: float) -> _Estimated:
    """Both as one, over the range of the one that saw more."""
    wider = max(between, inside, key=lambda e: e.plain.span)
    span = wider.plain.span

    def one(a: Estimate | None, b: Estimate | None) -> Estimate | None:
        if a is None or b is None:
            return None
        readings = Reading(a, between.plain.span), Reading(b, inside.plain.span)
        if not all(r.usable for r in readings):
            return a if wider is between else b
        scatter = b.evenings and replace(b.evenings, sd=b.evenings.sd * span / inside.plain.span, large_se=math.nan)
        return replace(join(*readings, span=span, level=level), evenings=scatter)

    raw = one(between.raw, inside.raw) or between.raw
    return replace(
        wider,
        plain=replace(wider.plain, inside=False),
        raw=raw,
        adjusted=one(between.adjusted, inside.adjusted),
        same=one(between.same, inside.same),
        everyone=one(between.everyone, inside.everyone),
        note=note,
    )


def _names(contrast: Contrast) -> dict[str, object]:
    return {
        "factor": contrast.factor,
        "a": contrast.a,
        "b": contrast.b,
        "at": ", ".join(f"{factor} {level}" for factor, level in contrast.at),
        "at_words": ", ".join(level_words(factor, level) for factor, level in contrast.at),
        "main": contrast.main,
    }


def _columns(kind: str, e: Estimate | None, n: int) -> dict[str, object]:
    if e is None:
        blank: dict[str, object] = dict.fromkeys(("diff", "se", "low", "high", "p", "here_low", "here_high"), math.nan)
        return {f"{kind}_{k}": v for k, v in blank.items()} | {f"{kind}_n": 0}
    return {
        f"{kind}_diff": e.value,
        f"{kind}_se": e.se,
        f"{kind}_low": e.interval.low,
        f"{kind}_high": e.interval.high,
        f"{kind}_p": e.p,
        f"{kind}_here_low": e.here.low,
        f"{kind}_here_high": e.here.high,
        f"{kind}_n": n,
    }


def _effect_size(e: Estimate, fit: LinearFit, level: float) -> Interval:
    if e.basis == "within sessions" and not _disagree(e):
        return hedges_g(e.value, e.se, fit.residual_df, fit.total_sd, level=level)
    if math.isinf(fit.residual_df):  # how single values scatter isn't known
        return Interval(math.nan, math.nan, math.nan, level)
    scale = hedges_correction(fit.residual_df) / fit.total_sd
    return Interval(e.value * scale, e.interval.low * scale, e.interval.high * scale, level)


def _disagree(e: Estimate) -> bool:
    """Does the interval rest on how evenings differ, not on shots alone?"""
    return e.evenings is not None and e.evenings.disagree
