"""reviews.csv: one line a decision, only ever added to, kept apart from what the program says.

A line is written with one call and forced to the disk before the decision counts as made, so that a killed program
loses nothing and leaves at most one torn line. People open the file in spreadsheets and save it again, so it is read
by its header's names, with comma, semicolon or tab, and added to as it is laid out now. What can't be read is counted,
so that it can be said.
"""

from __future__ import annotations

import csv
import io
import math
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from shared.errors import SettingsError

REVIEWS_FILE = "reviews.csv"
Action = Literal["accept", "reject", "skip", "undo", "looked"]
ACTIONS: tuple[Action, ...] = ("accept", "reject", "skip", "undo", "looked")
FIELDS = ("decided_at", "shot_id", "clip", "start_s", "reviewer", "decision", "note", "blind", "verdict",
          "recording")
HASH_LETTERS = 16


@dataclass(frozen=True, kw_only=True)
class Review:
    """One line. ``looked``: condition and outcome were shown before a decision; ``undo``: takes back the last one.

    ``blind``: whether condition and outcome were hidden when it was decided. ``verdict``: the program's at the time.
    ``recording``: the first letters of its clip's SHA-256, as another clip may come to have its name; empty: unknown.
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
    recording: str = ""


def now() -> str:
    """The time of a decision, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


@dataclass(frozen=True, kw_only=True)
class ReviewFile:
    """What the file holds. ``unread``: the numbers of lines that are no decision as far as can be told, from 1."""

    reviews: tuple[Review, ...] = ()
    unread: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Layout:
    """How the file is laid out now: what parts the cells, and which column is where."""

    delimiter: str = ","
    names: tuple[str, ...] = FIELDS


def append_reviews(out: Path, *reviews: Review) -> None:
    """Add a line each to ``out/reviews.csv`` and force them to the disk."""
    path = out / REVIEWS_FILE
    lines = _lines(path)
    layout = _layout(lines)
    line = io.StringIO()
    writer = csv.writer(line, delimiter=layout.delimiter, lineterminator="\n")
    if not lines:
        writer.writerow(FIELDS)
    elif not lines[-1].endswith("\n"):  # a line torn by a kill or a full disk: leave it to itself
        line.write("\n")
    for cells in map(_cells, reviews):
        writer.writerow([cells.get(name, "") for name in layout.names])
    with path.open("ab", buffering=0) as file:
        content = line.getvalue().encode()
        if file.write(content) != len(content):
            raise OSError(f"{path}: the disk is full; the decision was not saved.")
        os.fsync(file.fileno())
    if not lines and hasattr(os, "O_DIRECTORY"):
        folder = os.open(out, os.O_RDONLY)
        try:
            os.fsync(folder)  # a new file is only safe once its folder is
        finally:
            os.close(folder)


def read_reviews(out: Path) -> list[Review]:
    """All decisions in their order."""
    return list(read_review_file(out).reviews)


def read_review_file(out: Path) -> ReviewFile:
    """All decisions in their order, and which lines could not be read. Raises SettingsError for no text of ours."""
    lines = _lines(out / REVIEWS_FILE)
    layout = _layout(lines)
    reviews: list[Review] = []
    unread: list[int] = []
    for number, line in enumerate(lines, start=1):
        row = _row(line, layout.delimiter)  # each line for itself: a torn one may have opened a quote
        if not any(row) or (number == 1 and _is_header(row)):
            continue
        review = _review(layout, row)
        if review is None:
            unread.append(number)
        else:
            reviews.append(review)
    return ReviewFile(reviews=tuple(reviews), unread=tuple(unread))


def _lines(path: Path) -> list[str]:
    """The lines with their ends; each as UTF-8 if it can be that, since ours are added to a spreadsheet's."""
    try:
        raw = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return []
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"\xff\xfe", b"\xfe\xff")):
        raise SettingsError(f"{path}: is not CSV in UTF-8 any more; save it so from the spreadsheet.")
    content = raw.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return [_text(line) for line in content.splitlines(keepends=True)]


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _layout(lines: list[str]) -> _Layout:
    for delimiter in ",;\t":
        names = _row(lines[0], delimiter) if lines else []
        if _is_header(names):
            return _Layout(delimiter, tuple(names))
    return _Layout()


def _is_header(names: list[str]) -> bool:
    return {"clip", "start_s", "reviewer", "decision"} <= set(names)


def _row(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line.rstrip("\n")], delimiter=delimiter), [])]
    except csv.Error:
        return [line]


def _cells(review: Review) -> dict[str, str]:
    return dict(zip(FIELDS, (
        review.decided_at, review.shot_id, review.clip, f"{review.start_s:.4f}", _line(review.reviewer),
        review.decision, _line(review.note), "yes" if review.blind else "no", review.verdict,
        review.recording[:HASH_LETTERS],
    ), strict=True))


def _line(text: str) -> str:
    """One line of text, safe to open in a spreadsheet (no cell that starts a formula)."""
    plain = " ".join(text.split())
    return f"'{plain}" if plain[:1] in ("=", "+", "-", "@") else plain


def _plain(cell: str) -> str:
    """What `_line` was given."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in ("=", "+", "-", "@") else cell


def _review(layout: _Layout, row: list[str]) -> Review | None:
    if len(row) < len(layout.names) - 1:  # the last one only says of which recording it was
        return None
    cells = dict.fromkeys(FIELDS, "") | dict(zip(layout.names, row, strict=False))
    decision = next((action for action in ACTIONS if action == cells["decision"]), None)
    try:
        start_s = float(cells["start_s"].replace(",", "."))  # a decimal comma
    except ValueError:
        return None
    if decision is None or not math.isfinite(start_s) or not cells["clip"]:
        return None
    return Review(
        decided_at=cells["decided_at"], shot_id=cells["shot_id"], clip=cells["clip"], start_s=start_s,
        reviewer=_plain(cells["reviewer"]), decision=decision, note=_plain(cells["note"]),
        blind=cells["blind"] == "yes", verdict=cells["verdict"],
        recording=cells["recording"],
    )
