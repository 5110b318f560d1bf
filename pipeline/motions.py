"""The physics fitted to all frames of a shot at once: every ball, every stretch between two events.

A ball's path is a chain of legs. Each leg starts at an event with a velocity and a rolling velocity of its own and where
the leg before it ended; its shape is `pipeline.physics`. Event times are parameters, held by where the legs meet and by
geometry: a ball meets a cushion `sqrt(R^2 - (h-R)^2)` from the nose line, another ball at a distance of 2R. What few
frames cannot tell is held by weak physical knowledge (published bands of friction and restitution, equal masses), so
that its uncertainty is stated and finite.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import (
    G_MM_S2,
    Array,
    Friction,
    rest_time,
    settled_velocity,
    slide_delay,
    slide_time,
    state_after,
)
from shared.equipment import Cushion, Table

MOTION_EVENTS = ("strike", "ball", "cushion", "jaw")
MotionKind = Literal["strike", "ball", "cushion", "jaw"]

STILL_MM_S = 20.0  # slower is as good as at rest
HUBER = 2.5  # residuals beyond this many standard uncertainties count less
NOSE_U_MM = 0.4  # how well the nose line and the ball fit the ideal contact distance
TOUCH_U_MM = 0.2  # the same for two balls: sizes and roundness
MASS_U = 0.012  # equal masses: two balls of a set, k=1
RESTITUTION, RESTITUTION_U = 0.95, 0.03  # ball on ball: published band 0.92-0.98 (Alciatore FAQ)
GRIP_U = 0.05  # tangential over normal impulse between balls: published band of friction 0.03-0.08
SPIN_GRIP = 2.5 * GRIP_U  # the same as a change of rolling velocity, over the closing speed: what friction can do at most
CUSHION_OUT, CUSHION_OUT_U = 0.78, 0.15  # horizontal restitution: published band 0.6-0.9


@dataclass(frozen=True, eq=False)
class Seen:
    """One ball's detections in a shot, in order of time. ``names`` of systematic effects are the caller's."""

    ball: str
    t_s: Array  # (N,)
    xy_mm: Array  # (N, 2)
    covariance: Array  # (N, 2, 2) mm^2, noise of one frame
    systematic: Array  # (N, 2, Q) mm per standard uncertainty of each of Q effects common to all frames; Q may be 0

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


@dataclass(frozen=True, eq=False)
class State:
    """A ball at an instant: (2,) each, mm and mm/s."""

    p: Array
    v: Array
    v_roll: Array

    @property
    def settled(self) -> Array:
        return settled_velocity(self.v, self.v_roll)

    @property
    def speed(self) -> float:
        return float(np.hypot(*self.v))


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

    The time parameter of a strike is not the strike's own but where the line on which the ball rolls later would have left
    its place: that, unlike the strike's time, hardly depends on how it slid at first. ``time`` gives the strike's own.
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
        shape = (len(self.theta), len(t), 2)
        position, velocity, roll = np.empty(shape), np.zeros(shape), np.zeros(shape)
        chain = self.layout.chain[ball]
        starts = np.array([self.time(i)[0] for i in chain])
        leg = np.searchsorted(starts, t, side="right") - 1
        position[:, leg < 0] = self.rest_place(ball)[:, None, :]
        for k, i in enumerate(chain):
            mine = leg == k
            if mine.any():
                p, v, r = (a[:, None, :] for a in self.after[ball, i])
                tau = t[mine][None, :] - self.time(i)[:, None]
                position[:, mine], velocity[:, mine], roll[:, mine] = state_after(
                    p, v, r, tau, self.mu_s[:, None], self.mu_r[:, None]
                )
        return position, velocity, roll


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def _norm(a: Array) -> Array:
    return np.asarray(np.sqrt(_dot(a, a)) + 1e-9)


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


@dataclass(frozen=True)
class Knowledge:
    """What is known before any frame is seen: sizes, friction, and how much the contacts may be trusted."""

    table: Table
    friction: Friction

    def residuals(self, path: Path) -> Array:
        """(P, K) departures from it, in standard uncertainties."""
        rows: list[Array] = []
        f = self.friction
        rows.append((path.theta[:, 0] - np.log(f.sliding)) / (f.sliding_u / f.sliding))
        rows.append((path.theta[:, 1] - np.log(f.rolling)) / (f.rolling_u / f.rolling))
        for i, event in enumerate(path.layout.events):
            if event.kind == "strike":
                rows += self._strike(path, i, event)
            elif event.kind == "ball":
                rows += self._balls(path, i, event)
            else:
                rows += self._cushion(path, i, event)
        return np.stack(rows, axis=1)

    @staticmethod
    def _strike(path: Path, i: int, event: MotionEvent) -> list[Array]:
        """A cue hits near the centre line: any draw or follow up to the miscue limit, hardly any sideways roll."""
        _, v, roll = path.after[event.ball, i]
        speed = _norm(v)
        along = _dot(roll, v) / speed
        across = (v[..., 0] * roll[..., 1] - v[..., 1] * roll[..., 0]) / speed
        return [(along - 0.2 * speed) / (0.7 * speed + 10), across / (0.06 * speed + 10)]

    def _balls(self, path: Path, i: int, event: MotionEvent) -> list[Array]:
        pa, va, ra = path.before[event.ball, i]
        pb, vb, rb = path.before[event.other, i]
        _, va2, ra2 = path.after[event.ball, i]
        _, vb2, rb2 = path.after[event.other, i]
        gap = pb - pa
        distance = _norm(gap)
        n = gap / distance[:, None]
        t = np.stack([-n[:, 1], n[:, 0]], axis=1)
        closing = np.abs(_dot(va - vb, n)) + 20.0
        speed = _norm(va - vb) + 20.0
        out = [(distance - self.table.ball.diameter_mm) / TOUCH_U_MM]
        momentum = (va2 + vb2 - va - vb) / (MASS_U * speed)[:, None]
        out += [momentum[:, 0], momentum[:, 1]]
        out.append((_dot(vb2 - va2, n) - RESTITUTION * _dot(va - vb, n)) / (RESTITUTION_U * closing))
        out.append(_dot(vb2 - vb, t) / (GRIP_U * closing))
        change_a, change_b = ra2 - ra, rb2 - rb
        same = (change_a - change_b) / (0.01 * speed + 5)[:, None]
        out += [same[:, 0], same[:, 1]]
        # Friction at the contact drives both balls against the roll that they bring along, and not past it.
        brought = _dot(ra + rb, n)
        most = np.minimum(np.abs(brought) / 2, SPIN_GRIP * closing)
        out.append((_dot(change_b, n) + 0.6 * np.sign(brought) * most) / (0.4 * most + 0.01 * closing))
        out.append(_dot(change_b, t) / (0.01 * closing + 5))
        return out

    def _cushion(self, path: Path, i: int, event: MotionEvent) -> list[Array]:
        p, v, roll = path.before[event.ball, i]
        _, v2, roll2 = path.after[event.ball, i]
        n = inward_normal(event.other)[None, :]
        t = np.stack([-n[:, 1], n[:, 0]], axis=1)
        speed = _norm(v) + 20.0
        out: list[Array] = []
        wide = 1.0
        if event.kind == "cushion":
            reach = self.table.contact_distance_mm(self.table.ball.radius_mm)
            out.append((nose_distance(self.table, event.other, p) - reach) / NOSE_U_MM)
        else:
            wide = 5.0  # a jaw's direction is not known
        out.append((_dot(v2, n) + CUSHION_OUT * _dot(v, n)) / (wide * CUSHION_OUT_U * speed))
        out.append((_dot(v2, t) - 0.8 * _dot(v, t)) / (wide * 0.3 * speed))
        out.append((_dot(roll2, n) - 0.2 * _dot(roll, n)) / (wide * 0.4 * speed))
        out.append((_dot(roll2, t) - 0.8 * _dot(roll, t)) / (wide * 0.4 * speed))
        return out


@dataclass(frozen=True, eq=False)
class ShotMotion:
    """A fitted shot: parameters with their covariance, and what the frames say against it."""

    layout: Layout
    theta: Array
    covariance: Array  # noise, priors and systematic effects together
    seen: dict[str, Seen]
    residual_mm: dict[str, Array]  # (N,) distance of each detection from its fitted path
    scale: dict[str, float]  # residuals over the stated noise, at least 1
    weight: dict[str, Array]  # (N,) 1 for a frame used in full, less where it stood out
    cost: float
    radius_mm: float

    @property
    def events(self) -> list[MotionEvent]:
        """Events at their fitted times."""
        path = self.path()
        return [replace(e, t_s=float(path.time(i)[0])) for i, e in enumerate(self.layout.events)]

    @cached_property
    def axes(self) -> Array:
        """(n, n) principal axes of the covariance, each a row one standard uncertainty long."""
        sigma = np.sqrt(np.maximum(np.diag(self.covariance), 1e-30))
        values, vectors = np.linalg.eigh(self.covariance / np.outer(sigma, sigma))
        return np.asarray((vectors * np.sqrt(np.clip(values, 0, None))).T * sigma)

    @property
    def friction(self) -> Friction:
        mu_s, mu_r = np.exp(self.theta[:2])
        c = self.covariance[:2, :2]
        su, ru = np.sqrt(np.diag(c))
        return Friction(float(mu_s), float(mu_r), float(mu_s * su), float(mu_r * ru), float(c[0, 1] / (su * ru)))

    @property
    def rms_mm(self) -> float:
        """Of all frames used, per axis."""
        squares = np.concatenate([self.residual_mm[b] ** 2 for b in self.seen])
        weights = np.concatenate([self.weight[b] for b in self.seen])
        return float(np.sqrt((squares * weights).sum() / (2 * max(weights.sum(), 1.0))))

    def path(self, theta: Array | None = None) -> Path:
        return Path(self.layout, self.theta if theta is None else theta)

    def states(self, ball: str, t: Array) -> tuple[Array, Array, Array]:
        """Position, velocity, rolling velocity (N, 2) of a ball at times t (N,)."""
        p, v, r = self.path().states(ball, np.asarray(t, dtype=float))
        return p[0], v[0], r[0]

    def position_covariance(self, ball: str, t: Array) -> Array:
        """(N, 2, 2) mm^2 of the fitted path."""
        columns = self.layout.columns(ball)
        steps = self.layout.steps[columns]
        theta = np.repeat(self.theta[None], len(columns) + 1, axis=0)
        theta[np.arange(1, len(columns) + 1), columns] += steps
        p = Path(self.layout, theta, [ball]).states(ball, np.asarray(t, dtype=float))[0]
        jacobian = (p[1:] - p[0]) / steps[:, None, None]  # (n, N, 2)
        covariance = self.covariance[np.ix_(columns, columns)]
        return np.asarray(np.einsum("ani,ab,bnj->nij", jacobian, covariance, jacobian, optimize=True))

    def rest_s(self, ball: str) -> float | None:
        """When the ball comes to rest after its last event; None if it never moved."""
        chain = self.layout.chain[ball]
        if not chain:
            return None
        path = self.path()
        _, v, r = path.after[ball, chain[-1]]
        return float(path.time(chain[-1])[0] + rest_time(v, r, path.mu_s, path.mu_r)[0])


class _Problem:
    """Residuals and Jacobian of a shot, whitened; a thin thing that lives for one fit."""

    def __init__(self, layout: Layout, seen: dict[str, Seen], knowledge: Knowledge) -> None:
        self.layout, self.seen, self.knowledge = layout, seen, knowledge
        self.whiten = {b: np.linalg.inv(np.linalg.cholesky(s.covariance)) for b, s in seen.items()}

    def observed(self, ball: str, theta: Array) -> Array:
        """(P, N, 2) whitened."""
        s = self.seen[ball]
        p = Path(self.layout, theta, [ball]).states(ball, s.t_s)[0]
        return np.asarray(np.einsum("nij,pnj->pni", self.whiten[ball], s.xy_mm - p))

    def cost(self, theta: Array) -> float:
        return float(self.costs(theta[None])[0])

    def costs(self, thetas: Array) -> Array:
        """(P,) costs of a batch."""
        total = (self.knowledge.residuals(Path(self.layout, thetas)) ** 2).sum(axis=1)
        for b in self.seen:
            total = total + _huber(np.linalg.norm(self.observed(b, thetas), axis=2)).sum(axis=1)
        return np.asarray(total)

    def normal_equations(self, theta: Array) -> tuple[Array, Array, float]:
        """J^T W J, J^T W r, cost at theta."""
        n = self.layout.size
        batch = np.repeat(theta[None], n + 1, axis=0)
        batch[np.arange(1, n + 1), np.arange(n)] += self.layout.steps
        k = self.knowledge.residuals(Path(self.layout, batch))
        jk = (k[1:] - k[0]) / self.layout.steps[:, None]
        a, g, cost = jk @ jk.T, jk @ k[0], float((k[0] ** 2).sum())
        for ball in self.seen:
            columns, r, j = self.jacobian(ball, theta)
            size = np.linalg.norm(r.reshape(-1, 2), axis=1)
            w = np.repeat(np.minimum(1.0, HUBER / np.maximum(size, 1e-9)), 2)
            a[np.ix_(columns, columns)] += (j * w) @ j.T
            g[columns] += (j * w) @ r
            cost += float(_huber(size).sum())
        return a, g, cost

    def jacobian(self, ball: str, theta: Array) -> tuple[NDArray[np.intp], Array, Array]:
        """Columns, residuals (2N,), J^T (n_ball, 2N)."""
        columns = self.layout.columns(ball)
        steps = self.layout.steps[columns]
        batch = np.repeat(theta[None], len(columns) + 1, axis=0)
        batch[np.arange(1, len(columns) + 1), columns] += steps
        z = self.observed(ball, batch).reshape(len(columns) + 1, -1)
        return columns, z[0], (z[1:] - z[0]) / steps[:, None]


def _huber(size: Array) -> Array:
    return np.asarray(np.where(size <= HUBER, size**2, 2 * HUBER * size - HUBER**2))


def _descend(problem: _Problem, theta: Array, max_steps: int) -> tuple[Array, float]:
    """Levenberg-Marquardt with Huber weights renewed at every step."""
    damping = 1e-2
    a, g, cost = problem.normal_equations(theta)
    for _ in range(max_steps):
        scale = np.diag(a) + 1e-12
        moved = False
        for _ in range(8):
            step = -np.linalg.solve(a + np.diag(damping * scale), g)
            step[:2] = np.clip(step[:2], -0.5, 0.5)
            new = theta + step
            new_cost = problem.cost(new)
            if np.isfinite(new_cost) and new_cost < cost:
                moved = True
                break
            damping *= 6
        if not moved:
            break
        gain = cost - new_cost
        theta, damping = new, max(damping * 0.15, 1e-9)
        a, g, cost = problem.normal_equations(theta)
        if gain < 1e-4 + 1e-6 * cost:
            break
    return theta, cost


def fit_shot(
    seen: Sequence[Seen], events: Sequence[MotionEvent], *, table: Table, friction: Friction, shutter_s: float = 0.0,
    max_steps: int = 40,
) -> ShotMotion:
    """Fit the motion of every ball through the given events.

    seen      : each ball's detections, ``Seen``
    shutter_s : exposure; a frame in whose exposure the ball meets something shows a bent streak and is left out
    events    : strike, ball, cushion, jaw with first guesses of their times, in order
    returns   : ShotMotion; its covariance holds noise (scaled by the residuals), physical knowledge and systematic effects
    """
    by_name = {s.ball: s for s in seen}
    layout = Layout(list(by_name), sorted(events, key=lambda e: e.t_s))
    knowledge = Knowledge(table, friction)
    theta = first_guess(layout, by_name, friction)
    theta, _ = _descend(_Problem(layout, by_name, knowledge), theta, max_steps)
    by_name = {b: _outside_events(s, layout, theta, shutter_s) for b, s in by_name.items()}
    problem = _Problem(layout, by_name, knowledge)
    theta, cost = _descend(problem, theta, max_steps)
    scale = {b: _noise_scale(problem, b, theta) for b in by_name}
    if any(s > 1.0 for s in scale.values()):
        scaled = {b: replace(s, covariance=s.covariance * scale[b] ** 2) for b, s in by_name.items()}
        problem = _Problem(layout, scaled, knowledge)
        theta, cost = _descend(problem, theta, max_steps)
    return _finish(problem, theta, cost, by_name, scale)


def _outside_events(s: Seen, layout: Layout, theta: Array, shutter_s: float) -> Seen:
    """Without the frames in whose exposure the ball met something."""
    path = Path(layout, theta, [s.ball])
    times = [float(path.time(i)[0]) for i in layout.chain[s.ball]]
    keep = np.ones(len(s.t_s), dtype=bool)
    for t in times:
        keep &= np.abs(s.t_s - t) > shutter_s / 2
    return s.at(keep) if keep.sum() >= 4 else s


def _noise_scale(problem: _Problem, ball: str, theta: Array) -> float:
    """Residuals over stated noise, widened where neighbouring frames err alike.

    From the median, so that a few wrong frames do not count. Errors that last over frames (a mark on the ball, a shadow)
    average out less: the variance of a mean of n values with correlation r from one to the next is (1+r)/(1-r) times
    that of independent ones.
    """
    s = problem.seen[ball]
    z = problem.observed(ball, theta[None])[0]
    v = Path(problem.layout, theta, [ball]).states(ball, s.t_s)[1][0]
    moving = np.hypot(v[:, 0], v[:, 1]) > STILL_MM_S
    if moving.sum() < 12:  # at rest frames repeat each other and say little of the noise in motion
        size = np.linalg.norm(z, axis=1)
        return max(1.0, float(np.median(size)) / 1.1774) if len(size) >= 8 else 1.0
    size = np.linalg.norm(z[moving], axis=1)
    plain = max(1.0, float(np.median(size)) / 1.1774)  # median of a 2-D normal's distance: sqrt(2 ln 2)
    own = np.clip(z[moving], -3 * plain, 3 * plain)
    r = float((own[1:] * own[:-1]).sum() / max((own**2).sum(), 1e-12))
    r = min(max(r - 1 / math.sqrt(2 * len(own)), 0.0), 0.9)  # only what stands out from chance
    return plain * math.sqrt((1 + r) / (1 - r))


def _finish(
    problem: _Problem, theta: Array, cost: float, seen: dict[str, Seen], scale: dict[str, float]
) -> ShotMotion:
    layout = problem.layout
    a, _, _ = problem.normal_equations(theta)
    d = 1 / np.sqrt(np.diag(a) + 1e-12)
    covariance = d[:, None] * np.linalg.pinv(a * d[:, None] * d[None, :], hermitian=True) * d[None, :]
    effects = max((s.systematic.shape[2] for s in seen.values()), default=0)
    push = np.zeros((layout.size, effects))
    weight = {}
    for ball, s in seen.items():
        columns, r, j = problem.jacobian(ball, theta)
        size = np.linalg.norm(r.reshape(-1, 2), axis=1)
        w = np.minimum(1.0, HUBER / np.maximum(size, 1e-9))
        weight[ball] = w
        if effects:
            white = np.einsum("nij,njq->niq", problem.whiten[ball], s.systematic).reshape(-1, s.systematic.shape[2])
            push[columns, : white.shape[1]] += (j * np.repeat(w, 2)) @ white
    shift = covariance @ push
    theta, covariance = _first_slip(problem, theta, covariance)
    path = Path(layout, theta)
    residual = {b: np.linalg.norm(s.xy_mm - path.states(b, s.t_s)[0][0], axis=1) for b, s in seen.items()}
    radius = problem.knowledge.table.ball.radius_mm
    return ShotMotion(layout, theta, covariance + shift @ shift.T, seen, residual, scale, weight, cost, radius)


def _first_slip(problem: _Problem, theta: Array, covariance: Array) -> tuple[Array, Array]:
    """Parameters and covariance with the slip at the strike as the cost itself shows it, where its curvature misleads.

    A ball struck so that it nearly rolls slides for a few frames at most. Whether it was a little too fast or too slow for
    its spin then hardly shows, and the path changes with the square of the slip: the cost has a flat floor or two pits.
    Over all slips that end in the same rolling motion, mean and variance are taken from exp(-cost / 2).
    """
    layout = problem.layout
    i = next((k for k, e in enumerate(layout.events) if e.kind == "strike"), None)
    if i is None:
        return theta, covariance
    at = layout.leg[layout.events[i].ball, i]
    settled = settled_velocity(theta[at : at + 2], theta[at + 2 : at + 4])
    speed = float(np.hypot(*settled))
    if speed < 100.0:
        return theta, covariance
    along = settled / speed
    reading = np.zeros(layout.size)
    reading[at : at + 2], reading[at + 2 : at + 4] = along, -along
    now = float(reading @ theta)
    spread = math.sqrt(float(reading @ covariance @ reading))
    slips = np.unique(np.concatenate([np.linspace(-0.9, 0.9, 241) * speed, [now]]))
    family = _same_roll(theta, at, along, slips)
    cost = problem.costs(family)
    weight = np.exp(-0.5 * (cost - cost.min())) * np.gradient(slips)
    weight /= weight.sum()
    other_side = float(weight[np.sign(slips) != np.sign(now)].sum())
    if other_side < 0.005 and abs(now) > 3 * spread:
        return theta, covariance
    mean = float(weight @ slips)
    variance = float(weight @ (slips - mean) ** 2) + float(np.median(np.diff(slips))) ** 2 / 12
    told = covariance @ reading
    covariance = covariance + (variance - spread**2) / spread**4 * np.outer(told, told)
    return _same_roll(theta, at, along, np.array([mean]))[0], covariance


def _same_roll(theta: Array, at: int, along: Array, slips: Array) -> Array:
    """(P, n) parameters with other slips along the path at the strike, after which the ball rolls as it does in theta."""
    mu_s, slowing = math.exp(theta[0]), math.exp(theta[1]) * G_MM_S2

    def until_rolling(v: Array, roll: Array) -> Array:
        return slide_time(v, roll, mu_s) + slide_delay(v, roll, mu_s)

    v, roll = theta[at : at + 2], theta[at + 2 : at + 4]
    settled, usual = settled_velocity(v, roll), until_rolling(v, roll)
    across = (v - roll) - ((v - roll) @ along) * along
    slip = slips[:, None] * along + across
    out = np.repeat(theta[None], len(slips), axis=0)
    base = settled
    for _ in range(3):  # rolling resistance starts with the rolling: later for a longer slide
        v, roll = base + slip * 2 / 7, base - slip * 5 / 7
        base = settled - slowing * (until_rolling(v, roll) - usual)[:, None] * along
    out[:, at : at + 2], out[:, at + 2 : at + 4] = base + slip * 2 / 7, base - slip * 5 / 7
    return out


# --- first guesses -------------------------------------------------------------------------------------------------


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
        place = np.median(s.xy_mm[still], axis=0) if still.any() else s.xy_mm[0]
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


def cushion_of(event: MotionEvent) -> Cushion:
    """The cushion of a cushion or jaw event."""
    if event.other not in _INWARD:
        raise ValueError(f"{event.kind} event without a cushion: {event.other!r}")
    return event.other  # type: ignore[return-value]
