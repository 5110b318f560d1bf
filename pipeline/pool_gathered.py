"""Folders in which clips of several sessions were put together: their shots belong to those sessions' evenings."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence

import pandas as pd


def gathering(marks: Sequence[pd.DataFrame]) -> set[str]:
    """The sessions that share shots with two others that share none with each other.

    marks : tables of ``session`` and ``mark``; rows of equal mark are the same shot
    """
    shares: dict[str, set[str]] = {}
    for table in marks:
        once = table.drop_duplicates()
        several = once[once.duplicated("mark", keep=False)]
        pairs = several.merge(several, on="mark")[["session_x", "session_y"]].drop_duplicates()
        for one, other in pairs.itertuples(index=False):
            if one != other:
                shares.setdefault(one, set()).add(other)
    return {
        name for name, others in shares.items()
        if any(b not in shares[a] for a, b in itertools.combinations(sorted(others), 2))
    }


def tying(
    gathered: Collection[str], kept_by: Mapping[str, set[str]], recordings: Mapping[str, Collection[str]]
) -> set[str]:
    """Those of ``gathered`` that don't simply hold what their keepers hold: which of two is made of the other's shots
    can't be told, as each has recordings that the other lacks. Their recordings go on tying evenings together.

    kept_by    : by session, those that keep its shots
    recordings : by session, the clips that it was measured from
    """
    return {
        name for name in gathered
        for keeper in kept_by.get(name, set()) & set(gathered)
        if not set(recordings.get(keeper, ())) <= set(recordings.get(name, ()))
    }


def gathered_line(name: str, keepers: Sequence[str], *, one_evening: bool) -> str:
    """What to say of such a session, whose shots ``keepers`` keep."""
    *first, last = keepers
    told = f"{', '.join(first)} and {last}" if first else last
    if one_evening:
        return (f"{name}: gathers shots of {told} and of others, so whether these are one evening can't be told, and "
                f"they count as one. If they are several, pool them without {name} into a new folder.")
    return (f"{name}: gathers shots of {told}. They count there, and {name} doesn't make one evening of them. If they "
            f"are one, pool {name} without them into a new folder.")
