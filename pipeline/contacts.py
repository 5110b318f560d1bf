"""What met what, and roughly when: strikes, balls, cushions, jaws and pockets seen in the tracks.

These are first guesses from geometry; the times are then fitted in `pipeline.shot_fit`. Nothing is an event that is not
both a change of velocity and a touch: a cushion within reach, another ball a diameter away, a pocket's jaw.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.paths import MotionEvent, Seen, inward_normal, nose_distance
from pipeline.physics import Array, local_velocity
from pipeline.pockets import in_jaws, mouths
from shared.equipment import CUSHIONS, Table

STRIKE_MIN_MM_S = 120.0  # slower starts are a hand's or a nudge
QUICKER_MAX = 1.25  # a struck ball hardly gains speed (a high hit: 1.07); a carried one starts from nothing
SPEEDS_SPAN_S = 0.3  # in which a start shows whether the ball was struck
REST_BEFORE_S = 0.12
OUT_OF_SIGHT = 1.8  # times the other ball's step: a ball that wasn't seen for so long misses a frame
NUDGE_ROWS, NUDGE_S = 12, 0.3  # frames compared before a touch, and this long after it: a nudged ball lies again soon
NUDGE_LEAST_MM, NUDGE_GAP_MM = 1.2, 4.0  # what a shadow shifts is less; balls further apart than this never touched


@dataclass(frozen=True)
class Start:
    """A ball at rest that began to move."""

    ball: str
    t_s: float
    row: int  # first row in which it has moved
    speed_mm_s: float  # at first
    top_mm_s: float  # in the first tenths of a second
    ballistic: bool


def _noise(seen: Seen) -> float:
    """Position noise per axis, mm: as stated, or as the track's own second differences show it, whichever is larger."""
    stated = float(np.sqrt(np.median(np.trace(seen.covariance, axis1=1, axis2=2)) / 2))
    if len(seen.t_s) < 8:
        return stated
    moving = np.hypot(*np.diff(seen.xy_mm, axis=0).T)
    second = np.hypot(*np.diff(seen.xy_mm, n=2, axis=0).T)[moving[1:] > 3 * stated]
    if len(second) < 8:
        return stated
    return max(stated, float(np.median(second)) / (1.1774 * math.sqrt(6)))


def still_rows(seen: Seen) -> Array:
    """(N,) True where the ball lies still, judged over neighbouring rows."""
    v = local_velocity(seen.t_s, seen.xy_mm)
    steady = np.hypot(v[:, 0], v[:, 1])
    gap = np.median(np.diff(seen.t_s)) if len(seen.t_s) > 1 else 0.03
    half, at = max(3.0, 0.05 / max(gap, 1e-4)), np.arange(len(seen.t_s))
    rows = 1 + np.minimum(at, half) + np.minimum(at[::-1], half)  # fewer at the ends, where the slope is told worse
    speed_u = _noise(seen) * np.sqrt(12 / rows**3) / max(gap, 1e-4)
    return np.asarray(steady < np.maximum(4 * speed_u, 12.0))


def find_starts(seen: Seen) -> list[Start]:
    """Every change from rest to motion of one ball."""
    t, xy = seen.t_s, seen.xy_mm
    if len(t) < 6:
        return []
    still = still_rows(seen)
    out: list[Start] = []
    noise = _noise(seen)
    i, n = 0, len(t)
    while i < n:
        if not still[i]:
            i += 1
            continue
        j = i
        while j + 1 < n and still[j + 1]:
            j += 1
        place = np.median(xy[i : j + 1], axis=0)
        last = j  # the rows before the start, whose slopes tell of it already, are of a ball at rest, too
        while j > i and last + 1 < n and np.hypot(*(xy[last + 1] - place)) < 3 * noise:
            last += 1
        if t[last] - t[i] >= REST_BEFORE_S and last - i >= 3:
            spread = np.median(np.abs(xy[i : j + 1] - place)) * 1.48
            far = max(6 * noise, 6 * float(spread), 1.2)
            start = _start_after(seen, i + 2, place, far)
            if start is not None:
                out.append(start)
                i = start.row
                while i < n and not still[i]:
                    i += 1
                continue
        i = j + 1
    return out


