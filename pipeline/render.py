"""Pictures and clips for an audience: one shot drawn on, a still, several shots laid over one another or side by side.

The table is straightened through the camera's map of the plane of the balls' centres, lying for a wide picture and
upright for a tall one. Letters are at least 1/30 of the shorter side: legible on a telephone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from pipeline import render_ink as ink
from pipeline.render_labels import draw_numbers
from pipeline.render_layout import TALL, WIDE, Layout, layout_for
from pipeline.render_shot import ShotFilm, draw_paths
from pipeline.render_video import write_video
from shared.equipment import Table
from shared.errors import SettingsError
from shared.files import write_bytes
from shared.numbers import to_places

Picture = NDArray[np.uint8]
Align = Literal["strike", "cushion"]
Tell = Callable[[int, int], None]  # pictures done, pictures in all
BEFORE_S, AFTER_S, HOLD_S = 0.5, 0.4, 1.5
UNSEEN_MM = 2.0  # about a pixel
COLOURS: dict[str, ink.Colour] = {"cue": ink.WHITE, "object": ink.SERIES[0]}


@dataclass(frozen=True, kw_only=True)
class RenderOptions:
    """``speed``: 1 as filmed, 0.5 half as fast; ``dim``: how much of the picture's light is left under the drawing."""

    tall: bool = False
    frames_per_s: int = 60
    speed: float = 1.0
    align: Align = "strike"
    dim: float = 0.85

    @property
    def size(self) -> tuple[int, int]:
        """Width, height in px."""
        return TALL if self.tall else WIDE

    @property
    def letters(self) -> int:
        """Height of the letters in px."""
        return 44 if self.tall else 40

    @property
    def caption_px(self) -> int:
        """Kept free at the bottom."""
        return 360 if self.tall else 150


def render_clip(
    film: ShotFilm, path: Path, *, options: RenderOptions = RenderOptions(), tell: Tell | None = None
) -> int:
    """One shot with paths, angles and numbers drawn on; returns the number of pictures written."""
    layout = layout_for(film.calibration.table, options.size, caption_px=options.caption_px, upright=options.tall)
    times = _times(film.start_s - BEFORE_S, film.end_s + AFTER_S, options)
    pictures = _held(_drawn(film, layout, times, options), len(times), options, tell)
    return write_video(path, pictures, size=options.size, frames_per_s=options.frames_per_s)


def render_still(film: ShotFilm, path: Path, *, options: RenderOptions = RenderOptions()) -> None:
    """The end of a shot with all its paths and numbers, as PNG."""
    import cv2

    layout = layout_for(film.calibration.table, options.size, caption_px=options.caption_px, upright=options.tall)
    *_, last = _drawn(film, layout, np.array([film.end_s]), options)
    _, data = cv2.imencode(".png", last)
    write_bytes(path, data.tobytes())


def render_together(
    films: Sequence[ShotFilm], path: Path, *, title: str = "", options: RenderOptions = RenderOptions(),
    tell: Tell | None = None,
) -> int:
    """Several shots laid over one another, aligned at the strike or the first cushion, coloured by label.

    ``films`` : one or more; to align at the first cushion each has one. Raises SettingsError where their tables differ
    """
    from pipeline.render_overlay import overlaid

    _check_one_table(films)
    layout = layout_for(films[0].calibration.table, options.size, caption_px=options.caption_px, upright=options.tall)
    times = _common_times(films, options)
    pictures = _held(overlaid(films, layout, times, options, title=title), len(times), options, tell)
    return write_video(path, pictures, size=options.size, frames_per_s=options.frames_per_s)


