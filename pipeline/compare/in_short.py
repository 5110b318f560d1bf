"""The answers as one small table: a row a difference, a column a response."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from pipeline.compare.responses import Response, in_words_of
from pipeline.compare.settings import CompareSettings
from pipeline.compare.size_words import against_words, size_words, span_words


def in_short(contrasts: pd.DataFrame, responses: Sequence[Response], settings: CompareSettings) -> pd.DataFrame:
    """"pattern, speed" (where there are several), "difference" and the responses' labels; text in every cell.

    A cell has three lines: the difference, its interval, and what can be made of it. Only differences over all of the
    other conditions; a response that none of them could be estimated in has no column.
    """
    main = contrasts[contrasts["main"].astype(bool)] if len(contrasts) else contrasts
    cells: dict[tuple[str, str], dict[str, str]] = {}
    for response in responses:
        for _, row in main[main["response"] == response.name].iterrows() if len(main) else ():
            if math.isfinite(float(row[f"{row['used']}_diff"])):
                key = (str(row["stratum"]), against_words(row))
                cells.setdefault(key, {})[response.label] = _cell(row, in_words_of(row, response), settings)
    if not cells:
        return pd.DataFrame()
    several = len({stratum for stratum, _ in cells}) > 1
    labels = [r.label for r in responses if any(r.label in found for found in cells.values())]
    rows = [
        {**({"pattern, speed": stratum} if several else {}), "difference": against,
         **{label: found.get(label, "") for label in labels}}
        for (stratum, against), found in cells.items()
    ]
    return pd.DataFrame(rows)


def _cell(row: pd.Series, response: Response, settings: CompareSettings) -> str:
    used = str(row["used"])
    value = float(row[f"{used}_diff"])
    apart = row["basis"] != "not told apart"
    here = "" if apart else "here_"
    low, high = float(row[f"{used}_{here}low"]), float(row[f"{used}_{here}high"])
    size = f"{size_words(abs(value), response)} {response.more if value > 0 else response.less}"
    meant = _told(row, low > 0 or high < 0, settings) if apart else f"{row['factor']} or the evening: not told apart"
    return "\n".join((size, f"({span_words(low, high, response)})", meant))


def _told(row: pd.Series, clear: bool, settings: CompareSettings) -> str:
    chance = 1 - settings.level
    small = math.isfinite(float(row["bound"])) and float(row["equivalence_p"]) < chance
    less = ", less than half a pocket" if settings.bound is None else ", less than the bound given"
    if not clear:
        return f"not told from none{less if small else ''}"
    doubt = ", or chance (Holm)" if float(row.get("p_holm", math.nan)) >= chance else ""
    return f"a difference{doubt}{less if small else ''}"
