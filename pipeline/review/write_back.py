"""Decisions put into the review columns of shots.csv, every other cell left as it was written."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from pipeline.recordings import recordings_of
from pipeline.reviews import apply_reviews
from shared.errors import SettingsError
from shared.files import write_text

REVIEWED = ("review", "reviewer", "reviewed_at", "notes")
NEEDED = ("shot_id", "clip", "start_s", "verdict", "counted", *REVIEWED)


def write_back(out: Path) -> bool:
    """Rewrite ``out/shots.csv`` in one step with the decisions in ``out/reviews.csv``; False where it has them all.

    The shots are those that the file holds now: it may have been measured anew since it was last read. Raises
    SettingsError for a file that `measure` didn't write so, OSError where it can't be written.
    """
    path = out / "shots.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    if not rows:
        return False
    try:
        shots = pd.DataFrame({"clip": [row["clip"] for row in rows], "start_s": [float(row["start_s"]) for row in rows],
                              "notes": pd.array([row["notes"] or None for row in rows], dtype="string")})
        missing = [name for name in NEEDED if name not in rows[0]]
    except (KeyError, ValueError, TypeError):
        missing = list(NEEDED)
    if missing:
        raise SettingsError("it is not as `reboundry measure` writes it")
    names = list(rows[0])
    written = io.StringIO()
    writer = csv.DictWriter(written, fieldnames=names, lineterminator="\n")
    writer.writeheader()
    changed = False
    for row, new in zip(rows, apply_reviews(shots, out, recordings_of(out)).to_dict("records"), strict=True):
        told = {name: "" if pd.isna(new[name]) else str(new[name]) for name in REVIEWED}
        told["counted"] = _counted(told["review"], (row["verdict"] or "").strip().casefold())
        changed = changed or any(row[name] != cell for name, cell in told.items())
        writer.writerow({name: row[name] for name in names} | told)
    if changed:
        write_text(path, written.getvalue())
    return changed


def _counted(review: str, verdict: str) -> str:
    """The person's decision where there is one, else verdict = clean."""
    if review:
        return str(review == "accept")
    return str(verdict == "clean") if verdict else ""
