"""The shutter times of a recording: told from smears while frames go by, and told anew where the exposure changes.

A camera left to itself follows the light. So the longest smears are asked again and again, those asked last together
with the new ones: where one shutter for those before a time and another for those after it explain them far better than
one for all, it changed there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.detect_outline import BallPicture
from pipeline.smears import ENOUGH, FEWEST, Array, Curves, Shutter, Smear, curves_of

MOST = 4 * ENOUGH  # balls that are kept, with their pictures, until the shutter is told; if they can't tell, more won't
_LEAST_PX = 3.0  # from frame to frame; a slower ball shows no smear,
_MOST_BALLS = 1.5  # and one that goes further than so many of its own width is too faint at its ends
_WHOLE, _CLEAR = 0.8, 0.5  # of the outline seen, and of the cloth around, where the smear lies, too: hands have neither
_FEWEST, _ASTRAY = 6, 2  # balls on either side of a change, and those that seem to belong to the other one
_FAST_PX = 8.0  # a slower ball's smear is off by px itself, and doesn't tell of a change, nor
_FAST_BALLS = 1.0  # does one that goes further than its own width: a long shutter seems too short by it
_SURE = 225.0  # what a change must explain, in misfit for each ball of the fewer: 260 to 640 in six recordings whose
_SURE_U = 3.0  # shutter changes; and by how many standard uncertainties, and px of smear, the shutters must differ: 3.3
_SURE_PX = 1.5  # to 7.2 in those six. Of 58 in which it doesn't change, only one of blended frames has both: 248 and
# 4.0; else it is 196 and 3.7, or 241 and 2.5 at most
_REST_S = 0.25  # no ball moves for so long between two shots


@dataclass(frozen=True)
class Exposure:
    """A shutter time, and the first and the last time, s, at which balls show that it held."""

    from_s: float
    until_s: float
    shutter: Shutter

    def away_s(self, from_s: float, until_s: float) -> float:
        """How long before or after a stretch of time; 0 where it held during some of it."""
        return max(self.from_s - until_s, from_s - self.until_s, 0.0)


def held_at(exposures: Sequence[Exposure], t_s: float) -> Shutter:
    """The shutter at a time."""
    return min(exposures, key=lambda one: one.away_s(t_s, t_s)).shutter


def longest_s(exposures: Sequence[Exposure], from_s: float, until_s: float) -> float:
    """The longest shutter time between two times: whatever a contact bends within an exposure, it bends within this.

    Where it changes, few balls tell each: so much longer that it is hardly too short.
    """
    nearest = min(one.away_s(from_s, until_s) for one in exposures)
    more = 2.0 if len(exposures) > 1 else 0.0
    return max(one.shutter.seconds + more * one.shutter.u for one in exposures
               if one.away_s(from_s, until_s) <= nearest)


def since_motion(exposures: Sequence[Exposure], moving_s: Sequence[float]) -> list[Exposure]:
    """Each but the first from where the motion began that tells it: what came first may have been too fast to tell.

    moving_s : times of frames in which balls moved, in order
    """
    out = list(exposures)
    for number, (before, one) in enumerate(pairwise(exposures), 1):
        earlier = [one.from_s, *(t for t in reversed(moving_s) if before.until_s < t < one.from_s)]
        rests = (k for k, (later, sooner) in enumerate(pairwise(earlier)) if later - sooner > _REST_S)
        out[number] = replace(one, from_s=earlier[next(rests, len(earlier) - 1)])
    return out


@dataclass(eq=False)
class Smears:
    """Collects balls that smear while frames go by, and what they tell.

    found     : those to be asked next
    exposures : the shutter times in order, once they tell: a single one unless the exposure changes
    """

    found: list[Smear] = field(default_factory=list)
    exposures: list[Exposure] = field(default_factory=list)
    _tried: int = 0
    _most_px: float = 0.0
    _asked: Curves | None = None  # the last fast ones that told

    @property
    def told(self) -> Shutter | None:
        """The first shutter time, once they tell."""
        return self.exposures[0].shutter if self.exposures else None

    @property
    def since_s(self) -> float:
        """No change is found any more that was before this."""
        return float(self._asked.t_s[0]) if self._asked is not None and len(self._asked.t_s) else np.inf

    def take(self, smear: Smear, interval_s: float, radius_px: float, outline: float, clear: float) -> None:
        """A fitted ball, if it goes far enough from frame to frame and stands alone.

        outline, clear : shares of its outline seen, and of plain cloth around it
        """
        way = float(np.hypot(*smear.motion_px_s)) * interval_s
        self._most_px = 2 * _FAST_BALLS * radius_px
        wanted = self._tells_change(way) if self.exposures else _LEAST_PX < way < 2 * _MOST_BALLS * radius_px
        if wanted and outline > _WHOLE and clear > _CLEAR and not self.full:
            self.found.append(smear)

    def _tells_change(self, way_px: float | Array) -> NDArray[np.bool_]:
        return np.asarray((way_px > _FAST_PX) & (way_px < self._most_px))

    @property
    def full(self) -> bool:
        """No more are wanted, but to be asked."""
        return len(self.found) >= (ENOUGH if self.exposures else min(self._tried + ENOUGH, MOST))

    def ask(self, picture: BallPicture, rays: int, interval_s: float, shift_px: tuple[float, float]) -> None:
        """Ask those found so far, unless they were asked before: the first, or whether the exposure has changed."""
        before, self._tried = self._tried, len(self.found)
        fewest = _FEWEST if self.exposures else FEWEST
        if self._tried < fewest or self._tried == before or interval_s <= 0:
            return
        curves = curves_of(self.found, picture, rays, interval_s, shift_px)
        if self.exposures:
            self._divide(curves if self._asked is None else self._asked.and_later(curves))
        else:
            told = curves.told()
            if told is None:
                return
            self.exposures = [Exposure(float(curves.t_s[0]), float(curves.t_s[-1]), told)]
            self._divide(curves.of(self._tells_change(curves.way_px)), first=True)
        self.found, self._tried = [], 0

    def _divide(self, fast: Curves, *, first: bool = False) -> None:
        """Put down what the last ones and new ones tell; the ``first`` ones may have told a mixture."""
        before, *after = _stretches(fast)
        own = before.told() if first and after else None
        last = self.exposures[-1]
        until_s = max([last.from_s if after else last.until_s, *before.t_s[-1:].tolist()])
        self.exposures[-1] = replace(last, until_s=until_s, shutter=own or last.shutter)
        for part in after:
            if (shutter := part.told()) is not None:
                self.exposures.append(Exposure(float(part.t_s[0]), float(part.t_s[-1]), shutter))
        self._asked = (after[-1] if after else before).of(slice(-ENOUGH, None))


def _stretches(curves: Curves) -> list[Curves]:
    """The same in pieces, each of one shutter time; one piece unless another shutter explains them far better."""
    n = len(curves.t_s)
    if n < 2 * _FEWEST:
        return [curves]
    upto = np.cumsum(curves.misfit, axis=1)
    whole = upto[:, -1]
    at = np.arange(_FEWEST, n - _FEWEST + 1)
    apart = upto[:, at - 1].min(axis=0) + (whole[:, None] - upto[:, at - 1]).min(axis=0)
    best = int(np.argmin(apart))
    rest_s = np.where(np.abs(at - at[best]) <= _ASTRAY, curves.t_s[at] - curves.t_s[at - 1], 0.0)
    if rest_s.max() > _REST_S:  # likelier where nothing moved, between shots
        best = int(np.argmax(rest_s))
    k = int(at[best])
    before, after = curves.of(slice(k)), curves.of(slice(k, None))
    if whole.min() - apart[best] < _SURE * min(k, n - k) or not _differ(before.told(), after.told()):
        return [curves]
    return [*_stretches(before), *_stretches(after)]


def _differ(one: Shutter | None, other: Shutter | None) -> bool:
    if one is None or other is None:
        return False
    off = abs(one.seconds - other.seconds)
    return off > _SURE_U * float(np.hypot(one.u, other.u)) and off * min(one.motion_px_s, other.motion_px_s) > _SURE_PX
