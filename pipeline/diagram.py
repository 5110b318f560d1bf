"""A table diagram of one shot, to scale: cloth, noses, sights, pockets, paths, contacts, angles and the numbers.

Colours are Okabe and Ito's set for all kinds of colour vision; line styles tell the balls apart in print as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from math import atan2, cos, degrees, hypot, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.plain_labels import plain_labels
from shared.equipment import Table
from shared.files import write_bytes
from shared.uncertain import with_u

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

INK, FAINT, CLOTH, RAIL, SIGHT = "#1a1a1a", "#8c8c8c", "#eef3f1", "#d9cfc2", "#6b5d4d"
BALL_COLOURS = {"cue": "#000000", "object": "#d55e00"}
OTHER_COLOURS = ("#0072b2", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
INCOMING, REBOUND = "#0072b2", "#d55e00"
_NORMALS = {"head": (1.0, 0.0), "foot": (-1.0, 0.0), "right": (0.0, 1.0), "left": (0.0, -1.0)}
_DPI, _COLOURS = 110, 64
_RAIL_MM = 150.0  # drawn width of the rails: middle of the range for a pool table's


@dataclass(frozen=True)
class _View:
    """Table mm to drawing mm: head at the left, or at the top when ``upright``."""

    table: Table
    upright: bool

    def __call__(self, xy_mm: Any) -> Array:
        xy = np.asarray(xy_mm, dtype=float)
        return np.stack([xy[..., 1], -xy[..., 0]], axis=-1) if self.upright else xy


def write_diagram(
    path: Path, shot: Mapping[str, Any], contacts: pd.DataFrame, tracks: pd.DataFrame, *, table: Table,
    upright: bool = False,
) -> None:
    """Write the diagram of one shot as PNG, with few colours so that a page of them can be sent by mail.

    shot     : its SHOTS row, or SHOT_COLUMNS of it
    contacts : its CONTACTS rows
    tracks   : its TRACKS rows
    upright  : head at the top instead of the left, for a page or a telephone held upright
    """
    from PIL import Image

    ground = _ground(table, upright=upright)
    figure = shot_figure(shot, contacts, tracks, table=table, upright=upright)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]  # an Agg canvas
    with plain_labels(figure):
        renderer.restore_region(ground)
        figure.draw(renderer)
    colours = Image.fromarray(np.asarray(figure.canvas.buffer_rgba())).convert("RGB")  # type: ignore[attr-defined]
    few = colours.quantize(_COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    buffer = BytesIO()
    few.save(buffer, "PNG", dpi=(_DPI, _DPI))
    write_bytes(path, buffer.getvalue())


def get_ready(table: Table) -> None:
    """Load what the first diagram needs, half a second's work, and draw the table."""
    import PIL.Image  # noqa: F401

    _ground(table, upright=False)


@lru_cache(maxsize=4)
def _ground(table: Table, *, upright: bool) -> Any:
    """What every diagram of this table shows, drawn once: the table and the names of the numbers."""
    figure, axes = _sheet(_View(table, upright))
    figure.set_facecolor("white")
    _table(axes, _View(table, upright))
    _names(figure, columns=_columns(upright))
    figure.canvas.draw()
    return figure.canvas.copy_from_bbox(figure.bbox)  # type: ignore[attr-defined]  # an Agg canvas


def shot_figure(
    shot: Mapping[str, Any], contacts: pd.DataFrame, tracks: pd.DataFrame, *, table: Table, upright: bool = False
) -> Figure:
    """One shot's own part of its diagram, without ground: a figure (pyplot and its global state are not used)."""
    view = _View(table, upright)
    figure, axes = _sheet(view)
    _paths(axes, view, tracks)
    _events(axes, view, contacts)
    _angles(axes, view, shot, contacts, tracks)
    kind = str(shot.get("kind") or "")
    title = f"{shot.get('shot_id', '')}   {kind}".strip()
    figure.text(0.02, 0.965, title, fontsize=14, fontweight="bold", color=INK, va="center")
    _legend(figure, tracks)
    _numbers(figure, shot, columns=_columns(upright))
    return figure


