"""Several shots over one another: one empty table, every shot's balls cut out of its own frames, paths by label."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import render_ink as ink
from pipeline.render_layout import Layout
from pipeline.render_shot import ShotFilm, draw_paths

if TYPE_CHECKING:
    from pipeline.render import RenderOptions

Picture = NDArray[np.uint8]
SAMPLES = 12  # frames from which the empty table is put together
CLEAR_RADII = 2.6  # around a tracked ball the table counts as hidden: its shadow too
BALL_RADII = 1.12  # cut out with each ball


def overlaid(
    films: Sequence[ShotFilm], layout: Layout, times: NDArray[np.float64], options: RenderOptions, *, title: str
) -> Iterator[Picture]:
    """Whole pictures; ``times`` count from the common moment."""
    from pipeline.render import anchor, straightened

    labels = list(dict.fromkeys(film.label for film in films))
    kinds = len(ink.SERIES)
    looks = {label: (ink.SERIES[i % kinds], ink.DASHES[i % kinds]) for i, label in enumerate(labels)}
    x, y, width, height = layout.box
    ground = np.full((options.size[1], options.size[0], 3), ink.PAPER, np.uint8)
    ground[y : y + height, x : x + width] = (empty_table(films[0], layout) * 0.8 * options.dim).astype(np.uint8)
    _legend(ground, films, looks, title, options)
    starts = [anchor(film, options.align) for film in films]
    streams = [straightened(film, layout, times + start) for film, start in zip(films, starts, strict=True)]
    for t_s in times:
        picture = ground.copy()
        tables = [next(stream) for stream in streams]
        for film, start in zip(films, starts, strict=True):
            colour, dash = looks[film.label]
            draw_paths(picture, film, t_s + start, layout, colours={str(film.row["banked_ball"]): colour}, dash=dash,
                       rings=False)
        for film, start, table in zip(films, starts, tables, strict=True):
            _put_balls(picture, film, t_s + start, table, layout, looks[film.label][0])
        yield picture


def empty_table(film: ShotFilm, layout: Layout) -> Picture:
    """The straightened table without the tracked balls: from late frames, gaps filled from earlier ones."""
    import cv2

    from pipeline.render import straightened

    times = np.linspace(film.start_s, film.end_s, SAMPLES)
    shown = [picture.copy() for picture in straightened(film, layout, times)]
    result, hidden = shown[-1], _hidden(film, float(times[-1]), layout)
    for t_s, picture in zip(times[-2::-1], shown[-2::-1], strict=True):
        fill = hidden & ~_hidden(film, float(t_s), layout)
        result[fill] = picture[fill]
        hidden &= ~fill
    if not hidden.any():
        return result
    return np.asarray(cv2.inpaint(result, hidden.astype(np.uint8), 5, cv2.INPAINT_TELEA))  # where one always lay


def _hidden(film: ShotFilm, t_s: float, layout: Layout) -> NDArray[np.bool_]:
    """(height, width) of the box: where a tracked ball or its shadow lies."""
    import cv2

    x, y, width, height = layout.box
    mask = np.zeros((height, width), np.uint8)
    radius = layout.table.ball.radius_mm * layout.scale
    for ball in film.paths:
        place = film.place(ball, t_s)
        if place is not None:
            at = layout.to_px(place)[0] - [x, y]
            cv2.circle(mask, (round(float(at[0])), round(float(at[1]))), round(CLEAR_RADII * radius), 1, -1)
    return mask.astype(bool)


def _put_balls(
    picture: Picture, film: ShotFilm, t_s: float, table: Picture, layout: Layout, colour: ink.Colour
) -> None:
    """The shot's balls out of its straightened frame, with a ring in its label's colour around the banked one."""
    x, y, _, _ = layout.box
    radius = layout.table.ball.radius_mm * layout.scale
    reach = int(np.ceil(BALL_RADII * radius)) + 1
    for ball in film.paths:
        place = film.place(ball, t_s)
        if place is None:
            continue
        at = layout.to_px(place)[0]
        cx, cy = round(float(at[0])), round(float(at[1]))
        x0, y0, x1, y1 = cx - reach, cy - reach, cx + reach + 1, cy + reach + 1
        if x0 < x or y0 < y or x1 > x + table.shape[1] or y1 > y + table.shape[0]:
            continue
        rows, columns = np.mgrid[y0:y1, x0:x1]
        share = np.clip(BALL_RADII * radius + 0.5 - np.hypot(columns - at[0], rows - at[1]), 0, 1)[..., None]
        under = picture[y0:y1, x0:x1]
        own = table[y0 - y : y1 - y, x0 - x : x1 - x]
        under[:] = (under * (1 - share) + own * share).astype(np.uint8)
        if ball == str(film.row["banked_ball"]):
            ink.ring(picture, at, radius * 1.25, colour, width=max(3, round(layout.scale * 6)))


def _legend(
    picture: Picture, films: Sequence[ShotFilm], looks: dict[str, tuple[ink.Colour, tuple[float, float]]], title: str,
    options: RenderOptions,
) -> None:
    """Title, and each label with its line and the number of its shots."""
    size = options.letters
    width, height = options.size
    top = height - options.caption_px
    entries = [(label, sum(film.label == label for film in films)) for label in looks]
    words = [f"{label or 'shots'} ({count})" for label, count in entries]
    if title:
        ink.text(picture, title, (40, top + 0.9 * size), size=size, boxed=False)
    rows = 1 if not options.tall else len(words)
    fit = size
    while fit > 22 and not options.tall and sum(ink.text_width(w, fit) + 150 for w in words) > width - 60:
        fit -= 2
    at_x, at_y = 40.0, top + (2.4 * size if title else 1.2 * size)
    step = min(1.5 * size, (height - at_y - 0.5 * size) / max(1, rows))
    for (label, _), word in zip(entries, words, strict=True):
        colour, dash = looks[label]
        ink.path(picture, np.array([[at_x, at_y], [at_x + 90, at_y]]), colour, width=8, dash=dash)
        ink.text(picture, word, (at_x + 110, at_y), size=fit, boxed=False)
        if options.tall:
            at_y += step
        else:
            at_x += 150 + ink.text_width(word, fit)
