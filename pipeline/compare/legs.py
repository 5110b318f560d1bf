"""From which cushion the banked ball came to its target, and whether that was the first one it met."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.pockets import Mouth

Array = NDArray[np.float64]
_NOSES = ("head", "foot", "right", "left")


def arriving_cushions(shots: pd.DataFrame, contacts: pd.DataFrame, mouth: Mouth) -> pd.DataFrame:
    """Per shot (index of ``shots``) the cushion it came from when it passed the mouth: where the ball's centre was at
    it (x_mm, y_mm), its name (cushion), and whether it was the first one it met (first).

    contacts : CONTACTS rows with ``session`` where the shots have it. Shots without a cushion on this side are left out
    """
    nothing = pd.DataFrame({"x_mm": [], "y_mm": [], "cushion": [], "first": []})
    keys = [k for k in ("session", "shot_id") if k in contacts and k in shots]
    if contacts.empty or not keys:
        return nothing
    banked = shots[[*keys, "banked_ball"]].rename(columns={"banked_ball": "ball"}).assign(row=shots.index)
    few = contacts[contacts[keys[-1]].isin(banked[keys[-1]])]
    mine = few.merge(banked, on=[*keys, "ball"]).sort_values(["row", "n"])
    mine = mine[(mine["kind"] == "cushion") & mine["other"].isin(_NOSES) & mine["x_mm"].notna() & mine["y_mm"].notna()]
    rows = {}
    for row, events in mine.groupby("row"):
        places = events[["x_mm", "y_mm"]].to_numpy(dtype=float)
        ahead = [k for k in range(len(places)) if (mouth.centre - places[k]) @ mouth.into > 0]
        if ahead:
            k = _leg(places, ahead, mouth)
            rows[row] = (*places[k], str(events["other"].iloc[k]), k == 0)
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(nothing.columns)) if rows else nothing


def _leg(places: Array, ahead: list[int], mouth: Mouth) -> int:
    """Which cushion the ball came from when it passed the mouth: the first after which it drew no further away, that is
    the one whose next contact lies beyond the mouth's middle, or the last one."""
    for k in ahead:
        after = k + 1
        if after >= len(places) or np.linalg.norm(places[after] - mouth.centre) < 0.35 * np.linalg.norm(
            places[k] - mouth.centre
        ):
            return k
    return ahead[-1]
