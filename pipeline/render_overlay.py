"""Several shots over one another: one empty table, every shot's balls cut out of its own frames, paths by label."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import render_ink as ink
from pipeline.render_layout import Layout
from pipeline.render_legend import draw_legend
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
    kinds = len(ink.SERIES)  # from the seventh label on, the colours come again with other dashes
    looks = {label: (ink.SERIES[i % kinds], ink.DASHES[(i + i // kinds) % kinds]) for i, label in enumerate(labels)}
    x, y, width, height = layout.box
    ground = np.full((options.size[1], options.size[0], 3), ink.PAPER, np.uint8)
    ground[y : y + height, x : x + width] = (empty_table(films[0], layout) * 0.8 * options.dim).astype(np.uint8)
    draw_legend(ground, films, looks, title, options)
    starts = [anchor(film, options.align) for film in films]
    streams = [straightened(film, layout, times + start) for film, start in zip(films, starts, strict=True)]
    for frames in zip(*streams, strict=True):
        picture = ground.copy()
        for film, (t_s, _) in zip(films, frames, strict=True):
            colour, dash = looks[film.label]
            draw_paths(picture, film, t_s, layout, colours={str(film.row["banked_ball"]): colour}, dash=dash,
                       rings=False)
        for film, (t_s, table) in zip(films, frames, strict=True):
            _put_balls(picture, film, t_s, table, layout, looks[film.label][0])
        yield picture


def empty_table(film: ShotFilm, layout: Layout) -> Picture:
    """The straightened table without the tracked balls: from late frames, gaps filled from earlier ones."""
    import cv2

    from pipeline.render import straightened

    times = np.linspace(film.start_s, film.end_s, SAMPLES)
    shown = [(t_s, picture.copy()) for t_s, picture in straightened(film, layout, times)]
    last_s, result = shown[-1]
    hidden = _hidden(film, last_s, layout)
    for t_s, picture in shown[-2::-1]:
        fill = hidden & ~_hidden(film, t_s, layout)
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