def _start_after(seen: Seen, first: int, place: Array, far: float) -> Start | None:
    t, xy = seen.t_s, seen.xy_mm
    distance = np.hypot(*(xy - place).T)
    moved = distance > far
    rows = np.flatnonzero(moved[first:-1] & moved[first + 1 :]) + first
    if not len(rows):
        return None
    k = int(rows[0])
    near = slice(k, max(min(k + 4, len(t)), int(np.searchsorted(t, t[k] + 0.06))))
    if near.stop - near.start >= 2:
        slope, offset = np.polyfit(t[near] - t[k], distance[near], 1)
    else:
        slope, offset = 0.0, 0.0
    begin = t[k] - offset / slope if slope > 1.0 else t[k]
    # In the row before, it had not gone far.
    begin = float(np.clip(begin, t[k - 1] - min(far / max(slope, 1.0), 0.25) - 0.005 if k else t[k], t[k]))
    speeds = _chunk_speeds(t, xy, k)
    first_speed = max(speeds[:2], default=0.0)  # two: a cushion in the first stretch shortens its way
    ballistic = len(speeds) >= 1 and first_speed > STRIKE_MIN_MM_S and max(speeds) < QUICKER_MAX * first_speed + 40
    return Start(seen.ball, begin, k, float(first_speed), float(max(speeds, default=0.0)), bool(ballistic))


def _chunk_speeds(t: Array, xy: Array, k: int, chunk_s: float = 0.03, span_s: float = SPEEDS_SPAN_S) -> list[float]:
    """Mean speeds over successive short stretches from row k on."""
    out, a = [], k
    for b in range(k + 1, len(t)):
        if t[a] - t[k] > span_s:
            break
        if t[b] - t[a] >= chunk_s * 0.99:
            out.append(float(np.hypot(*(xy[b] - xy[a])) / (t[b] - t[a])))
            a = b
    return out


# --- contacts in a shot --------------------------------------------------------------------------------------------


def find_events(balls: Sequence[Seen], strike: MotionEvent, table: Table) -> list[MotionEvent]:
    """Strike, ball, cushion and jaw events of a shot in order of time, with first guesses of their times."""
    events = [strike]
    starts: dict[str, float] = {strike.ball: strike.t_s}
    by_name = {s.ball: s for s in balls}
    waiting: list[Start] = []
    appearing: list[Seen] = []
    for s in balls:
        if s.ball != strike.ball:
            later = [k for k in find_starts(s) if k.t_s > strike.t_s - 0.03]
            if later:
                waiting.append(later[0])
            elif s.t_s[0] > strike.t_s:
                appearing.append(s)
    for start in sorted(waiting, key=lambda k: k.t_s):
        partner = _hitter(by_name, starts, start, table)
        if partner is not None:
            t_s, since_s = start.t_s, starts[partner]
            if t_s <= since_s:  # led back across a gap in the frames, perhaps along a way on which it met something
                t_s = (since_s + float(by_name[start.ball].t_s[start.row])) / 2
            events.append(MotionEvent("ball", t_s, partner, start.ball))
            starts[start.ball] = t_s
    for s in sorted(appearing, key=lambda k: float(k.t_s[0])):
        hit = _first_seen_moving(s, by_name, starts, table)
        if hit is not None:
            events.append(hit)
            starts[s.ball] = hit.t_s
    for s in balls:
        nudge = _nudged(s, by_name, starts, table) if s.ball not in starts else None
        if nudge is not None:
            events.append(nudge)
            starts[s.ball] = nudge.t_s
    hits = list(events)
    for name in starts:
        events += _cushions(by_name[name], [e.t_s for e in hits if e.concerns(name)], table)
    events += _kisses(by_name, starts, events, table)
    for name, begin in starts.items():
        events += _jaws(by_name[name], begin, table, [e for e in events if e.concerns(name)])
    return sorted(events, key=lambda e: e.t_s)


