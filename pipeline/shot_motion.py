"""One shot followed from its strike to its end: the balls' frames, the events, the fitted motion, brought to agree.

Events are guessed from the tracks, the motion is fitted through them, and the fit says which guesses were wrong: a
cushion met at its end is a jaw, a contact that changes nothing is none, a path through a nose was turned there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.clock_at_contacts import jump_at_contact
from pipeline.contacts import find_events, find_starts
from pipeline.detect_edges import EdgeSettings, LongStreaks
from pipeline.follow_ups import corners, follow_ups, turned_at_once
from pipeline.knowledge import ANY_TWO, TOUCH_U_MM, CueMass, Knowledge
from pipeline.motions import ASTRAY_MM, HIT_CHI2, ShotMotion
from pipeline.overlooked import overlooked_contact, too_many_at_once
from pipeline.paths import MotionEvent, Path, Seen, Velocities, inward_normal, nose_distance
from pipeline.physics import G_MM_S2, Array, Friction
from pipeline.pockets import Pocketed, find_pocketed, in_jaws
from pipeline.shot_fit import FittedShot, fit_shot
from pipeline.strikes import Strike, shot_rows
from shared.equipment import CUSHIONS, Table

BALL_BIAS = 0.55  # lasting offsets over the noise of a better frame: 0.7-0.8 in all, on 22 rendered and 40 drawn clips
STREAK_BIAS = 0.45  # the same of what a long streak adds along itself, on 33 legs of drawn balls
OFFSET_LENGTH_MM = 200.0  # how far a ball goes before lamps and shadows shift it differently
MOST_KNOTS = 24
REST_BIAS = 1.0  # share of a frame's position noise that stays the same while a ball lies still
REST_ROWS = 15  # so many frames of a ball at rest say all there is
THROUGH_NOSE_MM = 1.5  # a path further through a nose than this was turned back there
MOST_REPAIRS = 6
MOST_EFFORT = 150  # events fitted in trials, all together: a break of the rack must not take minutes
WORTH_AN_EVENT = 15.0  # by so much must chi squared fall to add an event; its four parameters alone take four
ASTRAY = f"the paths miss many frames by more than {ASTRAY_MM:.0f} mm: a ball or a contact was overlooked"
MISSES_A_HIT = "the frames around a hit lie far off the paths: a ball or a contact was overlooked"
SLICK, ROUGH = (0.10, 0.0045), (0.45, 0.022)  # sliding and rolling: beyond the published bands both at once
SLIDING, ROLLING = (0.05, 0.8), (0.001, 0.06)  # far beyond the published bands 0.15-0.4, 0.005-0.015 (Alciatore FAQ)
SAME_PIT = 4.0  # chi squared by which other friction may fit worse; beyond, all is tried anew
PASSED_MM = 5 * TOUCH_U_MM  # balls that are further apart than touching (or nearer) don't meet
GRAZE = 0.3  # of its velocity: a contact that changes each ball by less is looked at twice
BESIDE_S = 0.1  # from a contact that frames show, a soft touch of a cushion close by
LEAST_TURN = 3.5  # a contact changes a velocity by more than so many standard uncertainties


@dataclass(frozen=True, eq=False)
class Scene:
    """What is the same for all shots of a clip."""

    table: Table
    friction: Friction
    frames_t: Array  # (N,) times of all frames
    shutter_s: float
    cue_mass: CueMass = ANY_TWO


@dataclass(frozen=True)
class Fit:
    """What a shot was found to be, to begin from when it is fitted anew with other friction."""

    strike_s: float
    names: Mapping[str, str]  # track -> ball name
    events: Sequence[MotionEvent]  # by ball name, at the times first guessed
    theta: Sequence[float]
    chi2: float


@dataclass(frozen=True, eq=False)
class FollowedShot:
    """A shot's motion; by ball name, all its rows and where it fell.

    ``lost``: why the motion can't be what happened, in words; empty where nothing speaks against it.
    ``jumped``: where the clock jumped at a contact, in words, which then is why; else empty.
    """

    strike: Strike
    names: Mapping[str, str]  # track -> ball name
    windows: Mapping[str, Seen]
    motion: ShotMotion
    pocketed: Mapping[str, Pocketed]
    lost: str = ""
    jumped: str = ""

    def last_seen_s(self, ball: str) -> float:
        return float(self.windows[ball].t_s[-1])

    @property
    def fit(self) -> Fit:
        """To begin from."""
        return Fit(self.strike.t_s, self.names, self.motion.layout.events, self.motion.lowest.tolist(),
                   self.motion.chi2)


def follow_shot(
    strike: Strike, tracks: Mapping[str, Seen], scene: Scene, known: Fit | None = None
) -> FollowedShot | None:
    """Find the shot's events in the tracks and fit its motion; or fit it again, from what it was ``known`` to be.

    None where the ball that was struck is hardly seen.
    """
    windows: dict[str, Seen] = {}
    pocketed: dict[str, Pocketed] = {}
    for name, seen in tracks.items():
        part = seen.at(shot_rows(seen, strike, find_starts(seen)))
        if len(part.t_s) < 4:
            continue
        fell, rows = find_pocketed(part, scene.table, scene.frames_t, strike.until_s)
        if fell is not None:
            pocketed[name] = fell
            part = part.at(slice(0, rows))
        windows[name] = part
    if strike.track not in windows:
        return None
    if known is not None and known.strike_s == strike.t_s and set(known.names) == set(windows):
        names, events = dict(known.names), list(known.events)
    else:
        known = None
        events = find_events(list(windows.values()), MotionEvent("strike", strike.t_s, strike.track), scene.table)
        names = name_balls(events, strike.track, list(windows))
        events = [replace(e, ball=names[e.ball], other=names.get(e.other, e.other)) for e in events]
    moving = {name for name in names.values() if any(e.concerns(name) for e in events)}
    named = _with_lasting_offsets({names[b]: replace(s, ball=names[b]) for b, s in windows.items()}, moving,
                                  scene.table.ball.radius_mm)
    motion = _fit({b: named[b] for b in named if b in moving}, events, scene, known)
    fallen = {names[k]: replace(v, ball=names[k]) for k, v in pocketed.items() if names[k] in moving}
    followed = {track for track, name in names.items() if name in moving}
    off_at_hits = motion.off_at_hits_in({b: named[b] for b in motion.layout.balls}, scene.shutter_s)
    lost = ASTRAY if motion.astray else MISSES_A_HIT if off_at_hits > HIT_CHI2 else ""
    lost = lost or _turned_by_nothing(motion, scene.table) or too_many_at_once(motion)
    lost = lost or no_cloth(motion.friction, scene.friction)
    lost = lost or overlooked_contact(strike, tracks, followed, scene.table.ball.radius_mm)
    jump = jump_at_contact(motion, Knowledge(scene.table, scene.friction, scene.cue_mass), scene.frames_t)
    jumped = jump.words if jump is not None else ""
    return FollowedShot(strike, names, named, motion, fallen, jumped or lost, jumped)


def no_cloth(friction: Friction, known: Friction) -> str:
    """What is wrong, if a fit needs a friction that no cloth has: then it bent the paths to where something was met.

    known : beforehand; if that is out of the ordinary itself, about as much is believed
    """
    for name, (low, high) in (("sliding", SLIDING), ("rolling", ROLLING)):
        value, before = getattr(friction, name), getattr(known, name)
        if not min(low, before / 2) < value < max(high, 2 * before):
            return (f"the paths would need a {name} friction of {value:.2g}, which no cloth has: a ball or a contact "
                    "was overlooked")
    slick = friction.sliding < min(SLICK[0], known.sliding / 2) and friction.rolling < min(SLICK[1], known.rolling / 2)
    rough = friction.sliding > max(ROUGH[0], 2 * known.sliding) and friction.rolling > max(ROUGH[1], 2 * known.rolling)
    if slick or rough:
        return (f"the paths would need a sliding friction of {friction.sliding:.2g} and a rolling one of "
                f"{friction.rolling:.2g}, which no cloth has: the clip's times are not those of life")
    return ""


def _with_lasting_offsets(windows: Mapping[str, Seen], moving: set[str], radius_mm: float) -> dict[str, Seen]:
    """Add to the systematic effects what shifts one ball for longer than a frame: lamps, shadow, its colour.

    Part of it is the same everywhere, part changes with the place within OFFSET_LENGTH_MM.
    """
    own = {b: _offset_fields(windows[b], radius_mm) for b in sorted(moving)}
    out = dict(windows)
    for ball, fields in own.items():
        for b, s in out.items():
            more = fields if b == ball else np.zeros((len(s.t_s), 2, fields.shape[2]))
            out[b] = replace(s, systematic=np.concatenate([s.systematic, more], axis=2))
    return out


def _offset_fields(s: Seen, radius_mm: float) -> Array:
    """(N, 2, Q) mm: a constant and a smooth random field along the ball's way, in both axes."""
    size = _offset_sizes(s.covariance, radius_mm)
    knots = [s.xy_mm[0]]
    for place in s.xy_mm:
        if len(knots) < MOST_KNOTS and min(np.hypot(*(place - k)) for k in knots) > 0.75 * OFFSET_LENGTH_MM:
            knots.append(place)
    at = np.array(knots)
    values, vectors = np.linalg.eigh(_alike(at, at) + 1e-6 * np.eye(len(at)))
    field = _alike(s.xy_mm, at) @ (vectors / np.sqrt(values))
    shapes = np.column_stack([np.ones(len(s.t_s)), field])
    return np.concatenate([size[:, :, :1] * shapes[:, None], size[:, :, 1:] * shapes[:, None]], axis=2)


