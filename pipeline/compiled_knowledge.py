"""Compiled: what is known of a shot before any frame is seen, as residuals. Sizes and bands: `pipeline.knowledge`."""

from __future__ import annotations

import math

import numpy as np

from pipeline import knowledge as k
from pipeline.compiled import compiled
from pipeline.compiled_motion import BALL, CUSHION, STRIKE, ShotArrays
from pipeline.paths import inward_normal
from pipeline.physics import Array
from shared.equipment import CUSHIONS

_NOSE_U_MM, _TOUCH_U_MM, _MASS_U = k.NOSE_U_MM, k.TOUCH_U_MM, k.MASS_U
_ACROSS_U, _CLOTH_TAKES = k.ACROSS_U, k.CLOTH_TAKES
_RESTITUTION, _RESTITUTION_U, _GRIP_U, _SPIN_GRIP = k.RESTITUTION, k.RESTITUTION_U, k.GRIP_U, k.SPIN_GRIP
_STROKE_ROLL, _STROKE_ROLL_U, _STROKE_ACROSS_U = k.STROKE_ROLL, k.STROKE_ROLL_U, k.STROKE_ACROSS_U
_FASTEST_MM_S, _FASTEST_U, _SLOW_MM_S = k.FASTEST_MM_S, k.FASTEST_U, k.SLOW_MM_S
_TOWARDS_U, _ORDER_U_S, _CUSHION_OUT, _CUSHION_OUT_U = k.TOWARDS_U, k.ORDER_U_S, k.CUSHION_OUT, k.CUSHION_OUT_U
KNOWN_OF = (3, 10, 5, 4)  # residuals of a strike, a ball, a cushion, a jaw, in the order of their kinds
_INWARD = np.array([inward_normal(cushion) for cushion in CUSHIONS])


@compiled
def rows(shot: ShotArrays) -> int:
    """How many residuals there are."""
    count = 2 + len(shot.order)
    for kind in shot.kind:
        count += KNOWN_OF[kind]
    return count


@compiled
def residuals(shot: ShotArrays, theta: Array, times: Array, before: Array, out: Array) -> None:
    """Fill in departures from what is known (rows,), in standard uncertainties; see `walk` for the rest."""
    known = shot.known
    out[0], out[1] = (theta[0] - known[0]) / known[1], (theta[1] - known[2]) / known[3]
    at = 2
    for pair in range(len(shot.order)):  # what a ball met one after the other, it met in that order
        out[at] = min(times[shot.order[pair, 1]] - times[shot.order[pair, 0]], 0.0) / _ORDER_U_S
        at += 1
    for i in range(len(shot.kind)):
        if shot.kind[i] == STRIKE:
            at = _strike(theta[shot.leg[i, 0] :], out, at)
        elif shot.kind[i] == BALL:
            mass_a, mass_b, mass_u = 1.0, 1.0, _MASS_U
            if shot.ball[i, 0] == shot.cue or shot.ball[i, 1] == shot.cue:
                mass_a = 2 * known[8] / (1 + known[8])
                mass_b, mass_u = 2 - mass_a, known[9]
            if shot.ball[i, 1] == shot.cue:
                mass_a, mass_b = mass_b, mass_a
            at = _balls(before[i], theta[shot.leg[i, 0] :], theta[shot.leg[i, 1] :], known[7], mass_a, mass_b, mass_u,
                        out, at)
        else:
            at = _cushion(shot, i, before[i, 0], theta[shot.leg[i, 0] :], out, at)


@compiled
def _strike(leg: Array, out: Array, at: int) -> int:
    """A cue hits near the centre line: draw or follow up to the miscue limit, hardly any roll aside; just so fast."""
    vx, vy, rx, ry = leg[0], leg[1], leg[2], leg[3]
    speed = math.sqrt(vx * vx + vy * vy) + 1e-9
    out[at] = ((rx * vx + ry * vy) / speed - _STROKE_ROLL * speed) / (_STROKE_ROLL_U * speed + 10)
    out[at + 1] = (vx * ry - vy * rx) / speed / (_STROKE_ACROSS_U * speed + 10)
    out[at + 2] = max(speed - _FASTEST_MM_S, 0.0) / _FASTEST_U
    return at + 3


