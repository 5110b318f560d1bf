"""Compiled: a shot's residuals in its frames, and the normal equations of its fit.

What would be one line of slices is written out in loops where it can be: as fast, and far faster to compile.

Slopes of the frames are closed forms within a leg; where a leg begins, and what is known, goes by small steps.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.compiled import compiled
from pipeline.compiled_knowledge import residuals, rows
from pipeline.compiled_motion import TINY, ShotArrays, state_after, walk
from pipeline.physics import G_MM_S2, Array

LOCAL = 9  # what places on a leg depend on: its start's place, velocity, rolling velocity and time, both log frictions


@compiled
def place_slopes(
    vx: float, vy: float, rx: float, ry: float, tau: float, mu_s: float, mu_r: float, moved: Array, out: Array, at: int
) -> None:
    """Fill in how far a ball gets in ``tau`` seconds (2,), and its derivatives (2, 9) by what LOCAL tells: in the two
    rows from ``at`` on. Exact wherever the motion is smooth. For tau < 0 the ball stays.
    """
    a, b = mu_s * G_MM_S2, mu_r * G_MM_S2
    ux, uy = vx - rx, vy - ry
    slip = math.sqrt(ux * ux + uy * uy) + TINY
    wx, wy = ux / slip, uy / slip
    t_slide = 2 * slip / (7 * a)
    sliding = min(max(tau, 0.0), t_slide)
    drag_x, drag_y = a * sliding * wx, a * sliding * wy
    px, py = vx - drag_x, vy - drag_y  # where sliding is over, the velocity that it rolls away with
    speed = math.sqrt(px * px + py * py) + TINY
    fx, fy = px / speed, py / speed
    rolling = min(max(tau - t_slide, 0.0), speed / b)
    shorter = 0.5 * b * rolling * rolling
    over = tau >= t_slide
    turn = lag = spent = along = 0.0
    by_v, by_roll = sliding, 0.0
    if over:
        lag = 2 / (7 * a)
        along = shorter / speed  # d run / d rolled: what is more of it along the way, and across
        spent = rolling - along
        by_v, by_roll = 6 * t_slide / 7 + 5 / 7 * spent, t_slide / 7 + 2 / 7 * spent
    else:
        turn = 0.5 * a * sliding * sliding / slip  # while it slides: turning the slip turns the parabola
        by_v, by_roll = by_v - turn, turn
    slowed_x, slowed_y = shorter * fx, shorter * fy
    moved[at] = (vx - 0.5 * drag_x) * sliding + px * rolling - slowed_x
    moved[at + 1] = (vy - 0.5 * drag_y) * sliding + py * rolling - slowed_y
    qx = px - b * rolling * fx if tau > 0 else 0.0  # velocity by then
    qy = py - b * rolling * fy if tau > 0 else 0.0
    later_x, later_y = qx - (6 * vx + rx) / 7, qy - (6 * vy + ry) / 7
    bent_x, bent_y = turn * wx - lag * later_x, turn * wy - lag * later_y
    xx, xy, yy = along * fx * fx, along * fx * fy, along * fy * fy
    out[at, 0], out[at, 1], out[at + 1, 0], out[at + 1, 1] = 1.0, 0.0, 0.0, 1.0
    out[at, 2], out[at, 3] = 5 / 7 * xx + bent_x * wx + by_v, 5 / 7 * xy + bent_x * wy
    out[at + 1, 2], out[at + 1, 3] = 5 / 7 * xy + bent_y * wx, 5 / 7 * yy + bent_y * wy + by_v
    out[at, 4], out[at, 5] = 2 / 7 * xx - bent_x * wx + by_roll, 2 / 7 * xy - bent_x * wy
    out[at + 1, 4], out[at + 1, 5] = 2 / 7 * xy - bent_y * wx, 2 / 7 * yy - bent_y * wy + by_roll
    out[at, 6], out[at + 1, 6] = -qx, -qy
    if over:
        out[at, 7], out[at + 1, 7] = later_x * t_slide, later_y * t_slide
    else:
        out[at, 7], out[at + 1, 7] = -0.5 * drag_x * sliding, -0.5 * drag_y * sliding
    out[at, 8], out[at + 1, 8] = -slowed_x, -slowed_y


@compiled
def walk_slopes(shot: ShotArrays, theta: Array) -> tuple[Array, Array, Array, Array, Array]:
    """When each event is and what was before it (see `walk`), what is known (rows,); and how the parameters change
    what is known (n, rows) and each leg's start, its place and time (E, 2, 3, n).
    """
    n, events = len(theta), len(shot.kind)
    times, before, known = np.empty(events), np.zeros((events, 2, 6)), np.empty(rows(shot))
    by_known, by_start = np.empty((n, len(known))), np.zeros((events, 2, 3, n))
    walk(shot, theta, times, before)
    residuals(shot, theta, times, before, known)
    there, then = before.copy(), times.copy()
    stepped = theta.copy()
    for j in range(len(theta)):
        stepped[j] = theta[j] + shot.steps[j]
        walk(shot, stepped, then, there)
        residuals(shot, stepped, then, there, by_known[j])
        stepped[j] = theta[j]
        for k in range(len(known)):
            by_known[j, k] = (by_known[j, k] - known[k]) / shot.steps[j]
        for i in range(len(times)):
            for side in range(2):
                for axis in range(2):
                    change = there[i, side, axis] - before[i, side, axis]
                    by_start[i, side, axis, j] = change / shot.steps[j]
                by_start[i, side, 2, j] = (then[i] - times[i]) / shot.steps[j]
    return times, before, known, by_known, by_start


@compiled
def leg_slopes(shot: ShotArrays, ball: int, i: int, by_start: Array, out: Array) -> None:
    """Fill in how what LOCAL tells of the ball's leg after event ``i`` hangs on the parameters (9, n); -1: at first."""
    n = out.shape[1]
    for row in range(LOCAL):
        for j in range(n):
            out[row, j] = 0.0
    if i < 0:
        out[0, shot.place[ball]] = out[1, shot.place[ball] + 1] = 1.0
        return
    side = 0 if shot.ball[i, 0] == ball else 1
    for j in range(n):
        out[0, j], out[1, j] = by_start[i, side, 0, j], by_start[i, side, 1, j]
        out[6, j] = by_start[i, side, 2, j]
    for k in range(4):
        out[2 + k, shot.leg[i, side] + k] = 1.0
    out[7, 0] = out[8, 1] = 1.0


