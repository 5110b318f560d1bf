"""The physics fitted to all frames of a shot at once: every ball, every stretch between two events.

Event times are parameters, held by where the legs meet and by geometry: a ball meets a cushion `sqrt(R^2 - (h-R)^2)`
from the nose line, another ball at a distance of 2R. What few frames cannot tell is held by `pipeline.knowledge`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.descent import descend, descend_all
from pipeline.detect_edges import LongStreaks
from pipeline.first_guess import first_guess
from pipeline.first_slip import first_slip
from pipeline.flat_slips import Bend, flat_slips
from pipeline.knowledge import ANY_TWO, CueMass, Knowledge
from pipeline.motion_problem import HUBER, MotionProblem
from pipeline.motions import ShotMotion
from pipeline.noise_scale import noise_scales
from pipeline.paths import Layout, MotionEvent, Path, Seen, Velocities
from pipeline.physics import Array, Friction, settled_velocity, slide_time
from pipeline.roll_starts import roll_starts
from shared.equipment import Table

MOST_OTHER_ROLLS = 3  # of the other rolls tried, so many are followed to the end
MOST_EVENTS_TRIED = 12  # a shot with more is no bank to measure, and would take long
ALL_COUNTED = 100.0  # tolerated residuals where none may be left out
MOST_ROUNDS = 2  # of fitting anew where a better fit came to light, or other frames are those that an event blurs
FAR_OFF = 2.5  # chi squared a frame; two are expected
HOPELESS = 40.0  # the same: no other roll helps there, the events are wrong
OFF_A_CUSHION = (-0.3, 0.3)  # roll over the speed with which a ball rolls on: cushions turn the roll it brings round


def fit_shot(
    seen: Sequence[Seen], events: Sequence[MotionEvent], *, table: Table, friction: Friction, shutter_s: float = 0.0,
    cue_mass: CueMass = ANY_TWO, max_steps: int = 40, start: Array | None = None, foretold: Velocities | None = None,
) -> FittedShot:
    """Fit the motion of every ball through the given events.

    seen      : each ball's detections, ``Seen``
    shutter_s : exposure; a frame in whose exposure the ball meets something shows a bent streak and is left out
    start     : parameters of a fit through the same events, to begin from, and no other; None: from a first guess, and
                from other rolls
    foretold  : velocities to begin with where no frames show them
    events    : strike, ball, cushion, jaw with first guesses of their times, in order
    """
    by_name = {s.ball: s for s in seen}
    layout = Layout(list(by_name), sorted(events, key=lambda e: e.t_s))
    knowledge = Knowledge(table, friction, cue_mass)
    theta = _begun(layout, by_name, knowledge, max_steps, foretold) if start is None else start
    every, frames = by_name, sum(len(s.t_s) for s in seen)
    for _ in range(MOST_ROUNDS):
        by_name = {b: _outside_events(s, layout, theta, shutter_s) for b, s in every.items()}
        problem = MotionProblem(layout, by_name, knowledge)
        theta, chi2 = descend(problem, theta, max_steps, enough=0.03)
        if chi2 > FAR_OFF * frames:
            theta, chi2 = _eased(problem, theta, chi2, max_steps)
        if chi2 > HOPELESS * frames or start is not None:
            break
        theta, chi2 = _with_other_rolls(problem, theta, chi2, max_steps)
        theta, chi2 = _with_roll_as_brought(problem, theta, chi2, max_steps)
        if chi2 > FAR_OFF * frames:
            theta, chi2 = _with_slides_off_cushions(problem, theta, chi2, max_steps)
        now = {b: _outside_events(s, layout, theta, shutter_s) for b, s in every.items()}
        if all(np.array_equal(now[b].t_s, s.t_s) for b, s in by_name.items()):
            break
    scale = noise_scales(problem, theta)
    rescaled = _rescaled(problem, scale)
    theta, _ = descend(rescaled, theta, max_steps)
    return FittedShot(problem, rescaled, theta, chi2, scale, max_steps)


@dataclass(frozen=True, eq=False)
class FittedShot:
    """Where a fit went. What it tells of its own uncertainty is worked out when asked for: it takes as long again."""

    stated: MotionProblem
    rescaled: MotionProblem  # noise as the residuals show it, with all that errs alike in them
    theta: Array
    chi2: float
    scale: dict[str, float]
    max_steps: int

    @property
    def keeps_to_the_frames(self) -> bool:
        """Whether all events lie where there are frames: one of a ball at rest may drift off for ever."""
        times = self.theta[self.stated.layout.times : self.stated.layout.times + len(self.stated.layout.events)]
        frames = [s.t_s for s in self.stated.seen.values()]
        return bool(times.min() > min(t[0] for t in frames) - 1.0 and times.max() < max(t[-1] for t in frames) + 1.0)

    @cached_property
    def roughly(self) -> ShotMotion:
        """The motion, with the covariance that the curvature at the lowest point tells: to choose among fits."""
        covariance, push, weight = _spread(self.rescaled, self.theta)
        return self._motion(self.theta, self.theta, self.chi2, covariance, push, weight, [])

    @cached_property
    def motion(self) -> ShotMotion:
        """The motion; its covariance holds noise (scaled by the residuals), knowledge and systematic effects."""
        problem, theta, chi2 = self.rescaled, self.theta, self.chi2
        if not self.roughly.doubtful:
            problem = _rescaled(self.stated, noise_scales(self.stated, theta, apart=True))
            theta, _ = descend(problem, theta, self.max_steps)
        for rounds_left in range(MOST_ROUNDS)[::-1]:
            covariance, push, weight = _spread(problem, theta)
            covariance, bends, lower = flat_slips(problem, theta, covariance, push)
            if lower is None or not rounds_left:
                break
            theta, _ = descend(problem, lower, self.max_steps)
            chi2 = min(chi2, self.stated.cost(theta))
        lowest = theta
        theta, covariance, first = first_slip(problem, theta, covariance, bent=[bend.leg for bend in bends])
        return self._motion(theta, lowest, chi2, covariance, push, weight, [*bends, *first])

    def _motion(
        self, theta: Array, lowest: Array, chi2: float, covariance: Array, push: Array, weight: dict[str, Array],
        bends: list[Bend],
    ) -> ShotMotion:
        """``covariance``: without bends, which hold what systematic effects do to them themselves."""
        layout, seen = self.stated.layout, self.stated.seen
        path = Path(layout, theta)
        residual = {b: np.linalg.norm(s.xy_mm - path.states(b, s.t_s)[0][0], axis=1) for b, s in seen.items()}
        shift = covariance @ push
        systematic = shift @ shift.T
        covariance = covariance + systematic + sum((bend.scatter for bend in bends), start=np.zeros(()))
        radius = self.stated.knowledge.table.ball.radius_mm
        return ShotMotion(layout, theta, covariance, seen, residual, self.scale, weight, chi2, radius, lowest,
                          systematic, -shift[:, :2], self.stated.strains(lowest), tuple(bends))


def _begun(
    layout: Layout, seen: dict[str, Seen], knowledge: Knowledge, max_steps: int, foretold: Velocities | None
) -> Array:
    """A first fit. Where it is far off, whole stretches may have been taken for outliers: then with all counted."""
    guess = first_guess(layout, seen, knowledge.friction, foretold)
    times = range(layout.times + len(layout.events))  # and friction: first the velocities, which are the worst guesses
    frames = sum(len(s.t_s) for s in seen.values())
    best: tuple[float, Array] | None = None
    strict = MotionProblem(layout, seen, knowledge)
    for tolerated in (HUBER, ALL_COUNTED):
        problem = MotionProblem(layout, seen, knowledge, tolerated)
        theta, _ = descend(problem, guess, 8, enough=3.0, held=times)
        theta, cost = descend(problem, theta, max_steps, enough=0.3)
        if tolerated > HUBER:
            theta, cost = descend(strict, theta, max_steps, enough=0.3)
        if best is None or cost < best[0]:
            best = cost, theta
        if cost < FAR_OFF * frames:
            break
    assert best is not None
    return best[1]


def _eased(problem: MotionProblem, theta: Array, chi2: float, max_steps: int) -> tuple[Array, float]:
    """The better of the fit and of one that went on for a while as if the frames were as bad as the fit makes them: in
    a pit far above the lowest, frames taken for outliers and what was known beforehand hold one another fast.
    """
    easier = _rescaled(problem, noise_scales(problem, theta))
    other, _ = descend(easier, theta, max_steps, enough=0.03)
    other, cost = descend(problem, other, max_steps, enough=0.03)
    return (other, cost) if cost < chi2 else (theta, chi2)


def _with_other_rolls(problem: MotionProblem, theta: Array, chi2: float, max_steps: int) -> tuple[Array, float]:
    """The best of the fit and of those that begin with another roll of the cue ball: see `pipeline.roll_starts`."""
    layout = problem.layout
    if len(layout.events) > MOST_EVENTS_TRIED:
        return theta, chi2
    starts = roll_starts(layout, theta, problem.knowledge.friction)
    if not starts:
        return theta, chi2
    begun, costs = descend_all(problem, np.array(starts), 15, 1.0)
    ends, costs = descend_all(problem, begun[np.argsort(costs)[:MOST_OTHER_ROLLS]], max_steps, 0.03)
    best = int(np.argmin(costs))
    return (ends[best], float(costs[best])) if costs[best] < chi2 - 1.0 else (theta, chi2)


def _with_roll_as_brought(problem: MotionProblem, theta: Array, chi2: float, max_steps: int) -> tuple[Array, float]:
    """The better of the fit and of others in which a ball leaves a hit with the roll that it brought.

    A ball that slides all the way to its next event shows nothing of its roll. A fit that got there by mistake finds
    no slope back to a ball that had begun to roll, so it is tried from the other side.
    """
    layout = problem.layout
    if len(layout.events) > MOST_EVENTS_TRIED:
        return theta, chi2
    for i, event in enumerate(layout.events):
        for ball in (event.ball, event.other) if event.kind == "ball" else ():
            following = next((k for k in layout.chain[ball] if k > i), None)
            path = Path(layout, theta)
            _, v, roll = path.after[ball, i]
            until = path.time(following)[0] if following is not None else problem.seen[ball].t_s[-1]
            if slide_time(v, roll, path.mu_s)[0] < 0.8 * (until - path.time(i)[0]):
                continue
            roll_at = layout.leg[ball, i] + 2
            start = theta.copy()
            start[roll_at : roll_at + 2] = path.before[ball, i][2][0]
            start, _ = descend(problem, start, 80, enough=0.05, held=range(roll_at, roll_at + 2))
            other, cost = descend(problem, start, max_steps, enough=0.03)
            if cost < chi2 - 1.0:
                theta, chi2 = other, cost
    return theta, chi2


def _with_slides_off_cushions(
    problem: MotionProblem, theta: Array, chi2: float, max_steps: int
) -> tuple[Array, float]:
    """The better of the fit and of others in which a ball slides first off a cushion, and rolls on as it did.

    A fit that has a ball roll from a cushion on finds no slope towards a slip: see `pipeline.roll_starts`.
    """
    layout = problem.layout
    if len(layout.events) > MOST_EVENTS_TRIED:
        return theta, chi2
    for i, event in enumerate(layout.events):
        if event.kind != "cushion":
            continue
        _, v, roll = Path(layout, theta).after[event.ball, i]
        on, at = settled_velocity(v, roll)[0], layout.leg[event.ball, i]
        for share in OFF_A_CUSHION:
            start = theta.copy()
            start[at : at + 2], start[at + 2 : at + 4] = (7 - 2 * share) / 5 * on, share * on
            other, cost = descend(problem, start, max_steps, enough=0.03)
            if cost < chi2 - 1.0:
                theta, chi2 = other, cost
    return theta, chi2


def _outside_events(s: Seen, layout: Layout, theta: Array, shutter_s: float) -> Seen:
    """Without the frames in whose exposure the ball met something."""
    path = Path(layout, theta, [s.ball])
    times = [float(path.time(i)[0]) for i in layout.chain[s.ball]]
    keep = np.ones(len(s.t_s), dtype=bool)
    for t in times:
        keep &= np.abs(s.t_s - t) > shutter_s / 2
    return s.at(keep) if keep.sum() >= 4 else s


def _rescaled(problem: MotionProblem, scale: Mapping[str, float]) -> MotionProblem:
    """With each ball's noise so many times as large."""
    radius_mm = problem.knowledge.table.ball.radius_mm
    seen = {b: replace(s, covariance=scaled_noise(s.covariance, scale[b], radius_mm)) for b, s in problem.seen.items()}
    return MotionProblem(problem.layout, seen, problem.knowledge)


