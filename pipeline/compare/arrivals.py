"""Where shots arrive at their target: the point of the pocket's mouth line at miss_mm from its middle."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.ground import Ground, table_of
from pipeline.compare.legs import arriving_cushions
from pipeline.paths import inward_normal
from pipeline.pockets import Mouth, mouths

Array = NDArray[np.float64]


def target_mouth(shots: pd.DataFrame, ground: Ground) -> Mouth | None:
    """The target pocket's mouth; None without a target on this table."""
    if not len(shots):
        return None
    return next((m for m in mouths(table_of(shots)) if m.pocket == ground.target), None)


def arrival_points(shots: pd.DataFrame, contacts: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    """x_mm, y_mm per shot (index of ``shots``), from its miss_mm and the cushion it came from.

    Shots without miss_mm or without a cushion are left out.
    """
    mouth = target_mouth(shots, ground)
    if mouth is None or "miss_mm" not in shots:
        return pd.DataFrame({"x_mm": [], "y_mm": []})
    told = shots[shots["miss_mm"].notna()]
    came = arriving_cushions(told, contacts, mouth)
    points = [
        point_at(mouth, np.array([x, y]), cushion, float(miss))
        for x, y, cushion, miss in zip(
            came["x_mm"], came["y_mm"], came["cushion"], told["miss_mm"].reindex(came.index), strict=True
        )
    ]
    return pd.DataFrame(np.array(points).reshape(-1, 2), index=came.index, columns=["x_mm", "y_mm"])


def point_at(mouth: Mouth, start: Array, cushion: str, miss_mm: float) -> Array:
    """(2,) mm on the mouth line at ``miss_mm``; + towards a wider angle off ``cushion``, left at ``start``."""
    way = mouth.centre - start
    normal = inward_normal(cushion)
    wider = np.sign(normal[0] * way[1] - normal[1] * way[0])
    left = np.array([-way[1], way[0]])
    return np.asarray(mouth.centre + miss_mm * wider * np.sign(mouth.along @ left) * mouth.along)
