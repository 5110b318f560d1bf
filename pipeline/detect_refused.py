"""Places that proved to be no ball, which are not tried again for a while, unless a ball may well be there."""

from __future__ import annotations

import math
from collections.abc import Sequence

Px = tuple[float, float]  # a place in the picture
Seen = tuple[float, Sequence[Px]]  # a frame's time, and where balls were found in it

FRAMES = 2  # before and after: for so long a ball may fail to be found and is expected all the same
AT_REST = 0.3  # radii from one frame to the next


class Refused:
    """What was refused lately. A hand goes on looking like this or that ball. But a real one may fail as well, in the
    frame in which it meets another; where it was then, it may lie from then on.
    """

    def __init__(self, radius_px: float, for_s: float) -> None:
        self._radius_px, self._for_s = radius_px, for_s
        self._places: list[tuple[Px, float]] = []

    def at(self, t_s: float) -> list[Px]:
        """The places not to be tried in the frame of this time."""
        self._places = [(place, since) for place, since in self._places if t_s - since < self._for_s]
        return [place for place, _ in self._places]

    def add(self, failed: Sequence[tuple[int, Px]], seen: Sequence[Seen]) -> None:
        """Rule out what ``failed`` (which of the frames ``seen``, place) but where balls were expected."""
        self._places += [(px, seen[k][0]) for k, px in failed if not self._expected(px, k, seen)]

    def _expected(self, place: Px, k: int, seen: Sequence[Seen]) -> bool:
        """Whether a ball lay there just before or after, or was on its way through there."""
        nearby = [px for _, places in seen[max(k - FRAMES, 0) : k + FRAMES + 1] for px in places]
        if any(math.dist(place, px) < self._radius_px for px in nearby):
            return True
        return any(self._on_the_way(place, seen[k][0], *seen[i - 1 : i + 1])
                   for i in range(max(k - FRAMES, 1), k))

    def _on_the_way(self, place: Px, t_s: float, first: Seen, last: Seen) -> bool:
        """Whether a ball that moved between two frames comes past a place until a time."""
        (t_0, before), (t_1, after) = first, last
        if not t_0 < t_1 < t_s:
            return False
        still = AT_REST * self._radius_px
        left = [a for a in before if all(math.dist(a, b) > still for b in after)]
        came = [b for b in after if all(math.dist(a, b) > still for a in before)]
        return any(_passes(place, b, a, (t_s - t_1) / (t_1 - t_0), self._radius_px) for a in left for b in came)


def _passes(place: Px, here: Px, before: Px, times: float, within: float) -> bool:
    """Whether what came from ``before`` to ``here`` passes a place when it goes on so many ``times`` as far."""
    x, y = (here[0] - before[0]) * times, (here[1] - before[1]) * times
    along = ((place[0] - here[0]) * x + (place[1] - here[1]) * y) / (x * x + y * y)
    along = min(max(along, 0.0), 1.0)
    return math.dist(place, (here[0] + along * x, here[1] + along * y)) < within
