"""Where shots arrive at their target: the point of the pocket's mouth line at miss_mm from its middle."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.ground import Ground, table_of
from pipeline.paths import inward_normal
from pipeline.pockets import Mouth, mouths

Array = NDArray[np.float64]
_NOSES = ("head", "foot", "right", "left")


def target_mouth(shots: pd.DataFrame, ground: Ground) -> Mouth | None:
    """The target pocket's mouth; None without a target on this table."""
    if not len(shots):
        return None
    return next((m for m in mouths(table_of(shots)) if m.pocket == ground.target), None)


def arrival_points(shots: pd.DataFrame, contacts: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """x_mm, y_mm per shot (index of ``shots``), from its miss_mm and the cushion it came from.

    Shots without miss_mm or without a cushion are left out.
    """
    nothing = pd.DataFrame({"x_mm": [], "y_mm": []})
    mouth = target_mouth(shots, ground)
    keys = [k for k in ("session", "shot_id") if k in contacts and k in shots]
    if mouth is None or contacts.empty or not keys or "miss_mm" not in shots:
        return nothing
    banked = shots[[*keys, "banked_ball", "miss_mm"]].rename(columns={"banked_ball": "ball"}).assign(row=shots.index)
    few = contacts[contacts[keys[-1]].isin(banked[keys[-1]])]
    mine = few.merge(banked[banked["miss_mm"].notna()], on=[*keys, "ball"]).sort_values(["row", "n"])
    mine = mine[(mine["kind"] == "cushion") & mine["other"].isin(_NOSES) & mine["x_mm"].notna() & mine["y_mm"].notna()]
    rows = {}
    for row, events in mine.groupby("row"):
        legs = events[["x_mm", "y_mm"]].to_numpy(dtype=float)
        miss = float(events["miss_mm"].iloc[0])
        points = [point_at(mouth, legs[k], str(events["other"].iloc[k]), miss) for k in range(len(legs))]
        ahead = [k for k in range(len(legs)) if (mouth.centre - legs[k]) @ mouth.into > 0]
        if ahead:
            rows[row] = points[_leg(legs, ahead, mouth)]
    return pd.DataFrame.from_dict(rows, orient="index", columns=["x_mm", "y_mm"]) if rows else nothing


def point_at(mouth: Mouth, start: Array, cushion: str, miss_mm: float) -> Array:
    """(2,) mm on the mouth line at ``miss_mm``; + towards a wider angle off ``cushion``, left at ``start``."""
    way = mouth.centre - start
    normal = inward_normal(cushion)
    wider = np.sign(normal[0] * way[1] - normal[1] * way[0])
    left = np.array([-way[1], way[0]])
    return np.asarray(mouth.centre + miss_mm * wider * np.sign(mouth.along @ left) * mouth.along)


def _leg(legs: Array, ahead: list[int], mouth: Mouth) -> int:
    """Which cushion the ball came from when it passed the mouth: the first after which it drew no further away, that is
    the one whose next contact lies beyond the mouth's middle, or the last one."""
    for k in ahead:
        after = k + 1
        if after >= len(legs) or np.linalg.norm(legs[after] - mouth.centre) < 0.35 * np.linalg.norm(
            legs[k] - mouth.centre
        ):
            return k
    return ahead[-1]
