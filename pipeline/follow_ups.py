"""Cushions met so soon after a strike or a hit that hardly a frame lies between, and double kisses: the driven ball
comes back from there to the other.

They are foretold from how a ball came, or told from how it went on, and then left to the fit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.impacts import after_cushion, after_hit
from pipeline.motions import ShotMotion
from pipeline.paths import MotionEvent, Seen, Velocities, inward_normal, nose_distance
from pipeline.physics import Array
from shared.equipment import CUSHIONS, Table

SOON_S = 0.15  # from the hit to the cushion, and from there to the kiss: later, frames show both
LEAST_MM_S = 100.0
CREEPS_MM_S = 20.0  # towards a cushion a ball that nearly lies at it need be no faster
FEW_ROWS = 6
AWAY_MM = 4.0  # further than noise
KEPT = 0.8  # of a ball's speed, about, at a cushion
NEARLY = 1.8  # diameters: what was foretold to pass so close may have met (throw is left out)
SAME_S = 0.1  # a cushion met so shortly after is the one foretold


@dataclass(frozen=True, eq=False)
class Foretold:
    """All events of a shot, ``more`` of which its motion lacks, and velocities with which to begin a fit."""

    events: list[MotionEvent]
    more: int
    velocities: Velocities


def follow_ups(motion: ShotMotion, windows: Mapping[str, Seen], table: Table) -> Iterator[list[Foretold]]:
    """For every hit that sends a ball to a cushion close by: that, and that with the kiss that would follow."""
    path = motion.path()
    for i, hit in enumerate(motion.events):
        if hit.kind != "ball":
            continue
        fitted = {ball: Coming(ball, *(a[0] for a in path.before[ball, i][:2])) for ball in (hit.ball, hit.other)}
        ways = [fitted]
        if motion.doubtful:  # what lacks a contact may be far off
            still_s = min(_last_at_rest_s(windows[b]) if motion.layout.chain[b][0] == i else np.inf for b in fitted)
            ways.append({ball: _seen_coming(motion, windows[ball], ball, i, still_s) or way
                         for ball, way in fitted.items()})
        for driver, driven in ((hit.ball, hit.other), (hit.other, hit.ball)):
            meetings = [_Meeting.of(motion, table, i, coming[driver], coming[driven]) for coming in ways]
            for cushion in CUSHIONS:
                for turned in (_Meeting.driven_turned, _Meeting.driver_turned):
                    if rivals := [told for meeting in meetings if meeting for told in turned(meeting, cushion)]:
                        yield rivals


@dataclass(frozen=True, eq=False)
class _Meeting:
    """A hit, the other events, and how the balls leave it."""

    motion: ShotMotion
    table: Table
    hit: MotionEvent
    others: list[MotionEvent]
    driver: Coming
    driven: Coming

    @classmethod
    def of(cls, motion: ShotMotion, table: Table, i: int, driver: Coming, driven: Coming) -> _Meeting | None:
        """None where they don't come together. Where and when they meet is worked out anew: a bad fit errs there."""
        gap, closing = driven.place - driver.place, driven.v - driver.v
        later_s = _meets(gap, closing, 2 * motion.radius_mm)
        if later_s is None or abs(later_s) > SOON_S:
            return None
        p, q = driver.place + driver.v * later_s, driven.place + driven.v * later_s
        line = (q - p) / np.hypot(*(q - p))
        if -float(closing @ line) < LEAST_MM_S:
            return None
        v, w = after_hit(driver.v, driven.v, line)
        hit = replace(motion.events[i], t_s=motion.events[i].t_s + later_s)
        return cls(motion, table, hit, motion.events[:i] + motion.events[i + 1 :],
                   Coming(driver.name, p, v), Coming(driven.name, q, w))

    def driven_turned(self, cushion: str) -> Iterator[Foretold]:
        """The driven ball's cushion, and the kiss after it."""
        one, two = self.driver, self.driven
        bank, back = self._bank(two, cushion)
        if bank is None:
            return
        known = next((e for e in self.others if _is(e, bank, SAME_S) and e.t_s > self.hit.t_s), None)
        velocities = {**self._left, (known or bank, two.name): back}
        if known is None and self.motion.doubtful:
            yield Foretold([self.hit, bank, *self.others], 1, velocities)
        lasts = bank.t_s - self.hit.t_s
        gap = two.place + two.v * lasts - one.place - one.v * lasts
        diameter = 2 * self.motion.radius_mm
        meets = _meets(gap, back - one.v, diameter)
        if meets is None:
            meets = _nearest_s(gap, back - one.v, NEARLY * diameter)
        if meets is None or not 0 <= meets < SOON_S:
            return
        again = MotionEvent("ball", bank.t_s + meets, one.name, two.name)
        if any(_is(e, again, meets) for e in self.others if e.t_s > bank.t_s):
            return
        line = gap + (back - one.v) * meets
        v, w = after_hit(one.v, back, line / np.hypot(*line))
        velocities |= {(again, one.name): v, (again, two.name): w}
        new = [again] if known is not None else [bank, again]
        yield Foretold([self.hit, *new, *self.others], len(new), velocities)

    def driver_turned(self, cushion: str) -> Iterator[Foretold]:
        """The other ball's cushion."""
        bank, back = self._bank(self.driver, cushion)
        if bank is None or not self.motion.doubtful or any(_is(e, bank, SAME_S) for e in self.others):
            return
        yield Foretold([self.hit, bank, *self.others], 1, {**self._left, (bank, self.driver.name): back})

    @property
    def _left(self) -> Velocities:
        return {(self.hit, ball.name): ball.v for ball in (self.driver, self.driven)}

    def _bank(self, ball: Coming, cushion: str) -> tuple[MotionEvent | None, Array]:
        """When a ball that leaves the hit meets a cushion, and how it leaves that; None unless soon."""
        inward = inward_normal(cushion)
        towards = -float(ball.v @ inward)
        if towards < (CREEPS_MM_S if self.motion.doubtful else LEAST_MM_S):
            return None, ball.v
        reach = self.table.contact_distance_mm(self.motion.radius_mm)
        lasts = max(float(nose_distance(self.table, cushion, ball.place)) - reach, 0.0) / towards
        bank = MotionEvent("cushion", self.hit.t_s + lasts, ball.name, cushion)
        return bank if lasts < SOON_S else None, after_cushion(ball.v, inward)


