"""Whether a frame was lost, or shown twice, just where a ball meets something: told by the fitted shot.

A contact changes how a ball moves, not where it is: its ways to the contact and on from it meet in one place at one
time. Where the clock jumps between them they miss each other by what the ball rolls meanwhile. A fit hides much of that
in how the ball slides off the contact, so the jump is an unknown beside all others: its slope is each later frame's
velocity. What speaks for a jump is then fitted with the times moved. `pipeline.clock_jumps` tells a jump amid a ball's
way, where a few frames make it plain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.clock_jumps import MOST
from pipeline.descent import descend
from pipeline.knowledge import Knowledge
from pipeline.motion_problem import MotionProblem
from pipeline.motions import POOR_SCALE, ShotMotion
from pipeline.noise_scale import noise_scales
from pipeline.paths import Path, Seen
from pipeline.physics import Array

BESIDE = 2  # frames to both sides of the one after a contact: a fit that hides a jump has the contact a little off
SPEAKS, SPEAKS_U = 0.3, 4.0  # intervals, and standard uncertainties: a jump told so is tried; a fit hides part of one
SURE_U = 5.0  # standard uncertainties by which the times as stamped must fit worse, and that a jump must be from none
LEFT_U = 3.0  # standard uncertainties: no more of a jump may be left once the times were moved
MOST_TRIED = 6  # places, the likeliest first
MAX_STEPS = 40
LOST = ("a frame or more seems to be missing at {:.2f} s, where a ball meets something: what that did to it can't be "
        "told; give the clip as the camera made it, or film that shot anew")
TWICE = ("a frame seems to be shown twice at {:.2f} s, where a ball meets something: what that did to it can't be "
         "told; give the clip as the camera made it, or film that shot anew")


@dataclass(frozen=True)
class ContactJump:
    """The frame at ``t_s`` and all after it were taken ``frames`` intervals later than stamped; below 0: earlier."""

    t_s: float
    frames: int

    @property
    def words(self) -> str:
        return (LOST if self.frames > 0 else TWICE).format(self.t_s)


def jump_at_contact(motion: ShotMotion, knowledge: Knowledge, frames_t: Array) -> ContactJump | None:
    """The jump of the clock at one of a shot's contacts without which its frames can't be explained; None: they can.

    knowledge : with which the motion was fitted
    frames_t  : (N,) s, times of all frames of the recording, as stamped
    """
    firsts = _about_contacts(motion, frames_t)
    if not len(firsts):
        return None
    interval_s = float(np.median(np.diff(frames_t)))
    stated = MotionProblem(motion.layout, motion.seen, knowledge)
    problem = _noisier(stated, motion.scale)
    jump, u = (each / interval_s for each in _told(problem, motion.lowest, firsts))
    speaks = np.flatnonzero((np.abs(jump) > np.maximum(SPEAKS, SPEAKS_U * u)) & np.isfinite(u))
    if not len(speaks):
        return None
    cost = descend(problem, motion.lowest, MAX_STEPS, enough=0.03)[1]
    best, found, theta = math.inf, None, motion.lowest
    for k in sorted(speaks, key=lambda k: -abs(jump[k]) / u[k])[:MOST_TRIED]:
        reached = cost
        for frames in range(1, MOST + 1) if jump[k] > 0 else (-1,):
            rival = ContactJump(float(firsts[k]), frames)
            ends, fits = descend(_moved(problem, rival, interval_s), _begun(motion, rival, interval_s), MAX_STEPS,
                                 enough=0.03)
            if fits >= reached:
                break
            reached = fits
            if fits < best:
                best, found, theta = fits, rival, ends
    if found is None or cost - best < SURE_U**2:
        return None
    return found if _explains(_moved(stated, found, interval_s), theta, found, interval_s) else None


def _explains(moved: MotionProblem, theta: Array, jump: ContactJump, interval_s: float) -> bool:
    """Whether the frames, with their times moved, lie as near the fit as they should, and tell of no further jump."""
    scale = noise_scales(moved, theta)
    if max(scale.values()) > POOR_SCALE:
        return False
    problem = _noisier(moved, scale)
    theta, _ = descend(problem, theta, MAX_STEPS, enough=0.03)
    (left,), (u,) = _told(problem, theta, [jump.t_s + jump.frames * interval_s])
    return bool(SURE_U * u < abs(jump.frames) * interval_s and abs(left) < LEFT_U * u)


def _noisier(problem: MotionProblem, scale: Mapping[str, float]) -> MotionProblem:
    seen = {b: replace(s, covariance=s.covariance * scale[b] ** 2) for b, s in problem.seen.items()}
    return MotionProblem(problem.layout, seen, problem.knowledge)


def _about_contacts(motion: ShotMotion, frames_t: Array) -> Array:
    """(K,) s: times of frames, in order, from which on the clock may have jumped at a contact."""
    after = [np.searchsorted(frames_t, e.t_s) for e in motion.events if e.kind != "strike"]
    near = {int(k) + n for k in after for n in range(-BESIDE, BESIDE + 1)}
    return np.array([frames_t[k] for k in sorted(near) if 0 < k < len(frames_t)])


def _told(problem: MotionProblem, theta: Array, firsts: Array | Sequence[float]) -> tuple[Array, Array]:
    """(K,) s by how much later the frames from each of these times on were taken, and the uncertainties: to first
    order, with all parameters giving way, and whatever shifts many frames alike.
    """
    a, g, _ = problem.normal_equations(theta)
    r, j = problem.slopes(theta)
    weight, effects = np.repeat(problem.weights(r), 2), -problem.white_effects
    n, size = len(a), len(a) + problem.effects
    shared, equations = effects * weight[:, None], np.eye(size)
    equations[:n, :n], equations[:n, n:] = a, j.T @ shared
    equations[n:, :n] = equations[:n, n:].T
    equations[n:, n:] += effects.T @ shared
    scale = 1 / np.sqrt(np.diag(equations) + 1e-12)
    inverse = scale[:, None] * np.linalg.pinv(equations * scale[:, None] * scale, hermitian=True) * scale
    pull = inverse @ np.concatenate([g, shared.T @ r])
    by_time, t_s = _by_time(problem, theta)
    later = np.repeat(t_s, 2)[:, None] > np.asarray(firsts) - 1e-6
    column = np.where(later, by_time[:, None], 0.0)
    weighted = column * weight[:, None]
    others = np.concatenate([j.T @ weighted, effects.T @ weighted])
    left = (column * weighted).sum(axis=0) - np.einsum("sk,st,tk->k", others, inverse, others, optimize=True)
    u = 1 / np.sqrt(np.maximum(left, 1e-12))
    return -(weighted.T @ r - others.T @ pull) * u**2, u


def _by_time(problem: MotionProblem, theta: Array) -> tuple[Array, Array]:
    """(2N,) slopes of the residuals by when a frame was taken, and (N,) when it was, s; ball by ball."""
    slopes, times = [], []
    for ball in problem.layout.balls:
        t_s = problem.seen[ball].t_s
        v = Path(problem.layout, theta, [ball]).states(ball, t_s)[1][0]
        slopes.append(-(problem.whiten[ball] @ v[..., None]).ravel())
        times.append(t_s)
    return np.concatenate(slopes), np.concatenate(times)


def _moved(problem: MotionProblem, jump: ContactJump, interval_s: float) -> MotionProblem:
    """With the frames at the times they were taken, were that so."""

    def moved(s: Seen) -> Seen:
        return replace(s, t_s=np.where(s.t_s > jump.t_s - 1e-6, s.t_s + jump.frames * interval_s, s.t_s))

    return MotionProblem(problem.layout, {b: moved(s) for b, s in problem.seen.items()}, problem.knowledge)


def _begun(motion: ShotMotion, jump: ContactJump, interval_s: float) -> Array:
    """Parameters to begin with. The contact itself may be to either side of the jump: it stays where it is."""
    start, by_s = motion.lowest.copy(), jump.frames * interval_s
    for i, event in enumerate(motion.events):
        if event.t_s > jump.t_s + 2 * abs(by_s):
            start[motion.layout.times + i] += by_s
    return start