def _offset_sizes(covariance: Array, radius_mm: float) -> Array:
    """(N, 2, 2) mm: what the constant and the field are multiplied with, a symmetric root of their covariance.

    The ends of a streak as long as the ball is wide are faint, and what that shifts, it shifts in every frame of it; of
    one no longer than half a ball, nothing.
    """
    better = np.quantile(np.diagonal(covariance, axis1=1, axis2=2), 0.25, axis=0)
    streaks = LongStreaks.of(covariance, radius_mm)
    lasting = (STREAK_BIAS * EdgeSettings.blurred_u * streaks.length_mm) ** 2 * streaks.share
    square = BALL_BIAS**2 * np.diag(better) + streaks.adding(lasting)
    values, vectors = np.linalg.eigh(square)
    return np.asarray((vectors * np.sqrt(values)[:, None, :]) @ vectors.transpose(0, 2, 1))


def _alike(a: Array, b: Array) -> Array:
    """Correlation of the field between places (N, 2) and (M, 2)."""
    square = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-0.5 * square / OFFSET_LENGTH_MM**2))


def _fit(
    windows: Mapping[str, Seen], events: Sequence[MotionEvent], scene: Scene, known: Fit | None = None
) -> ShotMotion:
    """Fit; then try other events wherever the fit speaks against these, and keep what the frames prefer.

    known : an earlier fit through these very events, after such trials
    """

    def fit(
        some: Sequence[MotionEvent], start: Array | None = None, foretold: Velocities | None = None
    ) -> FittedShot:
        ordered = sorted(some, key=lambda e: e.t_s)
        seen = [thin_rest(s, [e.t_s for e in ordered if e.concerns(b)]) for b, s in windows.items()]
        return fit_shot(seen, ordered, table=scene.table, friction=scene.friction, shutter_s=scene.shutter_s,
                        cue_mass=scene.cue_mass, start=start, foretold=foretold)

    if known is not None:
        again = fit(events, np.array(known.theta))
        if not again.roughly.poor and again.chi2 < known.chi2 + SAME_PIT:
            return again.motion
    best = fit(events)
    effort = MOST_EFFORT
    for _ in range(MOST_REPAIRS):
        better = None
        for rivals in _trials(best.roughly, windows, scene):
            reached = best.chi2
            for trial in rivals:
                if trial.events == best.roughly.events:
                    continue
                effort -= len(trial.events)
                if effort < 0:
                    return best.motion
                new = fit(trial.events, foretold=trial.foretold)
                if new.chi2 + trial.worth < reached and (new.keeps_to_the_frames or not best.keeps_to_the_frames):
                    better, reached = new, new.chi2 + trial.worth
            if better is not None:
                break
        if better is None:
            break
        best = better
    return best.motion


