"""Whether a clip plays slower or faster than life, as slow motion does that was stored at an ordinary frame rate.

Gravity tells: played N times slower, a cloth's friction and rolling resistance seem N x N times smaller. Only asked of
a clip none of whose shots moves as balls on cloth do. As cloths differ, N is told roughly, so every frame rate that the
camera may have been set to is named: whose clip it is can look that up.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from pipeline.physics import Friction

#: frames/s that cameras are set to
CAMERAS = (10.0, 12.0, 12.5, 15.0, 20.0, 24.0, 25.0, 30.0, 48.0, 50.0, 60.0, 100.0, 120.0, 200.0, 240.0, 480.0)
#: 23.976, 29.97, 59.94 ... for some of them: what is stored at one of these was filmed at one, as a rule
NTSC = {rate: rate * 1000 / 1001 for rate in (12.0, 15.0, 24.0, 30.0, 48.0, 60.0, 120.0, 240.0, 480.0)}
SAME_RATE = 4e-4  # half of what the two kinds differ by, nearly
LEAST = 1.5  # nearer to the pace of life, cloths differ by as much
AS_ON_CLOTH = 1.0
FAR = 3.0  # times a pace that fits: more than lies between the two ends of AS_ON_CLOTH
TOLD = 0.3  # of what is known of friction beforehand: frames that tell of it leave less unknown


def pace_words(
    detections: pd.DataFrame, friction_at: Callable[[pd.DataFrame], Friction | None], clip: str
) -> str:
    """What to do about it, in one line; empty where no other pace makes the balls move as on cloth.

    detections : with their ``frame``, counted in the clip, and ``t_s``
    friction_at : of detections, the friction that their shots show; None where they don't move as balls on cloth
    """
    stored = _frame_rate(detections)
    if not stored:
        return ""
    slower, faster = _cameras(stored)
    fits = _fitting(slower, stored, detections, friction_at) or _fitting(faster, stored, detections, friction_at)
    if not fits:
        return ""
    factors = ", ".join(f"{stored / camera:.5g} for {camera:.5g}" for camera in fits)
    return (f"the clip seems to play {_times([camera / stored for camera in fits])} than life; give it its real times "
            f"without coding it anew: ffmpeg -itsscale FACTOR -i \"{clip}\" -c copy \"real-{clip}\", where FACTOR is "
            f"its {stored:.5g} frames/s over the camera's, {factors} (the camera's setting decides: balls tell it too "
            "roughly)")


def _fitting(
    cameras: list[float], stored: float, detections: pd.DataFrame,
    friction_at: Callable[[pd.DataFrame], Friction | None],
) -> list[float]:
    """Those, rising, with which the balls move as on cloth."""
    fits: list[float] = []
    for camera in cameras:
        if any(not 1 / FAR < camera / found < FAR for found in fits):
            continue
        friction = friction_at(detections.assign(t_s=detections["t_s"] * (stored / camera)))
        if friction is not None and _unlikely(friction) <= AS_ON_CLOTH:
            fits.append(camera)
    return fits


def _frame_rate(detections: pd.DataFrame) -> float:
    """Frames per second of a clip as it is stored; 0 where that can't be told."""
    seen = detections[["frame", "t_s"]].drop_duplicates("frame").sort_values("frame").to_numpy(float)
    apart = len(seen) // 2
    if not apart:
        return 0.0
    frames, seconds = (seen[apart:] - seen[:-apart]).T
    rate = float(np.median(frames / seconds))
    usual = min((*CAMERAS, *NTSC.values()), key=lambda each: abs(each - rate))
    return usual if abs(usual / rate - 1) < SAME_RATE else rate


def _cameras(stored: float) -> tuple[list[float], list[float]]:
    """Frames/s, rising, that a camera may have been set to if the clip plays slower, and if it plays faster."""
    rates = [NTSC.get(camera, camera) for camera in CAMERAS] if stored in NTSC.values() else list(CAMERAS)
    return [r for r in rates if r >= LEAST * stored], [r for r in rates if r <= stored / LEAST]


def _times(slower: list[float]) -> str:
    """2 to 2.5 times slower."""
    way = "slower" if slower[0] > 1 else "faster"
    ends = sorted({f"{max(each, 1 / each):.2g}" for each in (slower[0], slower[-1])}, key=float)
    return f"{' to '.join(ends)} times {way}"


def _unlikely(friction: Friction) -> float:
    """How many times larger or smaller than typical, as a logarithm: the published bands end at 0.7. Infinite where the
    frames say little of it."""
    typical = Friction()
    if friction.sliding_u > TOLD * typical.sliding_u or friction.rolling_u > TOLD * typical.rolling_u:
        return math.inf
    return max(abs(math.log(friction.sliding / typical.sliding)), abs(math.log(friction.rolling / typical.rolling)))
