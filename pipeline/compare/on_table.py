"""Paths and arrivals drawn on the table, to scale, by condition."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from pipeline.compare.arrivals import arrival_points, target_mouth
from pipeline.compare.ground import Ground, table_of
from pipeline.compare.pictures import GREY, style_of
from pipeline.compare.room import put_legend
from shared.equipment import Table


def table_axes(table: Table, *, width: float = 8.0) -> tuple[Figure, Axes]:
    """The playing surface to scale, noses, pockets and sights, x along the picture."""
    margin = 150.0
    figure = Figure(
        figsize=(width, width * (table.width_mm + 2 * margin) / (table.length_mm + 2 * margin) + 0.5),
        layout="constrained",
    )
    axes = figure.add_subplot()
    axes.add_patch(Rectangle((0, 0), table.length_mm, table.width_mm, fill=False, ec="black", lw=1.2))
    for name, (x, y) in table.pocket_centres_mm.items():
        mouth = table.side_mouth_mm if name.startswith("side") else table.corner_mouth_mm
        axes.add_patch(Circle((x, y), (mouth or 2 * table.ball.diameter_mm) / 2, fc="#dddddd", ec=GREY, lw=0.8))
    sights = table.sights_mm
    axes.plot(sights[:, 0], sights[:, 1], "d", color=GREY, ms=3)
    axes.set_xlim(-margin, table.length_mm + margin)
    axes.set_ylim(-margin, table.width_mm + margin)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return figure, axes


def arrival_picture(shots: pd.DataFrame, contacts: pd.DataFrame, cells: pd.Series, ground: Ground) -> Figure | None:
    """Where counted shots arrive near the target, by condition, drawn to scale. None without contacts or a target."""
    points = arrival_points(shots, contacts, ground)
    if points.empty:
        return None
    table = table_of(shots)
    figure, axes = table_axes(table)
    mouth = target_mouth(shots, ground)
    px, py = table.pocket_centres_mm[ground.target]
    if mouth is not None:
        tips = np.array([mouth.centre + side * mouth.along * mouth.width_mm / 2 for side in (-1, 1)])
        axes.plot(tips[:, 0], tips[:, 1], "-", color=GREY, lw=1.2)
    names = sorted(cells.reindex(points.index).unique())
    for cell, (colour, marker, _) in style_of(names).items():
        mine = points[(cells.reindex(points.index) == cell).to_numpy()]
        x, y = mine["x_mm"].to_numpy(float), mine["y_mm"].to_numpy(float)
        axes.plot(x, y, marker, color=colour, ms=6, mfc="none", mew=1.3, label=f"{cell} ({len(mine)})", clip_on=False)
        axes.plot([x.mean()], [y.mean()], marker, color=colour, ms=11, mec="black", mew=0.8, alpha=0.9)
    around = np.vstack([points[["x_mm", "y_mm"]].to_numpy(float), [[px, py]]])
    low, high = around.min(axis=0) - 150, around.max(axis=0) + 150
    half = max(float((high - low).max()) / 2, 250.0)
    middle = (low + high) / 2
    axes.set_xlim(middle[0] - half * 1.7, middle[0] + half * 1.7)
    axes.set_ylim(middle[1] - half * 0.9, middle[1] + half * 0.9)
    start = middle[0] - half * 1.6
    axes.plot([start, start + 100], [middle[1] - half * 0.8] * 2, "k-", lw=2)
    axes.text(start + 50, middle[1] - half * 0.77, "100 mm", ha="center", fontsize=8)
    put_legend(figure, loc="outside lower center")
    axes.set_title(
        f"where their lines cross the mouth of {ground.target} (carried on beside it); large: means",
        fontsize=9,
        loc="left",
    )
    return figure


def fan_picture(shots: pd.DataFrame, tracks: pd.DataFrame, cells: pd.Series) -> Figure | None:
    """Paths of the banked ball by condition. None without tracks."""
    if tracks.empty or shots.empty:
        return None
    figure, axes = table_axes(table_of(shots))
    names = sorted(cells.reindex(shots.index).unique())
    drawn: set[str] = set()
    keys = [k for k in ("session", "shot_id") if k in tracks and k in shots]
    ways = dict(iter(tracks.groupby([*keys, "ball"])))
    styles = style_of(names)
    for (_, shot), cell in zip(shots.iterrows(), cells.reindex(shots.index).astype(str), strict=True):
        way = ways.get((*(shot[k] for k in keys), shot["banked_ball"]))
        if way is None:
            continue
        colour, _, line = styles[cell]
        way = way.sort_values("t_s")
        step = max(1, len(way) // 150)
        label = cell if cell not in drawn else None
        axes.plot(way["x_mm"][::step], way["y_mm"][::step], line, color=colour, lw=1.0, alpha=0.75, label=label)
        drawn.add(cell)
    if not drawn:
        return None
    put_legend(figure, loc="outside lower center")
    axes.set_title("paths of the banked ball", fontsize=9, loc="left")
    return figure
