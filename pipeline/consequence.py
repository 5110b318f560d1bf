"""How far a badly struck ball ends from where it was meant to go: what the verdict's tolerances are derived from.

A reference bank (object ball in the middle of the table, full hit, across to the left cushion and back) is played with
the closed-form physics of a sliding and rolling ball, a hit between balls with friction, and a rigid cushion touched
above the ball's centre. One thing about the hit is changed at a time, and the place where the ball arrives is read.

Sources: slide and roll in closed form (Coriolis 1835; any mechanics text). Ball-ball friction falling with slip speed,
mu = 0.00995 + 0.108 exp(-1.088 v), Alciatore's fit to Marlow's data (technical proof A.14; from memory). Restitution
between balls 0.92-0.98 and of a rail 0.6-0.9, ball on cloth 0.15-0.4 (Alciatore, FAQ "physics of pool and billiards").
Cushion friction 0.14 (Mathavan, Jackson & Parkin 2010, abstract). The cushion is a limiting model, not a measured one:
good enough to say which deviations matter, not to predict a bank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from shared.equipment import Table

GRAVITY_MPS2 = 9.81
BALL_RESTITUTION = 0.95
RAIL_RESTITUTION = 0.82
RAIL_FRICTION = 0.14
CLOTH_FRICTIONS = (0.15, 0.175, 0.20, 0.225, 0.25)  # the cloth is not known beforehand: the most sensitive one counts
REFERENCE_SPEEDS_MPS = (1.6, 2.2, 2.8)  # cue ball at the hit: soft to firm banks
REFERENCE_INCOMING_DEG = 31.0

Vector = NDArray[np.float64]


def ball_friction(slip_mps: float) -> float:
    """Friction between two clean balls at a slip speed, see the module's sources."""
    return 0.00995 + 0.108 * exp(-1.088 * slip_mps)


def throw_deg(cut_deg: float, *, speed_mps: float, roll_ratio: float = 0.0, side_ratio: float = 0.0) -> float:
    """Throw of the object ball, + left, for a cut (+ object ball leaves to the left) at an impact speed.

    ``side_ratio``: R w_z / speed of the cue ball, + anticlockwise from above. Stun throw with the grip limit when both
    ratios are 0.
    """
    velocity, _, _ = _hit(speed_mps, cut_deg, roll_ratio, side_ratio)
    return degrees(atan2(velocity[1], velocity[0])) - cut_deg


def drift_deg(cut_deg: float, roll_ratio: float) -> float:
    """Angle between the cue ball's settled path and the tangent line, for a cut and a spin carried out of the hit.

    + towards the incoming path's forward side. From (5 v + 2 s) / 7 with frictionless balls.
    """
    cut = radians(abs(cut_deg))
    forward_of_tangent = 5 * cos(cut) * (1 - BALL_RESTITUTION) / 2 + 2 * roll_ratio * cos(cut)
    along_tangent = 5 * sin(cut) + 2 * roll_ratio * sin(cut)
    return degrees(atan2(forward_of_tangent, along_tangent))


@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """Millimetres at the far rail per unit of each deviation: the largest over the usual cloths, all positive."""

    roll_ratio: float
    side_ratio: float  # the throw it makes and the side it gives, together
    aim_deg: float


@lru_cache(maxsize=32)
def sensitivity(table: Table) -> Sensitivity:
    """What a small change of the hit does to where the reference bank arrives on this table."""

    def steepest(change: Callable[..., float], step: float) -> float:
        bed = [(mu, speed) for mu in CLOTH_FRICTIONS for speed in REFERENCE_SPEEDS_MPS]
        return max(abs(change(step, mu, speed) - change(-step, mu, speed)) / (2 * step) for mu, speed in bed)

    return Sensitivity(
        roll_ratio=steepest(lambda h, mu, v: _arrival(table, mu, v, roll_ratio=h), 0.1),
        side_ratio=steepest(lambda h, mu, v: _arrival(table, mu, v, side_ratio=h), 0.05),
        aim_deg=steepest(lambda h, mu, v: _arrival(table, mu, v, aim_deg=h), 0.5),
    )


def opening_mm(table: Table) -> float:
    """A corner pocket's mouth; where the table has none or it is not known, two balls wide."""
    return table.corner_mouth_mm or 2 * table.ball.diameter_mm


