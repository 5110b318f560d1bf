"""Paths of all balls of a shot from its parameters: chains of legs between events.

Each leg starts at an event with a velocity and a rolling velocity of its own, where the leg before it ended; its shape
is that of `pipeline.physics`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Array, slide_delay, state_after
from shared.equipment import Table

MotionKind = Literal["strike", "ball", "cushion", "jaw"]


@dataclass(frozen=True, eq=False)
class Seen:
    """One ball's detections in a shot, in order of time."""

    ball: str
    t_s: Array  # (N,)
    xy_mm: Array  # (N, 2)
    covariance: Array  # (N, 2, 2) mm^2, noise of one frame
    systematic: Array  # (N, 2, Q) mm per standard uncertainty of each of Q effects common to all frames; Q may be 0.
    #                    Of several, the first two are the table's length and width

    def at(self, rows: slice | NDArray[np.bool_]) -> Seen:
        """Some of the rows."""
        return replace(
            self, t_s=self.t_s[rows], xy_mm=self.xy_mm[rows], covariance=self.covariance[rows],
            systematic=self.systematic[rows],
        )


@dataclass(frozen=True)
class MotionEvent:
    """Something that changes a ball's velocity at once. ``other``: ball or cushion met; empty at the strike."""

    kind: MotionKind
    t_s: float
    ball: str
    other: str = ""

    def concerns(self, ball: str) -> bool:
        return self.ball == ball or (self.kind == "ball" and self.other == ball)


Velocities = Mapping[tuple[MotionEvent, str], Array]  # (2,) mm/s with which a ball leaves an event


class Layout:
    """Where each parameter stands in the vector: log friction, event times, then per ball its place and its legs."""

    def __init__(self, balls: Sequence[str], events: Sequence[MotionEvent]) -> None:
        self.balls = list(balls)
        self.events = list(events)
        self.chain = {b: [i for i, e in enumerate(events) if e.concerns(b)] for b in balls}
        self.times = 2
        self.place: dict[str, int] = {}
        self.leg: dict[tuple[str, int], int] = {}
        at = 2 + len(events)
        for b in balls:
            self.place[b] = at
            at += 2
            for i in self.chain[b]:
                self.leg[b, i] = at
                at += 4
        self.size = at
        steps = np.full(at, 1e-2)
        steps[:2] = 1e-5
        steps[2 : 2 + len(events)] = 1e-6
        for b in balls:
            steps[self.place[b] : self.place[b] + 2] = 1e-3
        self.steps = steps

    def columns(self, ball: str) -> NDArray[np.intp]:
        """Parameters on which this ball's path depends."""
        out = [0, 1, *(self.times + i for i in self.chain[ball]), self.place[ball], self.place[ball] + 1]
        for i in self.chain[ball]:
            out.extend(range(self.leg[ball, i], self.leg[ball, i] + 4))
        return np.array(sorted(out), dtype=np.intp)


class Path:
    """All balls' chains for a batch of parameter vectors theta (P, n).

    The time parameter of a strike is not the strike's own but when the line on which the ball rolls later would have
    left its place: that, unlike the strike's time, hardly depends on how it slid at first. ``time`` gives the strike's.
    """

    def __init__(self, layout: Layout, theta: Array, balls: Sequence[str] | None = None) -> None:
        self.layout = layout
        self.theta = np.atleast_2d(theta)
        self.mu_s, self.mu_r = np.exp(self.theta[:, 0]), np.exp(self.theta[:, 1])
        self.after: dict[tuple[str, int], tuple[Array, Array, Array]] = {}
        self.before: dict[tuple[str, int], tuple[Array, Array, Array]] = {}
        self._times: dict[int, Array] = {}
        for ball in layout.balls if balls is None else balls:
            self._walk(ball)

    def time(self, event: int) -> Array:
        """(P,) seconds."""
        if event not in self._times:
            t = self.theta[:, self.layout.times + event]
            what = self.layout.events[event]
            if what.kind == "strike":
                at = self.layout.leg[what.ball, event]
                t = t + slide_delay(self.theta[:, at : at + 2], self.theta[:, at + 2 : at + 4], self.mu_s)
            self._times[event] = t
        return self._times[event]

    def rest_place(self, ball: str) -> Array:
        at = self.layout.place[ball]
        return self.theta[:, at : at + 2]

    def _walk(self, ball: str) -> None:
        p = self.rest_place(ball)
        v = roll = np.zeros_like(p)
        previous: int | None = None
        for i in self.layout.chain[ball]:
            if previous is not None:
                tau = self.time(i) - self.time(previous)
                p, v, roll = state_after(p, v, roll, tau, self.mu_s, self.mu_r)
            self.before[ball, i] = (p, v, roll)
            at = self.layout.leg[ball, i]
            v, roll = self.theta[:, at : at + 2], self.theta[:, at + 2 : at + 4]
            self.after[ball, i] = (p, v, roll)
            previous = i

    def states(self, ball: str, t: Array) -> tuple[Array, Array, Array]:
        """Position, velocity, rolling velocity (P, N, 2) at times t (N,); legs chosen by the first vector's times."""
        chain = self.layout.chain[ball]
        place = self.rest_place(ball)
        starts = [self.time(i) for i in chain]
        leg = np.searchsorted(np.array([start[0] for start in starts]), t, side="right")  # 0: not met yet
        parts = [(place, np.zeros_like(place), np.zeros_like(place)), *(self.after[ball, i] for i in chain)]
        p, v, r = (np.stack([part[k] for part in parts])[leg] for k in range(3))  # (N, P, 2)
        since = np.stack([np.full(len(place), np.inf), *starts])[leg]  # (N, P)
        state = state_after(p, v, r, t[:, None] - since, self.mu_s, self.mu_r)
        return state[0].swapaxes(0, 1), state[1].swapaxes(0, 1), state[2].swapaxes(0, 1)


_INWARD: dict[str, tuple[float, float]] = {
    "head": (1.0, 0.0), "foot": (-1.0, 0.0), "right": (0.0, 1.0), "left": (0.0, -1.0),
}


def inward_normal(cushion: str) -> Array:
    """(2,) unit vector from the cushion into the table."""
    return np.array(_INWARD[cushion])


def nose_distance(table: Table, cushion: str, p: Array) -> Array:
    """Distance (...) of places p (..., 2) from a cushion's nose line, positive on the playing surface (mm)."""
    x, y = p[..., 0], p[..., 1]
    by: dict[str, Callable[[], Array]] = {
        "head": lambda: x, "foot": lambda: table.length_mm - x, "right": lambda: y, "left": lambda: table.width_mm - y,
    }
    return np.asarray(by[cushion]())