@dataclass(frozen=True, eq=False)
class _Trial:
    """Other events, by how much chi squared must fall for them (negative: may rise), a start where no frames are."""

    events: list[MotionEvent]
    worth: float
    foretold: Velocities | None = None


def _trials(motion: ShotMotion, windows: Mapping[str, Seen], scene: Scene) -> Iterator[list[_Trial]]:
    """Other sets of events to try; of some at once the best."""
    events, table = motion.events, scene.table
    path = motion.path()
    ends = [e.kind in ("cushion", "jaw") and _at_jaws(table, e.other, path.before[e.ball, i][0][0])
            for i, e in enumerate(events)]
    yield [_Trial([replace(e, kind="jaw") if end else e for e, end in zip(events, ends, strict=True)], -np.inf)]
    for i, event in enumerate(events):
        if event.kind == "jaw" and not ends[i]:  # guessed from the nearest frame, which may be far from the contact
            place, none = path.before[event.ball, i][0][0], [*events[:i], *events[i + 1 :]]
            nearest = min(CUSHIONS, key=lambda cushion: float(nose_distance(table, cushion, place)))
            yield [_Trial([*none, replace(event, kind="cushion", other=cushion)], -WORTH_AN_EVENT)
                   for cushion in dict.fromkeys((event.other, nearest))]
            if not _at_jaws(table, nearest, place):
                yield [_Trial(none, -np.inf)]
    for i, sooner_s in _from_behind(motion):
        yield [_Trial([*events[:i], replace(events[i], t_s=sooner_s), *events[i + 1 :]], 0.0)]
    for i, k in _close_together(motion, scene):
        first, second = events[i].t_s, events[k].t_s
        swapped = {i: replace(events[i], t_s=second), k: replace(events[k], t_s=first)}
        yield [_Trial([swapped.get(n, event) for n, event in enumerate(events)], 0.0)]
    cannot_be = _too_soon(motion)
    for i, event in enumerate(events):
        if i == cannot_be or (event.kind == "ball" and _again(motion, i)):
            yield [_Trial(events[:i] + events[i + 1 :], -np.inf)]
        elif event.kind == "ball" and (_passed(motion, i) or (_met_before(motion, i) and not _grazed(motion, i))):
            yield [_Trial(events[:i] + events[i + 1 :], 0.0)]
        elif event.kind != "strike" and (not _turned(motion, i) or _grazed(motion, i)):
            yield [_Trial(events[:i] + events[i + 1 :], -WORTH_AN_EVENT)]
    for rivals in follow_ups(motion, windows, table):
        yield [_Trial(told.events, told.more * WORTH_AN_EVENT, start)
               for told in rivals for start in (told.velocities, None)]  # a fit that is far off foretells wrongly, too
    for told in corners(motion, table, 2 * float(np.median(np.diff(scene.frames_t)))):
        yield [_Trial(told.events, 0.0, told.velocities)]
    for extra in _overlooked(motion, windows, table):
        yield [_Trial([*events, extra], 0.0)]
    if motion.doubtful:
        for told in turned_at_once(motion, windows, table):
            yield [_Trial(told.events, WORTH_AN_EVENT, told.velocities)]
        for extra in _just_before(motion, scene):
            yield [_Trial([*events, extra], WORTH_AN_EVENT)]
        for extra in _beside(motion, windows, table):
            yield [_Trial([*events, extra], WORTH_AN_EVENT)]
    if motion.poor:
        for i, event in enumerate(events):
            if event.kind == "ball" and not _sets_going(motion, i):
                yield [_Trial(events[:i] + events[i + 1 :], WORTH_AN_EVENT)]