def scaled_noise(covariance: Array, scale: float, radius_mm: float) -> Array:
    """(N, 2, 2), so many times as large, squared; but what a long streak adds along itself becomes no smaller.

    That frames of a slow ball err less than stated says nothing of the faint ends of a streak as long as the ball.
    """
    scaled = covariance * scale**2
    if scale >= 1.0:
        return scaled
    streaks = LongStreaks.of(covariance, radius_mm)
    return scaled + streaks.adding((1.0 - scale**2) * streaks.share * streaks.variance)


def _spread(problem: MotionProblem, theta: Array) -> tuple[Array, Array, dict[str, Array]]:
    """The parameters' covariance by the frames' noise and by what was known (n, n), what each systematic effect adds
    to the gradient (n, Q), and by ball the weight of each frame (N,).
    """
    a = problem.normal_equations(theta)[0]
    d = 1 / np.sqrt(np.diag(a) + 1e-12)
    covariance = d[:, None] * np.linalg.pinv(a * d[:, None] * d[None, :], hermitian=True) * d[None, :]
    r, j = problem.slopes(theta)
    each = problem.weights(r)
    push = (j * np.repeat(each, 2)[:, None]).T @ problem.white_effects
    weight = {ball: each[problem.rows_of(ball)] for ball in problem.seen}
    return np.asarray(covariance), push, weight
