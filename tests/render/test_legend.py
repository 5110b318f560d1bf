"""What the colours stand for: every label whole and apart from the others, in letters that can be read, or refused."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline import render_ink as ink
from pipeline import render_legend
from pipeline.render import RenderOptions
from pipeline.render_legend import LEAST, LINE, draw_legend
from shared.errors import SettingsError

ROOM = [f"temperature 24.{n} °C, humidity 4{n} %" for n in range(9)]


def drawn(labels, *, tall: bool, title: str = "", monkeypatch) -> tuple[list, list, RenderOptions]:
    """Where each label's line and words come to lie: (left, right, row, size)."""
    words, lines = [], []
    monkeypatch.setattr(render_legend.ink, "text", lambda picture, word, at, *, size, boxed: words.append(
        (word, at[0], at[0] + ink.text_width(word, size), at[1], size)))
    monkeypatch.setattr(render_legend.ink, "path", lambda picture, points, colour, *, width, dash: lines.append(
        (points[0][0], points[1][0], points[0][1], colour, dash)))
    options = RenderOptions(tall=tall)
    looks = {label: (ink.SERIES[i % 6], ink.DASHES[(i + i // 6) % 6]) for i, label in enumerate(labels)}
    picture = np.zeros((options.size[1], options.size[0], 3), np.uint8)
    draw_legend(picture, [SimpleNamespace(label=label) for label in labels], looks, title, options)
    return words[1:] if title else words, lines, options


@pytest.mark.parametrize(("count", "tall", "title"), [
    (2, False, ""), (6, False, ""), (4, False, "A title"), (2, True, ""), (7, True, "A title")])
def test_no_label_covers_another_nor_leaves_the_picture(count, tall, title, monkeypatch):
    words, lines, options = drawn(ROOM[:count], tall=tall, title=title, monkeypatch=monkeypatch)
    assert [word[0] for word in words] == [f"{label} (1)" for label in ROOM[:count]]
    for (_, left, right, y, size), (start, stop, line_y, _, _) in zip(words, lines, strict=True):
        assert size >= LEAST
        assert stop < left
        assert stop - start == LINE
        assert y == line_y
        assert start > 0
        assert right <= options.size[0]
        assert options.size[1] - options.caption_px <= y - size / 2
        assert y + size / 2 <= options.size[1]
    for one, other in pairwise(words):
        assert (one[3] == other[3] and one[2] < other[1]) or other[3] - one[3] >= one[4], (one, other)


def test_more_labels_than_fit_are_refused_with_what_to_do(monkeypatch):
    with pytest.raises(SettingsError, match="9 labels do not fit under the table; choose what they tell with --by"):
        drawn(ROOM, tall=False, monkeypatch=monkeypatch)


def test_long_labels_are_cut_short_only_where_they_stay_apart(monkeypatch):
    tail = ", and so on for longer than any picture is wide" * 4
    words, _, _ = drawn([f"worn{tail}", f"new{tail}"], tall=True, monkeypatch=monkeypatch)
    assert [word[0].endswith("…") for word in words] == [True, True]
    with pytest.raises(SettingsError, match="2 labels do not fit"):
        drawn([f"{tail} worn", f"{tail} new"], tall=True, monkeypatch=monkeypatch)
