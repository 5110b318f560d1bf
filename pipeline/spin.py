"""Side spin of a marked cue ball: its picture laid back on the sphere, turned until frame agrees with frame.

The fitted motion already tells where the ball is and, by the velocity at which it would roll, how it turns about the
horizontal. What is left is the spin about the vertical: one number, found as the one for which marks seen in different
frames fall on the same places of the ball. Optical and three-dimensional; nothing is assumed about the marks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize

from calibration.pose import CameraPose
from pipeline.ball_pictures import BallPictures, pictures_along
from pipeline.few import student_factor
from pipeline.measured import Measured
from pipeline.motions import ShotMotion
from pipeline.shutter import at_read_times

Array = NDArray[np.float64]

SPIN_DECAY_RAD_S2, SPIN_DECAY_U = 10.0, 3.0  # on cloth: published band 5-15 (Alciatore FAQ), taken as rectangular
SIDE_LIMIT = 1.4  # R omega / v looked for: a tip half a radius off centre gives 1.25
FACING = 0.45  # cosine between surface and view: nearer the limb a pixel covers too much of the ball
COARSE, FINE = 11, 15  # cells of the grid around the ball, along an axis: to search, to settle
COARSE_PIXELS = 24  # of a frame, the darkest: enough to search with
COARSE_INTERVAL_S = 0.0075  # frames closer together than this are not all needed to search
GRID_CELLS_AT_ONCE = 400_000
WIDE_RAD_S, WIDE_SPINS = 20.0, 41  # looked at about the best spin to tell how broad its peak is
SMALL_TURN_RAD = 0.12  # over all frames: within the peak of agreement
MOST_FRAMES = 20  # spread over all: more agree no better
LEAST_FRAMES = 5
LEAST_TURN_RAD = 0.5  # less than this and a mark can't be told from shading
NEAR_S = 0.03  # pairs of frames this close together are compared first: they hardly care about small errors
MARK_STRENGTH = 4.0  # the darkest pixels of a marked ball lie so many scatters beyond its shading; a plain ball's 1-3
DARKEST, DARKEST_SHARE = 6, 0.015  # of a frame's pixels: a mark has an area, of which coding leaves less
LEAST_SCORE, LEAST_LEAD = 0.7, 1.15  # agreement of frames at the best spin; its lead over the next best one
SCALE_U = 0.03  # marks near the limb are seen too far in: a share of the spin, from clips drawn with known spin
MATCH_U_RAD = 0.04  # a third of a cell: so well marks are laid on one another from the first frame to the last
ODD_ROLL = 3.0  # standard uncertainties of the path's roll: what turns further from it is no mark
LEAST_TRIES, SURE_SCORE = 2, 0.85  # no more starts are tried once one agrees so well,
SURE_PAIRS = 20  # with so many pairs of frames that show the same marks: among few, a wrong spin agrees as well
UNKNOWNS = 3  # turns about three axes are looked for: no more pairs than that would fit any
OVERLAP = 0.25  # of the pair that shows most: of less a pair says little
ALIKE_RAD_S = 8.0  # spins closer than this are the same peak
ROUGHLY, CLOSELY = 0.5, 0.1  # rad/s to which the best spin is looked for; its uncertainty is some tenths
ALONG_RAD_S = 60.0  # the roll of a sliding ball hardly shows in its path: looked for this far from what the fit says
SAME_STRIKE_S = 0.02


_SQUARES = [(a, b) for a in range(3) for b in range(a, 3)]
_CORNERS = [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)]


@dataclass(frozen=True, eq=False)
class _Skin:
    """Pixels of the ball's face: which frame, direction on the sphere, darkness against the smooth shading."""

    frame: NDArray[np.intp]  # (P,)
    normal: Array  # (P, 3) table frame
    mark: Array  # (P,)
    frames: int


@dataclass(frozen=True)
class SideSpin:
    """A shot's cue ball's spin about the vertical, rev/s; or None and why not."""

    strike_s: float
    found: Measured | None
    why: str = ""

    def of(self, motion: ShotMotion) -> bool:
        """Whether it was found in this shot: the fit may have changed a little since, but not which shot it is."""
        return abs(self.strike_s - motion.events[0].t_s) < SAME_STRIKE_S


