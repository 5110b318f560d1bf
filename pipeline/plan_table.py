"""power.csv: the shots and sessions that 80 and 90 % power take."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from pipeline.plan_between import sessions_needed
from pipeline.plan_inside import repeats_needed
from pipeline.plan_power import Spread, filmed
from pipeline.plan_sheet import Sheet


def power_table(shift: float, spread: Spread, *, hard: Mapping[str, tuple[str, ...]] | None = None) -> pd.DataFrame:
    """For 80 and 90 % power: shots per level inside sessions; sessions per level for some numbers of shots in each.

    hard : the conditions that stay for a session, with their levels; sessions are counted per level of the one with
    most. None: as for one of two levels
    """
    hard = hard or {"condition": ("a", "b")}
    levels = [len(each) for each in hard.values()]
    one = Sheet((("condition", ("a", "b")),), (), 1, 1)
    rows: list[dict[str, Any]] = []
    for power in (0.8, 0.9):
        shots = repeats_needed(one, shift, spread, power=power)
        rows.append(
            {
                "condition": "changed during a session",
                "power": power,
                "counted_shots_per_level": round(shots * spread.kept_share),
                "filmed_shots_per_level": shots,
                "sessions_per_level": 1,
            }
        )
        for counted in (4, 8, 12, 20, 40):
            sheet = Sheet((), tuple(hard.items()), filmed(counted, spread), 1)
            s = sessions_needed(sheet, shift, spread, power=power) * math.prod(levels) // max(levels)
            rows.append(
                {
                    "condition": "one level a session",
                    "power": power,
                    "counted_shots_per_level": counted * s if s else None,
                    "filmed_shots_per_level": filmed(counted, spread) * s if s else None,
                    "sessions_per_level": s or None,
                    "counted_shots_per_session": counted,
                }
            )
    return pd.DataFrame(rows)
