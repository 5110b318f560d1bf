"""Where a clip's frames don't lie at the times they are stamped with: one was lost and the rest closed up, one was put
in twice, or all were brought to another frame rate.

A ball that rolls on as it came, but for one step that is too long or too short by whole frame intervals, met nothing:
contacts change how a ball moves, not where it is. Only where balls touch may one seem to go on as another.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.clock import ClipClock

Array = NDArray[np.float64]
_Chain = tuple[int, ...]  # numbers of a ball's finds in frames one after the other

LEAST_U_MM = 0.2  # of a find, as tracks take it
ACCEL_U_MM_S2 = 3000.0  # by which cloth changes a ball's velocity: it slides at 0.15 to 0.45 g
TOP_SPEED_MM_S = 9000.0
STILL_U, MOVES_U = 4.0, 8.0  # standard uncertainties of a step: fewer are rest, so many tell that one is missing
SURE, AGAIN, HARDLY = 0.1, 0.2, 0.35  # intervals: a jump told so well; one with a frame shown twice; one so vaguely
# that it must only not speak against another
MAY_BE_U = 3.0  # standard uncertainties from none: a jump told so may be one
_SIDE = 3  # frames before and after that a jump is told by
WHOLE = 0.15  # a jump is within this of a whole number of intervals
LIKELY, UNLIKELY = 15.0, 50.0  # squares, summed, of what a ball is off a steady motion by
SAME_U = 2.0  # standard uncertainties: the same picture gives the same places but for what coding leaves
ROLLS_ON_U = 3.0  # standard uncertainties from where it rolls on to: nearer, a ball may have
TURNED = 0.25  # of its velocity, that a ball which met nothing has lost or gained meanwhile
MOST = 5  # frames lost in one place
LONGEST = 4  # intervals from one frame to the next; more are a pause
BESIDE_RADII = 3.0  # a ball whose middle is so near to another's way may have been hit
NEAR = 40  # frames: two jumps no further apart than this, as a conversion makes them,
MANY, OFTEN = 3, 0.01  # or so many, in more than this share of the frames amid motion: times so wrong aren't set right
UNEVEN_SHARE, UNEVEN_FEWEST = 0.6, 6  # of the steady ways, with steps that don't follow from one another


@dataclass(frozen=True)
class ClockJumps:
    """What was found.

    again  : times of frames that show the one before them again, s
    later  : (time of a frame, by how much later it and all after it were taken; below 0: earlier), s
    uneven : whether the frames lie at uneven times throughout; nothing else is told then
    by_stamps : whether balls roll unevenly by the time stamps in places, and evenly if the frames lay at even times
    """

    again: tuple[float, ...] = ()
    later: tuple[tuple[float, float], ...] = ()
    uneven: bool = False
    by_stamps: bool = False

    @property
    def clock(self) -> ClipClock:
        """The clip's, by which its frames are found again."""
        return ClipClock(self.again, self.later)

    def with_again(self, more_s: Sequence[float]) -> ClockJumps:
        """With further frames, of these times, that show the one before them again."""
        return replace(self, again=tuple(sorted({*self.again, *more_s})))

    def corrected(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows with ``t_s`` as stamped, without those of frames shown again, at the times the frames were taken."""
        if not self.again and not self.later:
            return rows
        stamps = rows["t_s"].to_numpy(float)
        right = rows.assign(t_s=self.clock.taken(stamps))
        return right[~self.clock.shows_again(stamps)].reset_index(drop=True)

    def warning(self) -> str:
        """For the user, or empty."""
        if self.uneven:
            return STAMPS if self.by_stamps else UNEVEN
        lost = [t for t, by_s in self.later if by_s > 0]
        skipped = [t for t, by_s in self.later if by_s < 0 and not any(0 < t - a < -2.5 * by_s for a in self.again)]
        words = [f"{what} at {_listed(times)} s: {done}" for what, times, done in (
            ("a frame or more is missing", lost, "the times after it were set right"),
            ("a frame is shown twice", self.again, "it was left out, and the times were set right"),
            ("the time stamps leave out a frame that isn't missing", skipped, "the times after it were set right"),
        ) if times]
        return ", ".join(words)


def _listed(times_s: Sequence[float]) -> str:
    return ", ".join(f"{t:.2f}" for t in times_s[:5]) + (" ..." if len(times_s) > 5 else "")


UNEVEN = ("the frames do not lie at even times, as after a conversion from another frame rate; export the clip at the "
          "camera's own rate")
STAMPS = ("the time stamps are uneven, but balls roll as if the frames had been taken at even times; give the clip as "
          "the camera made it, not as a player or a stream stored it")


def find_clock_jumps(detections: pd.DataFrame, radius_mm: float) -> ClockJumps:
    """Jumps of the clock, from how balls move.

    detections : DETECTIONS of a clip, with times as stamped; frames may be missing, if the stamps tell it
    """
    frames = FoundFrames.of(detections, radius_mm)
    if len(frames.t_s) < 2 * _SIDE:
        return ClockJumps()
    again: set[int] = set()
    jumps: dict[int, int] = {}
    for k in range(1, len(frames.t_s) - 2):
        if frames.stops(k):
            for dropped, before, after in ((k + 1, k, k + 2), (k, k - 1, k + 1)):  # the one shown again, or beforehand
                n = frames.jump(range(before - 2, before + 1), range(after, after + 3), again=True)
                if n in (0, -1):
                    again.add(dropped)
                    jumps[after] = n
                    break
        elif (n := frames.jump(range(k - 2, k + 1), range(k + 1, k + 4))) is not None and frames.takes(k, n):
            jumps[k + 1] = n
    jumps = {k: n for k, n in jumps.items() if n}
    close = any(b - a <= NEAR for a, b in pairwise(sorted(jumps)))
    amid_motion = sum(bool(frames.steps(k, k + 1)) for k in range(len(frames.t_s) - 1))
    pace = frames.pace()
    if close or len(jumps) >= max(MANY, OFTEN * amid_motion) or pace.uneven:
        return ClockJumps(uneven=True, by_stamps=pace.by_stamps)
    return ClockJumps(tuple(float(frames.t_s[k]) for k in sorted(again)),
                      tuple((float(frames.t_s[k]), n * frames.interval_s) for k, n in jumps.items()),
                      by_stamps=pace.by_stamps)


@dataclass(frozen=True)
class _Pace:
    """How many straight ways are gone in even steps, how many in steps that don't follow from one another, and how many
    of those would be even if the frames lay at even times.
    """

    even: int
    odd: int
    odd_by_stamps: int

    @property
    def uneven(self) -> bool:
        return self.odd >= UNEVEN_FEWEST and self.odd > UNEVEN_SHARE * (self.even + self.odd)

    @property
    def by_stamps(self) -> bool:
        return self.odd_by_stamps >= UNEVEN_FEWEST and self.odd_by_stamps > UNEVEN_SHARE * self.odd


@dataclass(eq=False)
class FoundFrames:
    """Finds by frame, and which of them may be a moving ball's from one frame to another; ``shutter_s`` matters where a
    ball may have met something.
    """

    t_s: Array  # (F,)
    xy_mm: list[Array]  # (N, 2) each
    u_mm: list[Array]  # (N,) each
    radius_mm: float
    interval_s: float = 0.0
    shutter_s: float = 0.0
    _steps: dict[tuple[int, int], list[tuple[int, int]]] = field(default_factory=dict)

    @classmethod
    def of(cls, detections: pd.DataFrame, radius_mm: float) -> FoundFrames:
        rows = detections.dropna(subset=["t_s", "x_mm", "y_mm", "x_u_mm", "y_u_mm"]).sort_values("frame", kind="stable")
        t_s = rows["t_s"].to_numpy(float)
        cuts = np.flatnonzero(np.diff(t_s) > 0) + 1
        begins = np.concatenate([[0], cuts]) if len(t_s) else cuts
        u = np.maximum(rows[["x_u_mm", "y_u_mm"]].to_numpy(float).max(axis=1, initial=0.0), LEAST_U_MM)
        times = t_s[begins]
        return cls(times, np.split(rows[["x_mm", "y_mm"]].to_numpy(float), cuts), np.split(u, cuts), radius_mm,
                   float(np.median(np.diff(times))) if len(times) > 1 else 0.0)

    def steps(self, a: int, b: int) -> list[tuple[int, int]]:
        """Pairs of finds in two frames, of which neither lies still meanwhile."""
        if a < 0 or b >= len(self.t_s):
            return []
        if (a, b) not in self._steps:
            took_s = self.t_s[b] - self.t_s[a]
            way, u = self._ways(a, b)
            still = way < STILL_U * u
            lies_a, lies_b = np.asarray(still.any(axis=1)), np.asarray(still.any(axis=0))
            may = ~lies_a[:, None] & ~lies_b & (way > MOVES_U * u)
            may &= (way < 2 * TOP_SPEED_MM_S * took_s) & (took_s < LONGEST * self.interval_s)
            self._steps[a, b] = list(zip(*map(np.ndarray.tolist, np.nonzero(may)), strict=True))
        return self._steps[a, b]

    def _ways(self, a: int, b: int) -> tuple[Array, Array]:
        """(N, M) mm between finds of two frames, and the uncertainties."""
        apart = self.xy_mm[b] - self.xy_mm[a][:, None]
        return np.hypot(apart[..., 0], apart[..., 1]), np.hypot(self.u_mm[a][:, None], self.u_mm[b])

    def stops(self, k: int) -> bool:
        """Whether a ball moved until a frame, and the next shows just the same as it: not what a ball that rolls on and
        is seen poorly might show, too.
        """
        if k + 1 >= len(self.t_s) or not self.steps(k - 1, k) or not self.same(k, k + 1) or self._swings(k):
            return False
        return not any(self._may_roll_on(k, i, j) for i, j in self.steps(k - 1, k))

    def _swings(self, k: int) -> bool:
        """Whether all balls, of three or more, went the same way to a frame: then it was the camera that moved. Two may
        where one has just hit the other.
        """
        if len(self.xy_mm[k]) != len(self.xy_mm[k - 1]) or len(self.xy_mm[k]) < 3:
            return False
        way, _ = self._ways(k - 1, k)
        which = way.argmin(axis=1)
        went = self.xy_mm[k][which] - self.xy_mm[k - 1]
        u = np.hypot(self.u_mm[k][which], self.u_mm[k - 1])
        if len(set(which.tolist())) < len(which) or (np.hypot(*went.T) < STILL_U * u).any():
            return False
        return bool((np.hypot(*(went[1:] - went[0]).T) < STILL_U * np.hypot(u[1:], u[0])).all())

    def _may_roll_on(self, k: int, i: int, j: int) -> bool:
        """Whether the find that a ball, by two finds until a frame, has nearest in the next may be it further on."""
        share = float((self.t_s[k + 1] - self.t_s[k]) / (self.t_s[k] - self.t_s[k - 1]))
        onward = self.xy_mm[k][j] + share * (self.xy_mm[k][j] - self.xy_mm[k - 1][i])
        again = int(np.hypot(*(self.xy_mm[k + 1] - self.xy_mm[k][j]).T).argmin())
        u = math.hypot(self.u_mm[k + 1][again], (1 + share) * self.u_mm[k][j], share * self.u_mm[k - 1][i])
        return bool(np.hypot(*(self.xy_mm[k + 1][again] - onward)) < ROLLS_ON_U * u)

    def same(self, a: int, b: int) -> bool:
        """Whether two frames show the same balls in the same places."""
        if len(self.xy_mm[a]) != len(self.xy_mm[b]):
            return False
        way, u = self._ways(a, b)
        return bool((way / u).min(axis=1).max() < SAME_U)

    def takes(self, k: int, more: int) -> bool:
        """Whether a frame still comes after the one before it, were it so many intervals later."""
        return bool(self.t_s[k + 1] - self.t_s[k] + more * self.interval_s > 0.5 * self.interval_s)

    def jump(self, before: Sequence[int], after: Sequence[int], *, again: bool = False) -> int | None:
        """By how many intervals more than stamped the balls went between frames, 0 if by none; None where none tells,
        or they don't agree.

        again : the picture between them tells already that there is one, or that none comes after it
        """
        if not again and self.goes_on_evenly([*before[1:], after[0]]):
            return 0
        told = [(n, u) for n, u, _ in self._all_told(before, after)]
        surely = {round(n) for n, u in told if u < (AGAIN if again else SURE)}
        if len(surely) != 1:
            return None
        found = surely.pop()
        return found if found <= MOST and all(abs(n - found) < max(WHOLE, 2 * u) for n, u in told) else None

    def may_jump(self, k: int) -> bool:
        """Whether balls seem to skip a frame or more after a frame, too vaguely to set the times right by.

        A ball that meets something while the shutter is open may be seen where it was as that opened or closed.
        """
        if self.goes_on_evenly([k - 1, k, k + 1]):
            return False
        hidden = self.shutter_s / 2 / self.interval_s
        told = [(n - (0.0 if free else hidden), u)
                for n, u, free in self._all_told(range(k - 2, k + 1), range(k + 1, k + 4))]
        return bool(told) and all(n > max(0.5, MAY_BE_U * u) for n, u in told)

    def _all_told(self, before: Sequence[int], after: Sequence[int]) -> Iterator[tuple[float, float, bool]]:
        """By how many intervals each ball tells a jump between these frames, with which uncertainty, and whether it
        rolls steadily before and after, so that it met nothing there.
        """
        ones, others = list(self._chains(before, last=True)), list(self._chains(after, last=False))
        rolls_in = {one[-2:] for one in ones if len(one) == _SIDE}
        rolls_out = {other[:2] for other in others if len(other) == _SIDE}
        for one in ones:
            for other in others:
                if len(one) + len(other) < 2 * _SIDE - 1:
                    continue
                which = [*before[_SIDE - len(one) :], *after[: len(other)]]
                free = one[-2:] in rolls_in and other[:2] in rolls_out
                for n, u in self._told(which, (*one, *other), len(one)):
                    yield n, u, free

    def _chains(self, which: Sequence[int], *, last: bool) -> Iterator[_Chain]:
        """A ball's finds in these three frames, or the ``last`` two of them, or the first two."""
        a, b, c = which
        first, second = self.steps(a, b), self.steps(b, c)
        yield from second if last else first
        for i, j in first:
            for j2, k in second:
                if j2 == j and self.steady(which, (i, j, k)):
                    yield i, j, k

    def rolling(self, which: Sequence[int]) -> Iterator[_Chain]:
        """A ball's finds in these three frames, of each that rolls steadily and beside no other."""
        return (chain for chain in self._chains(which, last=True)
                if len(chain) == _SIDE and not self._beside(which, chain))

    def goes_on_evenly(self, which: Sequence[int]) -> bool:
        """Whether a ball does in three frames that is fast enough to tell: most frames, and quick to see."""
        first, second = self.steps(which[0], which[1]), self.steps(which[1], which[2])
        return any(j == j2 and self.steady(which, (i, j, k), least=2.0) for i, j in first for j2, k in second)

    def steady(self, which: Sequence[int], chain: _Chain, least: float = 0.0) -> bool:
        """Whether three finds lie on a steady motion, as far as can be told; with steps ``least`` times as long."""
        before_s, after_s = (float(self.t_s[b] - self.t_s[a]) for a, b in pairwise(which))
        (x0, y0), (x1, y1), (x2, y2) = (self.xy_mm[f][i].tolist() for f, i in zip(which, chain, strict=True))
        share = after_s / before_s
        off = math.hypot(x2 - x1 - (x1 - x0) * share, y2 - y1 - (y1 - y0) * share)
        may = self.leeway_mm(which, chain)
        return off < may and math.hypot(x1 - x0, y1 - y0) * share > least * may

    def leeway_mm(self, which: Sequence[int], chain: _Chain) -> float:
        """By how much the last of three finds may lie off a steady motion, mm, and be on one as far as can be told."""
        before_s, after_s = (float(self.t_s[b] - self.t_s[a]) for a, b in pairwise(which))
        u = [float(self.u_mm[f][i]) for f, i in zip(which, chain, strict=True)]
        share = after_s / before_s
        bends = ACCEL_U_MM_S2 * after_s * (before_s + after_s) / 2
        return 4 * math.sqrt((share * u[0]) ** 2 + ((1 + share) * u[1]) ** 2 + u[2] ** 2 + bends**2)

    def _finds(self, which: Sequence[int], chain: _Chain) -> tuple[Array, Array, Array]:
        """(N,) s, (N, 2) mm, (N,) mm of a chain's finds."""
        pairs = list(zip(which, chain, strict=True))
        return (self.t_s[list(which)], np.array([self.xy_mm[f][i] for f, i in pairs]),
                np.array([self.u_mm[f][i] for f, i in pairs]))

    def _told(self, which: Sequence[int], chain: _Chain, before: int) -> list[tuple[float, float]]:
        """By how many intervals, and with which uncertainty, one ball tells a jump after the first ``before`` of its
        finds; empty where it doesn't.
        """
        t_s, xy, u = self._finds(which, chain)
        came = (xy[before - 1] - xy[0]) / (t_s[before - 1] - t_s[0])
        goes = (xy[-1] - xy[before]) / (t_s[-1] - t_s[before])
        if np.hypot(*(goes - came)) > TURNED * np.hypot(*came):
            return []
        later = np.arange(len(t_s)) >= before
        (_, v, off), cov, chi2 = _fit(t_s - t_s[before - 1], xy, u, later, jumps=True)
        speed = float(np.hypot(*v))
        along, across = float(off @ v) / speed, float(off[0] * v[1] - off[1] * v[0]) / speed
        off_u, step = float(cov[2, 2]) ** 0.5, speed * self.interval_s
        tells = chi2 < LIKELY and abs(across) < 4 * off_u and off_u < HARDLY * step
        return [(along / step, off_u / step)] if tells and not self._beside(which, chain) else []

    def _beside(self, which: Sequence[int], chain: _Chain) -> bool:
        """Whether another ball is so near to a chain's way that it may have been hit."""
        _, xy, _ = self._finds(which, chain)
        begin, way = xy[0], xy[-1] - xy[0]
        for frame, own in zip(which, chain, strict=True):
            others = np.delete(self.xy_mm[frame], own, axis=0)
            share = np.clip((others - begin) @ way / (way @ way), 0.0, 1.0)
            apart = others - begin - share[:, None] * way
            if (np.hypot(apart[:, 0], apart[:, 1]) < BESIDE_RADII * self.radius_mm).any():
                return True
        return False

    def pace(self) -> _Pace:
        """Of balls on straight ways, beside no other where they seem to go unevenly."""
        even = odd = by_stamps = 0
        for k in range(4, len(self.t_s)):
            which = range(k - 4, k + 1)
            for chain in self._straight(which):
                chi2 = 0.0
                if not all(self.steady(which[n : n + 3], chain[n : n + 3]) for n in range(3)):
                    chi2 = self._off_evenly(which, chain, even_times=False)
                if chi2 < LIKELY:
                    even += 1
                elif chi2 > UNLIKELY and not self._beside(which, chain):
                    odd += 1
                    by_stamps += self._off_evenly(which, chain, even_times=True) < LIKELY
        return _Pace(even, odd, by_stamps)

    def _off_evenly(self, which: Sequence[int], chain: _Chain, *, even_times: bool) -> float:
        """Squares, summed, by which a ball is off a steady motion; if ``even_times``, with its frames at such, infinite
        where one is missing.
        """
        t_s, xy, u = self._finds(which, chain)
        if even_times and not np.array_equal(np.round(np.diff(t_s) / self.interval_s), np.ones(len(t_s) - 1)):
            return math.inf
        if even_times:
            t_s = np.array([n * self.interval_s for n in range(len(t_s))])
        return _fit(t_s - t_s[2], xy, u, np.zeros(len(t_s), dtype=bool), jumps=False)[2]

    def _straight(self, which: Sequence[int]) -> Iterator[_Chain]:
        """Finds in frames one after the other that lie on a line, one beyond the other."""
        chains: list[_Chain] = list(self.steps(which[0], which[1]))
        for n in range(2, len(which)):
            if not chains:
                return
            steps = self.steps(which[n - 1], which[n])
            chains = [(*chain, j) for chain in chains for i, j in steps
                      if i == chain[-1] and self._goes_on(which[n - 2 : n + 1], (*chain[-2:], j))]
        yield from chains

    def _goes_on(self, which: Sequence[int], chain: _Chain) -> bool:
        t_s, xy, u = self._finds(which, chain)
        came, goes = np.diff(xy, axis=0)
        length = float(np.hypot(*came))
        across = abs(float(came[0] * goes[1] - came[1] * goes[0])) / length
        ratio = float(came @ goes) / length**2
        return 0.25 < ratio < 4.0 and across < 4 * (1 + ratio) * u.max() + ACCEL_U_MM_S2 * (t_s[2] - t_s[0]) ** 2 / 4


def _fit(t_s: Array, xy_mm: Array, u_mm: Array, later: NDArray[np.bool_], *, jumps: bool) -> tuple[Array, Array, float]:
    """Place, velocity and (if it ``jumps``) jump (2 or 3, 2), their covariance per axis, and what is left, squared.

    The ball moves evenly but for an acceleration that isn't known, one before and one ``later``.
    """
    terms = np.column_stack([np.ones(len(t_s)), t_s, later] if jumps else [np.ones(len(t_s)), t_s])
    cov = np.diag(u_mm**2)
    for part in (later, ~later):
        bend = ACCEL_U_MM_S2 * np.where(part, t_s**2 / 2, 0.0)
        cov += np.outer(bend, bend)
    weight = np.linalg.inv(cov)
    own = np.linalg.inv(terms.T @ weight @ terms)
    found = own @ terms.T @ weight @ xy_mm
    left = xy_mm - terms @ found
    return found, own, float(np.einsum("nk,nm,mk->", left, weight, left))
