"""reviews.csv as the page needs it, read again only where it has changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.review_file import REVIEWS_FILE, Review, ReviewFile, read_review_file
from pipeline.reviews import by_clip, of_recordings, standing
from shared.files import stamp


@dataclass(frozen=True)
class Decisions:
    """What the file holds, what of it is about the recordings that were measured, and what of that stands."""

    file: ReviewFile = field(default_factory=ReviewFile)
    mine: tuple[Review, ...] = ()
    standing: tuple[Review, ...] = ()
    by_clip: Mapping[str, list[Review]] = field(default_factory=dict)  # those standing


class DecisionReader:
    """Reads ``out/reviews.csv`` whenever it isn't as it was; not for several threads at once."""

    def __init__(self) -> None:
        self._of: object = None
        self._kept = Decisions()

    def read(self, out: Path, recordings: Mapping[str, str]) -> Decisions:
        """As the file is now; ``recordings`` as `pipeline.reviews.of_recordings` takes them."""
        now = (stamp(out / REVIEWS_FILE), recordings)
        if now != self._of:
            file = read_review_file(out)
            mine = of_recordings(file.reviews, recordings)[0]
            stands = standing(mine)
            self._kept = Decisions(file, tuple(mine), tuple(stands), by_clip(stands))
            self._of = now
        return self._kept
