"""Where a shot's numbers stand in a picture: beside what they tell of, on no path and on no other number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline import render_ink as ink
from pipeline.render_layout import Layout
from pipeline.render_shot import ShotFilm, bank_directions
from shared.numbers import to_places

Array = NDArray[np.float64]
NORMAL_MM = 330.0  # drawn length of the cushion's normal
_STEPS = np.arange(0.0, 6.5, 0.5)  # letters' heights away from where a number would stand best
_DIRECTIONS = np.radians(np.arange(0, 360, 15))


@dataclass(frozen=True)
class Label:
    """Words around ``centre`` (px), from the clip's time ``t_s`` on."""

    words: str
    t_s: float
    centre: tuple[float, float]
    colour: ink.Colour = ink.WHITE


@lru_cache(maxsize=8)
def labels_on(film: ShotFilm, layout: Layout, size: int) -> tuple[Label, ...]:
    """Speeds at strike and hit, angles at the first cushion, for the whole shot: while it is played none moves.

    size : height of the letters, px
    """
    wishes = [*_speeds(film, layout, size), *_angles(film, layout, size)]
    return tuple(_apart(wishes, _ways(film, layout), layout, size))


def box_of(label: Label, size: int) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the dark box behind a label, px."""
    width, height = ink.box_size(label.words, size)
    x, y = label.centre
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _speeds(film: ShotFilm, layout: Layout, size: int) -> list[Label]:
    _, across = bank_directions(film, layout)
    wishes = []
    for event in film.events.to_dict("records"):
        speed = event["speed_out_mps"] if event["kind"] == "strike" else event["speed_in_mps"]
        if event["kind"] not in ("strike", "ball") or pd.isna(event["x_mm"]) or pd.isna(speed):
            continue
        words = f"{speed:.2f} m/s"
        at = layout.to_px(np.array([[event["x_mm"], event["y_mm"]]]))[0]
        half = np.array(ink.box_size(words, size)) / 2
        aside = at - across * (float(np.abs(across) @ half) + 0.8 * size)  # away from where the banked ball comes back
        wishes.append(Label(words, float(event["t_s"]), (float(aside[0]), float(aside[1]))))
    return wishes


def _angles(film: ShotFilm, layout: Layout, size: int) -> list[Label]:
    """Outside the arms of the angles."""
    cushion, incoming, rebound = film.cushion_s, film.row.get("incoming_angle_deg"), film.row.get("rebound_angle_deg")
    if cushion is None or pd.isna(incoming) or pd.isna(rebound):
        return []
    banked = film.place(str(film.row["banked_ball"]), cushion)
    if banked is None:
        return []
    step, across = bank_directions(film, layout)
    foot, far = layout.to_px(banked)[0], 0.6 * NORMAL_MM * layout.scale
    wishes = []
    for angle, sign, word in ((float(incoming), -1, "in"), (float(rebound), 1, "out")):
        words = f"{to_places(angle, 1)}° {word}"
        half = np.array(ink.box_size(words, size)) / 2
        deep = far + float(np.abs(step) @ half)
        aside = max(0.0, np.tan(np.radians(min(angle, 70)))) * deep + float(np.abs(across) @ half) + 0.5 * size
        place = foot + step * far + across * sign * aside
        wishes.append(Label(words, cushion, (float(place[0]), float(place[1])), ink.PINK))
    return wishes


def _ways(film: ShotFilm, layout: Layout) -> Array:
    """(N, 2) px, close together: along all balls' paths of the whole shot, and along the cushion's normal."""
    ways = []
    for rows in film.paths.values():
        ways.append(layout.to_px(rows.loc[rows["t_s"] >= film.start_s - 0.02, ["x_mm", "y_mm"]].to_numpy(float)))
    banked = film.place(str(film.row["banked_ball"]), film.cushion_s) if film.cushion_s is not None else None
    if banked is not None:
        foot = layout.to_px(banked)[0]
        ways.append(np.vstack([foot, foot + bank_directions(film, layout)[0] * NORMAL_MM * layout.scale]))
    return np.vstack([np.empty((0, 2)), *[_dense(way) for way in ways if len(way)]])


def _dense(way: Array, apart_px: float = 6.0) -> Array:
    """The polyline with points at most ``apart_px`` from one another."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.linspace(0, along[-1], int(along[-1] / apart_px) + 2)
    return np.column_stack([np.interp(at, along, way[:, axis]) for axis in (0, 1)])


def _apart(wishes: Sequence[Label], ways: Array, layout: Layout, size: int) -> list[Label]:
    """Each label at the place nearest to its own where it covers nothing, else where it covers least."""
    margin = layout.table.ball.radius_mm * layout.scale + 4  # a ball with its ring
    _, top, _, height = layout.box
    low = np.array([0.0, max(0.0, float(top))])
    high = np.array([layout.size[0], min(layout.size[1], top + height)], dtype=float)
    placed: list[Label] = []
    for wish in wishes:
        half = np.array(ink.box_size(wish.words, size)) / 2
        best, least = wish, np.inf
        for step in _STEPS:
            for direction in _DIRECTIONS if step else _DIRECTIONS[:1]:
                moved = np.array(wish.centre) + step * size * np.array([np.cos(direction), np.sin(direction)])
                centre = np.clip(moved, low + half, high - half)
                inside = (np.abs(ways - centre) < half + margin).all(axis=1).sum()
                over = sum(_overlap_px(centre, half, other, size) for other in placed)
                cost = float(inside) + 100 * over
                if cost < least:
                    best, least = Label(wish.words, wish.t_s, (float(centre[0]), float(centre[1])), wish.colour), cost
            if least == 0:
                break
        placed.append(best)
    return placed


def _overlap_px(centre: Array, half: Array, other: Label, size: int) -> float:
    """How deep a box reaches into another label's, with a little air between them."""
    theirs = np.array(ink.box_size(other.words, size)) / 2
    into = half + theirs + 0.15 * size - np.abs(centre - np.array(other.centre))
    return max(0.0, float(into.min()))


def draw_numbers(picture: NDArray[np.uint8], film: ShotFilm, t_s: float, layout: Layout, *, size: int) -> None:
    """What is known by the clip's time ``t_s``: speeds at strike and hit; angles and normal at the first cushion."""
    banked = film.place(str(film.row["banked_ball"]), film.cushion_s) if film.cushion_s is not None else None
    shown = [label for label in labels_on(film, layout, size) if label.t_s <= t_s]
    if banked is not None and any(label.colour == ink.PINK for label in shown):
        foot = layout.to_px(banked)[0]
        normal = np.vstack([foot, foot + NORMAL_MM * layout.scale * bank_directions(film, layout)[0]])
        ink.path(picture, normal, ink.PINK, width=3, dash=(10, 10))
        ink.ring(picture, foot, layout.table.ball.radius_mm * layout.scale * 0.45, ink.PINK, width=5)
    for label in shown:
        ink.text(picture, label.words, label.centre, size=size, colour=label.colour, anchor="mm")