def _nudged(s: Seen, by_name: dict[str, Seen], starts: dict[str, float], table: Table) -> MotionEvent | None:
    """A touch that moved a ball too little to see it start: it lies elsewhere once another has come by."""
    noise = _noise(s)
    best, least = None, NUDGE_GAP_MM
    for name, begin in starts.items():
        o = by_name[name]
        t, apart = _apart(o, s)
        after = t > begin
        if after.sum() < 3:
            continue
        t, gap = t[after], apart[after] - table.ball.diameter_mm
        k = int(np.argmin(gap))
        if not 0 < k < len(t) - 1 or gap[k] >= least + 0.5 * float(np.abs(np.diff(gap[k - 1 : k + 2])).max()):
            continue
        lay = s.xy_mm[s.t_s < t[k] - 0.02][-NUDGE_ROWS:]
        lies = s.xy_mm[s.t_s > t[k] + NUDGE_S][:NUDGE_ROWS]
        if min(len(lay), len(lies)) < NUDGE_ROWS // 2:
            continue
        moved = float(np.hypot(*(np.median(lies, axis=0) - np.median(lay, axis=0))))
        if moved > max(3 * noise, NUDGE_LEAST_MM):
            best, least = MotionEvent("ball", float(t[k]), name, s.ball), min(least, float(gap[k]))
    return best


def _apart(s: Seen, o: Seen) -> tuple[Array, Array]:
    """(N,) times at which one ball was seen, s, and how far apart the two balls' middles were, mm.

    A rolling shutter reads the balls of one frame at times of their own, so the other's place is taken between its two
    nearest rows: not where it was out of sight meanwhile.
    """
    if min(len(s.t_s), len(o.t_s)) < 2:
        return np.zeros(0), np.zeros(0)
    later = np.clip(np.searchsorted(o.t_s, s.t_s), 1, len(o.t_s) - 1)
    steps = np.diff(s.t_s)
    own = np.minimum(np.append(steps, np.inf), np.insert(steps, 0, np.inf))
    followed = (s.t_s >= o.t_s[0]) & (s.t_s <= o.t_s[-1]) & (o.t_s[later] - o.t_s[later - 1] < OUT_OF_SIGHT * own)
    both = followed | np.isin(s.t_s, o.t_s)
    t = s.t_s[both]
    place = np.column_stack([np.interp(t, o.t_s, o.xy_mm[:, k]) for k in (0, 1)])
    return t, np.asarray(np.hypot(*(s.xy_mm[both] - place).T))


def _first_seen_moving(
    s: Seen, by_name: dict[str, Seen], starts: dict[str, float], table: Table
) -> MotionEvent | None:
    """The hit of a ball that was not made out at rest: where its first way, led back, touches a moving ball."""
    few = slice(0, 5)
    if len(s.t_s) < 5:
        return None
    v, p = np.polyfit(s.t_s[few] - s.t_s[0], s.xy_mm[few], 1)
    if np.hypot(*v) < STRIKE_MIN_MM_S:
        return None
    best, least = None, table.ball.radius_mm
    for name, begin in starts.items():
        o = by_name[name]
        near = np.flatnonzero((o.t_s > begin) & (o.t_s > s.t_s[0] - 0.25) & (o.t_s < s.t_s[0] + 0.1))
        if len(near) < 2:
            continue
        t = np.linspace(float(o.t_s[near[0]]), float(min(o.t_s[near[-1]], s.t_s[0])), 60)
        way = np.column_stack([np.interp(t, o.t_s[near], o.xy_mm[near, k]) for k in (0, 1)])
        gap = np.abs(np.hypot(*(way - p - v * (t - s.t_s[0])[:, None]).T) - table.ball.diameter_mm)
        k = int(np.argmin(gap))
        if gap[k] < least:
            best, least = MotionEvent("ball", float(t[k]), name, s.ball), float(gap[k])
    return best


