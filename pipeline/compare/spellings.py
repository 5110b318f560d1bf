"""Words of a column that may mean one thing: spelled in several ways, or one number written in two."""

from __future__ import annotations

import re

import pandas as pd

from pipeline.compare.conditions import texts_of
from pipeline.compare.quantities import are_units, quantity
from pipeline.speed_classes import same_class
from shared.names import same_letters, same_name

#: declared columns and what two spellings share, as shots are judged by it
_ONE = {"pattern": same_name, "speed_class": same_class}


def spelled_once(shots: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Shots with each pattern and speed class as it is spelled first; a line for each spelled in several ways.

    They are judged as one pattern or class, so they are compared as one.
    """
    lines = []
    for name in _ONE.keys() & set(shots.columns):
        cells = texts_of(shots[name])
        first: dict[str, str] = {}
        spellings: dict[str, list[str]] = {}
        for word in cells.dropna().unique():
            key = _ONE[name](word)
            first.setdefault(key, word)
            spellings.setdefault(key, []).append(word)
        several = [words for words in spellings.values() if len(words) > 1]
        lines += [f"{name}: {', '.join(map(repr, words))} are taken as one, {words[0]!r}." for words in several]
        if several:
            kept = {word: first[key] for key, words in spellings.items() for word in words}
            shots = shots.assign(**{name: cells.map(kept, na_action="ignore").astype("string")})
    return shots, sorted(lines)


def alike_lines(name: str, cells: pd.Series) -> list[str]:
    """A line for each group of words of a column that are compared as different and may be the same.

    cells : the words as they are compared; missing where there are none
    """
    groups: dict[tuple[float, str] | str, list[str]] = {}
    for word in sorted({str(cell).strip() for cell in cells.dropna().unique()} - {""}):
        groups.setdefault(meaning(word), []).append(word)
    leave = ", and leave a cell empty where there is no number" if any(isinstance(key, str) for key in groups) else ""
    lines = []
    for key, words in groups.items():
        if len(words) < 2:
            continue
        told = f"{name}: {', '.join(map(repr, words))}"
        if isinstance(key, str):
            lines.append(f"{told} differ only in capitals, spaces, hyphens or underscores and are taken as different; "
                         "write them alike if they mean the same.")
        else:
            lines.append(f"{told} are the same number but are taken as different words; write it alike "
                         f"everywhere{leave}.")
    return lines


def meaning(word: str) -> tuple[float, str] | str:
    """What two words share that may mean one thing: `Clean` and `clean`, or 40 and 40.0."""
    return _number(word) or _letters(word)


def _number(word: str) -> tuple[float, str] | None:
    found = quantity(word)
    return None if found is None or not are_units([found[1]]) else (found[0], _letters(found[1]))  # not 860 new


def _letters(word: str) -> str:
    """Without capitals, spaces, hyphens and underscores, but for those that part digits (1-2) or are a sign (-3)."""
    plain = "".join(same_letters(word).casefold().split())
    return re.sub(r"(?<!^)(?<!\d)[-_]+|[-_]+(?!\d)", "", plain)