def render_side_by_side(
    films: Sequence[ShotFilm], path: Path, *, options: RenderOptions = RenderOptions(), tell: Tell | None = None
) -> int:
    """Up to four shots beside one another (three below one another when tall), aligned in time.

    ``films`` : one or more; to align at the first cushion each has one
    """
    columns, rows = (1, min(3, len(films))) if options.tall else (2, 1 if len(films) <= 2 else 2)
    if len(films) > columns * rows:
        raise SettingsError(f"side by side shows {columns * rows} shots; {len(films)} were chosen. Choose fewer with "
                            "--shot, or lay them over one another with --what together.")
    tile = (options.size[0] // columns // 2 * 2, options.size[1] // rows // 2 * 2)
    upright = tile[1] > tile[0]
    layouts = [layout_for(f.calibration.table, tile, caption_px=round(options.letters * 1.8), upright=upright)
               for f in films]
    times = _common_times(films, options)
    parts = [_tile(film, layout, times + anchor(film, options.align), options)
             for film, layout in zip(films, layouts, strict=True)]

    def pictures() -> Iterator[Picture]:
        for tiles in zip(*parts, strict=True):
            picture = _paper(options.size)
            for i, one in enumerate(tiles):
                x, y = i % columns * tile[0], i // columns * tile[1]
                picture[y : y + tile[1], x : x + tile[0]] = one
            yield picture

    return write_video(path, _held(pictures(), len(times), options, tell), size=options.size,
                       frames_per_s=options.frames_per_s)


def anchor(film: ShotFilm, align: Align) -> float:
    """The clip's time that all shots have in common."""
    if align == "strike" or film.cushion_s is None:
        return film.start_s
    return film.cushion_s


def straightened(film: ShotFilm, layout: Layout, times: NDArray[np.float64]) -> Iterator[tuple[float, Picture]]:
    """At each time of the clip the frame on show then: its own time, not later than asked for, and its table in the
    box of ``layout``. What is drawn on it is drawn as of its own time, else it would run ahead of the balls.
    """
    import cv2

    pose: CameraPose | None = None
    frames = film.frames(float(times[0]))
    current = next(frames, None)
    following = next(frames, None)
    shown: Picture | None = None
    for t_s in times:
        while following is not None and following.t_s <= t_s + 1e-6:
            current, following, shown = following, next(frames, None), None
        if current is None:
            raise SettingsError(f"{film.clip.name}: has no frame at {t_s:.2f} s; is it the clip that was measured?")
        if shown is None:
            if pose is not (now := film.calibration.pose_at(current.t_s)):  # a camera that was knocked
                pose, maps = now, layout.map_from(now)
            shown = np.asarray(cv2.remap(current.bgr(), *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))
        yield min(current.t_s, float(t_s)), shown


def _drawn(film: ShotFilm, layout: Layout, times: NDArray[np.float64], options: RenderOptions) -> Iterator[Picture]:
    """Whole pictures of one shot."""
    x, y, width, height = layout.box
    for t_s, table in straightened(film, layout, times):
        picture = _paper(options.size)
        picture[y : y + height, x : x + width] = (table * options.dim).astype(np.uint8)
        draw_paths(picture, film, t_s, layout, colours=COLOURS)
        draw_numbers(picture, film, t_s, layout, size=options.letters)
        _caption(picture, film, t_s, options)
        yield picture


def _tile(film: ShotFilm, layout: Layout, times: NDArray[np.float64], options: RenderOptions) -> Iterator[Picture]:
    x, y, width, height = layout.box
    for t_s, table in straightened(film, layout, times):
        picture = _paper(layout.size)
        picture[y : y + height, x : x + width] = (table * options.dim).astype(np.uint8)
        draw_paths(picture, film, t_s, layout, colours=COLOURS)
        draw_numbers(picture, film, t_s, layout, size=round(options.letters * 0.8))
        ink.text(picture, film.label, (layout.size[0] / 2, layout.size[1] - options.letters * 0.9),
                 size=_fit(film.label, round(options.letters * 0.9), layout.size[0]), anchor="mm", boxed=False)
        yield picture


def _caption(picture: Picture, film: ShotFilm, t_s: float, options: RenderOptions) -> None:
    """Label and the main numbers; those of the bank once it has happened."""
    size, (width, height) = options.letters, options.size
    parts = [_figure(film, "cue_roll_ratio", "roll", places=2, unit=""), _figure(film, "cut_angle_deg", "cut")]
    if film.cushion_s is not None and t_s >= film.cushion_s:
        parts += [_figure(film, "incoming_angle_deg", "in"), _figure(film, "rebound_angle_deg", "out"),
                  _figure(film, "rebound_settled_angle_deg", "settled")]
    told = [part for part in parts if part]
    top = height - options.caption_px
    if options.tall:
        lines = [*caption_lines(film.label, size, width), "   ".join(told[:2]), "   ".join(told[2:])]
        step = 1.9 * size if len(lines) < 4 else 1.65 * size
        for i, line in enumerate(line for line in lines if line):
            ink.text(picture, line, (width / 2, top + 80 + step * i), size=_fit(line, size, width), anchor="mm",
                     boxed=False)
    else:
        ink.text(picture, film.label, (40, top + 45), size=_fit(film.label, size, width - 80), boxed=False)
        line = "   ".join(told)
        ink.text(picture, line, (40, top + 45 + 1.4 * size), size=_fit(line, size, width - 80), boxed=False)


def _figure(film: ShotFilm, name: str, word: str, *, places: int = 1, unit: str = "°") -> str:
    value = film.row.get(name)
    number = float("nan") if value is None else float(value)
    return f"{word} {to_places(number, places)}{unit}" if np.isfinite(number) else ""


def caption_lines(label: str, size: int, width: int) -> list[str]:
    """A label that is too long for the picture's width in two lines, broken behind a comma."""
    parts = label.split(", ")
    if ink.text_width(label, size) <= width - 40 or len(parts) < 2:
        return [label]
    ways = [[", ".join(parts[:i]) + ",", ", ".join(parts[i:])] for i in range(1, len(parts))]
    return min(ways, key=lambda way: max(ink.text_width(line, size) for line in way))


def _fit(words: str, size: int, width: int) -> int:
    """The size at which the words fit."""
    while size > 20 and ink.text_width(words, size) > width - 40:
        size -= 2
    return size


def _paper(size: tuple[int, int]) -> Picture:
    return np.full((size[1], size[0], 3), ink.PAPER, np.uint8)


def _times(begin_s: float, end_s: float, options: RenderOptions) -> NDArray[np.float64]:
    step = options.speed / options.frames_per_s
    return np.arange(begin_s, end_s + step, step)


def _common_times(films: Sequence[ShotFilm], options: RenderOptions) -> NDArray[np.float64]:
    """Times from the common moment on, negative before it."""
    before = max(anchor(film, options.align) - film.start_s for film in films)
    after = max(film.end_s - anchor(film, options.align) for film in films)
    return _times(-before - BEFORE_S, after + AFTER_S, options)


def _check_one_table(films: Sequence[ShotFilm]) -> None:
    """Raise SettingsError for shots of which one can't be drawn on the other's table."""
    first = films[0]
    for film in films[1:]:
        if not _same_size(first.calibration.table, film.calibration.table):
            raise SettingsError(f"{first.row['shot_id']} and {film.row['shot_id']} were played on tables of different "
                                "sizes; lay only shots of one table over one another, or use --what side-by-side.")


def _same_size(one: Table, other: Table) -> bool:
    """Whether two tables may be one: as long and as wide within their uncertainties (k = 2), or within a pixel."""
    sides = ((one.length_mm - other.length_mm, one.length_u_mm, other.length_u_mm),
             (one.width_mm - other.width_mm, one.width_u_mm, other.width_u_mm))
    return all(abs(apart_mm) <= max(UNSEEN_MM, 2 * np.hypot(u_mm, other_u_mm)) for apart_mm, u_mm, other_u_mm in sides)


def _held(pictures: Iterator[Picture], count: int, options: RenderOptions, tell: Tell | None) -> Iterator[Picture]:
    """The last picture stays a while; ``tell`` hears of each of the ``count`` pictures before."""
    last: Picture | None = None
    for done, last in enumerate(pictures, start=1):
        yield last
        if tell is not None:
            tell(done, count)
    if last is not None:
        for _ in range(round(HOLD_S * options.frames_per_s)):
            yield last