def cue_side_spin(
    table: pd.DataFrame | None, motion: ShotMotion, *, pose: CameraPose, radius_mm: float, shutter_s: float
) -> SideSpin:
    """The cue ball's spin about the vertical just before it meets something first; or why not.

    table : windows of white balls, ``PictureKeeper.table``, with the offsets of a rolling shutter where it is known
    """
    met = next((i for i, e in enumerate(motion.events) if e.kind != "strike" and e.concerns("cue")), None)
    strike_s = motion.events[0].t_s
    if table is None or not len(table):
        return SideSpin(strike_s, None, "no marks seen on the cue ball")
    if met is None:
        return SideSpin(strike_s, None, "the cue ball met nothing")
    read_s = at_read_times(table)["t_s"]
    rows = table[(read_s > strike_s) & (read_s < motion.events[met].t_s)]
    if not len(rows):
        return SideSpin(strike_s, None, "no frames of the cue ball before the contact")
    times = read_s[rows.index].to_numpy(float)
    pictures = pictures_along(rows, times, motion.states("cue", times)[0], radius_mm)
    return SideSpin(strike_s, *side_spin(pictures, motion, ball="cue", until=met, pose=pose, radius_mm=radius_mm,
                                         shutter_s=shutter_s))


def side_spin(
    pictures: BallPictures,
    motion: ShotMotion,
    *,
    ball: str,
    until: int,
    pose: CameraPose,
    radius_mm: float,
    shutter_s: float,
) -> tuple[Measured | None, str]:
    """Spin about the vertical just before an event, rev/s, + anticlockwise from above; or None and why.

    pictures : of that ball; until : index of the event (the hit on the object ball) among ``motion.events``; the frames
    between the event before it and this one are used
    """
    chain = [i for i in motion.layout.chain[ball] if motion.events[i].t_s < motion.events[until].t_s]
    if not chain:
        return None, "the cue ball was not followed before the contact"
    half = 0.6 * shutter_s + 1e-4
    start, end = motion.events[chain[-1]].t_s, motion.events[until].t_s
    used = pictures.between(start + half, end - half).at_most(MOST_FRAMES)
    if len(used.t_s) < LEAST_FRAMES:
        return None, f"only {len(used.t_s)} frames before the contact"
    centres, velocity, _ = motion.states(ball, used.t_s)
    skin, why = _skin(used, centres, pose, radius_mm)
    if skin is None:
        return None, why
    times = np.linspace(used.t_s[0], used.t_s[-1], 2 * len(used.t_s))
    _, _, rolling = motion.states(ball, times)
    turning = np.column_stack([-rolling[:, 1], rolling[:, 0]]) / radius_mm
    speed = float(np.hypot(*velocity[0]))
    roll_axis = np.array([-velocity[0, 1], velocity[0, 0]]) / max(speed, 1e-9)
    at = motion.layout.leg[ball, chain[-1]] + 2
    roll_u = float(np.sqrt(np.trace(motion.covariance[at : at + 2, at : at + 2]))) / radius_mm
    agreement = _Agreement(skin, FINE, times, turning, used.t_s, end)
    return _find(agreement, roll_axis, SIDE_LIMIT * speed / radius_mm, ODD_ROLL * roll_u)


def _skin(
    pictures: BallPictures, centres: Array, pose: CameraPose, radius_mm: float
) -> tuple[_Skin, Literal[""]] | tuple[None, str]:
    """Or why there is none. A frame of a marked ball's bare side tells nothing of how it turned."""
    frame, normal, mark = [], [], []
    for k, window in enumerate(pictures.luma):
        found = _face(window, pictures.corner_px[k], centres[k], pose, radius_mm)
        if found is None:
            continue
        frame.append(np.full(len(found[1]), k))
        normal.append(found[0])
        mark.append(found[1])
    darkest = [_darkest(m) for m in mark]
    if len(frame) < LEAST_FRAMES or np.median(darkest) < MARK_STRENGTH:
        return None, "no marks seen on the cue ball"
    marked = sum(strength >= MARK_STRENGTH for strength in darkest)
    if marked < LEAST_FRAMES:
        return None, f"the marks on the cue ball were seen in only {marked} frames before the contact"
    return _Skin(np.concatenate(frame), np.concatenate(normal), np.concatenate(mark), len(pictures.luma)), ""


def _darkest(mark: Array) -> float:
    """How dark the marks of a frame are, by share of the ball's face: of a large picture some pixels always are."""
    many = max(DARKEST, round(DARKEST_SHARE * len(mark)))
    return float(np.sort(mark)[-many:].mean()) if len(mark) else 0.0


