"""The table under a comparison: what a degree is in mm at the pocket, what a mm is in sights and shares of a pocket."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.drawn import spread
from shared.equipment import STANDARDS, Table

_NAN = math.nan
_MOST_PATHS = 500  # a median needs no more

#: columns of shots that are looked at here
GROUND_COLUMNS = ("session", "shot_id", "target", "banked_ball", "rail", "rail_sight", "table", "table_length_mm",
                  "table_width_mm", "corner_mouth_mm", "side_mouth_mm")


@dataclass(frozen=True)
class Ground:
    """Lengths in mm; NaN where unknown. ``path_mm``: median way from the first cushion to the target pocket.

    ``mm_per_deg``: how far the arrival moves for one degree at the first cushion, along a straight path of that length;
    what the cushions met after that, and the bend of a sliding ball, add to it is not in it.
    """

    target: str
    opening_mm: float
    sight_mm: float
    path_mm: float
    why: str = ""

    @property
    def mm_per_deg(self) -> float:
        return self.path_mm * math.pi / 180


def ground(shots: pd.DataFrame, contacts: pd.DataFrame) -> Ground:
    """For one pattern's shots (all on tables of one size). ``contacts``: events of these shots, may be empty."""
    sizes = _sizes(shots)
    targets = shots["target"].dropna().astype(str).str.strip()
    targets = targets[targets != ""]
    target = str(targets.mode().iloc[0]) if len(targets) else ""
    sight = sizes.length_mm / 8
    place = sizes.pocket_centres_mm.get(target)
    if place is None:
        why = "no target pocket in takes.csv" if not target else f"{target!r} is no pocket of this table"
        return Ground(target, _NAN, sight, _NAN, why)
    mouth = sizes.side_mouth_mm if target.startswith("side") else sizes.corner_mouth_mm
    opening = _NAN if mouth is None else mouth
    pocket = np.array(place)
    lengths = [_way(points, pocket) for points in _paths(shots, contacts, sizes)]
    path = float(np.median(lengths)) if lengths else _NAN
    why = "" if mouth is not None else "the pocket's opening is not known for this table"
    return Ground(target, opening, sight, path, why)


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


def _paths(shots: pd.DataFrame, contacts: pd.DataFrame, table: Table) -> list[NDArray[np.float64]]:
    """(k, 2) points per shot, from its first cushion on: events of the banked ball, else just the first cushion."""
    keys = [k for k in ("session", "shot_id") if k in contacts and k in shots]
    out: list[NDArray[np.float64]] = []
    shots = shots.iloc[spread(len(shots), _MOST_PATHS)]
    if not contacts.empty and keys:
        banked = shots[[*keys, "banked_ball"]].rename(columns={"banked_ball": "ball"})
        few = contacts[contacts[keys[-1]].isin(banked[keys[-1]])]
        mine = few.merge(banked, on=[*keys, "ball"]).sort_values([*keys, "n"])
        for _, events in mine.groupby(keys):
            from_first = np.maximum.accumulate((events["kind"] == "cushion").to_numpy(dtype=bool))
            points = events.loc[from_first, ["x_mm", "y_mm"]].to_numpy(dtype=float)
            points = points[np.isfinite(points).all(axis=1)]
            if len(points):
                out.append(points)
    if out:
        return out
    for rail, sight in zip(shots["rail"].astype("string"), pd.to_numeric(shots["rail_sight"]), strict=True):
        if pd.isna(rail) or pd.isna(sight):
            continue
        along, across = float(sight) * table.length_mm / 8, float(sight) * table.width_mm / 4
        places = {
            "right": (along, 0.0),
            "left": (along, table.width_mm),
            "head": (0.0, across),
            "foot": (table.length_mm, across),
        }
        if str(rail) in places:
            out.append(np.array([places[str(rail)]]))
    return out


def _way(points: NDArray[np.float64], pocket: NDArray[np.float64]) -> float:
    """Length along the points to where they pass the pocket closest; with one point, straight to the pocket."""
    if len(points) == 1:
        return float(np.linalg.norm(pocket - points[0]))
    legs = np.diff(points, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    safe = np.where(lengths > 0, lengths, 1.0)
    along = np.clip(np.einsum("ij,ij->i", pocket - points[:-1], legs) / safe**2, 0, 1)
    gaps = np.linalg.norm(points[:-1] + along[:, None] * legs - pocket, axis=1)
    k = int(np.argmin(gaps))
    return float(lengths[:k].sum() + along[k] * lengths[k] + gaps[k] * (along[k] >= 1))
