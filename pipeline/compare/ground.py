"""The table under a comparison: what a degree is in mm at the pocket, what a mm is in sights and shares of a pocket."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.drawn import spread
from pipeline.compare.legs import arriving_cushions
from pipeline.pockets import Mouth, mouths
from shared.equipment import STANDARDS, Table

_NAN = math.nan
_MOST_PATHS = 500  # a median needs no more
_NEARLY_ALL = 0.9  # of the shots come straight from their first cushion: the others are stray

#: columns of shots that are looked at here
GROUND_COLUMNS = ("session", "shot_id", "target", "banked_ball", "rail", "rail_sight", "rails", "table",
                  "table_length_mm", "table_width_mm", "corner_mouth_mm", "side_mouth_mm")


@dataclass(frozen=True)
class Ground:
    """Lengths in mm; NaN where unknown.

    ``mm_per_deg``: how far along the pocket's mouth the arrival moves for one degree at the first cushion, median of
    the shots' straight ways to it; the bend of a sliding ball is not in it. NaN where the first cushion is not the last
    one before the target; ``degrees_only`` then says so.
    """

    target: str
    opening_mm: float
    sight_mm: float
    mm_per_deg: float
    why: str = ""
    degrees_only: str = ""


def ground(shots: pd.DataFrame, contacts: pd.DataFrame) -> Ground:
    """For one pattern's shots (all on tables of one size). ``contacts``: events of these shots, may be empty."""
    sizes = _sizes(shots)
    targets = shots["target"].dropna().astype(str).str.strip()
    targets = targets[targets != ""]
    target = str(targets.mode().iloc[0]) if len(targets) else ""
    sight = sizes.length_mm / 8
    mouth = next((m for m in mouths(sizes) if m.pocket == target), None)
    if mouth is None:
        why = "no target pocket in takes.csv" if not target else f"{target!r} is no pocket of this table"
        return Ground(target, _NAN, sight, _NAN, why)
    shift, degrees_only = _mm_per_deg(shots, contacts, sizes, mouth)
    if not mouth.known:
        return Ground(target, _NAN, sight, shift, "the pocket's opening is not known for this table", degrees_only)
    return Ground(target, mouth.width_mm, sight, shift, "", degrees_only)


def _mm_per_deg(shots: pd.DataFrame, contacts: pd.DataFrame, table: Table, mouth: Mouth) -> tuple[float, str]:
    """The shift for a degree, and why it can't be given where it is NaN.

    A flatter angle at the first cushion is a steeper one at a second that stands across it: past that the shift has
    another size and may have another sign.
    """
    few = shots.iloc[spread(len(shots), _MOST_PATHS)]
    came = arriving_cushions(few, contacts, mouth)
    if len(came):
        first = came["first"].to_numpy(dtype=bool)
        starts = came.loc[first, ["x_mm", "y_mm"]].to_numpy(dtype=float)
        if first.mean() < _NEARLY_ALL:
            return _NAN, f"after the first cushion the ball meets another one before {mouth.pocket}"
    else:
        starts = _first_cushions(few[pd.to_numeric(few["rails"]) == 1] if "rails" in few else few[:0], table)
        if len(starts) < _NEARLY_ALL * few["rail_sight"].notna().sum():
            return _NAN, f"nothing tells whether the ball meets another cushion before {mouth.pocket}"
    ways = mouth.centre - starts
    lengths = np.linalg.norm(ways, axis=1)
    slant = ways @ mouth.into / lengths  # of the way against the mouth: the shift across it is longer along the mouth
    ahead = slant > 0
    return (float(np.median(lengths[ahead] / slant[ahead])) * math.pi / 180 if ahead.any() else _NAN), ""


def _sizes(shots: pd.DataFrame) -> Table:
    """The table of these shots: as pooled, else 9-ft pool."""
    name = _first(shots, "table")
    table = STANDARDS.get(str(name), STANDARDS["pool-9ft"])
    changes = {
        key: float(value)
        for key, column in (
            ("length_mm", "table_length_mm"),
            ("width_mm", "table_width_mm"),
            ("corner_mouth_mm", "corner_mouth_mm"),
            ("side_mouth_mm", "side_mouth_mm"),
        )
        if (value := _first(shots, column)) is not None
    }
    return replace(table, **changes)  # type: ignore[arg-type]


def table_of(shots: pd.DataFrame) -> Table:
    """The table on which these shots were played (the first one's size)."""
    return _sizes(shots)


def _first(shots: pd.DataFrame, column: str) -> Any | None:
    if column not in shots:
        return None
    values = shots[column].dropna()
    return None if values.empty else values.iloc[0]


def _first_cushions(shots: pd.DataFrame, table: Table) -> NDArray[np.float64]:
    """(k, 2) where the shots met their first cushion, from its sight."""
    out: list[tuple[float, float]] = []
    off = table.contact_distance_mm(table.ball.radius_mm)
    for rail, sight in zip(shots["rail"].astype("string"), pd.to_numeric(shots["rail_sight"]), strict=True):
        if pd.isna(rail) or pd.isna(sight):
            continue
        along, across = float(sight) * table.length_mm / 8, float(sight) * table.width_mm / 4
        places = {
            "right": (along, off),
            "left": (along, table.width_mm - off),
            "head": (off, across),
            "foot": (table.length_mm - off, across),
        }
        if str(rail) in places:
            out.append(places[str(rail)])
    return np.array(out).reshape(-1, 2)
