"""Which ball was struck when, and how long each shot lasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.contacts import REST_BEFORE_S, SPEEDS_SPAN_S, STRIKE_MIN_MM_S, Start, find_starts, still_rows
from pipeline.faults import Fault
from pipeline.paths import Seen

NOTHING_STRUCK = "nothing was struck"
CARRIED_MM_S = 100.0  # a hand that takes a ball up soon moves faster
WHITE_MARGIN = 0.4  # a cue ball is not much less white than the whitest ball of the clip
GONE_S, FEW_ROWS = 0.25, 4  # after so long unseen, so few rows at the end don't tell that it is the same ball
SETTLES_S = 0.5  # a ball that was set going lies still again no sooner
TOGETHER_S = 0.1  # a ball that was struck and another that it hit can start in frames so near to one another
BESIDE_RADII = 2.6  # a ball whose middle came as close as this to another's may have hit it


@dataclass(frozen=True)
class Strike:
    """A struck ball and the frames of its shot: from before the strike to the next strike or the clip's end.

    spoilt : what was wrong with the recording where the ball should have come up to speed, in words; else empty
    """

    track: str
    t_s: float
    until_s: float
    spoilt: str = ""


def whiteness(rows: pd.DataFrame) -> float:
    """How much a track looks like a cue ball: bright and colourless, about 2 for white and 0 for black or coloured."""
    luma = float(rows["luma"].median()) / 255
    chroma = float(np.hypot(rows["cb"].median(), rows["cr"].median()))
    return luma + float(rows["white_share"].median()) - chroma / 60


def find_strikes(
    tracks: Mapping[str, Seen], white: Mapping[str, float], clip_end_s: float, radius_mm: float,
    faults: Sequence[Fault] = (),
) -> list[Strike]:
    """Strikes in order of time: a ball goes from rest to its full speed at once, while the others lie still; a white
    one, unless none was struck so. None where what moved goes on after the recording froze, as ``faults`` say; and one
    where a fault just then is why a ball doesn't seem to come to its full speed at once.
    """
    starts = sorted((s for seen in tracks.values() for s in find_starts(seen)), key=lambda s: s.t_s)
    for freeze in (fault for fault in faults if fault.froze):
        starts = _without(starts, tracks, freeze)
    spoilt = {id(s): _spoilt(s, faults) for s in starts}
    struck = [s for s in starts if s.ballistic or spoilt[id(s)]]
    if not struck:
        return []
    whitest = max(white.values())
    cues = [s for s in struck if white[s.ball] >= whitest - WHITE_MARGIN]
    chosen: list[Start] = []
    for begun in (cues, struck):  # a white ball may only have been hit: in carom the yellow one is struck as well
        if chosen:
            break
        for start in (_its_hitter(s, starts, tracks, white, radius_mm) for s in begun):
            if _others_still(tracks, start) and not (chosen and start.t_s - chosen[-1].t_s < 0.3):
                chosen.append(start)
    if not chosen:
        return []
    ends = [s.t_s - 0.05 for s in chosen[1:]] + [clip_end_s]
    return [Strike(s.ball, s.t_s, end, spoilt.get(id(s), "")) for s, end in zip(chosen, ends, strict=True)]


def why_none(tracks: Mapping[str, Seen], faults: Sequence[Fault]) -> str:
    """Why no ball was struck, in words: it may be that the recording froze, and nobody knows since when balls moved."""
    starts = [s for seen in tracks.values() for s in find_starts(seen)]
    frozen = (f.words for f in faults if f.froze and len(_without(starts, tracks, f)) < len(starts))
    return next(frozen, NOTHING_STRUCK)


def _without(starts: Sequence[Start], tracks: Mapping[str, Seen], freeze: Fault) -> list[Start]:
    """Starts, but for those of balls that only go on after the recording froze."""
    rest_s = _rest_after(tracks, freeze.until_s)
    return [s for s in starts if not freeze.from_s < s.t_s < rest_s]


def _spoilt(start: Start, faults: Sequence[Fault]) -> str:
    """Words for a fault but for which this may be a ball that was struck; empty where it is seen to be one, or none."""
    if start.ballistic or start.top_mm_s < STRIKE_MIN_MM_S:
        return ""
    return next((f.words for f in faults if -TOGETHER_S < f.from_s - start.t_s < SPEEDS_SPAN_S), "")


def _rest_after(tracks: Mapping[str, Seen], t_s: float) -> float:
    """From when on, after a time at which balls moved, all lie still."""
    moves = [seen.t_s[~still_rows(seen).astype(bool) & (seen.t_s >= t_s)] for seen in tracks.values()]
    moving = np.sort(np.concatenate(moves))
    rest = np.flatnonzero(np.diff(moving, append=np.inf) > REST_BEFORE_S)
    return float(moving[rest[0]]) + REST_BEFORE_S if len(rest) and moving[0] < t_s + REST_BEFORE_S else t_s


def _its_hitter(
    hit: Start, starts: Sequence[Start], tracks: Mapping[str, Seen], white: Mapping[str, float], radius_mm: float
) -> Start:
    """The start of another that lay still and next is seen where this one lay, no less white; else the start itself.

    A ball struck hard hits another within a frame or two, and creeps when it is seen again.
    """
    for start in starts:
        seen = tracks[start.ball]
        apart_s = abs(seen.t_s[start.row] - tracks[hit.ball].t_s[hit.row])
        if start is hit or apart_s > TOGETHER_S or white[start.ball] < white[hit.ball] - WHITE_MARGIN:
            continue
        place, lay = tracks[hit.ball].xy_mm[hit.row - 1], seen.xy_mm[start.row - 1]
        now, before = (float(np.hypot(*(xy - place))) for xy in (seen.xy_mm[start.row], lay))
        if now < BESIDE_RADII * radius_mm < before:
            took_s = before / max(hit.top_mm_s, CARRIED_MM_S)
            return replace(start, t_s=float(np.clip(hit.t_s - took_s, seen.t_s[start.row - 1], seen.t_s[start.row])))
    return hit


def _others_still(tracks: Mapping[str, Seen], start: Start) -> bool:
    """Whether no other ball was moving just before: then this one was struck by a cue, not by a ball."""
    for name, seen in tracks.items():
        if name == start.ball:
            continue
        before = np.flatnonzero((seen.t_s < start.t_s - 0.02) & (seen.t_s > start.t_s - 0.25))
        if len(before) >= 3:
            way = np.hypot(*(seen.xy_mm[before[-1]] - seen.xy_mm[before[0]]))
            if way > 8.0 and not still_rows(seen)[before[-1]]:
                return False
    return True


def shot_rows(seen: Seen, strike: Strike, starts: Sequence[Start]) -> slice:
    """The rows of a ball that belong to a shot: from half a second before the strike until a hand takes it up.

    starts : the ball's own starts after the strike; the second one, from rest, is a hand's (or the next strike).
    """
    first = int(np.searchsorted(seen.t_s, strike.t_s - 0.5))
    last = int(np.searchsorted(seen.t_s, strike.until_s))
    own = [s for s in starts if s.t_s > strike.t_s - 0.05]
    taken = [s for s in own[1:] if s.top_mm_s > CARRIED_MM_S  # slower: the last creeping of a ball that rolls out
             and (s.t_s > own[0].t_s + SETTLES_S or s.top_mm_s > 2 * own[0].top_mm_s)]  # sooner: it never lay still
    if taken:
        last = min(last, int(np.searchsorted(seen.t_s, taken[0].t_s - 0.05)))
    gone = np.flatnonzero(np.diff(seen.t_s[first:last]) > GONE_S) + first
    if len(gone) and last - 1 - gone[-1] < FEW_ROWS:  # something else, seen where the ball might have got to
        last = int(gone[-1]) + 1
    gaps = np.flatnonzero(np.diff(seen.t_s[first:last]) > 0.4) + first
    for k in gaps:
        way = float(np.hypot(*(seen.xy_mm[k + 1] - seen.xy_mm[k])))
        if way > 5.0 and seen.t_s[k + 1] > strike.t_s and _slow_before(seen, int(k)):
            last = min(last, int(k) + 1)
            break
    return slice(first, last)


def _slow_before(seen: Seen, k: int) -> bool:
    near = slice(max(k - 4, 0), k + 1)
    t, xy = seen.t_s[near], seen.xy_mm[near]
    if len(t) < 2:
        return False
    return bool(np.hypot(*(xy[-1] - xy[0])) < 30.0 * max(float(t[-1] - t[0]), 1e-3))
