"""Where a recording's time breaks while a ball rolls: it froze for some frames, or frames are gone unsaid.

Cloth takes little of a ball's speed from one frame to the next, so none that rolls freely lies dead in the next frame.
A hand may stop one, but hardly two in the very same frame; and what a hand has stopped doesn't go on by itself as it
came. Nor does a ball go further from one frame to the next than the faster of its speeds before and after takes it.

What meets a cushion between two frames is seen in the same place in both only if it goes back the way it came: its
places before and after then lie on opposite sides, and the steps to and from them are free of any contact. A frame
shown twice leaves them free, too, if the ball turned just in that frame: then it is at a cushion or another ball there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.clock_jumps import MOST, MOVES_U, FoundFrames
from pipeline.faults import Fault
from pipeline.physics import G_MM_S2
from shared.equipment import Table

Array = NDArray[np.float64]

MOST_FRICTION = 0.8  # no cloth takes more: as a share of the ball's weight, far beyond the published 0.15-0.4
FEWEST = 2  # frames that show the one before them again; a single one is left out (`pipeline.clock_jumps`), or is told
# of where it can't be
AS_IT_CAME = 0.5  # of its step: what is struck after it was stopped differs by less only by chance
STRAIGHT = 0.1  # radians between the ways of a ball that met nothing: spin bends them by less within a few frames
AT_ONCE = 2  # balls that no hand stops in the same frame
FROZE = "the recording froze from {:.2f} to {:.2f} s while a ball rolled; film that shot anew"
FROZEN_END = "the recording seems to have frozen from {:.2f} s to its end while a ball rolled; film that shot anew"
CARRIED = 2.0  # a ball that a hand sets going is three times as far on in a second frame as in a first
HANDS_S = 0.25  # sooner, nobody has stopped a ball and set it going anew
AGAIN = ("a frame is shown twice at {:.2f} s, where a ball meets something: what that did to it can't be told; give "
         "the clip as the camera made it, or film that shot anew")
MAY_BE_AGAIN = ("a frame may be shown twice at {:.2f} s, where a ball turns back; give the clip as the camera made it, "
                "or film that shot anew")
DOUBT = "speeds after it may be wrong, look at the shot before using it"
GONE = ("balls jump at {:.2f} s from one frame to the next: frames are gone there, and the time stamps were closed "
        "up; give the clip as the camera made it, or film it anew")
MAY_BE_GONE = ("frames may be missing at {:.2f} s: a ball is further on there than it rolls from one frame to the "
               "next; give the clip as the camera made it, or film it anew")


@dataclass(frozen=True, eq=False)
class _Roll:
    """A ball that rolls steadily through three frames, beside no other: where first and last, and how fast."""

    first_mm: Array
    last_mm: Array
    velocity: Array  # mm/s
    u_mm: float


def find_freezes(detections: pd.DataFrame, radius_mm: float, *, table: Table | None = None) -> list[Fault]:
    """Freezes in order of time: ``until_s`` is when another picture comes, or the last frame's time. Single frames that
    seem to be shown twice are among them, surely so only where no ball on this table stands still for a frame.

    detections : DETECTIONS of a clip, at the times at which frames were taken
    table      : by whose cushions balls turn; None: a ball may turn anywhere
    """
    frames = FoundFrames.of(detections, radius_mm)
    found: list[Fault] = []
    k, count = 2, len(frames.t_s)
    while k < count - FEWEST:
        last = k
        if frames.stops(k):
            while last + 1 < count and frames.same(k, last + 1):
                last += 1
            from_s, until_s = float(frames.t_s[k]), float(frames.t_s[min(last + 1, count - 1)])
            if last - k >= FEWEST and _froze(frames, k, last):
                found.append(Fault(from_s, until_s, FROZE.format(from_s, until_s), surely=True, froze=True))
            elif last - k >= FEWEST and until_s - from_s < HANDS_S:
                if any(map(_Stood.froze, _stood(frames, k, last, table))):
                    found.append(Fault(from_s, until_s, FROZE.format(from_s, until_s), surely=True, froze=True))
            elif last - k < FEWEST and any(map(_Stood.may_be_again, stood := _stood(frames, k, last, table))):
                surely = all(map(_Stood.again, stood))
                words = (AGAIN if surely else MAY_BE_AGAIN).format(float(frames.t_s[last]))
                found.append(Fault(from_s, until_s, words, surely, doubt="" if surely else DOUBT))
        k = max(last, k) + 1
    return found


def find_gone(detections: pd.DataFrame, radius_mm: float, *, shutter_s: float | None = None) -> list[Fault]:
    """Where all balls that roll jump in the same frame, and where one may, in order of time; surely enough to cost the
    shot where two signs say so: poor coding, shaking cameras and balls that fall make single ones.

    detections : as in `find_freezes`
    shutter_s  : how long it was open; None: half the time between frames, as where a shot is fitted
    """
    frames = FoundFrames.of(detections, radius_mm)
    frames.shutter_s = 0.5 * frames.interval_s if shutter_s is None else shutter_s
    found: list[Fault] = []
    for k in range(2, len(frames.t_s) - 3):
        at_s = float(frames.t_s[k + 1])
        if _all_jump(frames, k):
            found.append(Fault(float(frames.t_s[k]), at_s, GONE.format(at_s), surely=True, jump=True))
        elif _out_of_reach(frames, k):
            surely = frames.may_jump(k) or _from_nowhere(frames, k)
            found.append(Fault(float(frames.t_s[k]), at_s, MAY_BE_GONE.format(at_s), surely, jump=True))
        elif _starts_far(frames, k) or frames.may_jump(k):
            found.append(Fault(float(frames.t_s[k]), at_s, MAY_BE_GONE.format(at_s), jump=True))
    return found


def _all_jump(frames: FoundFrames, k: int) -> bool:
    before = _rolls(frames, k - 2)
    after = _rolls(frames, k + 1) if before and not frames.goes_on_evenly([k - 1, k, k + 1]) else []
    pairs = [(one, other) for one in before for other in after]
    far = any(_far_ahead(frames, one, other) for one, other in pairs)
    return far and all(_jumped(frames, one, other, k) for one, other in pairs)


def _out_of_reach(frames: FoundFrames, k: int) -> bool:
    """Whether a ball that rolled until a frame is nowhere in the next where its speed takes it, though as many are."""
    if len(frames.xy_mm[k]) != len(frames.xy_mm[k + 1]):
        return False
    took_s = float(frames.t_s[k + 1] - frames.t_s[k])
    for roll in _rolls(frames, k - 2):
        if np.hypot(*(frames.xy_mm[k + 1] - roll.last_mm).T).min() > _reach_mm(frames, roll, took_s):
            return True
    return False


def _from_nowhere(frames: FoundFrames, k: int) -> bool:
    """Whether a ball rolls on after a frame from where none of those in it gets to."""
    took_s = float(frames.t_s[k + 1] - frames.t_s[k])
    return any(np.hypot(*(frames.xy_mm[k] - roll.first_mm).T).min() > _reach_mm(frames, roll, took_s)
               for roll in _rolls(frames, k + 1))


def _starts_far(frames: FoundFrames, k: int) -> bool:
    """Whether a ball that lay still until a frame is further on in the next than it goes in one, and no other moves
    then, or just after, that might have slowed it.
    """
    if len(frames.xy_mm[k]) != len(frames.xy_mm[k + 1]) or not frames.same(k - 1, k):
        return False
    goes_on = frames.steps(k + 1, k + 2)
    apart = np.hypot(*(frames.xy_mm[k + 1] - frames.xy_mm[k][:, None]).transpose(2, 0, 1))
    started = np.flatnonzero(apart.min(axis=1) > MOVES_U * frames.u_mm[k])
    if len(started) != 1 or len(goes_on) != 1:
        return False
    ((first, second),) = goes_on
    way = frames.xy_mm[k + 1][first] - frames.xy_mm[k][started[0]]
    step = frames.xy_mm[k + 2][second] - frames.xy_mm[k + 1][first]
    length, went = float(np.hypot(*way)), float(np.hypot(*step))
    meanwhile_s = float(frames.t_s[k + 1] - frames.t_s[k]) + frames.shutter_s / 2  # struck at once, and seen at rest
    share = meanwhile_s / float(frames.t_s[k + 2] - frames.t_s[k + 1])
    slack_mm = _slack_mm(frames, float(frames.u_mm[k + 1][first]))
    straight = length > 0 and np.hypot(*(way / length - step / went)) < STRAIGHT
    return bool(straight and length > share * went + 2 * slack_mm)


def _froze(frames: FoundFrames, first: int, last: int) -> bool:
    """Whether balls were stopped, from a frame until another that shows the same, by nothing that stops a ball."""
    stopped = [roll for roll in _rolls(frames, first - 2) if _too_fast_to_stop(frames, roll)]
    if len({tuple(roll.last_mm.tolist()) for roll in stopped}) >= AT_ONCE:
        return True
    return any(_goes_on(frames, one, other, last) or _jumped(frames, one, other, last)
               for one in stopped for other in _rolls(frames, last + 1))


def find_frozen_end(detections: pd.DataFrame, radius_mm: float) -> list[Fault]:
    """A freeze until the last frame, or none: all show the same from where a ball rolled too fast to stop. Not for
    sure, as a hand may have stopped it.

    detections : as in `find_freezes`
    """
    frames = FoundFrames.of(detections, radius_mm)
    first = last = len(frames.t_s) - 1
    while first > 0 and frames.same(first - 1, last):
        first -= 1
    if last - first < FEWEST or not any(_too_fast_to_stop(frames, roll) for roll in _rolls(frames, first - 2)):
        return []
    from_s, until_s = float(frames.t_s[first]), float(frames.t_s[last])
    return [Fault(from_s, until_s, FROZEN_END.format(from_s))]


@dataclass(frozen=True, eq=False)
class _Stood:
    """A ball that moved to a place, is seen there again, and moves on.

    came, goes : (2,) mm, its steps to there and from there
    noise_mm   : by which such a step may be off
    slack_mm   : by which friction may change it, too
    rolls_off  : whether it goes on at full speed at once, as no hand sets it going
    met        : whether it met something in one of these steps, and nothing in the other
    apart      : whether it met nothing in either, and nothing is there at which it may have turned
    """

    came: Array
    goes: Array
    noise_mm: float
    slack_mm: float
    rolls_off: bool
    met: bool
    apart: bool

    def again(self) -> bool:
        """Whether no contact between two frames explains that it is in the same place in both: that turns it back, and
        leaves the steps before and after free of any. Friction bends no ball's way that goes straight back.
        """
        turn = self.came - self.goes
        share = float(np.clip(-(self.goes @ turn) / (turn @ turn), 0.0, 1.0)) if turn.any() else 0.0
        return self.met or bool(np.hypot(*(self.goes + share * turn)) > self.noise_mm)

    def may_be_again(self) -> bool:
        """Whether a frame that is shown twice explains it, too."""
        return self.again() or not self.apart

    def froze(self) -> bool:
        """Whether nothing stops it for some frames: friction doesn't, and a hand doesn't let it go on so fast."""
        return self.rolls_off and bool(np.hypot(*self.came) > self.slack_mm)


def _stood(frames: FoundFrames, k: int, last: int, table: Table | None) -> list[_Stood]:
    """Balls that stand still from a frame until another: empty unless one moves into the first and out of the last.

    Where several may be the same ball, each is in the list.
    """
    found = []
    for i, j in frames.steps(k - 1, k):
        place, u_mm = frames.xy_mm[k][j], float(frames.u_mm[k][j])
        befores = [h for h, i2 in frames.steps(k - 2, k - 1) if i2 == i]
        free_in = _leeways(frames, range(k - 2, k + 1), [(h, i, j) for h in befores])
        rolls_in = bool(free_in)
        rolled = any(frames.steady(range(k - 3, k), (g, h, i)) for g, h in frames.steps(k - 3, k - 2) if h in befores)
        for j2, m in frames.steps(last, last + 1):
            if np.hypot(*(frames.xy_mm[last][j2] - place)) > MOVES_U * u_mm:
                continue
            afters = [n for m2, n in frames.steps(last + 1, last + 2) if m2 == m]
            free_out = _leeways(frames, range(last, last + 3), [(j2, m, n) for n in afters])
            rolls_out = bool(free_out)
            rolls = any(frames.steady(range(last + 1, last + 4), (m, n, o))
                        for n, o in frames.steps(last + 2, last + 3) if n in afters)
            met = (rolled and not rolls_in and rolls_out) or (rolls_in and not rolls_out and rolls)
            goes, slack_mm = frames.xy_mm[last + 1][m] - frames.xy_mm[last][j2], _slack_mm(frames, u_mm)
            next_mm = min((float(np.hypot(*(frames.xy_mm[last + 2][n] - frames.xy_mm[last + 1][m]))) for n in afters),
                          default=np.inf)
            rolls_off = bool(np.hypot(*goes) > max(slack_mm, next_mm / CARRIED))
            apart = rolls_in and rolls_out and not _may_turn(frames, k, j, max(*free_in, *free_out), table)
            found.append(_Stood(place - frames.xy_mm[k - 1][i], goes, MOVES_U * u_mm, slack_mm, rolls_off, met, apart))
    return found


def _leeways(frames: FoundFrames, which: range, chains: Sequence[tuple[int, int, int]]) -> list[float]:
    """mm, of those that are steady."""
    return [frames.leeway_mm(which, chain) for chain in chains if frames.steady(which, chain)]


def _may_turn(frames: FoundFrames, k: int, j: int, leeway_mm: float, table: Table | None) -> bool:
    """Whether a cushion or a ball is where a find in a frame is, as near as the ways there tell where it turned."""
    if table is None:
        return True
    (x, y), radius_mm = frames.xy_mm[k][j].tolist(), frames.radius_mm
    to_cushion_mm = min(x, table.length_mm - x, y, table.width_mm - y) - table.contact_distance_mm(radius_mm)
    others = np.delete(frames.xy_mm[k], j, axis=0) - frames.xy_mm[k][j]
    return bool(to_cushion_mm < leeway_mm or (np.hypot(*others.T) - 2 * radius_mm < leeway_mm).any())


def _rolls(frames: FoundFrames, begin: int) -> Sequence[_Roll]:
    """Of balls in three frames from one on."""
    which = range(begin, begin + 3)
    if begin < 0 or which[-1] >= len(frames.t_s):
        return []
    found = []
    for chain in frames.rolling(which):
        places = np.array([frames.xy_mm[f][i] for f, i in zip(which, chain, strict=True)])
        u_mm = max(float(frames.u_mm[f][i]) for f, i in zip(which, chain, strict=True))
        velocity = (places[2] - places[0]) / (frames.t_s[begin + 2] - frames.t_s[begin])
        found.append(_Roll(places[0], places[2], velocity, u_mm))
    return found


def _reach_mm(frames: FoundFrames, roll: _Roll, took_s: float) -> float:
    """How far at most a ball that meets something is from where it rolls, in a frame so long before or after it: a
    shutter that is open meanwhile may show it where it was as it opened or closed.
    """
    return float(np.hypot(*roll.velocity)) * (took_s + frames.shutter_s / 2) + 2 * _slack(frames, roll)


def _slack(frames: FoundFrames, roll: _Roll) -> float:
    return _slack_mm(frames, roll.u_mm)


def _slack_mm(frames: FoundFrames, u_mm: float) -> float:
    """mm by which friction may shorten a ball's step from one frame to the next, or noise seem to."""
    return MOST_FRICTION * G_MM_S2 * frames.interval_s**2 + MOVES_U * u_mm