def _at_jaws(table: Table, cushion: str, place: Array) -> bool:
    """Whether a ball at this place is at a cushion's end: jaws lie behind the nose line, and a fit may err there."""
    return in_jaws(table, cushion, place) and float(nose_distance(table, cushion, place)) < table.ball.diameter_mm


def _turned_by_nothing(motion: ShotMotion, table: Table) -> str:
    """What is wrong, in words, if the paths need jaws where there are none; else empty."""
    path = motion.path()
    for i, event in enumerate(motion.events):
        place = path.before[event.ball, i][0][0]
        if event.kind == "jaw" and not _at_jaws(table, event.other, place):
            return (f"the paths would need something to turn a ball at {place[0]:.0f}, {place[1]:.0f} mm, where there "
                    "is no cushion and no pocket: a ball or a contact was overlooked")
    return ""


def _from_behind(motion: ShotMotion) -> list[tuple[int, float]]:
    """Events in which a ball touches another that it has run through, and when it really came to it."""
    path = motion.path()
    out = []
    for i, event in enumerate(motion.events):
        if event.kind != "ball":
            continue
        (pa, va, _), (pb, vb, _) = path.before[event.ball, i], path.before[event.other, i]
        gap, apart = (pb - pa)[0], (vb - va)[0]
        going = float(gap @ apart)
        if going > 0.0:
            out.append((i, event.t_s - 2 * going / float(apart @ apart)))
    return out


