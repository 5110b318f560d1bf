"""What the colours of shots laid over one another stand for: each label with its line, in rows under the table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import render_ink as ink
from pipeline.render_shot import ShotFilm
from shared.errors import SettingsError

if TYPE_CHECKING:
    from pipeline.render import RenderOptions

Look = tuple[ink.Colour, tuple[float, float]]
LEAST = 26  # px high: what is smaller can't be read on a telephone
EDGE, LINE, GAP = 40, 90, 40  # px: beside the rows, a label's line, between it and its words and behind them
ROW = 1.3  # of the letters' height


def draw_legend(
    picture: NDArray[np.uint8], films: Sequence[ShotFilm], looks: Mapping[str, Look], title: str,
    options: RenderOptions,
) -> None:
    """Title, and each label with its line and the number of its shots.

    Raises SettingsError where they can't be told apart or don't fit in letters of a legible size.
    """
    width, height = options.size
    top = height - options.caption_px
    words = [f"{label or 'shots'} ({sum(film.label == label for film in films)})" for label in looks]
    if title:
        ink.text(picture, title, (EDGE, top + 0.9 * options.letters), size=options.letters, boxed=False)
        top += round(1.6 * options.letters)
    size, rows = _rows(words, options.letters, width, height - top)
    step = min(1.5 * size, (height - top) / max(1, len(rows)))
    entries = iter(looks.values())
    for number, row in enumerate(rows):
        at = [float(EDGE), top + step * (number + 0.5)]
        for word in row:
            colour, dash = next(entries)
            ink.path(picture, np.array([at, [at[0] + LINE, at[1]]]), colour, width=8, dash=dash)
            ink.text(picture, word, (at[0] + LINE + GAP / 2, at[1]), size=size, boxed=False)
            at[0] += _taken(word, size)


def _rows(words: Sequence[str], most: int, width: int, height: int) -> tuple[int, list[list[str]]]:
    """The largest letters at which all fit, and the words by row."""
    for size in range(most, LEAST - 1, -2):
        rows = _broken(words, size, width)
        if rows is not None and len(rows) * ROW * size <= height:
            return size, rows
    short = [ink.shortened(word, LEAST, width - 2 * EDGE - LINE - GAP) for word in words]
    rows = _broken(short, LEAST, width)
    if rows is None or len(rows) * ROW * LEAST > height or len(set(short)) < len(short):
        raise SettingsError(f"{len(words)} labels do not fit under the table; choose what they tell with --by, or "
                            "fewer shots with --shot.")
    return LEAST, rows


def _broken(words: Sequence[str], size: int, width: int) -> list[list[str]] | None:
    """Words in rows; None where one is wider than a row."""
    rows: list[list[str]] = []
    left = 0.0
    for word in words:
        taken = _taken(word, size)
        if taken > width - 2 * EDGE + GAP:
            return None
        if not rows or taken > left + GAP:
            rows.append([])
            left = width - 2 * EDGE
        rows[-1].append(word)
        left -= taken
    return rows


def _taken(word: str, size: int) -> float:
    return LINE + GAP / 2 + ink.text_width(word, size) + GAP
