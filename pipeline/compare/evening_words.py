"""Does what a condition does differ from evening to evening? What is said of it: columns, checks, sentences."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.compare.effect_scatter import ENOUGH, EffectScatter
from pipeline.compare.responses import Response
from pipeline.compare.size_words import against_words, span_words

_WIDENED = "evenings disagree: interval widened"


def evening_columns(scatter: EffectScatter | None) -> dict[str, object]:
    """Columns of the contrasts table, of a contrast that is read inside sessions; else empty."""
    if scatter is None:
        return {"evenings": 0, "evenings_df": 0, "evenings_sd": math.nan, "evenings_p": math.nan, "disagree": False}
    return {
        "evenings": scatter.evenings,
        "evenings_df": scatter.df,
        "evenings_sd": scatter.sd,
        "evenings_p": scatter.p,
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
    """A sentence behind the interval of a contrast (a row of the contrasts table) on which evenings disagree, or ""."""
    if not row.get("disagree", False):
        return ""
    p = float(row["evenings_p"])
    text = f" Evenings disagree by more than chance (p {f'= {p:.2g}' if p >= 0.0001 else '< 0.0001'}), "
    low, high = (float(row[f"{row['used']}_{end}"]) for end in ("here_low", "here_high"))
    if (low, high) == tuple(float(row[f"{row['used']}_{end}"]) for end in ("low", "high")):
        return f"{text}which the interval allows for."
    here = span_words(low, high, response)
    return f"{text}so the interval is for evenings at large; for these alone it is {here} ({level} %)."


def _result(row: pd.Series) -> str:
    if row["disagree"]:
        return _WIDENED
    few = int(row["evenings_df"]) < ENOUGH
    these = "this evening" if row["evenings"] == 1 else "these evenings"
    if math.isnan(row["evenings_p"]):
        return f"can't be tested: the interval is for {these}" if few else "can't be tested: single values an evening"
    alarm = EffectScatter.alarm_for(int(row["evenings_df"]))
    return f"holds (p not below {alarm:g})" + (f"; too few to be sure, the interval is for {these}" if few else "")
