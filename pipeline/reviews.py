"""People's decisions and the shots they are about.

A decision belongs to a shot by its clip and its strike's time, so it survives measuring again even when the shots of a
clip are numbered anew. It goes with its recording, so it survives a new name of the clip as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pandas as pd

from pipeline.review_file import HASH_LETTERS, REVIEWS_FILE, Review, ReviewFile, read_reviews
from shared.names import same_letters

SAME_STRIKE_S = 0.5  # two strikes nearer than this are one
_DIFFER = "reviewers differ: "
_Pile = list[tuple[int, Review]]  # one reviewer's decisions on one shot, each with its line


def standing(reviews: Iterable[Review]) -> list[Review]:
    """The decision that stands for each shot and reviewer (accept, reject or skip), undone ones taken back.

    In the order of their lines. An undo takes back the same reviewer's last decision on that shot and brings the one
    before it back.
    """
    piles: list[_Pile] = []
    known: dict[tuple[str, str], list[tuple[float, _Pile]]] = {}  # by reviewer and clip: strike time, pile
    for line, review in enumerate(reviews):
        mine = known.setdefault((review.reviewer, same_letters(review.clip)), [])
        pile = next((pile for start_s, pile in mine if abs(start_s - review.start_s) <= SAME_STRIKE_S), None)
        if pile is None:
            pile = []
            mine.append((review.start_s, pile))
            piles.append(pile)
        if review.decision == "undo":
            del pile[-1:]
        elif review.decision != "looked":
            pile.append((line, review))
    return [review for _, review in sorted((pile[-1] for pile in piles if pile), key=lambda last: last[0])]


def of_shot(reviews: Iterable[Review], clip: str, start_s: float) -> list[Review]:
    """Those of one shot, by clip and strike."""
    name = same_letters(clip)
    return [r for r in reviews if same_letters(r.clip) == name and abs(r.start_s - start_s) <= SAME_STRIKE_S]


def of_recordings(reviews: Iterable[Review], recordings: Mapping[str, str]) -> tuple[list[Review], list[Review]]:
    """Those about the recordings that were measured, and those about another clip that had the same name before.

    Those about a recording that was measured under another name come with that name. Of several copies, one of which
    still has the name, it is that one's.

    recordings : SHA-256 by clip, as `pipeline.recordings.recordings_of`; what isn't known there is taken on trust
    """
    names = {sha256[:HASH_LETTERS]: clip for clip, sha256 in sorted(recordings.items(), reverse=True) if sha256}
    mine: list[Review] = []
    others: list[Review] = []
    for review in reviews:
        now = recordings.get(same_letters(review.clip), "")
        if not review.recording or now.startswith(review.recording):
            mine.append(review)
        elif renamed := names.get(review.recording[:HASH_LETTERS]):
            mine.append(replace(review, clip=renamed))
        else:
            (others if now else mine).append(review)
    return mine, others


def on_shots(reviews: Iterable[Review], shots: pd.DataFrame) -> tuple[list[Review], list[Review]]:
    """Those that belong to one of the shots (clip and start_s), and those that belong to none."""
    starts: dict[str, list[float]] = {}
    for clip, start_s in zip(shots["clip"], shots["start_s"], strict=True):
        starts.setdefault(same_letters(str(clip)), []).append(float(start_s))
    mine: list[Review] = []
    others: list[Review] = []
    for review in reviews:
        of_clip = starts.get(same_letters(review.clip), [])
        (mine if any(abs(review.start_s - s) <= SAME_STRIKE_S for s in of_clip) else others).append(review)
    return mine, others


def apply_reviews(shots: pd.DataFrame, out: Path, recordings: Mapping[str, str]) -> pd.DataFrame:
    """The shots with ``review``, ``reviewer`` and ``reviewed_at`` from ``out/reviews.csv``.

    With several reviewers the latest decision stands, by the order of the lines where a spreadsheet rewrote a time;
    where they differ ``notes`` says so.

    shots      : clip, start_s and, where there are any, notes; the index may be anything that is unique
    recordings : as `of_recordings` takes them
    """
    decided = by_clip(_decided(of_recordings(read_reviews(out), recordings)[0]))
    cells: dict[str, list[str | None]] = {"review": [], "reviewer": [], "reviewed_at": [], "notes": []}
    before = shots["notes"] if "notes" in shots else [None] * len(shots)
    for clip, start_s, note in zip(shots["clip"], shots["start_s"], before, strict=True):
        mine = _latest_last(of_shot_in(decided, str(clip), float(start_s)))
        last = mine[-1] if mine else None
        notes = "; ".join(filter(None, (without_differences(note), _differences(mine))))
        told = (last.decision, last.reviewer, last.decided_at) if last else (None, None, None)
        for name, cell in zip(cells, (*told, notes or None), strict=True):
            cells[name].append(cell)
    return shots.assign(**{name: pd.array(column, dtype="string") for name, column in cells.items()})


def review_problems(
    shots: pd.DataFrame, kept: ReviewFile, recordings: Mapping[str, str], *, clips: Iterable[str]
) -> list[str]:
    """What of reviews.csv comes to nothing, a line each.

    shots : clip and start_s; clips : those that were measured, also if no shot was found in them
    """
    lines = []
    if kept.unread:
        which = ", ".join(map(str, kept.unread))
        lines.append(f"{REVIEWS_FILE}: line{'s' if len(kept.unread) > 1 else ''} {which} can't be read as a decision; "
                     "put right what stands there, or remove it.")
    measured = {same_letters(clip) for clip in clips}
    mine, others = of_recordings(kept.reviews, recordings)
    lost = [review for review in on_shots(_decided(mine), shots)[1] if same_letters(review.clip) in measured]
    if lost:
        first = lost[0]
        lines.append(f"{REVIEWS_FILE}: {len(lost)} decision{'s' if len(lost) > 1 else ''} "
                     f"belong{'' if len(lost) > 1 else 's'} to no shot as measured now (the first: {first.reviewer}'s "
                     f"on {first.clip} at {first.start_s:.2f} s); decide anew and remove the line.")
    if replaced := _decided(others):
        first = replaced[0]
        lines.append(f"{REVIEWS_FILE}: {len(replaced)} decision{'s' if len(replaced) > 1 else ''} "
                     f"{'are' if len(replaced) > 1 else 'is'} about another recording of the same name (the first: "
                     f"{first.reviewer}'s on {first.clip}); decide anew and remove the line.")
    return lines


def _latest_last(reviews: Sequence[Review]) -> list[Review]:
    """In order of time; as given where a time isn't ISO 8601 with its zone any more: 28.11.2026 20:10."""
    timed = [(time, review) for review in reviews if (time := time_of(review.decided_at)) is not None]
    if len(timed) < len(reviews):
        return list(reviews)
    return [review for _, review in sorted(timed, key=lambda one: one[0])]


