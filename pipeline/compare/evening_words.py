"""Does what a condition does differ from evening to evening? What is said of it: columns, checks, sentences."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.compare.effect_scatter import ENOUGH, SURE, EffectScatter
from pipeline.compare.model import Estimate
from pipeline.compare.responses import Response
from pipeline.compare.size_words import against_words, span_words

_WIDENED = "evenings disagree: interval widened"
_MUCH = 1.1  # times as wide as for these evenings: only then is it worth a sentence
_SINGLE = "can't be tested: single values an evening"


def evening_columns(estimate: Estimate, *, level: float) -> dict[str, object]:
    """Columns of the contrasts table, of a contrast that is read inside sessions; else empty.

    ``evenings_low`` to ``evenings_high``: its interval from how evenings differ alone
    """
    scatter = estimate.evenings or EffectScatter(0, 0, math.nan)
    large = scatter.at_large(estimate.value, level=level)
    return {
        "evenings": scatter.evenings,
        "evenings_df": scatter.df,
        "evenings_sd": scatter.sd,
        "evenings_p": scatter.p,
        "evenings_low": large.low,
        "evenings_high": large.high,
        "disagree": scatter.disagree,
    }


def evening_checks(contrasts: pd.DataFrame) -> pd.DataFrame:
    """A row of the table of checks for each main contrast that is read inside sessions."""
    shown = contrasts[contrasts["main"] & (contrasts["evenings"] > 0)]
    return pd.DataFrame(
        [
            {
                "check": f"{against_words(row)}: the same from evening to evening (F test)",
                "p": row["evenings_p"],
                "result": _result(row),
            }
            for _, row in shown.iterrows()
        ]
    )


def too_few_evenings(contrasts: pd.DataFrame, *, evenings: int) -> str:
    """A line on conditions that too few of several evenings show to tell whether others would agree, or nothing."""
    shown = contrasts[contrasts["main"] & (contrasts["evenings"] > 0) & ~contrasts["disagree"]]
    few = list(dict.fromkeys(shown.loc[shown["evenings_df"] < ENOUGH, "factor"]))
    if evenings < 2 or not few:
        return ""
    it, many = ("it does", "its interval is") if len(few) == 1 else ("they do", "their intervals are")
    return (
        f"{', '.join(few)}: too few evenings to tell whether what {it} differs between them, so {many} for these "
        "evenings; others may differ."
    )


def disagreement(row: pd.Series, response: Response, level: str) -> str:
    """A sentence behind the interval of a contrast (a row of the contrasts table): does it hold for other evenings?

    "" where evenings can't differ in it, or where the interval says it all.
    """
    p = float(row.get("evenings_p", math.nan))
    if math.isnan(p):
        return ""
    used = str(row["used"])
    low, high, here_low, here_high = (float(row[f"{used}_{end}"]) for end in ("low", "high", "here_low", "here_high"))
    here = span_words(here_low, here_high, response)
    if row["disagree"]:
        text = f" Evenings disagree by more than chance (p {f'= {p:.2g}' if p >= 0.0001 else '< 0.0001'}), "
        if (low, high) == (here_low, here_high):
            return f"{text}which the interval allows for."
        return f"{text}so the interval is for evenings at large; for these alone it is {here} ({level} %)."
    if high - low > _MUCH * (here_high - here_low):
        return (
            f" {row['evenings']} evenings can't rule out that they disagree, so the interval leaves room for it; for "
            f"these alone it is {here} ({level} %)."
        )
    large_low, large_high = float(row["evenings_low"]), float(row["evenings_high"])
    if row["evenings_df"] < ENOUGH and row["main"] and math.isfinite(large_low):
        large = span_words(large_low, large_high, response)
        return f" These evenings are too few to tell whether others agree; for evenings at large it is {large}."
    return ""


def _result(row: pd.Series) -> str:
    if row["disagree"]:
        return _WIDENED
    df = int(row["evenings_df"])
    these = "this evening" if row["evenings"] == 1 else "these evenings"
    if math.isnan(row["evenings_p"]):
        return f"can't be tested: the interval is for {these}" if df < ENOUGH else _SINGLE
    holds = f"holds (p not below {EffectScatter.alarm_for(df):g})"
    if df >= SURE:
        return holds
    return f"{holds}; too few to be sure, the interval {f'is for {these}' if df < ENOUGH else 'leaves room'}"
