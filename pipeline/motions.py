"""A shot's motion as it was fitted: every ball, every stretch between two events, and how well each is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.cue_mass import cue_mass_shown
from pipeline.flat_slips import Bend
from pipeline.knowledge import CueMass
from pipeline.paths import Layout, MotionEvent, Path, Seen
from pipeline.physics import Array, Friction, rest_time

POOR_SCALE = 1.9
POOR_CHI2, ASTRAY_CHI2 = 5.0, 10.0  # a frame: 0.3-4 where 150 drawn and rendered shots were right, 14-400 where wrong
HIT_CHI2, HIT_S, HIT_FRAMES = 25.0, 0.06, 3  # of the frames around a hit: up to 18 in 550 right ones, 34-600 in wrong,
DOUBTFUL_CHI2 = 12.0  # and seldom so much in right ones
STRAINED = 4.0  # standard uncertainties off what is known beforehand: up to 2.8 in 230 right fits, 3.7-20 in wrong ones
ASTRAY_MM, ASTRAY_SHARE = 5.0, 0.05  # five times what published tracking reaches (1 mm: Mathavan et al. 2009)

FEWEST_FRAMES = 3  # of a leg: with fewer, what is known beforehand would speak, not the clip


@dataclass(frozen=True, eq=False)
class ShotMotion:
    """A fitted shot: parameters with their covariance, and what the frames say against it."""

    layout: Layout
    theta: Array
    covariance: Array  # noise, priors and systematic effects together
    seen: dict[str, Seen]
    residual_mm: dict[str, Array]  # (N,) distance of each detection from its fitted path
    scale: dict[str, float]  # residuals over the stated noise
    weight: dict[str, Array]  # (N,) 1 for a frame used in full, less where it stood out
    chi2: float  # at the stated noise, priors included: for comparing one set of events with another
    radius_mm: float
    lowest: Array  # the parameters at which the cost is least; ``theta`` is their mean where that is told better
    systematic: Array  # (n, n) of the covariance, what other shots before the same camera share
    by_size: Array  # (n, 2) what a standard uncertainty of the table's length, and of its width, does to the parameters
    strains: Array  # (E, 2) see `MotionProblem.strains`
    bends: tuple[Bend, ...] = ()  # directions in which the covariance holds the mean square of what is likely

    @cached_property
    def events(self) -> list[MotionEvent]:
        """Events at their fitted times."""
        path = self.path()
        return [replace(e, t_s=float(path.time(i)[0])) for i, e in enumerate(self.layout.events)]

    @cached_property
    def axes(self) -> Array:
        """(n, n) principal axes of the covariance without bends, each a row one standard uncertainty long."""
        covariance = self._unbent
        sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
        values, vectors = np.linalg.eigh(covariance / np.outer(sigma, sigma))
        return np.asarray((vectors * np.sqrt(np.clip(values, 0, None))).T * sigma)

    @property
    def _unbent(self) -> Array:
        """(n, n) covariance without bends."""
        return np.asarray(self.covariance - sum((bend.scatter for bend in self.bends), start=np.zeros(())))

    @property
    def friction(self) -> Friction:
        mu_s, mu_r = np.exp(self.theta[:2])
        c = self.covariance[:2, :2]
        su, ru = np.sqrt(np.diag(c))
        common = np.exp(self.theta[:2]) * np.sqrt(np.diag(self.systematic)[:2])
        return Friction(float(mu_s), float(mu_r), float(mu_s * su), float(mu_r * ru), float(c[0, 1] / (su * ru)),
                        float(common[0]), float(common[1]))

    @property
    def cue_mass(self) -> CueMass | None:
        """As the balls' answer to each other shows it; None: the cue ball met none."""
        return cue_mass_shown(self.layout, self.theta, self.covariance, self.systematic)

    @property
    def poor(self) -> bool:
        """Whether some ball's frames lie further from its path than their noise and lasting errors explain."""
        return max(self.scale.values(), default=0.0) > POOR_SCALE or self.per_frame > POOR_CHI2

    @property
    def doubtful(self) -> bool:
        """Whether other events should be tried: poor, poor about a hit, or only with contacts such as never are."""
        return self.poor or self.off_at_hits > DOUBTFUL_CHI2 or self.strains[:, 0].max(initial=0.0) > STRAINED

    @property
    def per_frame(self) -> float:
        """Chi squared over the number of frames; two are expected, and fewer of a ball that lies still."""
        return self.chi2 / max(sum(len(seen.t_s) for seen in self.seen.values()), 1)

    @cached_property
    def off_at_hits(self) -> float:
        """As `off_at_hits_in`, of the frames that were fitted."""
        return self.off_at_hits_in(self.seen, 0.0)

    def off_at_hits_in(self, seen: Mapping[str, Seen], shutter_s: float) -> float:
        """Chi squared a frame around the hit about which the frames are furthest off, at their stated noise.

        shutter_s : frames in whose exposure a ball met something don't count, unless it was seen where it can't have
                    been: then without limit
        """
        most = 0.0
        path, times = self.path(), np.array([e.t_s for e in self.events])
        if any(self._elsewhere_in_exposures(seen[ball], shutter_s) for ball in self.layout.balls):
            return np.inf
        for i, event in enumerate(self.layout.events):
            for ball in (event.ball, event.other) if event.kind == "ball" else ():
                frames = seen[ball]
                away = np.abs(frames.t_s[:, None] - times[self.layout.chain[ball]]).min(axis=1)
                near = np.abs(frames.t_s - times[i]) <= max(HIT_S, HIT_FRAMES * float(np.median(np.diff(frames.t_s))))
                near &= away >= shutter_s / 2
                if near.sum() < HIT_FRAMES:
                    continue
                off = frames.xy_mm[near] - path.states(ball, frames.t_s[near])[0][0]
                squares = np.einsum("ni,nij,nj->n", off, np.linalg.inv(frames.covariance[near]), off)
                most = max(most, float(squares.mean()))
        return most

    def _elsewhere_in_exposures(self, frames: Seen, shutter_s: float) -> bool:
        """Whether a ball was further off its path, in a frame exposed while it met something, than that can draw it.

        A bend by dv in mid-exposure draws the mean place by dv * exposure / 8 at most.
        """
        path, ball = self.path(), frames.ball
        for i in self.layout.chain[ball]:
            within = np.abs(frames.t_s - self.events[i].t_s) < shutter_s / 2
            if within.any():
                off = np.hypot(*(frames.xy_mm[within] - path.states(ball, frames.t_s[within])[0][0]).T)
                change = np.hypot(*(path.after[ball, i][1][0] - path.before[ball, i][1][0]))
                if off.max() > change * shutter_s / 3 + ASTRAY_MM:
                    return True
        return False

    @property
    def astray(self) -> bool:
        """Whether the path misses so many frames by so much that it can't be what happened.

        A ball or a contact was overlooked then: no noise of a ball that is seen at all is that large. A few frames may
        be of something else.
        """
        off = np.concatenate(list(self.residual_mm.values())) > ASTRAY_MM
        return self.poor and (float(off.mean()) > ASTRAY_SHARE or self.per_frame > ASTRAY_CHI2)

    @property
    def rms_mm(self) -> float:
        """Of all frames used, per axis."""
        squares = np.concatenate([self.residual_mm[b] ** 2 for b in self.seen])
        weights = np.concatenate([self.weight[b] for b in self.seen])
        return float(np.sqrt((squares * weights).sum() / (2 * max(weights.sum(), 1.0))))

    def path(self, theta: Array | None = None) -> Path:
        return self._fitted_path if theta is None else Path(self.layout, theta)

    @cached_property
    def _fitted_path(self) -> Path:
        return Path(self.layout, self.theta)

    def states(self, ball: str, t: Array) -> tuple[Array, Array, Array]:
        """Position, velocity, rolling velocity (N, 2) of a ball at times t (N,)."""
        p, v, r = self.path().states(ball, np.asarray(t, dtype=float))
        return p[0], v[0], r[0]

    def position_covariance(self, ball: str, t: Array) -> Array:
        """(N, 2, 2) mm^2 of the fitted path. Along a bend it is the mean square of what is likely of the path, which
        follows the frames even where the parameters go far.
        """
        columns = self.layout.columns(ball)
        steps = self.layout.steps[columns]
        likely = np.concatenate([np.zeros(0), *(bend.shares for bend in self.bends)])
        theta = np.repeat(self.theta[None], 1 + len(columns) + len(likely), axis=0)
        theta[np.arange(1, len(columns) + 1), columns] += steps
        theta[len(columns) + 1 :] += np.concatenate([np.zeros((0, len(self.theta))), *(b.changes for b in self.bends)])
        p = Path(self.layout, theta, [ball]).states(ball, np.asarray(t, dtype=float))[0]
        change = p[1:] - p[0]  # (n + sides, N, 2)
        jacobian = change[: len(columns)] / steps[:, None, None]
        covariance = self._unbent[np.ix_(columns, columns)]
        told = np.einsum("ani,ab,bnj->nij", jacobian, covariance, jacobian, optimize=True)
        bent = change[len(columns) :]
        return np.asarray(told + np.einsum("s,sni,snj->nij", likely, bent, bent))

    def next_event_s(self, ball: str, i: int) -> float:
        """When the ball meets something after event ``i``; infinite if it does not."""
        return min((self.events[k].t_s for k in self.layout.chain[ball] if k > i), default=np.inf)

    def shows_leaving(self, ball: str, i: int) -> bool:
        """Whether frames enough show the ball between event ``i`` and its next one to tell how it left."""
        t = self.seen[ball].t_s
        return int(((t > self.events[i].t_s) & (t < self.next_event_s(ball, i))).sum()) >= FEWEST_FRAMES

    def rest_s(self, ball: str) -> float | None:
        """When the ball comes to rest after its last event; None if it never moved."""
        chain = self.layout.chain[ball]
        if not chain:
            return None
        path = self.path()
        _, v, r = path.after[ball, chain[-1]]
        return float(path.time(chain[-1])[0] + rest_time(v, r, path.mu_s, path.mu_r)[0])
