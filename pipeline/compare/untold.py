"""Conditions that can't be told from the evening, and why: one session a level, or too few sessions for all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.compare.contrasts import INSIDE
from pipeline.compare.rows import Rows

_BASIS = "not told apart"
ONE_A_LEVEL = "each level was filmed in one session"
_ANY = (
    "can't be told from what the evening did (cushions, cloth, air, camera, player). Differences are given as between "
    "these sessions, and the interval for the condition is unbounded."
)


def why_untold(contrasts: pd.DataFrame, rows: Rows, sessions: int) -> dict[str, str]:
    """By condition that these contrasts can't tell from the evening, why. sessions: of the fit."""
    names = _untold(contrasts)
    out = {}
    for name in names:
        values = rows.means.get(name, rows.levels[name]).to_numpy()
        each = pd.Series(rows.evening.codes).groupby(values).nunique()
        many = f"{sessions} sessions for {len(names)} condition{'' if len(names) == 1 else 's'}"
        out[name] = ONE_A_LEVEL if each.max() < 2 else f"{many} leave none to judge the evening by"
    return out


def untold_sentences(contrasts: pd.DataFrame, whys: Mapping[str, str]) -> list[str]:
    """For each row that can't be told from the evening a sentence that says so, else "". whys: from ``why_untold``"""
    return [
        f"Whether {factor} did it or the evening can't be told: {whys[str(factor)]}, so the interval for the condition "
        "itself is unbounded."
        if basis == _BASIS
        else ""
        for factor, basis in zip(contrasts["factor"], contrasts["basis"], strict=True)
    ]


def told_apart(contrasts: pd.DataFrame, untold: Sequence[Mapping[str, str]]) -> list[str]:
    """What must stand above the result: conditions that the evening, or another condition, could have done as well.

    untold : of each response and stratum, from ``why_untold``
    """
    if contrasts.empty:
        return []
    drifted = set(contrasts.loc[contrasts["part"] == INSIDE, "factor"])
    out: list[str] = []
    few: dict[tuple[str, str], list[str]] = {}
    for name in _untold(contrasts):
        whys = sorted({each[name] for each in untold if name in each})
        drift = " What is known of it is how it changed inside sessions, given apart." if name in drifted else ""
        if ONE_A_LEVEL in whys:
            cause = f"{name} was filmed in one session a level: what {name}"
            out.append(f"{cause} did {_ANY} Film each level on two evenings or more.{drift}")
        else:
            few.setdefault(("; ".join(whys), drift), []).append(name)
    for (why, drift), names in few.items():
        cause = f"{', '.join(names)}: {why}; what they"
        out.append(f"{cause} did {_ANY} Name fewer with --by, or film more evenings.{drift}")
    tied = list(dict.fromkeys(contrasts.loc[(contrasts["basis"] == "not estimable") & contrasts["main"], "factor"]))
    if tied:
        out.append(
            f"{', '.join(tied)}: changed together with another condition, so some differences can't be told apart and "
            "are left empty. Name fewer conditions with --by, or film the missing combinations."
        )
    return out


def _untold(contrasts: pd.DataFrame) -> list[str]:
    return [str(name) for name in dict.fromkeys(contrasts.loc[contrasts["basis"] == _BASIS, "factor"])]
