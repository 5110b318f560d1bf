"""The comparison in pictures: matplotlib figures as SVG, made without pyplot so that nothing global is touched.

Colours are Okabe & Ito's, told apart by colour-blind readers; markers and line styles differ too, so that a black and
white print still reads.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib import rc_context
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from pipeline.compare.conditions import Factor
from pipeline.compare.labels import MEAN_COLUMNS, column_of
from pipeline.compare.responses import Response
from pipeline.compare.room import grow, height_in, in_lines, lines_in, put_legend, width_in
from pipeline.compare.settings import percent
from pipeline.plain_labels import plain_labels

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
LINES = ("-", "--", "-.", ":")
GREY = "#555555"
NAMES_PT, NAMES_IN = 10.0, 3.2  # letters of the names beside rows; how far those may reach before they are broken


def svg(figure: Figure) -> str:
    """A figure as an SVG text, the same each time."""
    out = io.StringIO()
    with rc_context({"svg.hashsalt": "comparison", "svg.fonttype": "path"}), plain_labels(figure):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def style_of(cells: Sequence[str]) -> dict[str, tuple[str, str, str]]:
    """Colour, marker and line style a cell."""
    return {
        cell: (COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)], LINES[i // len(COLOURS) % len(LINES)])
        for i, cell in enumerate(cells)
    }


def effect_picture(contrasts: pd.DataFrame, response: Response, level: float) -> Figure:
    """Each difference with its interval, raw and adjusted; an unbounded interval runs out of the picture."""
    rows = contrasts.reset_index(drop=True)
    names = [in_lines(_row_name(row), NAMES_IN, NAMES_PT) for _, row in rows.iterrows()]
    row_in = max(0.5, height_in(lines_in(names) + 0.7, NAMES_PT))
    figure = Figure(figsize=(8.0, 1.2 + row_in * len(rows)), layout="constrained")
    axes = figure.add_subplot()
    finite = [
        v
        for kind in ("raw", "adjusted")
        for end in ("low", "high", "here_low", "here_high")
        for v in rows[f"{kind}_{end}"]
        if np.isfinite(v)
    ]
    bound = float(rows["bound"].iloc[0])
    reach = max([abs(v) for v in finite] + [1e-9]) * 1.15
    if np.isfinite(bound) and bound < 2.5 * reach:
        reach = max(reach, bound * 1.15)
    axes.set_xlim(-reach, reach)
    for i, row in rows.iterrows():
        y = len(rows) - 1 - float(str(i))
        for kind, shift, colour, marker in (("raw", 0.14, GREY, "s"), ("adjusted", -0.14, COLOURS[0], "o")):
            if not np.isfinite(row[f"{kind}_diff"]):
                continue
            _interval(axes, row, kind, y + shift, colour, marker, reach)
    if np.isfinite(bound):
        axes.axvspan(-bound, bound, color="#009E73", alpha=0.10, lw=0)
    axes.axvline(0, color="black", lw=0.8)
    axes.set_yticks(range(len(rows)), names[::-1], fontsize=NAMES_PT)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    unit = f" [{response.unit}]" if response.unit else ""
    hint = f"; {response.hint}" if response.hint else ""
    room = 7.4 - max(width_in(name, NAMES_PT) for name in names)
    label = f"{response.label}: difference{unit}   (+ {response.more}, − {response.less}{hint})"
    title = f"{percent(level)} % intervals; dashed: for these sessions only, unbounded for the condition"
    label, title = in_lines(label, room, NAMES_PT), in_lines(title, room, 9)
    axes.set_xlabel(label, fontsize=NAMES_PT)
    axes.set_title(title, fontsize=9, loc="left")
    grow(figure, height_in(lines_in([label]) + lines_in([title]) - 2, NAMES_PT))
    handles: list[Artist] = [axes.plot([], [], "s-", color=GREY, label="raw")[0]]
    if rows["adjusted_n"].gt(0).any():
        handles.append(axes.plot([], [], "o-", color=COLOURS[0], label="adjusted")[0])
    if np.isfinite(bound):
        handles.append(axes.fill_between([], [], [], color="#009E73", alpha=0.15, label="does not matter"))
    put_legend(figure, loc="outside lower right", handles=handles)
    return figure


def _interval(axes: Axes, row: pd.Series, kind: str, y: float, colour: str, marker: str, reach: float) -> None:
    low, high = float(row[f"{kind}_low"]), float(row[f"{kind}_high"])
    if np.isfinite(low) and np.isfinite(high):
        axes.plot([low, high], [y, y], "-", color=colour, lw=2)
    else:
        axes.plot([row[f"{kind}_here_low"], row[f"{kind}_here_high"]], [y, y], "--", color=colour, lw=1.6)
        for side in (-1, 1):
            axes.annotate(
                "", (side * reach, y), (side * reach * 0.93, y), arrowprops={"arrowstyle": "->", "color": colour}
            )
    axes.plot([row[f"{kind}_diff"]], [y], marker, color=colour, ms=6)


def _row_name(row: pd.Series) -> str:
    at = f"\n({row['at']})" if row["at"] else ""
    return f"{row['factor']}: {row['b']} − {row['a']}{at}"


def interaction_picture(means: pd.DataFrame, factors: Sequence[Factor], response: Response) -> Figure | None:
    """Means of one factor's levels, a line a level of the other; None with fewer than two named factors."""
    columns = {f.name: column_of(f.name, MEAN_COLUMNS) for f in factors}
    named = [f for f in factors if not f.is_slope and columns[f.name] in means]
    if len(named) < 2 or means.empty:
        return None
    across, lines = named[1], named[0]
    kind = "adjusted" if means["adjusted_mean"].notna().any() else "raw"
    shown = [f"{kind}_mean", f"{kind}_low", f"{kind}_high"]
    figure = Figure(figsize=(5.6, 3.8), layout="constrained")
    axes = figure.add_subplot()
    for i, level in enumerate(lines.levels):
        rows = means[means[columns[lines.name]] == level].groupby(columns[across.name])[shown]
        part = rows.mean().reindex(list(across.levels))
        x = np.arange(len(part)) + 0.05 * (i - (len(lines.levels) - 1) / 2)
        mean = part[f"{kind}_mean"].to_numpy(dtype=float)
        error = np.abs(part[[f"{kind}_low", f"{kind}_high"]].to_numpy(dtype=float).T - mean)
        axes.errorbar(
            x,
            mean,
            yerr=error,
            color=COLOURS[i % 7],
            marker=MARKERS[i % 7],
            ls=LINES[i % 4],
            capsize=3,
            label=f"{lines.name} {level}",
        )
    levels = [in_lines(level, max(0.75, 4.4 / len(across.levels)), NAMES_PT) for level in across.levels]
    axes.set_xticks(range(len(levels)), levels, fontsize=NAMES_PT)
    grow(figure, height_in(lines_in(levels) - 1, NAMES_PT))
    axes.set_xlabel(across.name)
    axes.set_ylabel(f"{response.label}{f' [{response.unit}]' if response.unit else ''}, {kind} mean")
    put_legend(figure, loc="outside lower center")
    axes.set_title("parallel lines: the conditions just add up", fontsize=9, loc="left")
    return figure


