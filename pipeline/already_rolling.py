"""A recording that begins with a ball rolling: its strike wasn't filmed, so nothing can be said of that shot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from pipeline.overlooked import FIRST_S, ROLLS_MM_S
from pipeline.paths import Seen
from pipeline.strikes import Strike

FIRST_FRAMES = 4
AT_ONCE_S = 0.1  # a ball that is in the picture from the beginning is found as soon as this
FEW_ROWS = 4
BENDS = 0.1  # of its way: what a hand moves goes less straight or less evenly


def shows_its_beginning(rows: pd.DataFrame) -> bool:
    """Whether balls are seen from the first frames on: not where a title comes first, or where few are found at all.

    rows : of one part of a clip (`parts.parts_of`); a later one begins where balls show
    """
    return len(rows) > 0 and bool(rows["part"].iloc[0] > 0 or rows["frame"].min() < FIRST_FRAMES)


def begins_rolling(tracks: Iterable[Seen], strikes: Sequence[Strike], begins_s: float) -> bool:
    """Whether a ball rolls at the beginning that nothing was seen to set going.

    tracks, strikes : of one recording, which begins at ``begins_s``
    """
    struck_s = min((strike.t_s for strike in strikes), default=np.inf)
    return any(_rolls_from(seen, begins_s, struck_s) for seen in tracks)


def already_rolling_words(times_s: Sequence[float]) -> str:
    """For the user, or empty."""
    if not times_s:
        return ""
    told = ", ".join(f"{t:.2f}" for t in times_s[:5]) + (" ..." if len(times_s) > 5 else "")
    return f"a ball rolls already where the recording begins ({told} s): without its strike that shot can't be measured"


def _rolls_from(seen: Seen, begins_s: float, struck_s: float) -> bool:
    if seen.t_s[0] > begins_s + AT_ONCE_S or len(seen.t_s) < FEW_ROWS:
        return False
    rows = slice(max(FEW_ROWS, int(np.searchsorted(seen.t_s, seen.t_s[0] + FIRST_S))))
    t_s, xy_mm = seen.t_s[rows] - begins_s, seen.xy_mm[rows]
    if t_s[-1] > struck_s - begins_s - 0.02:
        return False
    way = float(np.hypot(*(xy_mm[-1] - xy_mm[0])))
    if way < ROLLS_MM_S * (t_s[-1] - t_s[0]):
        return False
    line = np.polyfit(t_s, xy_mm, 1)
    off = xy_mm - t_s[:, None] * line[0] - line[1]
    return bool(np.hypot(*off.T).max() < BENDS * way)
