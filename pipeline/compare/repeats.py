"""Answers read one below the other, in the terminal: a sentence that several of them hold is said once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from pipeline.compare.answers import THE_REST
from pipeline.compare.settings import CompareSettings
from pipeline.compare.taken_away import equal_hits


def without_repeats(
    answers: Sequence[str], contrasts: pd.DataFrame, labels: Mapping[str, str], settings: CompareSettings
) -> tuple[list[str], list[str]]:
    """The answers without sentences that several of them hold, and these sentences, of responses with their labels.

    What can't be told from the evening goes altogether: a note above the answers says it (``told_apart``).
    """
    left = list(answers)
    if contrasts.empty:
        return left, []
    for sentence in _sentences(contrasts, "untold"):
        left = [_without(text, sentence) for text in left]
    shared = {
        THE_REST: "",
        **{text: _named(contrasts, "taken_away", text, labels) for text in _sentences(contrasts, "taken_away")},
        equal_hits(settings): "",
        **{text: _named(contrasts, "not_adjusted", text, labels) for text in _sentences(contrasts, "not_adjusted")},
    }
    apart: list[str] = []
    for sentence, of in shared.items():
        if sentence and sum(f" {sentence}" in text for text in left) > 1:
            left = [_without(text, sentence) for text in left]
            apart.append(f"{of}: {sentence[0].lower()}{sentence[1:]}" if of else sentence)
    return left, apart


def _sentences(contrasts: pd.DataFrame, column: str) -> list[str]:
    return [text for text in contrasts[column].astype(str).unique() if text]


def _without(text: str, sentence: str) -> str:
    return text.replace(f" {sentence}", "")


def _named(contrasts: pd.DataFrame, column: str, sentence: str, labels: Mapping[str, str]) -> str:
    its = set(contrasts.loc[contrasts[column].astype(str) == sentence, "response"])
    return ", ".join(label for name, label in labels.items() if name in its)
