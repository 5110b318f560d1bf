"""Room for what people call their conditions: long names broken into lines, and the picture grown with the lines."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Sequence
from functools import lru_cache
from itertools import zip_longest
from typing import Literal

from matplotlib.artist import Artist
from matplotlib.figure import Figure

Place = Literal["outside lower right", "outside lower center", "outside upper right"]
LEGEND_PT = 8.0
_MOST_COLUMNS = 3
_BESIDE_PT = 42.0  # a legend's marker with the space around it
_EDGE_PT = 24.0
_LINE = 1.25  # of the letters' size


def in_lines(text: str, room_in: float, size_pt: float) -> str:
    """A text broken where it is wider than ``room_in`` (inches) in letters of ``size_pt``; its own breaks stay."""
    return "\n".join(part for line in text.split("\n") for part in _broken(line, room_in, size_pt))


def lines_in(texts: Sequence[str]) -> int:
    """The most lines of any of these texts."""
    return max((text.count("\n") + 1 for text in texts), default=1)


def width_in(text: str, size_pt: float) -> float:
    """Inches that the longest line of a text takes."""
    return max(_width_pt(line, size_pt) for line in text.split("\n")) / 72


def height_in(lines: float, size_pt: float) -> float:
    """Inches that so many lines take."""
    return lines * _LINE * size_pt / 72


def grow(figure: Figure, more_in: float) -> None:
    """Make a picture higher."""
    figure.set_figheight(figure.get_figheight() + more_in)


def put_legend(figure: Figure, *, loc: Place, handles: Sequence[Artist] | None = None) -> None:
    """A legend outside the axes in as many columns as fit; for each line beyond the first the picture grows."""
    if handles is None:
        handles, names = figure.axes[0].get_legend_handles_labels()
    else:
        names = [str(handle.get_label()) for handle in handles]
    if not handles:
        return
    free = figure.get_figwidth() * 72 - _EDGE_PT
    widest = max(_width_pt(name, LEGEND_PT) for name in names) + _BESIDE_PT
    columns = min(_MOST_COLUMNS, max(1, int(free / widest)))
    labels = [in_lines(name, (free / columns - _BESIDE_PT) / 72, LEGEND_PT) for name in names]
    figure.legend(handles, labels, loc=loc, ncols=columns, fontsize=LEGEND_PT, frameon=False)
    column = -(-len(labels) // columns)
    rows = zip_longest(*(labels[at : at + column] for at in range(0, len(labels), column)), fillvalue="")
    lines = [lines_in(row) for row in rows]
    grow(figure, height_in(sum(lines) - 1 + 0.4 * (len(lines) - 1), LEGEND_PT))


def _broken(line: str, room_in: float, size_pt: float) -> list[str]:
    wide = _width_pt(line, size_pt)
    if wide <= room_in * 72:
        return [line]
    letters = max(4, int(0.92 * room_in * 72 / (wide / len(line))))  # some of its lines have wider letters
    return textwrap.wrap(line, letters, break_on_hyphens=False) or [line]


@lru_cache(maxsize=1024)
def _width_pt(text: str, size_pt: float) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        width, _, _ = TextToPath().get_text_width_height_descent(text, FontProperties(size=size_pt), False)
    return float(width)
