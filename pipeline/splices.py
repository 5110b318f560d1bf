"""Where one recording is followed by another in the same file, as after editing: balls are elsewhere from one frame to
the next. No path goes on across a splice.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from copy import copy

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.tracks import ALIKE, TrackSettings

Array = NDArray[np.float64]

AWAY = 3  # frames for which a ball that vanished isn't seen again
ON_ITS_WAY_MM_S = 200.0
LOOKS_U = TrackSettings().colour_u


def find_splices(rows: pd.DataFrame) -> list[int]:
    """Numbers of the frames with which another recording begins, in order.

    A ball that a hand has moved turns up long after it vanished. An arm may cover one as it bares another, but hardly
    more of them in the very same frame, nor one of the same colour. And no ball rolls on across a splice.

    rows : DETECTIONS with ``ball``, as `track_balls` gives them
    """
    named = rows.dropna(subset=["ball"]).sort_values("frame")
    tracks = [_Track(own) for _, own in named.groupby("ball", observed=True)]
    frames = np.unique(rows["frame"].to_numpy(np.int64)).tolist()
    found: list[int] = []
    for frame in sorted({int(track.frames[0]) for track in tracks}):
        last = frames[max(bisect_left(frames, frame) - 1, 0)]
        if last == frame or (found and frame - found[-1] <= AWAY):
            continue
        new = [track for track in tracks if frame <= track.frames[0] <= frame + 1]
        gone = [track for track in tracks if track.vanishes_after(last)]
        if any(track.rolls_on(last, frame) for track in tracks):
            continue
        if (new and gone and len(new) + len(gone) > 2) or any(_same(a.until(last), b) for a in gone for b in new):
            found.append(frame)
    return found


def splice_words(times_s: Sequence[float]) -> str:
    """For the user, or empty."""
    if not times_s:
        return ""
    told = ", ".join(f"{t:.2f}" for t in times_s[:5]) + (" ..." if len(times_s) > 5 else "")
    return (f"other recordings follow at {told} s (spliced?): each is measured by itself, and needs to begin before "
            "the strike and to last until the balls lie still")


class _Track:
    def __init__(self, rows: pd.DataFrame) -> None:
        self.frames = rows["frame"].to_numpy(np.int64)
        self.t_s = rows["t_s"].to_numpy(float)
        self.xy_mm = rows[["x_mm", "y_mm"]].to_numpy(float)
        self.looks = rows[["luma", "cb", "cr", "white_share"]].to_numpy(float)

    def until(self, frame: int) -> _Track:
        """What comes up to a frame."""
        part = copy(self)
        n = int(np.searchsorted(self.frames, frame, side="right"))
        part.frames, part.t_s, part.xy_mm, part.looks = self.frames[:n], self.t_s[:n], self.xy_mm[:n], self.looks[:n]
        return part

    def vanishes_after(self, frame: int) -> bool:
        """Whether it is seen in a frame and in none of the next."""
        at = int(np.searchsorted(self.frames, frame))
        seen = at < len(self.frames) and self.frames[at] == frame
        return bool(seen and (at + 1 == len(self.frames) or self.frames[at + 1] > frame + AWAY))

    def rolls_on(self, last: int, frame: int) -> bool:
        """Whether it moves alike before and after."""
        at = int(np.searchsorted(self.frames, last))
        own = self.frames[at - 1 : at + 3]
        if at < 1 or len(own) < 4 or own[1] != last or own[2] != frame:
            return False
        v = np.diff(self.xy_mm[at - 1 : at + 3], axis=0) / np.diff(self.t_s[at - 1 : at + 3])[:, None]
        speed = np.hypot(v[:, 0], v[:, 1])
        turned = np.hypot(*(v[1:] - v[:-1]).T)
        return bool(speed.min() > ON_ITS_WAY_MM_S and (turned < 0.5 * speed[:-1]).all())


def _same(gone: _Track, new: _Track) -> bool:
    """Whether a still ball that vanished looks like a still one that turned up."""
    differ = (np.median(gone.looks[-8:], axis=0) - np.median(new.looks[:8], axis=0)) / LOOKS_U
    if (differ**2).sum() >= ALIKE:
        return False
    return _lies(gone.t_s[-4:], gone.xy_mm[-4:]) and _lies(new.t_s[:4], new.xy_mm[:4])


def _lies(t_s: Array, xy_mm: Array) -> bool:
    return len(t_s) > 3 and bool(np.hypot(*(xy_mm[-1] - xy_mm[0])) < ON_ITS_WAY_MM_S / 4 * (t_s[-1] - t_s[0]))