def turned_at_once(motion: ShotMotion, windows: Mapping[str, Seen], table: Table) -> Iterator[Foretold]:
    """Cushions that a ball seems to have come from when it is first seen after a strike or a hit."""
    reach = table.contact_distance_mm(motion.radius_mm)
    for ball, i in motion.layout.leg:
        event, seen = motion.events[i], windows[ball]
        if event.kind not in ("strike", "ball"):
            continue
        since_s = event.t_s if event.kind == "ball" else _last_at_rest_s(seen)
        following = [motion.events[k].t_s for k in motion.layout.chain[ball] if k > i]
        rows = np.flatnonzero((seen.t_s > since_s) & (seen.t_s < min([*following, np.inf])))[:FEW_ROWS]
        if len(rows) < 3:
            continue
        rows = rows[1:]  # the first may lie before the cushion
        first_s = float(seen.t_s[rows[0]])
        v, place = np.polyfit(seen.t_s[rows] - first_s, seen.xy_mm[rows], 1)
        for cushion in CUSHIONS:
            away = float(v @ inward_normal(cushion))
            back_s = (float(nose_distance(table, cushion, place)) - reach) / max(away, 1e-6)
            step_s = first_s - float(seen.t_s[rows[0] - 1])
            if away < LEAST_MM_S or not -0.5 * step_s < back_s < 2.5 * step_s:
                continue
            bank = MotionEvent("cushion", first_s - back_s, ball, cushion)
            if any(_is(e, bank, SAME_S) for e in motion.events):
                continue
            others = motion.events[:i] + motion.events[i + 1 :]
            if event.kind == "ball":
                yield Foretold([event, replace(bank, t_s=max(bank.t_s, event.t_s + 1e-3)), *others], 1, {})
                continue
            lay = np.median(seen.xy_mm[seen.t_s <= since_s], axis=0)
            way = place - v * back_s - lay
            lasts = float(np.hypot(*way)) * KEPT / float(np.hypot(*v))
            strike = replace(event, t_s=bank.t_s - lasts)
            yield Foretold([strike, bank, *others], 1, {(strike, ball): way / max(lasts, 1e-3)})


