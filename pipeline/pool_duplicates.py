"""Shots that came into a dataset twice: which of the two is kept, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from pipeline.compare.conditions import DERIVED, condition_columns, texts_of
from pipeline.pool_read import shot_hashes
from pipeline.reviews import SAME_STRIKE_S
from shared.columns import DECLARED

_SHOWN = 3  # columns that were declared in two ways: with these in view the others are found


def without_duplicates(shots: pd.DataFrame, measured_at: Mapping[str, str]) -> tuple[pd.DataFrame, list[str]]:
    """One row per shot that was really hit: the same clip, or the same measured content, twice is one.

    A row with a person's decision is kept before one without; else the one measured later; else the first one pooled.
    Lines say which was kept, and what was declared of the other one differently.

    measured_at : by session when it was measured, ISO 8601 in UTC; '' where it isn't known
    """
    by_clip = _strikes(shots).where(shots["source_sha256"].fillna("") != "", "row " + shots["shot_key"])
    hashes = pd.Series(shot_hashes(shots), index=shots.index)
    by_content = hashes.where(hashes != "", "row " + shots["shot_key"])
    table = pd.DataFrame(
        {
            "session": shots["session"].astype(str),
            "clip": by_clip,
            "content": by_content,
            "values": hashes,
            "decided": shots["review"].notna(),
            "measured_at": shots["session"].astype(str).map(measured_at).fillna(""),
            "row": range(len(shots)),
        }
    )
    table = table.sort_values(["decided", "measured_at", "row"], ascending=[False, False, True])
    twice = table.duplicated("clip") | table.duplicated("content")
    if not twice.any():
        return shots, []
    lines = _lines(table, set(table.loc[twice, "row"]), shots)
    return shots[~twice.reindex(shots.index)].reset_index(drop=True), lines


def _strikes(shots: pd.DataFrame) -> pd.Series:
    """A name for each strike of a recording: measured anew, its shots may have other numbers."""
    clip, start_s = pd.factorize(shots["source_sha256"].fillna(""))[0], shots["start_s"].to_numpy(float)
    order = np.lexsort((start_s, clip))
    same = (np.diff(start_s[order], prepend=-np.inf) <= SAME_STRIKE_S) & (np.diff(clip[order], prepend=-1) == 0)
    number = np.empty(len(order), int)
    number[order] = np.cumsum(~same)
    return pd.Series([f"strike {n}" for n in number], index=shots.index)


def _lines(table: pd.DataFrame, lost: set[int], shots: pd.DataFrame) -> list[str]:
    """A line for each two sessions that share shots. table: by row number, those kept before those lost."""
    rows = {int(row["row"]): {str(key): cell for key, cell in row.items()} for row in table.to_dict("records")}
    first: dict[tuple[str, str], int] = {}
    for number, row in rows.items():
        for key in ("clip", "content"):
            first.setdefault((key, row[key]), number)
    pairs: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for number in sorted(lost):
        kept = number
        while kept in lost:
            by_clip = first["clip", rows[kept]["clip"]]
            kept = by_clip if by_clip != kept else first["content", rows[kept]["content"]]
        this, other = rows[number], rows[kept]
        pairs.setdefault((this["session"], other["session"], _why(other, this)), []).append((number, kept))
    out = []
    for (mine, its, why), same in pairs.items():
        declared = _declared_differently(shots, *zip(*same, strict=True))
        if mine == its:
            out.append(f"{mine}: {len(same)} shot(s) are in it twice and are counted once.{declared}")
            continue
        alike = all(rows[number]["values"] == rows[kept]["values"] for number, kept in same)
        values = "" if alike else " The two measurements differ."
        out.append(
            f"{mine}: {len(same)} shot(s) are in {its}, too, and are not counted twice; those of {its} are kept{why}."
            f"{values}{declared}"
        )
    return out


def _declared_differently(shots: pd.DataFrame, lost: Sequence[int], kept: Sequence[int]) -> str:
    """Which declared columns and conditions differ between the rows lost and those kept, by number; "" if none does."""
    found = []
    for name in (*DECLARED, *(c for c in condition_columns(shots) if c not in DERIVED)):
        pairs = zip(*(texts_of(shots[name].iloc[list(rows)]).fillna("") for rows in (kept, lost)), strict=True)
        if differing := next(((one, other) for one, other in pairs if one != other), None):
            found.append(f"{name}: {' / '.join(text or 'blank' for text in differing)}")
    if not found:
        return ""
    more = f"; and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    return (f" They were declared differently ({'; '.join(found[:_SHOWN])}{more}); put it right in one of the two, "
            "then measure that one again.")


def _why(kept: dict[str, Any], lost: dict[str, Any]) -> str:
    if kept["decided"] and not lost["decided"]:
        return ", as a person decided on them"
    if kept["measured_at"] > lost["measured_at"] != "":
        return ", as they were measured later"
    return ""
