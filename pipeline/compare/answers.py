"""A contrast in the player's words: signed, in mm, sights and shares of a pocket, with its confidence."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.compare.evening_words import disagreement
from pipeline.compare.ground import Ground
from pipeline.compare.responses import Response
from pipeline.compare.settings import CompareSettings, percent
from pipeline.compare.size_words import against_words, number_words, size_words, span_words
from pipeline.compare.taken_away import equal_hits

#: behind an unadjusted difference, in every answer that gives one
THE_REST = (
    "What adjusting changed went with how the balls came to the cushion, by other hits or by the condition itself."
)
_MOVED_FAR = 0.25  # share of the larger difference by which adjusting must have moved it to be worth a sentence


def answer(
    row: pd.Series,
    *,
    stratum: str,
    response: Response,
    ground: Ground,
    settings: CompareSettings,
    counted: int = 0,
) -> str:
    """One or two sentences on one contrast (a row of the contrasts table).

    counted : counted shots, said where the answer rests on fewer
    """
    used = str(row["used"])
    value = float(row[f"{used}_diff"])
    head = f"{_capital(stratum)}: " if stratum else ""
    against = against_words(row)
    some = int(row[f"{used}_n"]) if math.isfinite(value) else 0
    rests = f"From {some} of {counted} counted shots." if 0 < some < counted else ""
    away = str(row.get("taken_away", ""))
    beside = (rests, row.get("note", ""), away, equal_hits(settings) if away else "", row.get("not_adjusted", ""))
    more = "".join(f" {text}" for text in beside if text and row["main"])
    if not math.isfinite(value):
        return f"{head}{against}: can't be estimated, no shots to tell it from."
    level = percent(settings.level)
    size = _sized(value, response, ground)
    plain = _raw_too(row, response)
    if row["basis"] == "not told apart":
        here = span_words(float(row[f"{used}_here_low"]), float(row[f"{used}_here_high"]), response)
        return (
            f"{head}{against}: {size} between these sessions ({level} % interval for these sessions {here}). "
            f"{row['untold']}{plain}{more}"
        )
    low, high = float(row[f"{used}_low"]), float(row[f"{used}_high"])
    span = span_words(low, high, response)
    text = f"{head}{against}: {size}, {level} % interval {span}"
    if row["basis"] == "between sessions":
        df = round(float(row["df"]))
        how = "" if row.get("part", "") else "from session to session, "
        text += f" ({how}{df} degree{'' if df == 1 else 's'} of freedom)"
    clear = low > 0 or high < 0
    if clear:
        text += "." + _aim(value, response, ground)
        if bool(row["main"]) and float(row.get("p_holm", math.nan)) >= 1 - settings.level:
            text += " With all the comparisons made here, chance alone could do this (Holm)."
    else:
        text += ": no difference can be told from none."
    text += disagreement(row, response, level)
    bound = float(row["bound"])
    if math.isfinite(bound):
        within = float(row["equivalence_p"]) < 1 - settings.level
        what = "half a pocket" if settings.bound is None else "the bound given"
        limit = number_words(bound, response)
        if within:
            inner = span_words(float(row["equivalence_low"]), float(row["equivalence_high"]), response)
            text += (
                f" It is smaller than {what}, ±{limit}, at the {percent(1 - settings.level)} % level (equivalence "
                f"test: the {percent(2 * settings.level - 1)} % interval, {inner}, lies inside)."
            )
        elif not clear:
            text += f" Nor is it shown to be smaller than {what}, ±{limit}: film more shots."
    return text + plain + more


def _raw_too(row: pd.Series, response: Response) -> str:
    """The raw difference where adjusting moved it by more than half the interval: the reader must see both.

    It is that of the shots that are adjusted: what other shots change isn't adjusting's doing.
    """
    if row["used"] != "adjusted":
        return ""
    raw, adjusted = float(row["raw_same_shots"]), float(row["adjusted_diff"])
    half = (float(row["adjusted_here_high"]) - float(row["adjusted_here_low"])) / 2
    moved = abs(raw - adjusted)
    if not moved > max(half / 2, _MOVED_FAR * max(abs(raw), abs(adjusted))):
        return ""
    word = response.more if raw > 0 else response.less
    same = ", of the same shots," if row["raw_n"] != row["adjusted_n"] else ""
    return f" Unadjusted{same} it is {size_words(abs(raw), response)} {word}. {THE_REST}"


def _sized(value: float, response: Response, ground: Ground) -> str:
    word = response.more if value > 0 else response.less
    size = abs(value)
    extras = []
    mm = size if response.is_miss else size * ground.mm_per_deg if response.is_angle else math.nan
    if response.is_angle and math.isfinite(mm):
        extras.append(f"about {mm:.0f} mm at the pocket")
    if math.isfinite(mm):
        if math.isfinite(ground.sight_mm):
            extras.append(f"{mm / ground.sight_mm:.2f} sight")
        if math.isfinite(ground.opening_mm):
            extras.append(f"{mm / ground.opening_mm:.0%} of the pocket")
    more = f" ({', '.join(extras)})" if extras else ""
    return f"{response.verb or response.label} {size_words(size, response)} {word}{more}"


def _aim(value: float, response: Response, ground: Ground) -> str:
    mm = abs(value) if response.is_miss else abs(value) * ground.mm_per_deg if response.is_angle else math.nan
    if not (math.isfinite(mm) and math.isfinite(ground.sight_mm)):
        return ""
    return f" Aim {mm / ground.sight_mm:.1g} sight {'shorter' if value > 0 else 'longer'} at the target."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