def corners(motion: ShotMotion, table: Table, within_s: float) -> Iterator[Foretold]:
    """Second cushions to which a first one sends a ball so soon that it must meet them."""
    path, reach = motion.path(), table.contact_distance_mm(motion.radius_mm)
    for i, event in enumerate(motion.events):
        if event.kind != "cushion":
            continue
        place, v, _ = (a[0] for a in path.before[event.ball, i])
        back = after_cushion(v, inward_normal(event.other))
        for cushion in CUSHIONS:
            towards = -float(back @ inward_normal(cushion))
            if cushion == event.other or towards < LEAST_MM_S:
                continue
            lasts = max(float(nose_distance(table, cushion, place)) - reach, 0.0) / towards
            bank = MotionEvent("cushion", event.t_s + lasts, event.ball, cushion)
            if lasts < within_s and not any(_is(e, bank, SAME_S) for e in motion.events):
                then = after_cushion(back, inward_normal(cushion))
                yield Foretold([*motion.events, bank], 1, {(event, event.ball): back, (bank, event.ball): then})


@dataclass(frozen=True, eq=False)
class Coming:
    """How a ball comes to a contact."""

    name: str
    place: Array
    v: Array


def _seen_coming(motion: ShotMotion, seen: Seen, ball: str, i: int, still_s: float) -> Coming | None:
    """Where the frames before an event lead a ball at its time, and how fast; None where too few show it on its way.

    still_s : until then at least a ball lay still that the event set going
    """
    t_s = motion.events[i].t_s
    before = [motion.events[k].t_s for k in motion.layout.chain[ball] if k < i]
    rows = np.flatnonzero((seen.t_s > max([*before, -np.inf])) & (seen.t_s < t_s) & (seen.t_s <= still_s))
    if not before:
        return Coming(ball, np.median(seen.xy_mm[rows[-15:]], axis=0), np.zeros(2)) if len(rows) else None
    if len(rows) < 2:
        return None
    v, place = np.polyfit(seen.t_s[rows[-FEW_ROWS:]] - t_s, seen.xy_mm[rows[-FEW_ROWS:]], 1)
    return Coming(ball, np.asarray(place), np.asarray(v))


def _last_at_rest_s(seen: Seen) -> float:
    """When a ball that lies at first was last seen there."""
    away = np.hypot(*(seen.xy_mm - np.median(seen.xy_mm[:4], axis=0)).T) > AWAY_MM
    return float(seen.t_s[max(int(np.argmax(away)) - 1, 0)])


def _is(event: MotionEvent, other: MotionEvent, within_s: float) -> bool:
    """Whether two events are the same things' meeting at about the same time."""
    same = {event.ball, event.other} == {other.ball, other.other}
    return event.kind == other.kind and same and abs(event.t_s - other.t_s) < within_s


def _meets(gap: Array, closing: Array, distance: float) -> float | None:
    """When two things ``gap`` apart (2,), changing by ``closing`` (2,) a second, come within a distance; or None.

    Negative where they are nearer already.
    """
    a, b, c = float(closing @ closing), float(gap @ closing), float(gap @ gap) - distance**2
    root = b * b - a * c
    if root <= 0 or a <= 0:
        return None
    return (-b - math.sqrt(root)) / a


def _nearest_s(gap: Array, closing: Array, within: float) -> float | None:
    """When such two things are nearest to each other, if that is nearer than so; else None."""
    when = -float(gap @ closing) / max(float(closing @ closing), 1e-9)
    return when if np.hypot(*(gap + closing * when)) < within else None