def _too_fast_to_stop(frames: FoundFrames, roll: _Roll) -> bool:
    return bool(np.hypot(*roll.velocity) * frames.interval_s > _slack(frames, roll))


def _goes_on(frames: FoundFrames, before: _Roll, after: _Roll, last: int) -> bool:
    """Whether a ball that was stopped goes on from there as it came."""
    step = before.velocity * frames.interval_s
    slack = min(_slack(frames, before), AS_IT_CAME * float(np.hypot(*step)))
    way = after.first_mm - before.last_mm
    took = float(frames.t_s[last + 1] - frames.t_s[last]) / frames.interval_s
    as_it_came = np.hypot(*(after.velocity * frames.interval_s - step)) < slack
    return bool(as_it_came and np.hypot(*(way - took * step)) < slack)


def _jumped(frames: FoundFrames, before: _Roll, after: _Roll, last: int) -> bool:
    """Whether a ball was elsewhere at once after a frame: further than either of its speeds takes it."""
    took_s = float(frames.t_s[last + 1] - frames.t_s[last])
    fastest = max(float(np.hypot(*before.velocity)), float(np.hypot(*after.velocity)))
    slack = max(_slack(frames, before), _slack(frames, after))
    return bool(np.hypot(*(after.first_mm - before.last_mm)) > fastest * took_s + 2 * slack)


def _far_ahead(frames: FoundFrames, before: _Roll, after: _Roll) -> bool:
    """Whether a ball is far along its way, and goes on along it about as fast: the same ball, which met nothing. Less
    far is told, and set right, by `pipeline.clock_jumps`.
    """
    way = after.first_mm - before.last_mm
    speed, length = float(np.hypot(*before.velocity)), float(np.hypot(*way))
    if length <= (MOST + 1) * speed * frames.interval_s:
        return False
    off = [float(np.hypot(*(way / length - v / np.hypot(*v)))) for v in (before.velocity, after.velocity)]
    alike = np.hypot(*(after.velocity - before.velocity)) < AS_IT_CAME * speed
    return bool(max(off) < STRAIGHT and alike)
