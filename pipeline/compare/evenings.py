"""The evening that each shot was filmed on: sessions that share recordings are one evening, measured in two folders."""

from __future__ import annotations

import pandas as pd

EVENING = "filmed_with"  # the column that pooling adds


def evening_of(shots: pd.DataFrame) -> pd.Series:
    """By shot, the session that stands for its evening: its own where nothing else is told."""
    session = shots["session"].astype("string").fillna("")
    return shots[EVENING].astype("string").fillna(session) if EVENING in shots else session


def evenings_of_several(shots: pd.DataFrame) -> list[str]:
    """A line for each evening whose shots are of more than one session. shots : those that are counted"""
    sessions = shots["session"].astype("string").fillna("").groupby(evening_of(shots)).unique()
    return [
        f"{', '.join(names[:-1])} and {names[-1]} share recordings, so they are taken as one evening. If they are two, "
        "leave the shared clips in one of them alone, measure the other again, then pool."
        for names in map(list, sessions) if len(names) > 1
    ]
