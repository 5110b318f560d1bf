"""The answers as one small table: a row a difference and response, adjusted and raw beside each other."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from pipeline.compare.covariates import covariate_words
from pipeline.compare.responses import Response, in_words_of
from pipeline.compare.settings import CompareSettings
from pipeline.compare.size_words import against_words, size_words, span_words

AS_THEY_CAME = "balls as they came (raw)"
ALIKE = "balls that come to the cushion alike (adjusted)"
NOT_ADJUSTED = "not adjusted"


def alike_words(settings: CompareSettings) -> str:
    """What is alike in adjusted numbers, as a heading."""
    if settings.adjust is None:
        return ALIKE
    return f"shots alike in {', '.join(map(covariate_words, settings.adjust))} (adjusted)"


def in_short(contrasts: pd.DataFrame, responses: Sequence[Response], settings: CompareSettings) -> pd.DataFrame:
    """"pattern, speed" (where there are several), "difference", "measure" and the cells; text in every one.

    A cell has the difference and its interval in a line each; that which the answer rests on also what can be made of
    it. Adjusted cells only where anything was adjusted for. Only differences over all of the other conditions; a
    response that one could not be estimated in has no row there.
    """
    main = contrasts[contrasts["main"].astype(bool)] if len(contrasts) else contrasts
    found: dict[tuple[str, str], list[dict[str, str]]] = {}
    alike = alike_words(settings)
    for response in responses:
        for _, row in main[main["response"] == response.name].iterrows() if len(main) else ():
            if math.isfinite(float(row[f"{row['used']}_diff"])):
                words = in_words_of(row, response)
                adjusted = _cell(row, "adjusted", words, settings) if row["used"] == "adjusted" else NOT_ADJUSTED
                cells = {"measure": response.label, alike: adjusted, AS_THEY_CAME: _cell(row, "raw", words, settings)}
                found.setdefault((str(row["stratum"]), against_words(row)), []).append(cells)
    several = len({stratum for stratum, _ in found}) > 1
    table = pd.DataFrame(
        [
            {**({"pattern, speed": stratum} if several else {}), "difference": against, **cells}
            for (stratum, against), rows in found.items()
            for cells in rows
        ]
    )
    return table.drop(columns=alike) if len(table) and (table[alike] == NOT_ADJUSTED).all() else table


def _cell(row: pd.Series, kind: str, response: Response, settings: CompareSettings) -> str:
    """``kind``: raw or adjusted."""
    value, low, high = (float(row[f"{kind}_{what}"]) for what in ("diff", "low", "high"))
    if not math.isfinite(value):
        return "can't be estimated"
    apart = row["basis"] != "not told apart"
    clear = low > 0 or high < 0
    if not (apart and math.isfinite(low) and math.isfinite(high)):
        low, high = float(row[f"{kind}_here_low"]), float(row[f"{kind}_here_high"])
    size = f"{size_words(abs(value), response)} {response.more if value > 0 else response.less}"
    lines = [size, f"({span_words(low, high, response)})"]
    if not apart:
        lines.append(f"{row['factor']} or the evening: not told apart")
    elif kind == row["used"]:
        lines.append(_told(row, clear, settings))
    return "\n".join(lines)


def _told(row: pd.Series, clear: bool, settings: CompareSettings) -> str:
    chance = 1 - settings.level
    small = math.isfinite(float(row["bound"])) and float(row["equivalence_p"]) < chance
    less = ", less than half a pocket" if settings.bound is None else ", less than the bound given"
    if not clear:
        return f"not told from none{less if small else ''}"
    doubt = ", or chance (Holm)" if float(row.get("p_holm", math.nan)) >= chance else ""
    return f"a difference{doubt}{less if small else ''}"