def _arrival(table: Table, mu: float, speed_mps: float, *, roll_ratio: float = 0.0, side_ratio: float = 0.0,
             aim_deg: float = 0.0) -> float:
    """Along the right cushion, mm, where the reference bank gets to."""
    velocity, roll, side = _hit(speed_mps, 0.0, roll_ratio, side_ratio)
    heading = radians(90 - REFERENCE_INCOMING_DEG + aim_deg)
    turn = np.array([[cos(heading), -sin(heading)], [sin(heading), cos(heading)]])
    start = np.array([table.length_mm / 2, table.width_mm / 2]) / 1000
    off = table.contact_distance_mm(table.ball.radius_mm) / 1000
    place, velocity, roll = _run_to(start, turn @ velocity, turn @ roll, table.width_mm / 1000 - off, mu)
    velocity, roll = off_left_cushion(velocity, roll, side, nose=table.nose_height_mm / table.ball.radius_mm - 1)
    place, _, _ = _run_to(place, velocity, roll, off, mu)
    return 1000 * float(place[0])


def _hit(speed: float, cut_deg: float, roll_ratio: float, side_ratio: float) -> tuple[Vector, Vector, float]:
    """Object ball after the hit, x along the cue ball's path: velocity, roll velocity (2,), side R w_z; all m/s."""
    cut = radians(cut_deg)
    normal = np.array([cos(cut), sin(cut), 0.0])
    surface = np.array([speed, 0.0, 0.0]) + np.cross([0.0, roll_ratio * speed, side_ratio * speed], normal)
    slip = surface - (surface @ normal) * normal
    slip_speed = float(np.linalg.norm(slip))
    push = (1 + BALL_RESTITUTION) / 2 * speed * cos(cut)
    grip = min(ball_friction(slip_speed) * push, slip_speed / 7)
    drag = grip * slip / slip_speed if slip_speed > 0 else slip
    velocity = push * normal + drag
    spin = 2.5 * np.cross(-normal, drag)
    return velocity[:2], np.array([spin[1], -spin[0]]), float(spin[2])


def _run_to(place: Vector, velocity: Vector, roll: Vector, wall_y: float, mu: float) -> tuple[Vector, Vector, Vector]:
    """Slide, then roll without loss, to y = ``wall_y``: place (m), velocity and roll velocity there."""
    slip = velocity - roll
    slip_speed = hypot(*slip)
    slide_s = 2 * slip_speed / (7 * mu * GRAVITY_MPS2)
    brake = mu * GRAVITY_MPS2 * slip / slip_speed if slip_speed > 0 else slip
    a, b, c = -brake[1] / 2, velocity[1], place[1] - wall_y
    inside = b * b - 4 * a * c
    if inside >= 0:
        time_s = 2 * -c / (b + np.copysign(sqrt(inside), b))  # the earlier root, in the form that survives a = 0
        if 0 < time_s <= slide_s:
            there = place + velocity * time_s - brake * time_s**2 / 2
            return there, velocity - brake * time_s, roll + 2.5 * brake * time_s
    settled = (5 * velocity + 2 * roll) / 7
    place = place + velocity * slide_s - brake * slide_s**2 / 2
    return place + settled * (wall_y - place[1]) / settled[1], settled, settled


def off_left_cushion(velocity: Vector, roll: Vector, side: float, *, nose: float) -> tuple[Vector, Vector]:
    """A rigid cushion at +y touching ``nose`` radii above the ball's centre; the cloth holds the ball down."""
    arm = np.array([0.0, sqrt(1 - nose**2), nose])
    spin = np.array([-roll[1], roll[0], side])
    push = (1 + RAIL_RESTITUTION) * velocity[1] / arm[1]
    slip = np.array([velocity[0], velocity[1], 0.0]) + np.cross(spin, arm)
    slip = slip - (slip @ arm) * arm
    stop = slip / np.array([3.5, 2.5, 2.5])  # along the rail the whole ball yields, upwards it can only turn
    grip = float(np.linalg.norm(stop))
    slides = grip > RAIL_FRICTION * push
    drag = -RAIL_FRICTION * push * slip / np.linalg.norm(slip) if slides else -stop
    spin = spin + 2.5 * np.cross(arm, drag)
    return np.array([velocity[0] + drag[0], -RAIL_RESTITUTION * velocity[1]]), np.array([spin[1], -spin[0]])
