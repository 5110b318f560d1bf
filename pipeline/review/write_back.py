"""Decisions put into the review columns of shots.csv, every other cell left as it was written."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from shared.files import write_text


def write_back(path: Path, applied: pd.DataFrame) -> None:
    """Rewrite ``path`` in one step with review, reviewer, reviewed_at, counted and notes of ``applied``.

    applied : shot_id, review, reviewer, reviewed_at and notes, as `apply_reviews` returns them
    """
    text = path.read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    if not rows:
        return
    by_id = {str(row["shot_id"]): row for row in applied.to_dict("records")}
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    for row in rows:
        new = by_id.get(row["shot_id"])
        if new is not None:
            for name in ("review", "reviewer", "reviewed_at", "notes"):
                row[name] = "" if pd.isna(new[name]) else str(new[name])
            row["counted"] = _counted(row["review"], row["verdict"])
        writer.writerow(row)
    write_text(path, out.getvalue())


def _counted(review: str, verdict: str) -> str:
    """The person's decision where there is one, else verdict = clean."""
    if review:
        return str(review == "accept")
    return str(verdict == "clean") if verdict else ""