def _hitter(by_name: dict[str, Seen], starts: dict[str, float], start: Start, table: Table) -> str | None:
    """The moving ball that was near enough to have set this one moving."""
    struck = by_name[start.ball]
    place = np.median(struck.xy_mm[: max(start.row, 1)][-15:], axis=0)
    best, best_gap = None, np.inf
    for name, begin in starts.items():
        s = by_name[name]
        mine = s.t_s > begin
        if name == start.ball or not mine.any():
            continue
        near = (np.abs(s.t_s - start.t_s) < 0.12) | (np.abs(s.t_s - start.t_s) == np.abs(s.t_s - start.t_s).min())
        gap = float(np.hypot(*(s.xy_mm[near] - place).T).min()) - table.ball.diameter_mm
        step = _longest_step(s, start.t_s)
        if gap < 0.8 * step + 12 and gap < best_gap:
            best, best_gap = name, gap
    return best


def _longest_step(s: Seen, t: float) -> float:
    """Longest way between neighbouring rows around a time, mm."""
    near = np.flatnonzero(np.abs(s.t_s - t) < 0.12)
    if len(near) < 2:
        return 50.0
    return float(np.hypot(*np.diff(s.xy_mm[near], axis=0).T).max())


def _line(t: Array, d: Array) -> tuple[float, float, float]:
    """Slope, value at t = 0 and the slope's factor of uncertainty (times the noise of d)."""
    if len(t) == 1:
        return 0.0, float(d[0]), np.inf
    mean = t.mean()
    spread = float(((t - mean) ** 2).sum())
    slope = float(((t - mean) * d).sum() / spread)
    return slope, float(d.mean() - slope * mean), 1 / math.sqrt(spread)


def _cushions(s: Seen, hits: list[float], table: Table) -> list[MotionEvent]:
    """Contacts with cushions: the distance from a nose line turns from falling to rising within reach."""
    out = []
    reach = table.contact_distance_mm(table.ball.radius_mm)
    for cushion in CUSHIONS:
        d = nose_distance(table, cushion, s.xy_mm) - reach
        for t_s, row in _reversals(s.t_s, d, hits, _noise(s)):
            kind = "jaw" if in_jaws(table, cushion, s.xy_mm[row]) else "cushion"
            out.append(MotionEvent(kind, t_s, s.ball, cushion))  # type: ignore[arg-type]
    return out


def _reversals(t: Array, d: Array, hits: list[float], noise: float) -> list[tuple[float, int]]:
    """Times at which d turns near zero, as two lines meeting, each with the row nearest to it.

    hits : times of what else turned the ball, the first of which set it going; no line runs across one
    """
    begin = min(hits)
    out: list[tuple[float, int]] = []
    for i in range(1, len(t) - 1):
        if t[i] <= begin or d[i] > d[i - 1] or d[i] > d[i + 1]:
            continue
        step = max(abs(d[i] - d[i - 1]), abs(d[i + 1] - d[i]), _unseen_way(t, d, i))
        if not -step - 15 < d[i] < 5 + 1.1 * step:
            continue
        tries = (_meeting(t, d, i, hits, noise, 5 + 0.25 * step, width_s) for width_s in (0.06, 0.15, 0.35))
        found = next((meeting for meeting in tries if meeting is not None), None)
        if found is not None and all(abs(found - earlier) > 0.02 for earlier, _ in out):
            out.append((found, i))
    return out


def _unseen_way(t: Array, d: Array, i: int) -> float:
    """How far d may have gone, and back, in a gap beside row i, at the speed of the rows before or after that."""
    gap = max(float(t[i] - t[i - 1]), float(t[i + 1] - t[i]))
    beside = [(a, b) for a, b in ((i - 2, i - 1), (i + 1, i + 2)) if a >= 0 and b < len(t)]
    if gap <= 1.5 * min((float(t[b] - t[a]) for a, b in beside), default=gap):
        return 0.0
    return max(abs(float(d[b] - d[a])) / float(t[b] - t[a]) for a, b in beside) * gap / 2