@compiled
def loss(size: float, tolerated: float) -> float:
    """Huber's: squares of sizes, but lines beyond what is tolerated."""
    return size * size if size <= tolerated else 2 * tolerated * size - tolerated * tolerated


@compiled
def leg_start(shot: ShotArrays, theta: Array, ball: int, met: int, times: Array, before: Array, out: Array) -> None:
    """Fill in a ball's place, velocity, rolling velocity and the time (7,) when it met the last of ``met`` events."""
    if met == 0:
        at = shot.place[ball]
        out[0], out[1], out[6] = theta[at], theta[at + 1], math.inf
        out[2] = out[3] = out[4] = out[5] = 0.0
        return
    i = shot.chain[ball, met - 1]
    side = 0 if shot.ball[i, 0] == ball else 1
    at = shot.leg[i, side]
    out[0], out[1], out[6] = before[i, side, 0], before[i, side, 1], times[i]
    for k in range(4):
        out[2 + k] = theta[at + k]


@compiled
def leg_end(shot: ShotArrays, ball: int, met: int, times: Array, first: int) -> int:
    """The frame behind the last of the leg that begins with ``first``. A struct's arrays are costly to hand on, so
    frames are gone through leg by leg.
    """
    stop = shot.begins[ball + 1]
    if met >= shot.chain.shape[1] or shot.chain[ball, met] < 0:
        return int(stop)
    until, t_s, k = times[shot.chain[ball, met]], shot.t_s, first
    while k < stop and t_s[k] < until:
        k += 1
    return k


@compiled
def _white_places(
    start: Array, t_s: Array, xy_mm: Array, white: Array, mu_s: float, mu_r: float, out: Array
) -> None:
    """Fill in a leg's whitened residuals (N, 2)."""
    for k in range(len(t_s)):
        x, y, _, _, _, _ = state_after(
            start[0], start[1], start[2], start[3], start[4], start[5], t_s[k] - start[6], mu_s, mu_r)
        x, y = xy_mm[k, 0] - x, xy_mm[k, 1] - y
        out[k, 0], out[k, 1] = white[k, 0] * x, white[k, 1] * x + white[k, 2] * y


