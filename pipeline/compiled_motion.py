"""Compiled: how a shot's balls move from event to event. The closed forms are those of `pipeline.physics`."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.physics import G_MM_S2, Array

Ints = NDArray[np.int64]

STRIKE, BALL, CUSHION, JAW = range(4)  # kinds of events
TINY = 1e-9  # mm/s: keeps directions of vanishing velocities finite


class ShotArrays(NamedTuple):
    """A shot of E events, B balls, L legs and N frames as plain arrays, for compiled functions.

    Parameters are those of `pipeline.paths.Layout`.
    """

    kind: Ints  # (E,)
    ball: Ints  # (E, 2) which balls; the second -1 where it isn't a ball
    cushion: Ints  # (E,) place in CUSHIONS; -1 where it isn't a cushion
    leg: Ints  # (E, 2) where the parameters of each ball's leg from there on begin
    place: Ints  # (B,) where those of its place at first begin
    chain: Ints  # (B, C) each ball's events in order; -1 behind the last
    order: Ints  # (K, 2) events of which the first comes before the second
    legs: Ints  # (L, 4) where each leg's parameters begin, its ball, the event it begins with, the one after it or -1
    steps: Array  # (n,) for slopes by steps
    known: Array  # (10,) log frictions and their uncertainties, table's length and width, contact distance, diameter,
    # the cue ball's mass over another's and its uncertainty
    cue: int  # which ball is the cue ball; -1: none
    t_s: Array  # (N,) frames, ball by ball
    xy_mm: Array  # (N, 2)
    white: Array  # (N, 3) lower triangle that makes the residuals white
    begins: Ints  # (B + 1,) where each ball's frames begin
    last_s: Array  # (B,) when each was last seen
    tolerated: float  # standard uncertainties beyond which a residual counts less


@compiled
def slide_time(vx: float, vy: float, rx: float, ry: float, mu_s: float) -> float:
    """Seconds of sliding."""
    return 2 * math.hypot(vx - rx, vy - ry) / (7 * mu_s * G_MM_S2)


@compiled
def slide_delay(vx: float, vy: float, rx: float, ry: float, mu_s: float) -> float:
    """See `pipeline.physics.slide_delay`."""
    ux, uy = vx - rx, vy - ry
    sx, sy = (5 * vx + 2 * rx) / 7, (5 * vy + 2 * ry) / 7
    gained = (ux * sx + uy * sy) * slide_time(vx, vy, rx, ry, mu_s) / 7
    return min(max(gained / (sx * sx + sy * sy + 1.0), -0.2), 0.2)


@compiled
def state_after(
    x: float, y: float, vx: float, vy: float, rx: float, ry: float, tau: float, mu_s: float, mu_r: float
) -> tuple[float, float, float, float, float, float]:
    """Place, velocity and rolling velocity after ``tau`` seconds. Negative times stay at the place."""
    a, b = mu_s * G_MM_S2, mu_r * G_MM_S2
    ux, uy = vx - rx, vy - ry
    slip = math.sqrt(ux * ux + uy * uy) + TINY
    t_slide = 2 * slip / (7 * a)
    sliding = min(max(tau, 0.0), t_slide)
    ax, ay = a * ux / slip, a * uy / slip
    half = 0.5 * sliding * sliding
    wx, wy = vx - ax * sliding, vy - ay * sliding
    speed = math.sqrt(wx * wx + wy * wy) + TINY
    rolling = min(max(tau - t_slide, 0.0), speed / b)
    run = rolling - 0.5 * (b / speed) * rolling * rolling
    slow = 1 - b * rolling / speed
    x += vx * sliding - ax * half + wx * run
    y += vy * sliding - ay * half + wy * run
    wx *= slow
    wy *= slow
    if tau < t_slide:
        return x, y, wx, wy, rx + 2.5 * ax * sliding, ry + 2.5 * ay * sliding
    return x, y, wx, wy, wx, wy


@compiled
def walk(shot: ShotArrays, theta: Array, times: Array, before: Array) -> None:
    """Fill in when each event is (E,), and each of its balls' place, velocity and rolling velocity then (E, 2, 6)."""
    mu_s, mu_r = math.exp(theta[0]), math.exp(theta[1])
    for i in range(len(shot.kind)):
        times[i] = theta[2 + i]
        if shot.kind[i] == STRIKE:
            at = shot.leg[i, 0]
            times[i] += slide_delay(theta[at], theta[at + 1], theta[at + 2], theta[at + 3], mu_s)
    for b in range(len(shot.place)):
        x, y = theta[shot.place[b]], theta[shot.place[b] + 1]
        vx = vy = rx = ry = 0.0
        previous = -1
        for i in shot.chain[b]:
            if i < 0:
                break
            if previous >= 0:
                tau = times[i] - times[previous]
                x, y, vx, vy, rx, ry = state_after(x, y, vx, vy, rx, ry, tau, mu_s, mu_r)
            side = 0 if shot.ball[i, 0] == b else 1
            met = before[i, side]
            met[0], met[1], met[2], met[3], met[4], met[5] = x, y, vx, vy, rx, ry
            at = shot.leg[i, side]
            vx, vy, rx, ry = theta[at], theta[at + 1], theta[at + 2], theta[at + 3]
            previous = i