def _face(
    window: NDArray[np.uint8], corner: Array, centre: Array, pose: CameraPose, radius_mm: float
) -> tuple[Array, Array] | None:
    """(P, 3) directions on the ball and (P,) how much darker than its smooth shading each pixel is, or 0."""
    ys, xs = np.mgrid[: window.shape[0], : window.shape[1]]
    px = np.column_stack([xs.ravel() + corner[0], ys.ravel() + corner[1]])
    rays = pose.rays(px) @ pose.R
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    away = pose.centre_mm - np.array([centre[0], centre[1], radius_mm])
    along = rays @ away
    inside = along**2 - (away @ away - radius_mm**2)
    hit = inside > 0
    if hit.sum() < 60:
        return None
    n = (away + (-along[hit] - np.sqrt(inside[hit]))[:, None] * rays[hit]) / radius_mm
    view = away / np.linalg.norm(away)
    facing = n @ view > FACING
    n, value = n[facing], window.ravel()[hit][facing].astype(float)
    side = n - (n @ view)[:, None] * view
    east = np.array([1.0, 0.0, 0.0]) - view[0] * view
    east /= np.linalg.norm(east)
    u, v = side @ east, side @ np.cross(view, east)
    basis = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
    weight = np.ones(len(u))
    scale = 1.0
    for _ in range(6):  # the shading, as if the marks were not there
        weighted = basis.T * weight**2  # u and v are of the order of one: its square is no harder to solve
        shading = basis @ np.linalg.solve(weighted @ basis, weighted @ value)
        left = value - shading
        scale = max(1.4826 * float(np.median(np.abs(left))), 0.7)
        weight = np.where(left < -2.0 * scale, 0.05, np.where(left > 3.0 * scale, 0.2, 1.0))
    mark = np.clip(-left / scale - 2.0, 0.0, 12.0)
    return n, mark


def _find(fine: _Agreement, roll_axis: Array, limit_rad_s: float, odd_rad_s: float) -> tuple[Measured | None, str]:
    """Best spin about the vertical, looking also along ``roll_axis`` (2,) for the roll that fits the marks.

    limit_rad_s : the most side spin there can be; odd_rad_s : by so much the marks' roll may differ from the path's
    """
    span = float(fine.frame_s[-1] - fine.frame_s[0])
    coarse = fine.thinned()
    step = 0.24 / coarse.reach_s
    sides = np.arange(-limit_rad_s, limit_rad_s + step, step)
    rolls = np.arange(-ALONG_RAD_S, ALONG_RAD_S + step, step)
    grid = np.array([[w, *(a * roll_axis)] for w in sides for a in rolls])
    near = coarse.scores(grid, coarse.near).reshape(len(sides), len(rolls))
    ends: list[tuple[Array, float]] = []
    for start in _starts(near, sides, rolls, roll_axis):
        begun = coarse.climb(coarse.climb(start, coarse.near, ROUGHLY)[0], coarse.any, ROUGHLY)[0]
        ends.append(fine.climb(begun, fine.any, CLOSELY))
        best, top = max(ends, key=lambda end: end[1])
        if len(ends) >= LEAST_TRIES and top > SURE_SCORE and fine.overlapping(best) >= SURE_PAIRS:
            break
    ends.sort(key=lambda end: -end[1])
    found, score = ends[0]
    if score < LEAST_SCORE or abs(found[0]) > limit_rad_s:
        return None, "the marks on the cue ball could not be followed"
    if float(np.hypot(found[1], found[2])) > odd_rad_s:
        return None, "the marks on the cue ball don't turn as it rolls: they may be reflections"
    others = [s for x, s in ends[1:] if abs(x[0] - found[0]) > ALIKE_RAD_S]
    if others and score < LEAST_LEAD * max(others):
        return None, "the marks on the cue ball fit more than one spin"
    turned = (float(np.linalg.norm(fine.turning + found[1:], axis=1).mean()) + abs(float(found[0]))) * span
    if turned < LEAST_TURN_RAD:
        return None, "the cue ball hardly turned before the contact: marks can't be told from shading"
    pairs = fine.overlapping(found)
    if pairs <= UNKNOWNS:
        return None, "too few frames show the same marks on the cue ball"
    decay = SPIN_DECAY_U * 0.5 * (fine.end_s - float(fine.frame_s[0]))
    lattice = _around(fine, found)
    left_out, flat = _jackknife(fine, lattice), _flatness(fine, lattice, score)
    if flat is None:
        return None, "the marks on the cue ball fit more than one spin"
    scatter = max(max(left_out, _scatter_of_tops(fine, found)) * student_factor(pairs - UNKNOWNS), flat)
    u = math.sqrt(scatter**2 + decay**2 + (SCALE_U * float(found[0])) ** 2 + (MATCH_U_RAD / span) ** 2)
    return Measured(float(found[0]) / (2 * math.pi), u / (2 * math.pi)), ""


