"""Whether a clip plays slower or faster than life, as slow motion does that was stored at an ordinary frame rate.

Gravity tells: played N times slower, a cloth's friction and rolling resistance seem N x N times smaller. Only asked of
a clip none of whose shots moves as balls on cloth do.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pandas as pd

from pipeline.physics import Friction

PACES = (2.0, 4.0, 5.0, 8.0, 10.0, 0.5)  # times slower than life: 120, 240 frames/s stored at 24, 25, 30, 60
AS_ON_CLOTH = 1.0
TOLD = 0.3  # of what is known of friction beforehand: frames that tell of it leave less unknown


def pace_words(
    detections: pd.DataFrame, friction_at: Callable[[pd.DataFrame], Friction | None], clip: str
) -> str:
    """What to do about it, in one line; empty where no other pace makes the balls move as on cloth.

    friction_at : of detections, the friction that their shots show; None where they don't move as balls on cloth
    """
    shown = {}
    for pace in PACES:
        friction = friction_at(detections.assign(t_s=detections["t_s"] / pace))
        if friction is not None:
            shown[pace] = _unlikely(friction)
    if not shown or min(shown.values()) > AS_ON_CLOTH:
        return ""
    pace = min(shown, key=lambda each: shown[each])
    how = f"{pace:g} times slower" if pace > 1 else f"{1 / pace:g} times faster"
    return (f"the clip seems to play {how} than life; give it its real times without coding it anew: ffmpeg -itsscale "
            f"{1 / pace:g} -i \"{clip}\" -c copy \"real-{clip}\"")


def _unlikely(friction: Friction) -> float:
    """How many times larger or smaller than typical, as a logarithm: the published bands end at 0.7. Infinite where the
    frames say little of it."""
    typical = Friction()
    if friction.sliding_u > TOLD * typical.sliding_u or friction.rolling_u > TOLD * typical.rolling_u:
        return math.inf
    return max(abs(math.log(friction.sliding / typical.sliding)), abs(math.log(friction.rolling / typical.rolling)))
