"""Corners of the nose lines as a person gives them, checked for what no table can look like in a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shared.errors import SettingsError
from shared.settings import HeadSide

Points = Sequence[Sequence[float]]

CORNER_ORDER = "in the order head-right, foot-right, foot-left, head-left"
LEAST_TURN = 1e-3  # a triangle of three corners over the square of the longest side: less, and they lie on one line
DIRECTIONS: dict[HeadSide, tuple[int, int]] = {
    "picture-left": (-1, 0), "picture-right": (1, 0), "picture-top": (0, -1), "picture-bottom": (0, 1),
}


def check_corners_px(corners: Points, head: HeadSide | None = None) -> None:
    """Raise SettingsError, in words to follow a name, for four [x, y] (px, y down) that no table can have.

    corners : in the order of CORNER_ORDER
    head    : which end of the picture was declared to be the head, if it was
    """
    if len(corners) != 4 or any(len(p) != 2 or not all(map(math.isfinite, p)) for p in corners):
        raise SettingsError(f"corners_px needs four points [x, y], {CORNER_ORDER}.")
    turns = [_turn(*(corners[(i + k) % 4] for k in range(3))) for i in range(4)]
    longest = max(math.dist(corners[i], corners[j]) for i in range(4) for j in range(i))
    if min(map(abs, turns)) <= LEAST_TURN * longest**2:
        raise SettingsError("three of the four corners lie on one line. Mark where the nose lines cross, "
                            f"{CORNER_ORDER}.")
    if max(turns) > 0:
        raise SettingsError("the corners do not run round the table anticlockwise as seen in the picture. Mark where "
                            f"the nose lines cross, {CORNER_ORDER}.")
    if head is not None and not head_lies_at(corners, head):
        told = max(DIRECTIONS, key=lambda side: _along(corners, side))
        raise SettingsError(f"corners_px put the head at {told}, head says {head}; correct one of them, or leave head "
                            f"out (corners_px are {CORNER_ORDER}).")


def head_lies_at(corners: Points, head: HeadSide) -> bool:
    """Whether the head end of a table with these corners lies within 60 degrees of that side of the picture."""
    return _along(corners, head) >= 0.5


def _along(corners: Points, side: HeadSide) -> float:
    """Cosine of the angle between the direction from foot to head and that to a side of the picture."""
    x, y = (float(corners[0][k] + corners[3][k] - corners[1][k] - corners[2][k]) for k in (0, 1))
    return (x * DIRECTIONS[side][0] + y * DIRECTIONS[side][1]) / (math.hypot(x, y) or 1.0)


def _turn(a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> float:
    """Area of the triangle, positive if it runs clockwise as displayed."""
    return 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