def _close_together(motion: ShotMotion, scene: Scene) -> list[tuple[int, int]]:
    """A ball and a cushion that one ball met within a frame: which of them came first, the frames may not show."""
    step = float(np.median(np.diff(scene.frames_t)))
    events = motion.events
    pairs = {pair for chain in motion.layout.chain.values() for pair in pairwise(chain)}
    return [(i, k) for i, k in sorted(pairs)
            if abs(events[k].t_s - events[i].t_s) < step and {events[i].kind, events[k].kind} == {"ball", "cushion"}]


def _just_before(motion: ShotMotion, scene: Scene) -> list[MotionEvent]:
    """Cushions that a ball may have met so soon before a hit that no frame lies between; after it: see `follow_ups`."""
    table, path = scene.table, motion.path()
    step = float(np.median(np.diff(scene.frames_t)))
    reach = table.contact_distance_mm(table.ball.radius_mm)
    out = []
    for i, event in enumerate(motion.events):
        if event.kind != "ball":
            continue
        p, q = path.before[event.ball, i], path.before[event.other, i]
        for ball, place, v in ((event.ball, p[0][0], p[1][0]), (event.other, q[0][0], q[1][0])):
            if motion.layout.chain[ball][0] == i:
                continue  # it lay still
            for cushion in CUSHIONS:
                towards = -float(v @ inward_normal(cushion))
                soon = max(float(nose_distance(table, cushion, place)) - reach, 0.0) / max(towards, 1e-3)
                taken = any(e.concerns(ball) and e.other == cushion and abs(e.t_s - event.t_s) < 4 * step
                            for e in motion.events)
                if towards > 100 and soon < 3 * step and not taken:
                    out.append(MotionEvent("cushion", event.t_s - max(soon, 0.1 * step), ball, cushion))
    return out


def _beside(motion: ShotMotion, windows: Mapping[str, Seen], table: Table) -> Iterator[MotionEvent]:
    """Cushions that a ball runs along so closely that it may have touched them, too softly to be seen to turn."""
    reach = table.contact_distance_mm(table.ball.radius_mm)
    for ball, chain in motion.layout.chain.items():
        times = [motion.events[i].t_s for i in chain]
        seen = windows[ball]
        rows = np.flatnonzero(seen.t_s > min(times, default=np.inf))
        if len(rows) < 3:
            continue
        noise = np.sqrt(np.trace(seen.covariance[rows], axis1=1, axis2=2) / 2)
        for cushion in CUSHIONS:
            off = nose_distance(table, cushion, seen.xy_mm[rows]) - reach
            k = int(np.argmin(off))
            place, t_s = seen.xy_mm[rows[k]], float(seen.t_s[rows[k]])
            close = off[k] < THROUGH_NOSE_MM + 3 * noise[k] and 0 < k < len(rows) - 1
            alone = min(abs(t - t_s) for t in times) > BESIDE_S
            if close and alone and not in_jaws(table, cushion, place):
                yield MotionEvent("cushion", t_s, ball, cushion)


