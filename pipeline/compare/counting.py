"""Which shots are compared, and how many are left out and why, by condition."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import pandas as pd

from pipeline.compare.conditions import texts_of
from pipeline.compare.labels import column_of, condition_of

#: columns of the counts beside the conditions'
COUNT_COLUMNS = ("shots", "counted", "mishit", "unusable", "rejected_by_person", "accepted_by_person", "why_left_out")
_MOST_REASONS = 6  # combinations of reasons that are named


def counted_mask(shots: pd.DataFrame) -> pd.Series:
    """True where a shot counts: as told; where that is empty, the person's decision, else the program's verdict."""
    told = shots["counted"].astype("boolean")
    review = shots["review"].astype("string").fillna("") if "review" in shots else ""
    clean = shots["verdict"].astype("string").fillna("") == "clean"
    decided = pd.Series(review, index=shots.index).map({"accept": True, "reject": False}).astype("boolean")
    return told.fillna(decided).fillna(clean).astype(bool)


def none_told(column: str) -> str:
    """What a shot's cell in this column of the counts is called where it is empty: '(no pattern)'."""
    return f"(no {condition_of(column).replace('_', ' ')})"


def _filled(cells: pd.Series, empty: str) -> pd.Series:
    return cells.fillna("").mask(cells.fillna("") == "", empty)


def count_shots(shots: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """A row a condition: shots, counted, clean, mishit, unusable, rejected and accepted by a person, reasons (most
    frequent first)."""
    groups = [_filled(texts_of(shots[name]), none_told(name)) for name in by]
    if not groups:
        groups = [pd.Series("all", index=shots.index, name="all")]
    looked_at = shots[[c for c in ("verdict", "review", "counted", "reasons") if c in shots]]
    rows = []
    for key, part in looked_at.groupby(groups, sort=True, dropna=False):
        names = [column_of(name, COUNT_COLUMNS) for name in by] or ["all"]
        row = dict(zip(names, key if isinstance(key, tuple) else (key,), strict=True))
        verdict = part["verdict"].astype("string").fillna("")
        review = part["review"].astype("string").fillna("")
        counted = counted_mask(part)
        row |= {
            "shots": len(part),
            "counted": int(counted.sum()),
            "mishit": int((verdict == "mishit").sum()),
            "unusable": int((verdict == "unusable").sum()),
            "rejected_by_person": int((review == "reject").sum()),
            "accepted_by_person": int((review == "accept").sum()),
            "why_left_out": why_left_out(part[~counted]),
        }
        rows.append(row)
    return pd.DataFrame(rows)


def why_left_out(left_out: pd.DataFrame) -> str:
    """'follow (2); side and not full (1)': each shot once, with all its reasons but without its own figures behind the
    colon, most frequent first."""
    tally: Counter[str] = Counter()
    rejected = left_out["review"].astype("string").fillna("") == "reject"
    texts = left_out["reasons"].astype("string").fillna("").mask(rejected, "rejected by a person")
    for text, times in texts.value_counts(sort=False).items():
        reasons = dict.fromkeys(_short(r) for r in str(text).split(";") if r.strip())
        tally[_and(list(reasons) or ["no reason given"])] += int(times)
    said = sorted(tally.items(), key=lambda item: (-item[1], item[0]))
    rest = sum(n for _, n in said[_MOST_REASONS:])
    more = [("other reasons together", rest)] if rest else []
    return "; ".join(f"{reason} ({n})" for reason, n in [*said[:_MOST_REASONS], *more])


def _and(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _short(reason: str) -> str:
    """'follow: roll ratio 0.66, wanted 0.00' -> 'follow'; 'uncertain: side: ...' -> 'uncertain: side'."""
    parts = [part.strip() for part in reason.split(":")]
    return ": ".join(parts[: 2 if parts[0] == "uncertain" else 1])
