"""Whether balls went so fast that the shutter smeared them over more than their own width, which is why they are lost.

Such a streak is faint, and has no round end to tell where the ball was: it is found twice, or not at all.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from pipeline.paths import Seen
from pipeline.shutter import shutter_words

REMEDY = "film with a shorter shutter, and more light"
_MOST_MM_S = 12000.0  # a ball struck as hard as anybody can goes no faster; common practice, no source
_STRAIGHT = 0.9  # cosine between one step and the next of a ball that goes on


def streak_words(seen: Iterable[Seen], shutter_s: float | None, radius_mm: float) -> str:
    """What smears how far, and what to do; empty where no ball goes so far while the shutter is open, or its time isn't
    known.

    seen : balls' rows of the time in question
    """
    if not shutter_s:
        return ""
    streak_mm = shutter_s * max((fastest_mm_s(one) for one in seen), default=0.0)
    if streak_mm <= 2 * radius_mm:
        return ""
    return (f"balls smear over {streak_mm:.0f} mm, more than their width, in a shutter of about "
            f"{shutter_words(shutter_s)} s, and can't be followed: {REMEDY}")


def fastest_mm_s(seen: Seen) -> float:
    """How fast a ball went over two steps straight on, from one place to another at which it was found."""
    if len(seen.t_s) < 3:
        return 0.0
    step = np.diff(seen.xy_mm, axis=0)
    length = np.hypot(*step.T)
    on = (step[1:] * step[:-1]).sum(axis=1) > _STRAIGHT * length[1:] * length[:-1]
    speed = (length[1:] + length[:-1]) / (seen.t_s[2:] - seen.t_s[:-2])
    return float(max(speed[on & (speed < _MOST_MM_S)], default=0.0))