def _overlooked(motion: ShotMotion, windows: Mapping[str, Seen], table: Table) -> list[MotionEvent]:
    """Cushion contacts that must have been, because the fitted path runs through a nose while the ball was in sight.

    Too few frames follow to see the ball turn: a contact at the clip's end, or just before another one.
    """
    reach = table.contact_distance_mm(table.ball.radius_mm)
    out = []
    for ball, chain in motion.layout.chain.items():
        if not chain:
            continue
        frames = windows[ball].t_s
        since_s = max(motion.events[chain[0]].t_s, frames[0] - 1.0)  # a bad fit may begin at any time
        t = np.arange(since_s, frames[-1], 0.001)
        if len(t) < 2:
            continue
        p = motion.states(ball, t)[0]
        for cushion in CUSHIONS:
            inside = nose_distance(table, cushion, p) - reach
            deep = np.flatnonzero(inside < -THROUGH_NOSE_MM)
            if not len(deep):
                continue
            k = int(np.flatnonzero(inside[: deep[0] + 1] > 0)[-1]) if (inside[: deep[0] + 1] > 0).any() else 0
            near = any(abs(e.t_s - t[k]) < 0.02 for e in motion.events if e.concerns(ball) and e.other == cushion)
            u = float(np.sqrt(np.trace(motion.position_covariance(ball, t[deep[:1]])[0])))
            if not near and -inside[deep[0]] > 3 * u and not in_jaws(table, cushion, p[k]):
                out.append(MotionEvent("cushion", float(t[k]), ball, cushion))
                break
    return out


def _turned(motion: ShotMotion, i: int) -> bool:
    """Whether the event changed a velocity beyond doubt; the first of a ball is what sets it going."""
    event, path = motion.layout.events[i], motion.path()
    for ball in (event.ball, event.other) if event.kind == "ball" else (event.ball,):
        if _turn(motion, path, ball, i) >= LEAST_TURN:
            return True
    return _sets_going(motion, i)


def _turn(motion: ShotMotion, path: Path, ball: str, i: int) -> float:
    """By how many standard uncertainties the event changed a ball's velocity."""
    change = path.after[ball, i][1][0] - path.before[ball, i][1][0]
    at = motion.layout.leg[ball, i]
    return float(np.hypot(*change) / np.sqrt(np.trace(motion.covariance[at : at + 2, at : at + 2])))


def _too_soon(motion: ShotMotion) -> int | None:
    """The less marked of two events of one ball that can't both have been: fitted in the wrong order, or a cushion met
    again sooner than possible, since friction draws a ball back to the cushion that it left by no more than mu g.
    """
    path = motion.path()
    t_s = [e.t_s for e in motion.events]
    for ball, chain in motion.layout.chain.items():
        for i, k in pairwise(chain):
            first, second = motion.layout.events[i], motion.layout.events[k]
            apart = 0.0
            if first.kind == second.kind == "cushion" and first.other == second.other:
                away = float(path.after[ball, i][1][0] @ inward_normal(first.other))
                apart = 2 * max(away, 0.0) / (path.mu_s[0] * G_MM_S2)
            spare = [n for n in (i, k) if not _sets_going(motion, n)]
            if t_s[k] - t_s[i] < apart and spare:
                return min(spare, key=lambda n: _turn(motion, path, ball, n))
    return None


