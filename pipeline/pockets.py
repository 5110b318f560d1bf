"""Pockets: where their mouths are, which contacts are at their jaws, and whether a ball fell in."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.paths import Seen
from pipeline.physics import Array, local_velocity
from shared.equipment import Table

MOUTH_IN_BALLS = 2.03  # corner mouth over ball diameter where a standard gives none: the pool value, no source
JAW_MARGIN = 1.014  # the widest mouth that the WPA allows (117.5 mm) over the middle of its range


@dataclass(frozen=True)
class Pocketed:
    """A ball that left the table: ``t_s`` when it went over the edge, between its last row and the next frame."""

    ball: str
    pocket: str
    t_s: float
    u_s: float


@dataclass(frozen=True, eq=False)
class Mouth:
    """A pocket's mouth: its middle, the unit direction along it, the unit direction into the pocket, its width."""

    pocket: str
    centre: Array  # (2,)
    along: Array  # (2,)
    into: Array  # (2,)
    width_mm: float
    known: bool  # False where the standard gives no mouth and the pool proportion stands in

    def depth(self, p: Array) -> Array:
        """How far places (..., 2) lie beyond the mouth line, mm."""
        return np.asarray((p - self.centre) @ self.into)


def mouths(table: Table) -> list[Mouth]:
    """Mouth lines: nose tip to nose tip; a corner's runs at 45 degrees across the corner."""
    out = []
    diameter = table.ball.diameter_mm
    for name, xy in table.pocket_centres_mm.items():
        nose_corner = np.array(xy)
        middle = np.array([table.length_mm / 2, table.width_mm / 2])
        if name.startswith("side"):
            width = table.side_mouth_mm or 1.1 * MOUTH_IN_BALLS * diameter
            into = np.array([0.0, np.sign(nose_corner[1] - middle[1])])
            out.append(Mouth(name, nose_corner, np.array([1.0, 0.0]), into, width, table.side_mouth_mm is not None))
        else:
            width = table.corner_mouth_mm or MOUTH_IN_BALLS * diameter
            into = np.sign(nose_corner - middle) / math.sqrt(2)
            along = np.array([-into[1], into[0]])
            known = table.corner_mouth_mm is not None
            out.append(Mouth(name, nose_corner - into * width / 2, along, into, width, known))
    return out


def drop_depth(mouth: Mouth) -> float:
    """Depth beyond the mouth line at which a ball surely falls: a round hole as wide as the mouth behind it."""
    return 4.0 if mouth.pocket.startswith("side") else 0.3 * mouth.width_mm


def in_jaws(table: Table, cushion: str, p: Array) -> bool:
    """Whether a contact with this cushion at place p (2,) is at its end, in a pocket's jaws."""
    along = p[0] if cushion in ("right", "left") else p[1]
    size = table.length_mm if cushion in ("right", "left") else table.width_mm
    if not table.pockets:
        return False
    corner = (table.corner_mouth_mm or MOUTH_IN_BALLS * table.ball.diameter_mm) / math.sqrt(2)
    if min(along, size - along) < JAW_MARGIN * corner:
        return True
    if cushion in ("right", "left"):
        side = (table.side_mouth_mm or 1.1 * MOUTH_IN_BALLS * table.ball.diameter_mm) / 2
        return bool(abs(along - size / 2) < JAW_MARGIN * side)
    return False


def find_pocketed(seen: Seen, table: Table, frames_t: Array, end_s: float) -> tuple[Pocketed | None, int]:
    """Whether the ball fell into a pocket, and how many of its rows come before that.

    frames_t : times of all frames of the clip, so that "no longer seen" is not mistaken for "the clip ended".
    """
    t, xy = seen.t_s, seen.xy_mm
    if not table.pockets or len(t) < 3:
        return None, len(t)
    for mouth in mouths(table):
        beyond = np.flatnonzero(
            (mouth.depth(xy) > drop_depth(mouth)) & (np.abs((xy - mouth.centre) @ mouth.along) < mouth.width_mm)
        )
        if len(beyond) and beyond[0] >= 2:
            k = int(beyond[0])
            half = (t[k] - t[k - 1]) / 2
            return Pocketed(seen.ball, mouth.pocket, float(t[k] - half), float(max(half, 0.01))), k
    missing = frames_t[(frames_t > t[-1]) & (frames_t <= end_s)]
    v = local_velocity(t[-6:], xy[-6:])[-1]
    speed = float(np.hypot(*v))
    if len(missing) < 3 or speed < 30:
        return None, len(t)
    ahead = xy[-1] + v * np.linspace(0, max(0.25, 150 / speed), 40)[:, None]
    for mouth in mouths(table):
        depth = mouth.depth(ahead)
        off = np.abs((ahead - mouth.centre) @ mouth.along)
        hit = np.flatnonzero((depth > 0) & (off < 0.75 * mouth.width_mm))
        if len(hit):
            gap = float(missing[0] - t[-1])
            reach = max((drop_depth(mouth) - float(mouth.depth(xy[-1]))) / max(float(v @ mouth.into), 30.0), 0.0)
            reach = min(reach, 0.5)
            # out of sight long before it would have been over the edge: hidden, or it went in another way
            u_s = max(gap, 0.02, (reach - gap) / 2)
            return Pocketed(seen.ball, mouth.pocket, float(t[-1] + reach), u_s), len(t)
    return None, len(t)
