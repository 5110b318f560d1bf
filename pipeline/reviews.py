"""People's decisions: reviews.csv, one line a decision, only ever added to, kept apart from what the program says.

A line is written with one call and forced to the disk before the decision counts as made, so that a killed program
loses nothing and leaves at most one torn line, which is skipped. Lines belong to a shot by its clip and its strike's
time, so they survive measuring again even when the shots of a clip are numbered anew.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import pandas as pd

from shared.names import same_letters

REVIEWS_FILE = "reviews.csv"
Action = Literal["accept", "reject", "skip", "undo", "looked"]
ACTIONS: tuple[Action, ...] = ("accept", "reject", "skip", "undo", "looked")
FIELDS = ("decided_at", "shot_id", "clip", "start_s", "reviewer", "decision", "note", "blind", "verdict")
SAME_STRIKE_S = 0.5  # two strikes nearer than this are one


@dataclass(frozen=True, kw_only=True)
class Review:
    """One line. ``looked``: condition and outcome were shown before a decision; ``undo``: takes back the last one.

    ``blind``: whether condition and outcome were hidden when it was decided. ``verdict``: the program's at the time.
    """

    decided_at: str  # ISO 8601, UTC
    shot_id: str
    clip: str
    start_s: float
    reviewer: str
    decision: Action
    note: str = ""
    blind: bool = True
    verdict: str = ""


def now() -> str:
    """The time of a decision, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def append_review(out: Path, review: Review) -> None:
    """Add one line to ``out/reviews.csv`` and force it to the disk."""
    path = out / REVIEWS_FILE
    line = io.StringIO()
    writer = csv.writer(line, lineterminator="\n")
    end = _last_byte(path)
    if not end:
        writer.writerow(FIELDS)
    elif end != b"\n":  # a line torn by a kill or a full disk: leave it to itself
        line.write("\n")
    writer.writerow(_cells(review))
    with path.open("ab", buffering=0) as file:
        content = line.getvalue().encode()
        if file.write(content) != len(content):
            raise OSError(f"{path}: the disk is full; the decision was not saved.")
        os.fsync(file.fileno())
    if not end and hasattr(os, "O_DIRECTORY"):
        folder = os.open(out, os.O_RDONLY)
        try:
            os.fsync(folder)  # a new file is only safe once its folder is
        finally:
            os.close(folder)


def _last_byte(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            if file.seek(0, os.SEEK_END) == 0:
                return b""
            file.seek(-1, os.SEEK_END)
            return file.read(1)
    except FileNotFoundError:
        return b""


def read_reviews(out: Path) -> list[Review]:
    """All lines in their order; torn or foreign ones are skipped."""
    try:
        text = (out / REVIEWS_FILE).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return []
    rows = csv.reader(line for line in text.splitlines(keepends=True) if line.endswith("\n"))
    return [review for row in rows if (review := _review(row)) is not None]


def standing(reviews: Iterable[Review]) -> list[Review]:
    """The decision that stands for each shot and reviewer (accept, reject or skip), undone ones taken back.

    An undo takes back the same reviewer's last decision on that shot and brings the one before it back.
    """
    piles: dict[tuple[str, str, float], list[Review]] = {}
    for review in reviews:
        pile = piles.setdefault((review.reviewer, same_letters(review.clip), _known_start(piles, review)), [])
        if review.decision == "undo":
            del pile[-1:]
        elif review.decision != "looked":
            pile.append(review)
    return [pile[-1] for pile in piles.values() if pile]


def of_shot(reviews: Iterable[Review], clip: str, start_s: float) -> list[Review]:
    """Those of one shot, by clip and strike."""
    name = same_letters(clip)
    return [r for r in reviews if same_letters(r.clip) == name and abs(r.start_s - start_s) <= SAME_STRIKE_S]


def apply_reviews(shots: pd.DataFrame, out: Path) -> pd.DataFrame:
    """The shots with ``review``, ``reviewer`` and ``reviewed_at`` from ``out/reviews.csv``.

    With several reviewers the latest decision stands, and where they differ ``notes`` says so.
    """
    decided = [review for review in standing(read_reviews(out)) if review.decision != "skip"]
    found = shots.copy()
    for name in ("review", "reviewer", "reviewed_at"):
        found[name] = pd.Series(pd.NA, index=shots.index, dtype="string")
    notes = found["notes"].astype("string") if "notes" in found else pd.Series(pd.NA, index=shots.index, dtype="string")
    for index, clip, start_s in zip(shots.index, shots["clip"], shots["start_s"], strict=True):
        mine = sorted(of_shot(decided, str(clip), float(start_s)), key=lambda review: review.decided_at)
        if not mine:
            continue
        last = mine[-1]
        found.loc[index, ["review", "reviewer", "reviewed_at"]] = [last.decision, last.reviewer, last.decided_at]
        if len({review.decision for review in mine}) > 1:
            words = "reviewers differ: " + ", ".join(f"{r.reviewer} {r.decision}" for r in mine)
            old = _without_differences(notes[index])
            notes[index] = f"{old}; {words}" if old else words
    found["notes"] = notes
    return found


def _without_differences(notes: object) -> str:
    parts = str(notes).split("; ") if isinstance(notes, str) else []
    return "; ".join(part for part in parts if not part.startswith("reviewers differ: "))


def _known_start(piles: dict[tuple[str, str, float], list[Review]], review: Review) -> float:
    """The strike time under which a shot's earlier lines are filed, when there are any."""
    name = same_letters(review.clip)
    for reviewer, clip, start_s in piles:
        if (reviewer, clip) == (review.reviewer, name) and abs(start_s - review.start_s) <= SAME_STRIKE_S:
            return start_s
    return review.start_s


def _cells(review: Review) -> list[str]:
    return [
        review.decided_at, review.shot_id, review.clip, f"{review.start_s:.4f}", _line(review.reviewer),
        review.decision, _line(review.note), "yes" if review.blind else "no", review.verdict,
    ]


def _line(text: str) -> str:
    """One line of text, safe to open in a spreadsheet (no cell that starts a formula)."""
    plain = " ".join(text.split())
    return f"'{plain}" if plain[:1] in ("=", "+", "-", "@") else plain


def _review(row: list[str]) -> Review | None:
    if len(row) != len(FIELDS):
        return None
    cells = dict(zip(FIELDS, row, strict=True))
    decision = next((action for action in ACTIONS if action == cells["decision"]), None)
    try:
        start_s = float(cells["start_s"])
    except ValueError:  # the header, or a line that isn't ours
        return None
    if decision is None:
        return None
    return Review(
        decided_at=cells["decided_at"], shot_id=cells["shot_id"], clip=cells["clip"], start_s=start_s,
        reviewer=cells["reviewer"], decision=decision, note=cells["note"], blind=cells["blind"] == "yes",
        verdict=cells["verdict"],
    )
