"""Shots that came into a dataset twice: which of the two is kept, whose decision counts, and what is said of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipeline.compare.conditions import DERIVED, condition_columns, texts_of
from pipeline.pool_gathered import gathering
from pipeline.pool_read import shot_hashes
from pipeline.reviews import SAME_STRIKE_S, time_of
from shared.columns import DECLARED

_SHOWN = 3  # columns that were declared in two ways: with these in view the others are found
_DECISION = ["review", "reviewer", "reviewed_at"]


@dataclass(frozen=True)
class Standing:
    """Of a session: whether its results are still ``there``; when it was measured, ISO 8601 in UTC, '' if unknown."""

    there: bool = True
    measured_at: str = ""


@dataclass(frozen=True, eq=False)
class Once:
    """``shots``: a row per shot that was really hit.

    kept_by  : by session with shots left out, the sessions that keep these
    borrowed : by session, how many of its shots have the decision that was made in another one
    gathered : sessions with shots left out in which shots of several others were put together
    """

    shots: pd.DataFrame
    lines: list[str] = field(default_factory=list)
    kept_by: dict[str, set[str]] = field(default_factory=dict)
    borrowed: dict[str, int] = field(default_factory=dict)
    gathered: set[str] = field(default_factory=set)


def without_duplicates(shots: pd.DataFrame, standings: Mapping[str, Standing]) -> Once:
    """One row per shot that was really hit: the same clip, or the same measured content, twice is one.

    Of two sessions one keeps all shots that they share, so that no evening is split: the one that is still there; else
    the one in which shots of several others weren't put together (`pool_gathered`), so that no evenings are joined;
    else the one measured later; else the one with more decisions; else the first one pooled. People's decisions on
    shots left out go to those kept, the latest counts (where a time can't be read, the one on the shot kept); not from
    a session that isn't there: they may have been undone since. Lines say which was kept, and what was decided or
    declared of the other one differently.
    """
    if shots.empty:
        return Once(shots)
    hashes = pd.Series(shot_hashes(shots), index=shots.index)
    table = pd.DataFrame(
        {
            "session": shots["session"].astype(str),
            "clip": _strikes(shots).where(shots["source_sha256"].fillna("") != "", "row " + shots["shot_key"]),
            "content": hashes.where(hashes != "", "row " + shots["shot_key"]),
            "values": hashes,
            "decided": shots["review"].notna(),
            "row": range(len(shots)),
        }
    )
    if not (table.duplicated("clip") | table.duplicated("content")).any():
        return Once(shots)
    decisions = table.groupby("session", sort=False)["decided"].sum()
    there = table[table["session"].map({name: standings.get(name, Standing()).there for name in decisions.index})]
    gathered = gathering([there[["session", key]].rename(columns={key: "mark"}) for key in ("clip", "content")])
    ranks = {
        str(name): _rank(standings.get(str(name), Standing()), int(n), gathers=name in gathered)
        for name, n in decisions.items()
    }
    place = {name: at for at, name in enumerate(sorted(ranks, key=ranks.__getitem__, reverse=True))}
    table = table.assign(place=table["session"].map(place))
    table = table.sort_values(["place", "decided", "row"], ascending=[True, False, True])
    twice = table.duplicated("clip") | table.duplicated("content")
    pairs = _pairs(table, set(table.loc[twice, "row"]))
    decided, borrowed, said = _decisions(shots, pairs, standings)
    lines = []
    for (mine, its), same in pairs.items():
        gone = not ranks[mine][0]  # nothing can be put right in it
        declared = "" if gone else _declared_differently(shots, *zip(*same, strict=True))
        lines.append(_line(hashes, mine, its, same, f"{said.get((mine, its), '')}{declared}", _why(mine, its, ranks)))
    kept_by: dict[str, set[str]] = {}
    for mine, its in pairs:
        kept_by.setdefault(mine, set()).add(its)
    once = decided[~twice.reindex(shots.index)].reset_index(drop=True)
    return Once(once, lines, kept_by, borrowed, gathered & set(kept_by))


_Rank = tuple[bool, bool, str, int]


def _rank(standing: Standing, decisions: int, *, gathers: bool) -> _Rank:
    return standing.there, not gathers, standing.measured_at, decisions


def _strikes(shots: pd.DataFrame) -> pd.Series:
    """A name for each strike of a recording: measured anew, its shots may have other numbers."""
    clip, start_s = pd.factorize(shots["source_sha256"].fillna(""))[0], shots["start_s"].to_numpy(float)
    order = np.lexsort((start_s, clip))
    same = (np.diff(start_s[order], prepend=-np.inf) <= SAME_STRIKE_S) & (np.diff(clip[order], prepend=-1) == 0)
    number = np.empty(len(order), int)
    number[order] = np.cumsum(~same)
    return pd.Series([f"strike {n}" for n in number], index=shots.index)


def _pairs(table: pd.DataFrame, lost: set[int]) -> dict[tuple[str, str], list[tuple[int, int]]]:
    """By session and the one that keeps its shots, the numbers of rows lost and kept. table: those kept come first."""
    rows = {int(row["row"]): {str(key): cell for key, cell in row.items()} for row in table.to_dict("records")}
    first: dict[tuple[str, str], int] = {}
    for number, row in rows.items():
        for key in ("clip", "content"):
            first.setdefault((key, row[key]), number)
    pairs: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for number in sorted(lost):
        kept = number
        while kept in lost:
            by_clip = first["clip", rows[kept]["clip"]]
            kept = by_clip if by_clip != kept else first["content", rows[kept]["content"]]
        pairs.setdefault((rows[number]["session"], rows[kept]["session"]), []).append((number, kept))
    return pairs


def _decisions(
    shots: pd.DataFrame, pairs: Mapping[tuple[str, str], list[tuple[int, int]]], standings: Mapping[str, Standing]
) -> tuple[pd.DataFrame, dict[str, int], dict[tuple[str, str], str]]:
    """The shots with the decisions that go to rows kept; how many by session; and what to say, by pair of sessions."""
    cells = shots[_DECISION].astype("string").fillna("").to_numpy()
    counts = dict(enumerate(cells.tolist()))
    taken: dict[int, str] = {}  # by row kept: its session
    said: dict[tuple[str, str], str] = {}
    for (mine, its), same in pairs.items():
        if mine == its:
            continue
        decided = [(lost, kept) for lost, kept in same if cells[lost][0]]
        if not standings.get(mine, Standing()).there:
            without = [kept for _, kept in decided if not cells[kept][0]]
            if without:
                said[mine, its] = (f" Decisions made in {mine} on {len(without)} of them ({_name(shots, without)}) are "
                                   f"not taken over; decide in {its} with `reboundry review`, then pool again.")
            continue
        over: list[int] = []
        differing: list[int] = []
        untimed: list[int] = []
        for lost, kept in decided:
            time, other = time_of(cells[lost][2]), time_of(counts[kept][2])
            if counts[kept][0] not in ("", cells[lost][0]):
                (untimed if time is None or other is None else differing).append(kept)
            if not counts[kept][0] or (time is not None and other is not None and time > other):
                counts[kept] = cells[lost].tolist()
                taken[kept] = its
                over.append(kept)
        if over:
            said[mine, its] = f" Decisions made in {mine} count for {len(over)} of them ({_name(shots, over)})."
        if differing:
            said[mine, its] = said.get((mine, its), "") + (
                f" Decisions on {len(differing)} of them differ ({_name(shots, differing)}), and the latest counts; "
                "agree, then decide anew."
            )
        if untimed:
            said[mine, its] = said.get((mine, its), "") + (
                f" Decisions on {len(untimed)} of them differ ({_name(shots, untimed)}); which was made later isn't "
                f"known, as reviewed_at is no time with its zone, so those of {its} count; agree, then decide anew."
            )
    if not taken:
        return shots, {}, said
    columns = {name: shots[name].astype("string").copy() for name in _DECISION} | {"counted": shots["counted"].copy()}
    for row in taken:
        for name, cell in zip(_DECISION, counts[row], strict=True):
            columns[name].iloc[row] = cell or pd.NA
        columns["counted"].iloc[row] = counts[row][0] == "accept"
    return shots.assign(**columns), dict(Counter(taken.values())), said


def _name(shots: pd.DataFrame, rows: Sequence[int]) -> str:
    more = " among them" if len(rows) > 1 else ""
    return f"{shots['shot_id'].iloc[rows[0]]}{more}"


def _line(values: pd.Series, mine: str, its: str, same: Sequence[tuple[int, int]], more: str, why: str) -> str:
    """Of two sessions that share shots. same: numbers of the rows lost and kept."""
    if mine == its:
        return f"{mine}: {len(same)} shot(s) are in it twice and are counted once.{more}"
    alike = all(values.iloc[lost] == values.iloc[kept] for lost, kept in same)
    differ = "" if alike else " The two measurements differ."
    return (f"{mine}: {len(same)} shot(s) are in {its}, too, and are not counted twice; those of {its} are kept{why}."
            f"{differ}{more}")


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


def _why(mine: str, its: str, ranks: Mapping[str, _Rank]) -> str:
    lost, kept = ranks[mine], ranks[its]
    if kept[0] != lost[0]:
        return f", as the results of {mine} are gone"
    if kept[1] != lost[1]:
        return f", as {mine} gathers shots of several sessions"
    if kept[2] != lost[2]:
        return ", as they were measured later" if lost[2] else ""
    return f", as {its} has more decisions" if kept[3] != lost[3] else ""