def _sheet(view: _View) -> tuple[Figure, Axes]:
    """An empty transparent figure, and axes in drawing mm."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.4, 11.6) if view.upright else (11.0, 7.0), dpi=_DPI, facecolor="none")
    FigureCanvasAgg(figure)
    area = (0.02, 0.16, 0.96, 0.77) if view.upright else (0.01, 0.15, 0.98, 0.78)
    axes = figure.add_axes(area, xticks=[], yticks=[], aspect="equal")  # ticks cost as much as all else together
    margin = _RAIL_MM + 75
    table = view.table
    corners = view([(-margin, -margin), (table.length_mm + margin, table.width_mm + margin)])
    axes.set_xlim(*sorted(corners[:, 0]))
    axes.set_ylim(*sorted(corners[:, 1]))
    axes.set_axis_off()
    return figure, axes


def _columns(upright: bool) -> int:
    return 2 if upright else 4


def _table(axes: Axes, view: _View) -> None:
    from matplotlib.patches import Circle, Polygon

    table = view.table
    length, width = table.length_mm, table.width_mm

    def box(margin: float) -> Array:
        return view([(-margin, -margin), (length + margin, -margin), (length + margin, width + margin),
                     (-margin, width + margin)])

    axes.add_patch(Polygon(box(_RAIL_MM), facecolor=RAIL, edgecolor=SIGHT, linewidth=1, zorder=0))
    axes.add_patch(Polygon(box(0.0), facecolor=CLOTH, edgecolor=INK, linewidth=1.2, zorder=1))
    sights = view(table.sights_mm)
    axes.plot(sights[:, 0], sights[:, 1], linestyle="none", marker="D", markersize=4.5, color=SIGHT, zorder=2)
    for name, centre in table.pocket_centres_mm.items():
        mouth = table.side_mouth_mm if name.startswith("side") else table.corner_mouth_mm
        mouth = mouth or 2 * table.ball.diameter_mm  # no published size: as wide as two balls, common practice
        x, y = view(centre)
        axes.add_patch(Circle((x, y), mouth / 2, facecolor="#4d4d4d", edgecolor="none", zorder=2))
    for n in range(1, 8):  # numbers of the sights, from the head
        x, y = view((length * n / 8, -table.sight_offset_mm - 38))
        axes.text(x, y, str(n), fontsize=7, color=SIGHT, ha="center", va="center", zorder=2)
    head = view((-_RAIL_MM - 45, width / 2))
    axes.text(head[0], head[1], "head", fontsize=8, color=SIGHT, ha="center", va="center",
              rotation=0 if view.upright else 90)


def _paths(axes: Axes, view: _View, tracks: pd.DataFrame) -> None:
    from matplotlib.patches import Circle

    for ball, rows in tracks.groupby("ball", sort=False):
        path = view(rows[["x_mm", "y_mm"]].to_numpy(float))
        if len(path) == 0:
            continue
        colour = ball_colour(str(ball))
        bridged = rows["state"].to_numpy() == "bridged"
        line = "--" if ball == "cue" else "-"
        axes.plot(path[:, 0], path[:, 1], color=colour, linewidth=1.8, linestyle=line, zorder=4)
        if bridged.any():
            hidden = path[bridged]
            axes.plot(hidden[:, 0], hidden[:, 1], linestyle="none", marker="|", markersize=5, color=FAINT, zorder=5)
        radius = view.table.ball.radius_mm
        for place, style in ((path[0], ":"), (path[-1], "-")):
            face = "white" if ball == "cue" else colour
            axes.add_patch(Circle((place[0], place[1]), radius, facecolor=face, edgecolor=colour, linewidth=1.2,
                                  linestyle=style, alpha=0.55 if style == ":" else 0.95, zorder=6))


def _events(axes: Axes, view: _View, contacts: pd.DataFrame) -> None:
    marks = {"strike": "*", "ball": "x", "cushion": "o", "jaw": "^", "pocket": "s"}
    for kind, x, y, ball in contacts[["kind", "x_mm", "y_mm", "ball"]].itertuples(index=False):
        if kind not in marks or pd.isna(x) or pd.isna(y):
            continue
        place = view((x, y))
        axes.plot(place[0], place[1], marker=marks[kind], markersize=9 if kind == "strike" else 6,
                  color=ball_colour(str(ball)), markerfacecolor="none", markeredgewidth=1.6, zorder=7)


def _angles(axes: Axes, view: _View, shot: Mapping[str, Any], contacts: pd.DataFrame, tracks: pd.DataFrame) -> None:
    """Arcs between the cushion's normal and the way in and out, at the banked ball's first cushion."""
    rail, banked = shot.get("rail"), shot.get("banked_ball")
    met = contacts[(contacts["kind"] == "cushion") & (contacts["ball"] == banked) & (contacts["other"] == rail)]
    if not isinstance(rail, str) or rail not in _NORMALS or met.empty:
        return
    first = met.iloc[0]
    before = tracks[(tracks["ball"] == banked) & (tracks["t_s"] < first["t_s"])]
    if before.empty or pd.isna(first["x_mm"]):
        return
    velocity = before[["vx_mps", "vy_mps"]].to_numpy(float)[-1]
    normal = np.array(_NORMALS[rail])
    along = np.array([-normal[1], normal[0]])
    if float(velocity @ along) < 0:
        along = -along
    here = view(first[["x_mm", "y_mm"]].to_numpy(float))
    reach = 0.34 * view.table.width_mm
    end = here + view(normal) * reach
    axes.plot([here[0], end[0]], [here[1], end[1]], color=FAINT, linewidth=1, linestyle=(0, (4, 3)), zorder=3)
    for name, word, side, colour, share in (
        (_ANGLES[0], "in", -along, INCOMING, 0.62), (_ANGLES[1], "out", along, REBOUND, 0.8),
    ):
        angle = _number(shot.get(name))
        if angle is None:
            continue
        ray = normal * cos(radians(angle)) + side * sin(radians(angle))
        _arc(axes, here, view(normal), view(ray), reach * share, colour)
        outside = radians(min(angle + 16, 82) if angle >= 0 else angle - 16)  # beside the path, not over it
        place = here + view(normal * cos(outside) + side * sin(outside)) * reach * 0.85
        label = f"{word} {with_u(angle, _number(shot.get(name + '_u')))}°"
        across, up = view(side if angle >= 0 else -side)
        axes.text(place[0], place[1], label, fontsize=11, fontweight="bold", color=colour, zorder=9,
                  ha="left" if across > 0.3 else "right" if across < -0.3 else "center",
                  va="bottom" if up > 0.3 else "top" if up < -0.3 else "center",
                  bbox={"facecolor": "white", "edgecolor": colour, "alpha": 0.9, "pad": 2.5, "linewidth": 0.8})


def _arc(axes: Axes, here: Array, start: Array, end: Array, radius: float, colour: str) -> None:
    from matplotlib.patches import Arc

    a, b = (degrees(atan2(v[1], v[0])) for v in (start, end))
    turn = (b - a + 180) % 360 - 180
    low, high = (a, a + turn) if turn >= 0 else (a + turn, a)
    axes.add_patch(Arc((here[0], here[1]), 2 * radius, 2 * radius, theta1=low, theta2=high, color=colour, linewidth=2.2,
                       zorder=8))
    tip = here + end / hypot(end[0], end[1]) * radius * 1.15
    axes.plot([here[0], tip[0]], [here[1], tip[1]], color=colour, linewidth=1.2, zorder=8)


def _legend(figure: Figure, tracks: pd.DataFrame) -> None:
    x = 0.98
    for ball in reversed([str(b) for b in tracks["ball"].dropna().unique()]):
        figure.text(x, 0.965, ball, fontsize=11, color=ball_colour(ball), ha="right", va="center", fontweight="bold")
        x -= 0.012 * len(ball) * 11 / figure.get_figwidth() + 0.02


#: what is printed below the table: column, words, unit, factor
_SHOWN = (
    ("speed_at_impact_mps", "speed at the cushion", "m/s"),
    ("rebound_speed_mps", "speed off it", "m/s"),
    ("rebound_settled_angle_deg", "settled angle", "°"),
    ("restitution", "restitution", ""),
    ("cue_roll_ratio", "cue roll (0 stun, 1 roll)", ""),
    ("cue_cross_ratio", "cue roll across (+ left)", ""),
    ("cut_angle_deg", "cut angle (+ left)", "°"),
    ("miss_mm", "miss (+ long)", "mm"),
)
_ANGLES = ("incoming_angle_deg", "rebound_angle_deg")
#: all that a diagram needs of a SHOTS row
SHOT_COLUMNS = ("shot_id", "kind", "rail", "banked_ball",
                *(f"{name}{u}" for name in (*_ANGLES, *(row[0] for row in _SHOWN)) for u in ("", "_u")))


def _places(columns: int) -> Iterator[tuple[float, float]]:
    """Where each of _SHOWN is printed, as shares of the figure."""
    rows = -(-len(_SHOWN) // columns)
    for i in range(len(_SHOWN)):
        yield 0.02 + 0.96 * (i % columns) / columns, 0.115 - (0.065 if rows == 2 else 0.03) * (i // columns)


def _names(figure: Figure, *, columns: int) -> None:
    for (x, y), (_, words, _) in zip(_places(columns), _SHOWN, strict=True):
        figure.text(x, y, words, fontsize=8.5, color=SIGHT, va="bottom")


def _numbers(figure: Figure, shot: Mapping[str, Any], *, columns: int) -> None:
    for (x, y), (name, _, unit) in zip(_places(columns), _SHOWN, strict=True):
        value = _number(shot.get(name))
        text = "not measured"
        if value is not None:
            text = f"{with_u(value, _number(shot.get(name + '_u')))} {unit}".strip()
        figure.text(x, y - 0.004, text, fontsize=11, color=INK if value is not None else FAINT, va="top")


def ball_colour(ball: str) -> str:
    """The colour in which a ball's path is drawn, by its name."""
    if ball in BALL_COLOURS:
        return BALL_COLOURS[ball]
    number = int(ball.rpartition("-")[2]) if ball.rpartition("-")[2].isdigit() else 3
    return OTHER_COLOURS[(number - 3) % len(OTHER_COLOURS)]


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)
