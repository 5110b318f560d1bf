"""One column a condition, also where sessions spell its name differently: `cloth` in one and `Cloth` in another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.compare.conditions import DERIVED, condition_columns, texts_of
from shared.names import same_name


def other_spellings(sessions: Sequence[pd.DataFrame]) -> dict[str, str]:
    """By name of a condition, the name that the first session with it gives it; only those that differ.

    sessions : the shots of each session
    """
    first: dict[str, str] = {}
    names = dict.fromkeys(c for shots in sessions for c in condition_columns(shots) if c not in DERIVED)
    return {name: known for name in names if (known := first.setdefault(same_name(name), name)) != name}


def spelling_lines(spellings: Mapping[str, str]) -> list[str]:
    """A line for each name that is taken for another one."""
    return [f"condition {name!r} is taken as {first!r}: only capitals, spaces or hyphens differ."
            for name, first in spellings.items()]


def spelled_alike(shots: pd.DataFrame, spellings: Mapping[str, str]) -> tuple[pd.DataFrame, list[str]]:
    """One session's shots with each condition under its first name; a line where both were given, differently."""
    lines = []
    for name in [c for c in shots.columns if c in spellings]:
        first = spellings[name]
        if first not in shots or shots[first].isna().all():
            shots = shots.drop(columns=first, errors="ignore").rename(columns={name: first})
            continue
        one, other = texts_of(shots[first]), texts_of(shots[name])
        if len(differing := shots[one.notna() & other.notna() & (one != other).fillna(False)]):
            at = differing.index[0]
            lines.append(f"{shots['session'].iloc[0]}: {first!r} and {name!r} say the same condition differently for "
                         f"{len(differing)} shot(s) ({one[at]} / {other[at]}), so it is left blank for them; leave one "
                         "of the two out, then measure it again.")
        if other.notna().any():
            shots = shots.assign(**{first: one.fillna(other).mask(shots.index.isin(differing.index))})
        shots = shots.drop(columns=name)
    return shots, lines


def levels_spelled_alike(fingerprint: pd.DataFrame, spellings: Mapping[str, str]) -> pd.DataFrame:
    """FINGERPRINT rows whose ``condition`` ("Balls = clean") names conditions as ``spelled_alike`` does."""
    if "condition" not in fingerprint:
        return fingerprint

    def respelled(text: str) -> str:
        name, equals, level = text.partition(" = ")
        return f"{spellings.get(name, name)}{equals}{level}"

    return fingerprint.assign(condition=fingerprint["condition"].map(respelled, na_action="ignore").astype("string"))