def restitution_picture(shots: pd.DataFrame, cells: pd.Series) -> Figure | None:
    """Restitution against speed at impact, by condition, with uncertainties. None where neither was measured."""
    x, y = (
        pd.to_numeric(shots[c]).astype(float) if c in shots else pd.Series(dtype=float)
        for c in ("speed_at_impact_mps", "restitution")
    )
    have = x.notna() & y.notna()
    if not have.any():
        return None
    figure = Figure(figsize=(5.6, 3.8), layout="constrained")
    axes = figure.add_subplot()
    errors = {
        c: pd.to_numeric(shots[c]).astype(float) if c in shots else None
        for c in ("speed_at_impact_mps_u", "restitution_u")
    }
    for cell, (colour, marker, _) in style_of(sorted(cells[have].unique())).items():
        mine = have & (cells == cell)
        xe, ye = (None if e is None else e[mine].fillna(0) for e in errors.values())
        axes.errorbar(
            x[mine], y[mine], xerr=xe, yerr=ye, fmt=marker, color=colour, mfc="none", ms=5, lw=0.8, label=cell
        )
    axes.set_xlabel("speed at impact [m/s]")
    axes.set_ylabel("restitution")
    put_legend(figure, loc="outside lower center")
    return figure


def counts_picture(counts: pd.DataFrame, names: Sequence[str]) -> Figure:
    """Counted and left-out shots by condition."""
    rows = counts.reset_index(drop=True)
    cells = [", ".join(str(row[n]) for n in names if n in rows) or "all" for _, row in rows.iterrows()]
    cells = [in_lines(cell, NAMES_IN, NAMES_PT) for cell in cells]
    row_in = max(0.38, height_in(lines_in(cells) + 0.7, NAMES_PT))
    figure = Figure(figsize=(8.0, 0.9 + row_in * len(rows)), layout="constrained")
    axes = figure.add_subplot()
    y = np.arange(len(rows))[::-1]
    counted = rows["counted"].to_numpy(float)
    left_out = rows["shots"].to_numpy(float) - counted
    mishit = np.minimum(rows["mishit"].to_numpy(float), left_out)
    parts: Mapping[str, tuple[np.ndarray, str, str]] = {
        "counted": (counted, COLOURS[2], ""),
        "mis-hit": (mishit, COLOURS[1], "///"),
        "otherwise left out": (left_out - mishit, "#bbbbbb", "..."),
    }
    left = np.zeros(len(rows))
    for label, (size, colour, hatch) in parts.items():
        axes.barh(y, size, left=left, color=colour, hatch=hatch, ec="white", label=label)
        left += size
    axes.set_yticks(y, cells, fontsize=NAMES_PT)
    axes.set_xlabel("shots")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    put_legend(figure, loc="outside upper right")
    return figure
