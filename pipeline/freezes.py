"""Where a recording's time breaks while a ball rolls: it froze for some frames, or frames are gone unsaid.

Cloth takes little of a ball's speed from one frame to the next, so none that rolls freely lies dead in the next frame.
A hand may stop one, but hardly two in the very same frame; and what a hand has stopped doesn't go on by itself as it
came. Nor does a ball go further from one frame to the next than the faster of its speeds before and after takes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.clock_jumps import MOST, MOVES_U, FoundFrames
from pipeline.faults import Fault
from pipeline.physics import G_MM_S2

Array = NDArray[np.float64]

MOST_FRICTION = 0.8  # no cloth takes more: as a share of the ball's weight, far beyond the published 0.15-0.4
FEWEST = 2  # frames that show the one before them again; a single one is left out (`pipeline.clock_jumps`)
AS_IT_CAME = 0.5  # of its step: what is struck after it was stopped differs by less only by chance
STRAIGHT = 0.1  # radians between the ways of a ball that met nothing: spin bends them by less within a few frames
AT_ONCE = 2  # balls that no hand stops in the same frame
FROZE = "the recording froze from {:.2f} to {:.2f} s while a ball rolled; film that shot anew"
GONE = ("balls jump at {:.2f} s from one frame to the next: frames are gone there, and the time stamps were closed "
        "up; give the clip as the camera made it, or film it anew")


@dataclass(frozen=True, eq=False)
class _Roll:
    """A ball that rolls steadily through three frames, beside no other: where first and last, and how fast."""

    first_mm: Array
    last_mm: Array
    velocity: Array  # mm/s
    u_mm: float


def find_freezes(detections: pd.DataFrame, radius_mm: float) -> list[Fault]:
    """Freezes in order of time: ``until_s`` is when another picture comes, or the last frame's time.

    detections : DETECTIONS of a clip, at the times at which frames were taken
    """
    frames = FoundFrames.of(detections, radius_mm)
    found: list[Fault] = []
    k, count = 2, len(frames.t_s)
    while k < count - FEWEST:
        last = k
        if frames.stops(k):
            while last + 1 < count and frames.same(k, last + 1):
                last += 1
            if last - k >= FEWEST and _froze(frames, k, last):
                from_s, until_s = float(frames.t_s[k]), float(frames.t_s[min(last + 1, count - 1)])
                found.append(Fault(from_s, until_s, FROZE.format(from_s, until_s), surely=True))
        k = max(last, k) + 1
    return found


def find_gone(detections: pd.DataFrame, radius_mm: float) -> list[Fault]:
    """Where all balls that roll jump in the same frame, in order of time.

    detections : as in `find_freezes`
    """
    frames = FoundFrames.of(detections, radius_mm)
    found: list[Fault] = []
    for k in range(2, len(frames.t_s) - 3):
        before = _rolls(frames, k - 2)
        after = _rolls(frames, k + 1) if before and not frames.goes_on_evenly([k - 1, k, k + 1]) else []
        pairs = [(one, other) for one in before for other in after]
        far = any(_far_ahead(frames, one, other) for one, other in pairs)
        if far and all(_jumped(frames, one, other, k) for one, other in pairs):
            at_s = float(frames.t_s[k + 1])
            found.append(Fault(float(frames.t_s[k]), at_s, GONE.format(at_s)))
    return found


def _froze(frames: FoundFrames, first: int, last: int) -> bool:
    """Whether balls were stopped, from a frame until another that shows the same, by nothing that stops a ball."""
    stopped = [roll for roll in _rolls(frames, first - 2) if _too_fast_to_stop(frames, roll)]
    if len({tuple(roll.last_mm.tolist()) for roll in stopped}) >= AT_ONCE:
        return True
    return any(_goes_on(frames, one, other, last) or _jumped(frames, one, other, last)
               for one in stopped for other in _rolls(frames, last + 1))


def _rolls(frames: FoundFrames, begin: int) -> Sequence[_Roll]:
    """Of balls in three frames from one on."""
    which = range(begin, begin + 3)
    if begin < 0 or which[-1] >= len(frames.t_s):
        return []
    found = []
    for chain in frames.rolling(which):
        places = np.array([frames.xy_mm[f][i] for f, i in zip(which, chain, strict=True)])
        u_mm = max(float(frames.u_mm[f][i]) for f, i in zip(which, chain, strict=True))
        velocity = (places[2] - places[0]) / (frames.t_s[begin + 2] - frames.t_s[begin])
        found.append(_Roll(places[0], places[2], velocity, u_mm))
    return found


def _slack(frames: FoundFrames, roll: _Roll) -> float:
    """mm by which friction may shorten a ball's step from one frame to the next, or noise seem to."""
    return MOST_FRICTION * G_MM_S2 * frames.interval_s**2 + MOVES_U * roll.u_mm


def _too_fast_to_stop(frames: FoundFrames, roll: _Roll) -> bool:
    return bool(np.hypot(*roll.velocity) * frames.interval_s > _slack(frames, roll))


def _goes_on(frames: FoundFrames, before: _Roll, after: _Roll, last: int) -> bool:
    """Whether a ball that was stopped goes on from there as it came."""
    step = before.velocity * frames.interval_s
    slack = min(_slack(frames, before), AS_IT_CAME * float(np.hypot(*step)))
    way = after.first_mm - before.last_mm
    took = float(frames.t_s[last + 1] - frames.t_s[last]) / frames.interval_s
    as_it_came = np.hypot(*(after.velocity * frames.interval_s - step)) < slack
    return bool(as_it_came and np.hypot(*(way - took * step)) < slack)


def _jumped(frames: FoundFrames, before: _Roll, after: _Roll, last: int) -> bool:
    """Whether a ball was elsewhere at once after a frame: further than either of its speeds takes it."""
    took_s = float(frames.t_s[last + 1] - frames.t_s[last])
    fastest = max(float(np.hypot(*before.velocity)), float(np.hypot(*after.velocity)))
    slack = max(_slack(frames, before), _slack(frames, after))
    return bool(np.hypot(*(after.first_mm - before.last_mm)) > fastest * took_s + 2 * slack)


def _far_ahead(frames: FoundFrames, before: _Roll, after: _Roll) -> bool:
    """Whether a ball is far along its way, and goes on along it about as fast: the same ball, which met nothing. Less
    far is told, and set right, by `pipeline.clock_jumps`.
    """
    way = after.first_mm - before.last_mm
    speed, length = float(np.hypot(*before.velocity)), float(np.hypot(*way))
    off = [float(np.hypot(*(way / length - v / np.hypot(*v)))) for v in (before.velocity, after.velocity)]
    alike = np.hypot(*(after.velocity - before.velocity)) < AS_IT_CAME * speed
    return bool(max(off) < STRAIGHT and alike and length > (MOST + 1) * speed * frames.interval_s)