def _starts(near: Array, sides: Array, rolls: Array, roll_axis: Array) -> list[Array]:
    """Spins to climb from, best first: where near frames agree over all rolls, then with the fit's own roll."""
    own = np.abs(rolls) <= 1.5 * float(rolls[1] - rolls[0])
    out = []
    for columns in (np.ones(len(rolls), dtype=bool), own):
        part = np.where(columns, near, -1.0)
        height = np.pad(part.max(axis=1), 1, constant_values=-1.0)
        peaks = [k for k in range(len(sides)) if height[k + 1] >= max(height[k], height[k + 2])]
        tops = sorted(peaks, key=lambda k: -height[k + 1])[:4]
        out += [np.array([sides[k], *(rolls[int(np.argmax(part[k]))] * roll_axis)]) for k in tops]
    return [x for i, x in enumerate(out) if all(np.abs(x - y).max() > 1e-6 for y in out[:i])]


def _jackknife(fine: _Agreement, lattice: _Lattice, groups: int = 5) -> float:
    """Standard uncertainty (rad/s) from leaving out one fifth of the frames after the other.

    How frames agree near the best spin is looked at once, on a small lattice; each fifth's own best spin is the top of
    the parabola through the others' agreement.
    """
    step, matrices = lattice
    values = []
    for pairs in _left_out(fine, groups):
        slope, bend = _parabola(fine, matrices, pairs)
        top = np.linalg.solve(bend, -slope) if np.linalg.eigvalsh(bend).max() < 0 else np.full(3, 2.0)
        values.append(step * float(np.clip(top[0], -3.0, 3.0)))
    return _jackknifed(values)


def _flatness(fine: _Agreement, lattice: _Lattice, score: float) -> float | None:
    """Standard uncertainty (rad/s) from how flat the top is, against how far its agreement is from whole; None: no top.

    Sees errors that all frames share, which leaving some out doesn't: what keeps the marks from agreeing may as well
    move them along the flattest direction. That of least squares, ``2 (1 - score) / freedom`` over the bend, where each
    frame counts as one look: checked on balls drawn with dots, numbers, stripes and smudges.
    """
    step, matrices = lattice
    _, bend = _parabola(fine, matrices, fine.any)
    if np.linalg.eigvalsh(bend).max() >= 0:
        return None
    freedom = fine.skin.frames - UNKNOWNS
    return step * math.sqrt(2 * max(1 - score, 0.0) / freedom * float(np.linalg.inv(-bend)[0, 0]))


_Lattice = tuple[float, list[tuple[Array, Array]]]
_LATTICE = np.array([p for p in itertools.product((-1.0, 0.0, 1.0), repeat=3) if np.count_nonzero(p) < 3])


def _around(fine: _Agreement, found: Array) -> _Lattice:
    """Step (rad/s) of the lattice around a spin, and the agreement at each of its points."""
    step = SMALL_TURN_RAD / float(fine.frame_s[-1] - fine.frame_s[0])
    return step, [fine.agreement(found[None] + step * p) for p in _LATTICE]