def _meeting(
    t: Array, d: Array, i: int, hits: list[float], noise: float, tolerance: float, width_s: float
) -> float | None:
    """When two lines through the rows on both sides of row i meet, if they do so near it and near zero."""
    span = max(width_s, 3.5 * (t[i] - t[i - 1]), 3.5 * (t[i + 1] - t[i]))
    since = max([h for h in hits if h < t[i]], default=-np.inf)
    until = min([h for h in hits if h > t[i]], default=np.inf)
    before = np.flatnonzero((t < t[i]) & (t > max(t[i] - span, since)))
    after = np.flatnonzero((t > t[i]) & (t < min(t[i] + span, until)))
    if not len(before) or not len(after):
        return None
    best: float | None = None
    best_miss = tolerance
    for b, a in ((np.append(before, i), after), (before, np.append(i, after))):
        if len(b) < 2 or len(a) < 2:
            continue
        v_in, c_in, u_in = _line(t[b] - t[i], d[b])
        v_out, c_out, u_out = _line(t[a] - t[i], d[a])
        if v_in > -max(3 * noise * u_in, 8.0) or v_out < max(3 * noise * u_out, 4.0):
            continue
        meet = (c_out - c_in) / (v_in - v_out)
        low, high = t[b[-1]] - t[i], t[a[0]] - t[i]
        slack = 0.35 * (high - low) + 4 * noise / (v_out - v_in)
        miss = abs(c_in + v_in * meet)
        if low - slack <= meet <= high + slack and miss < best_miss:
            best, best_miss = float(t[i] + np.clip(meet, low, high)), miss
    return best


def _kisses(
    by_name: dict[str, Seen], starts: dict[str, float], events: list[MotionEvent], table: Table
) -> list[MotionEvent]:
    """Later contacts between two balls that both move."""
    out = []
    names = list(starts)
    for a in range(len(names)):
        for b in range(a + 1, len(names)):
            s, o = by_name[names[a]], by_name[names[b]]
            begin = max(starts[s.ball], starts[o.ball])
            t, apart = _apart(s, o)
            if len(t) < 5:
                continue
            gap = apart - table.ball.diameter_mm
            known = [e.t_s for e in events if e.kind == "ball" and e.concerns(s.ball) and e.concerns(o.ball)]
            for t_s, _ in _reversals(t, gap, [begin + 0.05], math.sqrt(2) * (_noise(s) + _noise(o)) / 2):
                if all(abs(t_s - k) > 0.08 for k in known):
                    out.append(MotionEvent("ball", t_s, s.ball, o.ball))
    return out


def _jaws(s: Seen, begin: float, table: Table, known: list[MotionEvent]) -> list[MotionEvent]:
    """Sudden turns close to a pocket that no straight nose explains: the ends of the cushions."""
    out: list[MotionEvent] = []
    if not table.pockets:
        return out
    t, xy = s.t_s, s.xy_mm
    close = np.zeros(len(t), dtype=bool)
    for mouth in mouths(table):
        close |= np.hypot(*(xy - mouth.centre).T) < 0.9 * mouth.width_mm
    noise = _noise(s)
    scored = []
    for i in np.flatnonzero(close & (t > begin + 0.05)):
        if i < 3 or i + 3 > len(t) or any(abs(e.t_s - t[i]) < 2.6 * (t[i] - t[i - 1]) for e in known):
            continue
        tb, ta = t[i - 3 : i], t[i : i + 3]
        if ta[-1] - tb[0] > 0.3:
            continue
        vb, va = np.polyfit(tb - t[i], xy[i - 3 : i], 1)[0], np.polyfit(ta - t[i], xy[i : i + 3], 1)[0]
        change = float(np.hypot(*(va - vb)))
        u = noise * math.sqrt(2) * 2 / (tb[-1] - tb[0])
        speed = max(float(np.hypot(*vb)), 1.0)
        if change > max(7 * u, 80.0, 0.25 * speed):
            scored.append((change, i, va - vb))
    for _, i, turn in sorted(scored, key=lambda k: -k[0]):
        when = float((t[i - 1] + t[i]) / 2)
        if all(abs(when - e.t_s) > 0.05 for e in [*out, *known]):
            pushes = {c: float(inward_normal(c) @ turn) for c in CUSHIONS}
            nearest = sorted(CUSHIONS, key=lambda c: float(nose_distance(table, c, xy[i])))[:2]
            out.append(MotionEvent("jaw", when, s.ball, max(nearest, key=lambda c: pushes[c])))
    return out