@compiled
def _white_slopes(
    start: Array, t_s: Array, xy_mm: Array, white: Array, mu_s: float, mu_r: float, tolerated: float, z: Array,
    slope: Array,
) -> float:
    """Fill in a leg's whitened residuals (2N,) and what its places depend on (2N, 9), both weighted as Huber says; the
    frames' part of the cost.
    """
    total = 0.0
    for k in range(len(t_s)):
        row = 2 * k
        place_slopes(start[2], start[3], start[4], start[5], t_s[k] - start[6], mu_s, mu_r, z, slope, row)
        x, y = xy_mm[k, 0] - start[0] - z[row], xy_mm[k, 1] - start[1] - z[row + 1]
        w00, w10, w11 = white[k, 0], white[k, 1], white[k, 2]
        zx, zy = w00 * x, w10 * x + w11 * y
        size = math.sqrt(zx * zx + zy * zy)
        total += loss(size, tolerated)
        root = 1.0 if size <= tolerated else math.sqrt(tolerated / size)
        z[row], z[row + 1] = root * zx, root * zy
        w00, w10, w11 = root * w00, root * w10, root * w11
        for m in range(LOCAL):
            slope[row + 1, m] = w10 * slope[row, m] + w11 * slope[row + 1, m]
            slope[row, m] *= w00
    return total


@compiled
def cost(shot: ShotArrays, theta: Array) -> float:
    """Chi squared, with Huber's loss in the frames."""
    times, before, known = np.empty(len(shot.kind)), np.zeros((len(shot.kind), 2, 6)), np.empty(rows(shot))
    walk(shot, theta, times, before)
    residuals(shot, theta, times, before, known)
    total = (known * known).sum()
    start, mu_s, mu_r = np.empty(7), math.exp(theta[0]), math.exp(theta[1])
    white = np.empty((len(shot.t_s), 2))
    for ball in range(len(shot.place)):
        first, met = shot.begins[ball], 0
        while first < shot.begins[ball + 1]:
            stop = leg_end(shot, ball, met, times, first)
            leg_start(shot, theta, ball, met, times, before, start)
            own = slice(first, stop)
            _white_places(start, shot.t_s[own], shot.xy_mm[own], shot.white[own], mu_s, mu_r, white[own])
            first, met = stop, met + 1
    for k in range(len(white)):
        total += loss(math.sqrt(white[k, 0] ** 2 + white[k, 1] ** 2), shot.tolerated)
    return float(total)


@compiled
def _leg(
    shot: ShotArrays, theta: Array, ball: int, met: int, own: slice, times: Array, before: Array, by_start: Array,
    tolerated: float, z: Array, slope: Array, leg: Array,
) -> float:
    """`_white_slopes` of the leg after so many events, whose frames are ``own``; and `leg_slopes` into ``leg``."""
    start = np.empty(7)
    leg_start(shot, theta, ball, met, times, before, start)
    leg_slopes(shot, ball, shot.chain[ball, met - 1] if met else -1, by_start, leg)
    return _white_slopes(start, shot.t_s[own], shot.xy_mm[own], shot.white[own], math.exp(theta[0]),
                         math.exp(theta[1]), tolerated, z, slope)


@compiled
def slopes(shot: ShotArrays, theta: Array) -> tuple[Array, Array]:
    """Whitened residuals of all frames (2N,), and their derivatives by all parameters (2N, n)."""
    times, before, _, _, by_start = walk_slopes(shot, theta)
    many, n = 2 * len(shot.t_s), len(theta)
    z, slope, leg, out = np.empty(many), np.empty((many, LOCAL)), np.empty((LOCAL, n)), np.zeros((many, n))
    for ball in range(len(shot.place)):
        first, met = shot.begins[ball], 0
        while first < shot.begins[ball + 1]:
            stop = leg_end(shot, ball, met, times, first)
            if stop > first:
                both = slice(2 * first, 2 * stop)
                _leg(shot, theta, ball, met, slice(first, stop), times, before, by_start, np.inf, z[both],
                     slope[both], leg)
                out[both] = -(slope[both] @ leg)
            first, met = stop, met + 1
    return z, out


@compiled
def normal_equations(shot: ShotArrays, theta: Array) -> tuple[Array, Array, float]:
    """J^T W J (n, n), J^T W r (n,) and the cost."""
    times, before, known, by_known, by_start = walk_slopes(shot, theta)
    a, g = by_known @ by_known.T, by_known @ known
    total = (known * known).sum()
    z, slope, leg = np.empty(2 * len(shot.t_s)), np.empty((2 * len(shot.t_s), LOCAL)), np.empty((LOCAL, len(theta)))
    for ball in range(len(shot.place)):
        first, met = shot.begins[ball], 0
        while first < shot.begins[ball + 1]:
            stop = leg_end(shot, ball, met, times, first)
            if stop > first:
                r, by_local = z[2 * first : 2 * stop], slope[2 * first : 2 * stop]
                total += _leg(shot, theta, ball, met, slice(first, stop), times, before, by_start, shot.tolerated, r,
                              by_local, leg)
                a += leg.T @ ((by_local.T @ by_local) @ leg)
                g -= leg.T @ (by_local.T @ r)
            first, met = stop, met + 1
    return a, g, float(total)
