"""Frames that show the frame before them again, as a clip has that was converted to another frame rate.

Balls don't stand still for a frame or two amid their motion. Such frames tell nothing and would bend every path.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOVED_PX = 1.5  # from one picture to the next: what is still found in the same place after less isn't seen again
LONGEST = 6  # frames in a row with the same picture; more are a pause
FEWEST, SHARE = 4, 0.08  # of the frames in which something moves


@dataclass(frozen=True, eq=False)
class Repeats:
    """``frames``: indices of those that repeat another, or may; ``share``: how many of those amid motion do."""

    frames: NDArray[np.int64]
    share: float

    def left_over(self, detections: pd.DataFrame) -> NDArray[np.bool_]:
        """(N,) rows of repeats that are still there once ``frames`` are left out: they hadn't the very same places as
        long as those beside them were there, too. None where the clip isn't known to hold any.
        """
        indices, around = _grouped(detections) if len(self.frames) else (self.frames, [])
        return np.isin(detections["frame"], [indices[k] for group in _amid(around) for k in group[1:]])

    def warning(self) -> str:
        """For the user, or empty."""
        if not len(self.frames):
            return ""
        return (f"{100 * self.share:.0f} % of the frames in which balls move show the frame before them again "
                "(converted to another frame rate?): they are left out; export the clip at the camera's own rate")


_NONE = Repeats(np.zeros(0, np.int64), 0.0)


def find_repeats(detections: pd.DataFrame) -> Repeats:
    """Runs of frames with the very same places, between frames in which something moved.

    detections : DETECTIONS; a ball is found anew only where the picture changed, so the same picture gives equal rows
    """
    indices, around = _grouped(detections)
    amid = _amid(around)
    seen = sum(map(len, amid))
    again = [k for group in amid for k in group[1:]]
    if len(again) < FEWEST or len(again) < SHARE * seen:
        return _NONE
    most = max(map(len, amid)) - 1
    first = [group for group, before, after in around if after and not (before and len(group) <= LONGEST)]
    late = [k for group in first for k in group[1:][-most:]]  # the last ones before something moves may be repeats, too
    return Repeats(np.sort(indices[again + late]), len(again) / seen)


_Around = list[tuple[list[int], bool, bool]]  # numbers of frames alike, and whether something moved before and after


def _amid(around: _Around) -> list[list[int]]:
    """The groups between frames in which something moved."""
    return [group for group, before, after in around if before and after and len(group) <= LONGEST]


def _grouped(detections: pd.DataFrame) -> tuple[NDArray[np.int64], _Around]:
    """(F,) indices of the frames, and their groups of the very same places."""
    frame = detections["frame"].to_numpy(np.int64)
    px = detections[["x_px", "y_px"]].to_numpy(float)
    if not len(frame):
        return frame, []
    order = np.lexsort((px[:, 1], px[:, 0], frame))
    frame, px = frame[order], px[order]
    cuts = np.flatnonzero(np.diff(frame)) + 1
    indices = frame[np.concatenate([[0], cuts])]
    places = np.split(px, cuts)
    groups: list[list[int]] = []
    for k in range(len(indices)):
        if k and np.array_equal(places[k], places[k - 1]) and indices[k] == indices[k - 1] + 1:
            groups[-1].append(k)
        else:
            groups.append([k])
    moved = [_moved(places[a[0]], places[b[0]]) for a, b in pairwise(groups)]
    return indices, list(zip(groups, [False, *moved], [*moved, False], strict=True))


def _moved(one: Array, other: Array) -> bool:
    """Whether a ball of ``one`` is elsewhere in ``other``, and not only gone."""
    apart = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1)) > MOVED_PX
    return bool(apart.all(axis=1).any() and apart.all(axis=0).any())
