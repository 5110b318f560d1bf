"""A start for the motion fit: velocities from short polynomials, rolling velocities from what comes later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.impacts import after_cushion, after_hit
from pipeline.paths import Layout, MotionEvent, Seen, Velocities, inward_normal
from pipeline.physics import Array, Friction, slide_delay


def first_guess(
    layout: Layout, seen: dict[str, Seen], friction: Friction, foretold: Velocities | None = None
) -> Array:
    """(n,) a start for the fit: velocities from short polynomials, rolling velocities from what comes later; where no
    frames show a stretch, as ``foretold``, else from what the balls bring to where it begins.
    """
    theta = np.zeros(layout.size)
    theta[:2] = np.log([friction.sliding, friction.rolling])
    coming: dict[str, _Coming] = {}
    for ball, chain in layout.chain.items():
        s = seen[ball]
        starts = [layout.events[i].t_s for i in chain]
        still = s.t_s < (starts[0] if starts else np.inf)
        place = np.median(s.xy_mm[still], axis=0) if still.any() else _led_back(s, starts)
        theta[layout.place[ball] : layout.place[ball] + 2] = place
        coming[ball] = _Coming(np.asarray(place, dtype=float), np.zeros(2), np.zeros(2))
    for i, e in enumerate(layout.events):
        theta[layout.times + i] = e.t_s
        balls = (e.ball, e.other) if e.kind == "ball" else (e.ball,)
        sent = _sent(e, coming)
        for ball in balls:
            following = next((k for k in layout.chain[ball] if k > i), None)
            then = None if following is None else layout.events[following]
            told = (foretold or {}).get((e, ball), sent.get(ball))
            v, roll, coming[ball] = _guess_leg(seen[ball], e, ball, then, coming, told)
            at = layout.leg[ball, i]
            theta[at : at + 2], theta[at + 2 : at + 4] = v, roll
    for i, e in enumerate(layout.events):
        if e.kind == "strike":
            at = layout.leg[e.ball, i]
            theta[layout.times + i] -= float(slide_delay(theta[at : at + 2], theta[at + 2 : at + 4], friction.sliding))
    return theta


@dataclass(frozen=True, eq=False)
class _Coming:
    """How a ball comes to its next event."""

    place: Array
    v: Array
    roll: Array


def _sent(event: MotionEvent, coming: Mapping[str, _Coming]) -> dict[str, Array]:
    """Velocities with which balls leave an event, by what they bring to it."""
    one = coming[event.ball]
    if event.kind == "strike":
        return {}
    if event.kind == "ball":
        other = coming[event.other]
        line = other.place - one.place
        v, w = after_hit(one.v, other.v, line / max(float(np.hypot(*line)), 1e-6))
        return {event.ball: v, event.other: w}
    return {event.ball: after_cushion(one.v, inward_normal(event.other))}


def _led_back(s: Seen, starts: list[float]) -> Array:
    """Where a ball lay that was first made out in motion."""
    few = slice(0, min(5, len(s.t_s)))
    if not starts or few.stop < 2:
        return np.asarray(s.xy_mm[0])
    line = np.polyfit(s.t_s[few] - starts[0], s.xy_mm[few], 1)
    return np.asarray(line[1], dtype=float)


def _guess_leg(
    s: Seen, event: MotionEvent, ball: str, then: MotionEvent | None, coming: Mapping[str, _Coming],
    foretold: Array | None,
) -> tuple[Array, Array, _Coming]:
    """Velocity and rolling velocity after the event, and how the ball comes to the one that follows, if any.

    foretold : the velocity, where no frames tell it
    """
    start, end = event.t_s, np.inf if then is None else then.t_s
    brought = coming[ball]
    v_in, roll_in = brought.v, brought.roll
    mine = (s.t_s > start) & (s.t_s < end)
    t, xy = s.t_s[mine] - start, s.xy_mm[mine]
    if len(t) < 2:
        v = _straight_there(brought, ball, event, then, coming) if foretold is None else foretold
        roll = 0.4 * v if event.kind == "strike" else roll_in
        lasts = end - start if then is not None else 0.0
        return v, roll, _Coming(brought.place + v * lasts, v, roll)
    early = t <= max(0.2, t[min(4, len(t) - 1)])
    degree = 2 if early.sum() >= 6 else 1
    fit = np.polyfit(t[early], xy[early], degree)
    v = fit[-2]
    late = t >= min(0.35, t[-1] * 0.6)
    late_v = np.polyfit(t[late][:12], xy[late][:12], 1)[0] if late.sum() >= 4 else v
    last = np.polyfit(t[-6:], xy[-6:], 1)[0] if len(t) >= 2 else v
    if event.kind == "strike":
        roll = 0.4 * v
    elif event.kind == "ball":
        roll = np.zeros(2) if ball == event.other else roll_in
    else:
        n = inward_normal(event.other)
        roll = 0.7 * roll_in - 0.5 * (roll_in @ n) * n
    if t[-1] > 0.4 and late.sum() >= 4:
        guess = (7 * late_v - 5 * v) / 2
        top = max(float(np.hypot(*v_in)), float(np.hypot(*v)), 100.0)
        size = float(np.hypot(*guess))
        if size < 1.3 * top:
            roll = guess
    place = xy[-1] + last * (end - start - t[-1]) if then is not None else xy[-1]
    return v, roll, _Coming(place, last, last if t[-1] > 0.25 else roll)


def _straight_there(
    brought: _Coming, ball: str, event: MotionEvent, then: MotionEvent | None, coming: Mapping[str, _Coming]
) -> Array:
    """The velocity of a struck ball that no two frames show on its way: to where the ball lies that it meets."""
    if then is None or then.kind != "ball":
        return np.zeros(2)
    way = coming[then.other if then.ball == ball else then.ball].place - brought.place
    return np.asarray(way / max(then.t_s - event.t_s, 1e-3))