def _grazed(motion: ShotMotion, i: int) -> bool:
    """Whether a contact of two moving balls changed them so little that they may have passed each other."""
    event, path = motion.layout.events[i], motion.path()
    if event.kind != "ball" or _sets_going(motion, i):
        return False
    before, after = ([at[ball, i][1][0] for ball in (event.ball, event.other)] for at in (path.before, path.after))
    return all(np.hypot(*(b - a)) < GRAZE * np.hypot(*a) for a, b in zip(before, after, strict=True))


def _passed(motion: ShotMotion, i: int) -> bool:
    """Whether the two balls of a contact went by each other, though the fit drew them together as far as it could."""
    event, path = motion.layout.events[i], motion.path()
    gap = path.before[event.other, i][0][0] - path.before[event.ball, i][0][0]
    return bool(abs(np.hypot(*gap) - 2 * motion.radius_mm) > PASSED_MM and not _sets_going(motion, i))


def _met_before(motion: ShotMotion, i: int) -> bool:
    """Whether two balls that go on met earlier in the shot: they may have passed each other closely since."""
    events, balls = motion.layout.events, {motion.layout.events[i].ball, motion.layout.events[i].other}
    return any(e.kind == "ball" and {e.ball, e.other} == balls for e in events[:i]) and not _sets_going(motion, i)


def _sets_going(motion: ShotMotion, i: int) -> bool:
    """Whether the event is the first of one of its balls."""
    event = motion.layout.events[i]
    return any(motion.layout.chain[b][0] == i for b in (event.ball, event.other) if b in motion.layout.chain)


def _again(motion: ShotMotion, i: int) -> bool:
    """Whether the two balls met in the event just before: they cannot meet twice at once, unless a cushion sends one of
    them back.
    """
    event, balls = motion.events[i], {motion.events[i].ball, motion.events[i].other}
    before = [e for e in motion.events[:i] if event.t_s - e.t_s < 0.02 and balls & {e.ball, e.other}]
    return bool(before) and before[-1].kind == "ball" and {before[-1].ball, before[-1].other} == balls


def name_balls(events: Sequence[MotionEvent], cue: str, tracks: Sequence[str]) -> dict[str, str]:
    """Track to ball name: cue, object (the first ball it hits), ball-3 ... in order of being hit, then of sight."""
    order = [cue]
    for event in sorted((e for e in events if e.kind == "ball"), key=lambda e: e.t_s):
        for ball in (event.ball, event.other):
            if ball not in order:
                order.append(ball)
    hit = len(order) > 1
    order += [t for t in tracks if t not in order]
    names = {cue: "cue"}
    for place, track in enumerate(order[1:], start=2):
        names[track] = "object" if place == 2 and hit else f"ball-{place if hit else place + 1}"
    return names


def thin_rest(seen: Seen, event_times: Sequence[float]) -> Seen:
    """Fewer frames of a ball at rest, before it moves and at the end, saying no more than their shared error allows.

    What a lamp, a mark or the video's compression shifts at rest stays the same in all frames: it does not average out.
    """
    if not event_times:
        return seen
    keep = np.ones(len(seen.t_s), dtype=bool)
    covariance = seen.covariance.copy()
    before = np.flatnonzero(seen.t_s < min(event_times) - 0.02)
    after = _final_rest(seen, max(event_times))
    for rows, spare in ((before, before[:-REST_ROWS]), (after, after[REST_ROWS:])):
        keep[spare] = False
        covariance[rows] *= 1 + min(len(rows), REST_ROWS) * REST_BIAS**2
    return replace(seen, covariance=covariance).at(keep)


def _final_rest(seen: Seen, since_s: float) -> NDArray[np.intp]:
    """Rows at the end in which the ball stays where it is last seen."""
    rows = np.flatnonzero(seen.t_s > since_s)
    if len(rows) < 8:
        return rows[:0]
    place = np.median(seen.xy_mm[rows[-5:]], axis=0)
    noise = np.sqrt(np.trace(seen.covariance[rows], axis1=1, axis2=2))
    away = np.flatnonzero(np.hypot(*(seen.xy_mm[rows] - place).T) > np.maximum(2.5 * noise, 0.6))
    return rows[away[-1] + 1 :] if len(away) else rows