def time_of(text: str) -> datetime | None:
    """When it was decided; None where the text isn't ISO 8601 with its zone any more, as a spreadsheet leaves it."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if time.tzinfo is None else time


def _decided(reviews: Iterable[Review]) -> list[Review]:
    return [review for review in standing(reviews) if review.decision != "skip"]


def of_shot_in(reviews: Mapping[str, list[Review]], clip: str, start_s: float) -> list[Review]:
    """As `of_shot`, from what `by_clip` returns."""
    return of_shot(reviews.get(same_letters(clip), []), clip, start_s)


def by_clip(reviews: Iterable[Review]) -> dict[str, list[Review]]:
    """Reviews by the letters of their clip's name: for many shots, faster than looking through all for each."""
    found: dict[str, list[Review]] = {}
    for review in reviews:
        found.setdefault(same_letters(review.clip), []).append(review)
    return found


def _differences(reviews: list[Review]) -> str:
    """What to note of a shot on which its reviewers don't decide alike; else empty."""
    if len({review.decision for review in reviews}) < 2:
        return ""
    return _DIFFER + ", ".join(f"{r.reviewer.replace(';', ',')} {r.decision}" for r in reviews)


def without_differences(notes: object) -> str:
    """Notes of a shot without the one that its reviewers differ."""
    parts = str(notes).split("; ") if isinstance(notes, str) else []
    return "; ".join(part for part in parts if not part.startswith(_DIFFER))
