"""A clip's balls, followed in each of its parts by itself: usually there is one, more where recordings were spliced."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.faults import Fault
from pipeline.shutter import at_read_times
from pipeline.splices import AWAY, find_splices
from pipeline.tracks import TrackSettings, track_balls
from shared.equipment import Table

_BESIDE = 1.75  # of a step: a ball may be seen first in a part's second frame, and be read half a frame off


def follow_parts(detections: pd.DataFrame, table: Table) -> pd.DataFrame:
    """The detections with ``ball``, no ball of one part named like one of another, and ``part``: 0, 1, ..."""
    rows = _followed(detections, table)
    splices = find_splices(rows)
    if not splices:
        return rows.assign(part=0)
    part = np.searchsorted(splices, detections["frame"].to_numpy(np.int64), side="right")
    followed: list[pd.DataFrame] = []
    balls = 0
    for number in range(len(splices) + 1):
        own = _followed(detections[part == number], table)
        names = own["ball"].astype("Int64") + balls
        balls = int(names.max()) if names.notna().any() else balls
        followed.append(own.assign(ball=names.astype("string"), part=number))
    return pd.concat(followed, ignore_index=True)


def parts_of(rows: pd.DataFrame, frames: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, NDArray[np.bool_]]]:
    """Each part's rows, and which of the clip's ``frames`` are its own."""
    begins = rows.groupby("part")["frame"].min()
    own = np.searchsorted(begins.to_numpy()[1:], frames["frame"].to_numpy(np.int64), side="right")
    for number, part in enumerate(begins.index):
        yield rows[rows["part"] == part], own == number


def splices_s(rows: pd.DataFrame) -> list[float]:
    """When the parts begin that follow another from one frame to the next, s.

    Where the table is bare for a while, or something else is shown, it may as well be a hand that put balls back.
    """
    parts = rows.groupby("part").agg(begin=("frame", "min"), end=("frame", "max"), t_s=("t_s", "min"))
    at_once = parts["begin"] - parts["end"].shift() <= AWAY
    return parts.loc[at_once, "t_s"].tolist()


def without_splices(faults: Sequence[Fault], rows: pd.DataFrame) -> list[Fault]:
    """The faults but for jumps where another recording follows: that says all of them, and what to do.

    rows : as `follow_parts` gives them; of nothing that was followed, empty
    """
    joins = np.array(splices_s(rows) if len(rows) else [])
    return [one for one in faults if not (one.jump and (np.abs(joins - one.until_s) < _BESIDE * one.lasts_s).any())]


def _followed(detections: pd.DataFrame, table: Table) -> pd.DataFrame:
    return at_read_times(track_balls(detections, table=table, settings=TrackSettings()))
