"""A start for the motion fit: velocities from short polynomials, rolling velocities from what comes later."""

from __future__ import annotations

import numpy as np

from pipeline.paths import Layout, MotionEvent, Seen, inward_normal
from pipeline.physics import Array, Friction, slide_delay


def first_guess(layout: Layout, seen: dict[str, Seen], friction: Friction) -> Array:
    """(n,) a start for the fit: velocities from short polynomials, rolling velocities from what comes later."""
    theta = np.zeros(layout.size)
    theta[:2] = np.log([friction.sliding, friction.rolling])
    for i, e in enumerate(layout.events):
        theta[layout.times + i] = e.t_s
    for ball, chain in layout.chain.items():
        s = seen[ball]
        starts = [layout.events[i].t_s for i in chain]
        still = s.t_s < (starts[0] if starts else np.inf)
        place = np.median(s.xy_mm[still], axis=0) if still.any() else _led_back(s, starts)
        theta[layout.place[ball] : layout.place[ball] + 2] = place
        v_in = roll_in = np.zeros(2)
        for k, i in enumerate(chain):
            end = starts[k + 1] if k + 1 < len(starts) else np.inf
            v, roll, v_in_next, roll_in_next = _guess_leg(s, layout.events[i], ball, starts[k], end, v_in, roll_in)
            at = layout.leg[ball, i]
            theta[at : at + 2], theta[at + 2 : at + 4] = v, roll
            v_in, roll_in = v_in_next, roll_in_next
    for i, e in enumerate(layout.events):
        if e.kind == "strike":
            at = layout.leg[e.ball, i]
            theta[layout.times + i] -= float(slide_delay(theta[at : at + 2], theta[at + 2 : at + 4], friction.sliding))
    return theta


def _led_back(s: Seen, starts: list[float]) -> Array:
    """Where a ball lay that was first made out in motion."""
    few = slice(0, min(5, len(s.t_s)))
    if not starts or few.stop < 2:
        return np.asarray(s.xy_mm[0])
    line = np.polyfit(s.t_s[few] - starts[0], s.xy_mm[few], 1)
    return np.asarray(line[1], dtype=float)


def _guess_leg(
    s: Seen, event: MotionEvent, ball: str, start: float, end: float, v_in: Array, roll_in: Array
) -> tuple[Array, Array, Array, Array]:
    """Velocity and rolling velocity after the event, and velocity and rolling velocity before the next."""
    mine = (s.t_s > start) & (s.t_s < end)
    t, xy = s.t_s[mine] - start, s.xy_mm[mine]
    if len(t) < 2:
        v = v_in * 0.5
        return v, v.copy(), v, v
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
    rolling = t[-1] > 0.25
    return v, roll, last, (last if rolling else roll)
