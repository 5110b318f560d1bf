"""How far two reviewers agree beyond chance: Cohen's kappa (J. Cohen, Educ. Psychol. Meas. 20:37, 1960)."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from pipeline.review_file import Review
from pipeline.reviews import by_clip, of_shot_in


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Two reviewers over the shots that both decided. ``kappa`` None: not defined (too few, or no variation at all)."""

    first: str
    second: str
    shots: int
    agreed: int
    kappa: float | None


def cohens_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> float | None:
    """Kappa of two equally long rows of labels; None if empty or if chance alone would agree always."""
    if len(first) != len(second):
        raise ValueError(f"both must have labelled the same items; got {len(first)} and {len(second)}.")
    n = len(first)
    if n == 0:
        return None
    observed = sum(a == b for a, b in zip(first, second, strict=True)) / n
    labels = set(first) | set(second)
    chance = sum(list(first).count(label) * list(second).count(label) for label in labels) / n**2
    return None if chance >= 1 else (observed - chance) / (1 - chance)


def agreements(standing: Iterable[Review]) -> list[Agreement]:
    """Every pair of reviewers, over the shots that both accepted or rejected."""
    decided = [review for review in standing if review.decision in ("accept", "reject")]
    names = sorted({review.reviewer for review in decided})
    return [_between(decided, first, second) for first, second in combinations(names, 2)]


def _between(decided: list[Review], first: str, second: str) -> Agreement:
    theirs = by_clip(review for review in decided if review.reviewer == second)
    pairs = [
        (review.decision, other[0].decision)
        for review in decided
        if review.reviewer == first and (other := of_shot_in(theirs, review.clip, review.start_s))
    ]
    a, b = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
    return Agreement(first=first, second=second, shots=len(pairs), agreed=sum(x == y for x, y in pairs),
                     kappa=cohens_kappa(a, b))