def _parabola(
    fine: _Agreement, matrices: Sequence[tuple[Array, Array]], pairs: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Slope (3,) and bend (3, 3), per step, of the parabola through the agreement on the lattice."""
    terms = [np.ones(len(_LATTICE)), _LATTICE, *[_LATTICE[:, a] * _LATTICE[:, b] for a, b in _SQUARES]]
    scores = np.array([fine.mean(*matrix, pairs)[0] for matrix in matrices])
    fitted = np.linalg.lstsq(np.column_stack(terms), scores, rcond=None)[0]
    bend = np.zeros((3, 3))
    for (a, b), value in zip(_SQUARES, fitted[4:], strict=True):
        bend[a, b] += value
        bend[b, a] += value
    return fitted[1:4], bend


def _scatter_of_tops(fine: _Agreement, found: Array, groups: int = 5) -> float:
    """The same (rad/s) from where the agreement is highest within a wide range: where its top is broad and uneven, the
    nearest of its small peaks says little.
    """
    many = np.linspace(-WIDE_RAD_S, WIDE_RAD_S, WIDE_SPINS)
    spins = found + many[:, None] * np.array([1.0, 0.0, 0.0])
    inner, most = (np.concatenate(part) for part in zip(*(fine.agreement(x[None]) for x in spins), strict=True))
    step, values = float(many[1] - many[0]), []
    for pairs in _left_out(fine, groups):
        scores = fine.mean(inner, most, pairs)
        k = int(np.clip(np.argmax(scores), 1, len(many) - 2))
        before, here, after = scores[k - 1 : k + 2]
        bend = before - 2 * here + after
        values.append(many[k] + (step * float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0))
    return _jackknifed(values)


def _left_out(fine: _Agreement, groups: int) -> list[NDArray[np.bool_]]:
    """The pairs of frames (N, N) that remain without one group of neighbouring frames after the other."""
    frames = np.arange(fine.skin.frames)
    out = []
    for block in np.array_split(frames, groups):
        keep = ~np.isin(frames, block)
        out.append(fine.any & keep[:, None] & keep[None, :])
    return out


def _jackknifed(values: Sequence[float]) -> float:
    n = len(values)
    return math.sqrt((n - 1) / n * float(np.sum((np.array(values) - np.mean(values)) ** 2)))


class _Agreement:
    """How well the marks of all frames agree, for a spin x: about z at the end, corrections about x and y (rad/s)."""

    covered = True  # marks are compared only where both frames see the ball

    def __init__(self, skin: _Skin, cells: int, times: Array, turning: Array, frame_s: Array, end_s: float) -> None:
        self.skin, self.cells, self.times, self.turning = skin, cells, times, turning
        self.frame_s, self.end_s = frame_s, end_s
        separation = np.abs(np.subtract.outer(frame_s, frame_s))
        self.reach_s = max(NEAR_S, 2.1 * float(np.median(np.diff(frame_s))))
        self.near = (separation > 0) & (separation <= self.reach_s)
        self.any = separation > 0

    def thinned(self) -> _Agreement:
        """The same with fewer frames, pixels and cells."""
        skin, interval = self.skin, float(np.median(np.diff(self.frame_s)))
        every = max(1, int(COARSE_INTERVAL_S / interval))
        chosen = []
        for k in range(0, skin.frames, every):
            mine = np.flatnonzero(skin.frame == k)
            chosen.append(mine[np.argsort(skin.mark[mine])[-COARSE_PIXELS:]])
        pixels = np.concatenate(chosen)
        thin = _Skin(skin.frame[pixels] // every, skin.normal[pixels], skin.mark[pixels], len(chosen))
        coarse = _Agreement(thin, COARSE, self.times, self.turning, self.frame_s[::every], self.end_s)
        coarse.covered = False  # too few pixels to tell what was seen
        return coarse

    def climb(self, start: Array, pairs: NDArray[np.bool_], to_rad_s: float, most: int = 160) -> tuple[Array, float]:
        """The best spin near a start, found to within ``to_rad_s``, and its score."""
        simplex = np.vstack([start, start + np.diag([1.0, 0.8, 0.8])])
        options: Any = {"initial_simplex": simplex, "xatol": to_rad_s, "fatol": 1e-4, "maxfev": most}
        found: Any = minimize(lambda x: -self.score(x, pairs), start, method="Nelder-Mead", options=options)  # type: ignore[call-overload]
        return np.asarray(found.x), float(-found.fun)

    def score(self, x: Array, pairs: NDArray[np.bool_]) -> float:
        """Mean correlation, over pairs of frames, of their marks laid on the ball."""
        return float(self.mean(*self.agreement(x[None]), pairs)[0])

    def scores(self, xs: Array, pairs: NDArray[np.bool_]) -> Array:
        """(S,) scores of many spins (S, 3), some at a time so that the grids of all stay in the processor's cache."""
        at_once = max(1, GRID_CELLS_AT_ONCE // (self.skin.frames * self.cells**3))
        parts = [self.mean(*self.agreement(xs[k : k + at_once]), pairs) for k in range(0, len(xs), at_once)]
        return np.concatenate(parts)

    def agreement(self, xs: Array) -> tuple[Array, Array]:
        """(S, N, N) how the marks of two frames overlap on the ball, and (S, N, N) how much they could at most."""
        cells, skin, many = self.cells, self.skin, len(xs)
        turns = self.orientations(xs)[:, skin.frame]
        place = (np.einsum("spji,pj->spi", turns, skin.normal) + 1.0) * (0.5 * (cells - 1) * 0.999)
        base = place.astype(np.intp)
        share = np.stack([1 - (place - base), place - base])  # (2, S, P, 3): weight of the lower and upper cell
        frame = skin.frame + skin.frames * np.arange(many)[:, None]
        index = ((frame * cells + base[..., 0]) * cells + base[..., 1]) * cells + base[..., 2]
        weights = np.stack([share[a, ..., 0] * share[b, ..., 1] * share[c, ..., 2] for a, b, c in _CORNERS])
        where = np.stack([index + (a * cells + b) * cells + c for a, b, c in _CORNERS]).ravel()
        shape = (many, skin.frames, cells**3)
        size = many * skin.frames * cells**3
        marks: Array = np.bincount(where, (weights * skin.mark).ravel(), size).reshape(shape).astype(float, copy=False)
        inner = marks @ marks.transpose(0, 2, 1)
        if self.covered:
            seen: Array = np.bincount(where, weights.ravel(), size).reshape(shape).astype(float, copy=False)
            own = (marks**2 / np.maximum(seen, 1e-3)) @ seen.transpose(0, 2, 1)  # only where both frames see the ball
            return inner, np.sqrt(own * own.transpose(0, 2, 1))
        length = np.sqrt(np.maximum(np.diagonal(inner, axis1=1, axis2=2), 1e-9))
        return np.asarray(inner / (length[:, :, None] * length[:, None, :])), np.ones_like(inner)

    def overlapping(self, x: Array) -> int:
        """Pairs of frames that have much of their marks to compare."""
        size = np.triu(self.agreement(x[None])[1][0], 1)
        return int((size > OVERLAP * size.max()).sum())

    @staticmethod
    def mean(inner: Array, size: Array, pairs: NDArray[np.bool_]) -> Array:
        """(S,) mean over pairs of frames of ``agreement``."""
        return np.asarray(inner[:, pairs].sum(axis=1) / np.maximum(size[:, pairs].sum(axis=1), 1e-9))

    def orientations(self, xs: Array) -> Array:
        """(S, N, 3, 3) body to table at the frames, from integrating each of the spins (S, 3)."""
        sideways = xs[:, :1] + np.sign(xs[:, :1]) * SPIN_DECAY_RAD_S2 * (self.end_s - self.times)
        omega = np.concatenate([self.turning + xs[:, None, 1:], sideways[..., None]], axis=2)
        step = np.diff(self.times)
        turn = _rotations(0.5 * (omega[:, 1:] + omega[:, :-1]) * step[:, None])
        out = np.empty((len(xs), len(self.times), 3, 3))
        out[:, 0] = np.eye(3)
        for i in range(len(step)):
            np.matmul(turn[:, i], out[:, i], out=out[:, i + 1])
        at = np.searchsorted(self.times, self.frame_s - 1e-9).clip(0, len(self.times) - 1)
        before = np.clip(at - 1, 0, None)
        nearer = np.where(np.abs(self.times[before] - self.frame_s) < np.abs(self.times[at] - self.frame_s), before, at)
        rest = _rotations(omega[:, nearer] * (self.frame_s - self.times[nearer])[:, None])
        return np.asarray(rest @ out[:, nearer])


def _rotations(vectors: Array) -> Array:
    """(..., 3) rotation vectors -> (..., 3, 3) (Rodrigues)."""
    angle = np.sqrt((vectors**2).sum(axis=-1))
    x, y, z = np.moveaxis(vectors / np.maximum(angle, 1e-12)[..., None], -1, 0)
    sine, cosine = np.sin(angle), np.cos(angle)
    rest = 1 - cosine
    out = np.empty((*angle.shape, 3, 3))
    out[..., 0, 0], out[..., 1, 1], out[..., 2, 2] = cosine + rest * x * x, cosine + rest * y * y, cosine + rest * z * z
    out[..., 0, 1], out[..., 1, 0] = rest * x * y - sine * z, rest * x * y + sine * z
    out[..., 0, 2], out[..., 2, 0] = rest * x * z + sine * y, rest * x * z - sine * y
    out[..., 1, 2], out[..., 2, 1] = rest * y * z - sine * x, rest * y * z + sine * x
    return out
