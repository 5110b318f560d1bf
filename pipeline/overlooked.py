"""Signs that a shot's motion lacks a contact: a ball that lay by another's way is gone, or one rolls that nothing hit.

A ball of the cloth's colour, or under a hand, may not be seen when it is hit. A fit that knows nothing of it can follow
all frames that there are, and still give a wrong speed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from pipeline.motions import STRAINED, ShotMotion
from pipeline.paths import Seen
from pipeline.physics import Array
from pipeline.strikes import BESIDE_RADII, Strike

GONE_RADII = 0.5  # within so much of its place, a ball lies where it lay
BLINK_S = 0.2  # not to be seen for so long is no sign
ROLLS_MM_S = 150.0  # faster than what a false find creeps
FIRST_S = 0.08  # looked at where a ball is first seen: short, as it may soon meet something
LATELY_S = 1.0
HIDDEN_S = 0.4  # out of sight for so long, a ball may have met anything
AT_ONCE = 4  # contacts
NOW_S = 0.1  # a ball seen so shortly before and after is in sight
CLOTHS = ((0.13, 0.45), (0.004, 0.02))  # sliding, rolling: about the published 0.15-0.4, 0.005-0.015 (Alciatore FAQ)
COLOURED = -0.3  # whiteness under which a ball is of a strong colour, whatever the light
WHITER = 0.8  # by so much another is the whiter of the two
RATHER_WHITER = 0.2  # of a ball that has gone, which tells more than one that lies in sight
LATELY_STRUCK_S = 0.5  # a struck ball has met another or a cushion by then, as a rule


def overlooked_contact(
    strike: Strike, tracks: Mapping[str, Seen], moving: set[str], radius_mm: float
) -> str:
    """What speaks for it, in words; empty if nothing does.

    tracks : of all balls of the clip
    moving : those that the motion knows to move
    """
    movers = [tracks[name] for name in sorted(moving)]
    for name, seen in tracks.items():
        if name in moving:
            continue
        place = _lay(seen, strike)
        if place is not None:
            left_s = _left(seen, strike, place, radius_mm)
            if left_s is not None and _passed(movers, place, left_s, seen, radius_mm):
                return (f"a ball that lay at {place[0]:.0f}, {place[1]:.0f} mm was gone after another passed it, so it "
                        "was hit")
        elif _came_from_nowhere(seen, strike, tracks.values(), movers):
            x, y = seen.xy_mm[0]
            return f"a ball rolls from {x:.0f}, {y:.0f} mm on that nothing was seen to hit"
    return ""


def too_many_at_once(motion: ShotMotion) -> str:
    """Why what two balls and the cushions beside them did within one frame can't be told, in words; empty where it can.

    With four contacts there are several ways to the same places.
    """
    step_s = min(float(np.median(np.diff(seen.t_s))) for seen in motion.seen.values() if len(seen.t_s) > 1)
    times = np.sort([e.t_s for e in motion.events if e.concerns("cue") or e.concerns("object")])
    many = len(times) >= AT_ONCE and (times[AT_ONCE - 1 :] - times[: 1 - AT_ONCE] < step_s).any()
    return f"{AT_ONCE} contacts within a frame: a ball or a contact may have been overlooked" if many else ""


def hidden_contact(motion: ShotMotion, banked: str) -> str:
    """Why what a ball met while it was out of sight can't be told, in words; empty where nothing speaks against it.

    banked : the ball whose first cushion is measured: what comes later than that bends no measure of it
    """
    cushions = [e.t_s for e in motion.events if e.kind == "cushion" and e.ball == banked]
    last_s = cushions[0] if cushions else np.inf
    for ball, seen in motion.seen.items():
        met = [e.t_s for e in motion.events if e.concerns(ball)]
        pace_s = float(np.median(np.diff(seen.t_s)))
        for k in np.flatnonzero(np.diff(seen.t_s) > max(BLINK_S, 3 * pace_s)):
            since_s, until_s = float(seen.t_s[k]), float(seen.t_s[k + 1])
            way = float(np.hypot(*(seen.xy_mm[k + 1] - seen.xy_mm[k])))
            if since_s > last_s or until_s < met[0] or way < ROLLS_MM_S * (until_s - since_s):
                continue
            away = f"a ball was out of sight for {until_s - since_s:.1f} s"
            if until_s - since_s > HIDDEN_S and any(since_s < t <= min(until_s, last_s) for t in met[1:]):
                return f"{away}, in which it met something: what, can't be told"
            friction = motion.friction
            for value, (low, high) in zip((friction.sliding, friction.rolling), CLOTHS, strict=True):
                if not low < value < high:
                    return f"{away}, and lost more or less speed than cloth takes: it may have met another"
    return ""


def no_such_answer(motion: ShotMotion, banked: str) -> str:
    """What is wrong, in words, if a ball or a cushion answers as none does for the paths to fit; else empty.

    banked : as in `hidden_contact`
    """
    cushions = [e.t_s for e in motion.events if e.kind == "cushion" and e.ball == banked]
    last_s = cushions[0] if cushions else np.inf
    if any(strain > STRAINED for e, strain in zip(motion.events, motion.strains[:, 1], strict=True) if e.t_s <= last_s):
        return ("a ball or a cushion would have to answer as none does for the paths to fit: a ball or a contact was "
                "overlooked")
    return ""


def no_white_ball(strike: Strike, tracks: Mapping[str, Seen], white: Mapping[str, float]) -> str:
    """Why a coloured ball may have been hit and not struck, in words: a white one that isn't in sight may have done it.

    white : whiteness by ball, see `strikes.whiteness`; under coloured light a white ball has little of it
    """
    struck = white[strike.track]
    gone = (seen for name, seen in tracks.items() if white[name] > struck + RATHER_WHITER)
    if any(_went_just_before(seen, strike) for seen in gone):
        return "a whiter ball than the one that starts was gone just before: that may have been struck, and have hit it"
    whiter = [seen for name, seen in tracks.items() if white[name] > struck + WHITER]
    if any(_lies(seen, strike.t_s) for seen in whiter) or (not whiter and struck > COLOURED):
        return ""
    return "the ball that starts is coloured, and no white one lies in sight: that may have hit it, out of sight"


def _went_just_before(seen: Seen, strike: Strike) -> bool:
    """Whether the ball lay still and was lost to sight for good shortly before the strike."""
    last_s = float(seen.t_s[-1])
    lay = seen.xy_mm[seen.t_s > last_s - NOW_S]
    return 0 < strike.t_s - last_s < LATELY_STRUCK_S and len(lay) > 2 and bool(
        np.ptp(lay, axis=0).max() < ROLLS_MM_S * NOW_S / 4)


def _lies(seen: Seen, t_s: float) -> bool:
    """Whether the ball is seen at this time, and in one place."""
    near = np.abs(seen.t_s - t_s) < NOW_S
    sides = seen.t_s[near] < t_s
    return bool(sides.any() and not sides.all() and np.ptp(seen.xy_mm[near], axis=0).max() < ROLLS_MM_S * NOW_S)


def _lay(seen: Seen, strike: Strike) -> Array | None:
    """Where the ball lay before the strike; None where it wasn't seen to lie."""
    rows = (seen.t_s < strike.t_s) & (seen.t_s > strike.t_s - 0.5)
    if rows.sum() < 2:
        return None
    place: Array = np.median(seen.xy_mm[rows], axis=0)
    return place