@compiled
def _balls(
    met: Array, after_a: Array, after_b: Array, diameter_mm: float, mass_a: float, mass_b: float, mass_u: float,
    out: Array, at: int,
) -> int:
    """Two balls: they touch, coming towards each other, with masses (over their mean) as known and little friction.

    What changes their roll presses one of them on the cloth: with 2/5 of that change, times its mass. The cloth, whose
    sliding friction is 0.2, takes a fifth of it, along the way it slips: much as the balls met, or along their centres.
    """
    a, b = met[0], met[1]
    nx, ny = b[0] - a[0], b[1] - a[1]
    distance = math.sqrt(nx * nx + ny * ny) + 1e-9
    nx, ny = nx / distance, ny / distance
    tx, ty = -ny, nx
    wx, wy = a[2] - b[2], a[3] - b[3]
    meeting = wx * nx + wy * ny
    closing = abs(meeting) + _SLOW_MM_S
    speed = math.sqrt(wx * wx + wy * wy) + 1e-9 + _SLOW_MM_S
    out[at] = (distance - diameter_mm) / _TOUCH_U_MM
    out[at + 1] = min(meeting, 0.0) / (_TOWARDS_U * speed)
    mx = mass_a * (after_a[0] - a[2]) + mass_b * (after_b[0] - b[2])
    my = mass_a * (after_a[1] - a[3]) + mass_b * (after_b[1] - b[3])
    thrown = (after_b[0] - b[2]) * tx + (after_b[1] - b[3]) * ty
    out[at + 2] = (mx * nx + my * ny) / (mass_u * closing)
    # Friction at the contact drives both balls against the roll that they bring along, and not past it.
    brought = (a[4] + b[4]) * nx + (a[5] + b[5]) * ny
    half = math.sqrt((brought / 2) ** 2 + (0.005 * closing) ** 2)
    most = (half**-4 + (_SPIN_GRIP * closing) ** -4) ** -0.25  # the smaller of both, without an edge to be caught at
    pressed = math.hypot(_CLOTH_TAKES * most * (wx * tx + wy * ty) / speed, _ACROSS_U * closing)
    out[at + 3] = (mx * tx + my * ty) / math.hypot(pressed, mass_u * thrown)
    parting = (after_b[0] - after_a[0]) * nx + (after_b[1] - after_a[1]) * ny
    out[at + 4] = (parting - _RESTITUTION * meeting) / (_RESTITUTION_U * closing)
    out[at + 5] = thrown / (_GRIP_U * closing)
    ax, ay = after_a[2] - a[4], after_a[3] - a[5]
    bx, by = after_b[2] - b[4], after_b[3] - b[5]
    out[at + 6] = (ax - bx) / (0.01 * speed + 5)
    out[at + 7] = (ay - by) / (0.01 * speed + 5)
    out[at + 8] = (bx * nx + by * ny + 0.6 * brought / (2 * half) * most) / (0.4 * most + 0.01 * closing)
    out[at + 9] = (bx * tx + by * ty) / (0.01 * closing + 5)
    return at + 10


@compiled
def _cushion(shot: ShotArrays, i: int, met: Array, after: Array, out: Array, at: int) -> int:
    """A cushion at its nose line, with the published restitution; or a jaw, whose direction is not known."""
    nx, ny = _INWARD[shot.cushion[i], 0], _INWARD[shot.cushion[i], 1]
    tx, ty = -ny, nx
    wide = 5.0
    if shot.kind[i] == CUSHION:
        wide = 1.0
        length, width, reach = shot.known[4], shot.known[5], shot.known[6]
        off = met[0] * nx + met[1] * ny + max(-nx, 0.0) * length + max(-ny, 0.0) * width  # from the nose line
        out[at] = (off - reach) / _NOSE_U_MM
        at += 1
    vx, vy, rx, ry = met[2], met[3], met[4], met[5]
    speed = math.sqrt(vx * vx + vy * vy) + 1e-9 + _SLOW_MM_S
    back = after[0] * nx + after[1] * ny + _CUSHION_OUT * (vx * nx + vy * ny)
    out[at] = back / (wide * _CUSHION_OUT_U * speed)
    out[at + 1] = (after[0] * tx + after[1] * ty - 0.8 * (vx * tx + vy * ty)) / (wide * 0.3 * speed)
    out[at + 2] = (after[2] * nx + after[3] * ny - 0.2 * (rx * nx + ry * ny)) / (wide * 0.4 * speed)
    out[at + 3] = (after[2] * tx + after[3] * ty - 0.8 * (rx * tx + ry * ty)) / (wide * 0.4 * speed)
    return at + 4
