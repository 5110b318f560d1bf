"""Paths and arrivals drawn on the table, to scale, by condition."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from pipeline.compare.ground import Ground, table_of
from pipeline.compare.pictures import GREY, style_of
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
    px, py = table.pocket_centres_mm[ground.target]
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
    figure.legend(frameon=False, fontsize=8, loc="outside lower center", ncols=3)
    axes.set_title(f"where they arrive at {ground.target}; large: mean of the condition", fontsize=9, loc="left")
    return figure


def arrival_points(shots: pd.DataFrame, contacts: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """x_mm, y_mm per shot (index of ``shots``): the event after the first cushion that is nearest the target pocket."""
    nothing = pd.DataFrame({"x_mm": [], "y_mm": []})
    place = table_of(shots).pocket_centres_mm.get(ground.target) if len(shots) else None
    keys = [k for k in ("session", "shot_id") if k in contacts and k in shots]
    if place is None or contacts.empty or not keys:
        return nothing
    banked = shots[[*keys, "banked_ball"]].rename(columns={"banked_ball": "ball"}).assign(row=shots.index)
    mine = contacts.merge(banked, on=[*keys, "ball"]).sort_values("n")
    mine = mine[mine["kind"].isin(["cushion", "jaw", "pocket"])]
    mine = mine[mine.groupby("row").cumcount() > 0]
    mine = mine[mine["x_mm"].notna() & mine["y_mm"].notna()]
    if mine.empty:
        return nothing
    away = np.hypot(mine["x_mm"].astype(float) - place[0], mine["y_mm"].astype(float) - place[1])
    nearest = mine.assign(away=away).sort_values("away").groupby("row").first()
    return nearest[["x_mm", "y_mm"]].astype(float)


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
    figure.legend(fontsize=8, frameon=False, loc="outside lower center", ncols=3)
    axes.set_title("paths of the banked ball", fontsize=9, loc="left")
    return figure