def _left(seen: Seen, strike: Strike, place: Array, radius_mm: float) -> float | None:
    """When the ball was last seen there; None if it stayed."""
    there = seen.t_s[np.hypot(*(seen.xy_mm - place).T) < GONE_RADII * radius_mm]
    there = there[there < strike.until_s]
    if not len(there) or there[-1] > strike.until_s - BLINK_S:
        return None
    return float(there[-1])


def _passed(movers: Iterable[Seen], place: Array, left_s: float, gone: Seen, radius_mm: float) -> bool:
    """Whether a moving ball came close just when the ball left its place, or could have while it wasn't seen."""
    later = gone.t_s[gone.t_s > left_s]
    back_s = float(later[0]) if len(later) else left_s + BLINK_S
    for mover in movers:
        at = np.arange(left_s - 0.05, back_s + 0.05, 0.001)
        at = at[(at >= mover.t_s[0]) & (at <= mover.t_s[-1])]
        if len(at) < 2:
            continue
        x, y = (np.interp(at, mover.t_s, mover.xy_mm[:, k]) for k in range(2))
        near = np.hypot(x - place[0], y - place[1]) < BESIDE_RADII * radius_mm
        speed = np.hypot(np.gradient(x, at), np.gradient(y, at))
        if (near & (speed > ROLLS_MM_S)).any():  # one that lies beside it hits nothing: a hand took the other up
            return True
    return False


def _came_from_nowhere(seen: Seen, strike: Strike, tracks: Iterable[Seen], movers: Iterable[Seen]) -> bool:
    """Whether the ball is first seen rolling in mid-shot, and can't be one that was seen until then.

    Only while another rolls, or did until lately: later, a hand has rolled it in.
    """
    begin = float(seen.t_s[0])
    if not strike.t_s + 0.02 < begin < strike.until_s or len(seen.t_s) < 6:
        return False
    first = seen.at(slice(max(6, int(np.searchsorted(seen.t_s, begin + FIRST_S)))))
    if not _rolls(first):
        return False
    if any(strike.t_s < other.t_s[-1] < begin for other in tracks):
        return False
    return any(_rolled(mover, max(begin - LATELY_S, strike.t_s), begin) for mover in movers)


def _rolls(seen: Seen) -> bool:
    """Whether it moves in both halves of its rows: finds on a hand or a cue stay, and then are elsewhere."""
    half = len(seen.t_s) // 2
    return all(np.hypot(*(seen.xy_mm[b] - seen.xy_mm[a])) > ROLLS_MM_S * (seen.t_s[b] - seen.t_s[a])
               for a, b in ((0, half), (half, -1)))


def _rolled(mover: Seen, since_s: float, until_s: float) -> bool:
    rows = np.flatnonzero((mover.t_s > since_s) & (mover.t_s < until_s))
    if len(rows) < 2:
        return False
    way = np.hypot(*np.diff(mover.xy_mm[rows], axis=0).T)
    return bool(np.median(way / np.diff(mover.t_s[rows])) > ROLLS_MM_S)
