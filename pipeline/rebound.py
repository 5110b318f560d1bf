"""The first cushion and all that comes after it: angles, speeds, restitution, where the ball arrives."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from pipeline.measured import Measured, evaluate, ratio, speed_mps, untold, with_side_unsure, without_size
from pipeline.motions import ShotMotion
from pipeline.paths import Path, inward_normal
from pipeline.physics import Array, settled_velocity, slide_time, state_after
from pipeline.pockets import Mouth, Pocketed, in_jaws, mouths
from shared.equipment import Cushion, Table

UNTOLD_DEG = 2.0  # a settled angle known no better says nothing of a bank
_AFTER = ("rebound_angle_deg", "rebound_settled_angle_deg", "rebound_speed_mps", "restitution", "tangential_ratio")
_REBOUND_ANGLES = {"rebound_angle_deg", "rebound_settled_angle_deg"}
_TIP_MM = 5.0  # from the mouth: about how far the end of a cushion is rounded (common practice, no source)
_MOST_OF_SLIDE = 0.6
_HALVINGS = 30  # of a time
_LOOK_MM = 400.0  # a path further from the target than this does not arrive at it


@dataclass(frozen=True)
class Rebound:
    """Measures at and after the banked ball's first cushion; None where not measurable, with why in ``notes``."""

    rails: int
    rail: str | None = None
    incoming_angle_deg: Measured | None = None
    rebound_angle_deg: Measured | None = None
    rebound_settled_angle_deg: Measured | None = None
    speed_at_impact_mps: Measured | None = None
    rebound_speed_mps: Measured | None = None
    rail_sight: Measured | None = None
    rail_s: Measured | None = None
    restitution: Measured | None = None
    tangential_ratio: Measured | None = None
    outcome: str | None = None
    pocket: str | None = None
    miss_mm: Measured | None = None
    notes: tuple[str, ...] = ()

    def measures(self) -> dict[str, Measured]:
        """By column name, those that were measured."""
        got = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in got.items() if isinstance(value, Measured)}


def measure_rebound(
    motion: ShotMotion, *, ball: str, table: Table, pocketed: Pocketed | None, target: str | None, seen_until_s: float
) -> Rebound:
    """All measures of the banked ball from its first cushion on.

    pocketed : where the ball fell, or None; target : pocket it was meant for, or None; seen_until_s : its last frame
    """
    events = motion.events
    cushions = [i for i in motion.layout.chain[ball] if events[i].kind == "cushion"]
    pocket = pocketed.pocket if pocketed else None
    if not cushions:
        none = "no cushion was met by the banked ball: no incoming or rebound angle"
        outcome = "pocketed" if pocket and pocket == (target or pocket) else None
        why = [none, f"{'miss_mm' if pocket else 'outcome, miss_mm'}: no cushion was met by the banked ball"]
        return Rebound(0, pocket=pocket, outcome=outcome, notes=(*why, *_fell_elsewhere(pocket, target)))
    first = cushions[0]
    notes: list[str] = []
    if any(events[i].kind == "jaw" for i in motion.layout.chain[ball] if i < first):
        notes.append("a jaw was met before the first cushion: look at the shot before comparing it")
    got = _at_cushion(motion, ball, first, table)
    if not motion.shows_leaving(ball, first):
        for name in _AFTER:
            got.pop(name)
        notes.append("rebound: the ball was hardly seen after its first cushion")
    elif not _settles(motion, ball, first, seen_until_s):
        got.pop("rebound_settled_angle_deg")
        notes.append("rebound_settled_angle_deg: the ball met something, or the clip ended, before it rolled")
    elif got["rebound_settled_angle_deg"].u > UNTOLD_DEG:
        got.pop("rebound_settled_angle_deg")
        notes.append("rebound_settled_angle_deg: whether the ball rolled before it met something can't be told")
    for name in _REBOUND_ANGLES & set(got):
        got[name] = with_side_unsure(got[name], got["incoming_angle_deg"])
    if "tangential_ratio" in got and got["tangential_ratio"].u > 0.5:
        got.pop("tangential_ratio")
        notes.append("tangential_ratio: the ball came in too nearly square")
    for name in untold(got):
        got.pop(name)
        notes.append(f"{name}: the ball came in too nearly along the cushion")
    miss, outcome, why = _arrival(motion, ball, cushions, table, pocketed, target)
    notes += why
    if outcome is None:
        notes += _fell_elsewhere(pocket, target)
    return Rebound(
        len(cushions), rail=events[first].other, **got, outcome=outcome, pocket=pocket, miss_mm=miss, notes=tuple(notes)
    )


def _fell_elsewhere(pocket: str | None, target: str | None) -> list[str]:
    """Why a ball that fell is neither short nor long, where it was meant for another pocket."""
    if not pocket or not target or pocket == target:
        return []
    return [f"outcome: the ball fell into {pocket}, not into the target {target}"]


def _at_cushion(motion: ShotMotion, ball: str, i: int, table: Table) -> dict[str, Measured]:
    cushion: Cushion = motion.layout.events[i].other  # type: ignore[assignment]
    n = inward_normal(cushion)
    along = np.array([-n[1], n[0]])
    side = float(np.sign(motion.path().before[ball, i][1][0] @ along)) or 1.0
    t = side * along  # along the cushion, the way the ball travels

    def sight(path: Path, table: Table) -> Array:
        x, y = path.before[ball, i][0].T
        return np.asarray(table.sight(cushion, x, y))

    def derive(path: Path) -> dict[str, Array]:
        _, v, _ = path.before[ball, i]
        _, w, roll = path.after[ball, i]
        s = settled_velocity(w, roll)
        towards = -(v @ n)  # may be no more than 0 where it came in nearly along the cushion
        return {
            "incoming_angle_deg": np.degrees(np.arctan2(v @ t, towards)),
            "rebound_angle_deg": np.degrees(np.arctan2(w @ t, w @ n)),
            "rebound_settled_angle_deg": np.degrees(np.arctan2(s @ t, s @ n)),
            "speed_at_impact_mps": speed_mps(v),
            "rebound_speed_mps": speed_mps(w),
            "rail_sight": sight(path, table),
            "rail_s": path.time(i),
            "restitution": ratio(w @ n, towards),
            "tangential_ratio": (w @ t) / np.maximum(v @ t, 1e-6),
        }

    got = evaluate(motion, derive)
    got["rail_sight"] = without_size(got["rail_sight"], motion, table, sight)
    return got


def _settles(motion: ShotMotion, ball: str, i: int, seen_until_s: float) -> bool:
    """Whether the ball was followed through most of its slide after the cushion: then it shows where it would roll."""
    path = motion.path()
    _, w, roll = path.after[ball, i]
    slide = float(slide_time(w, roll, path.mu_s)[0])
    followed = min(motion.next_event_s(ball, i), seen_until_s) - motion.events[i].t_s
    return followed >= _MOST_OF_SLIDE * slide


def _arrival(
    motion: ShotMotion, ball: str, cushions: list[int], table: Table, pocketed: Pocketed | None, target: str | None
) -> tuple[Measured | None, str | None, list[str]]:
    """Signed distance of the arriving path from the target's middle, and what came of the shot."""
    empty = "miss_mm" if pocketed else "outcome, miss_mm"  # of a ball that fell the pocket tells what came of it
    if target is None:  # the pocket in which it fell instead would give a miss to the balls that fell alone
        return None, "pocketed" if pocketed else None, [f"{empty}: no target pocket declared"]
    which = next((n for n, m in enumerate(mouths(table)) if m.pocket == target), None)
    if which is None:
        return None, None, [f"{empty}: this table has no pocket {target}"]
    mouth = mouths(table)[which]
    i = _arriving_leg(motion, ball, cushions, mouth, pocketed, table)
    hit = pocketed is not None and pocketed.pocket == target
    if i is None:
        return None, "pocketed" if hit else None, [f"{empty}: no path leads towards the target pocket"]
    if (other := _sent_elsewhere(motion, ball, cushions[0], i)) is not None:
        met = "the cue ball again (a double kiss)" if other == "cue" else "another ball"
        why = f"{empty}: the ball met {met} after its first cushion, so where it arrived tells nothing of the bank"
        return None, "pocketed" if hit else None, [why]
    cushion = _last_cushion(motion, ball, i)

    def crossing(path: Path, table: Table) -> Array:
        return _crossing(path, ball, i, mouths(table)[which], cushion)

    miss = evaluate(motion, lambda path: {"miss_mm": crossing(path, table)})["miss_mm"]
    miss = without_size(miss, motion, table, crossing)  # the mouth moves with the table as the ball does
    outcome = "pocketed" if hit else ("long" if miss.value > 0 else "short")
    unknown = "miss_mm: the pocket's mouth is taken in proportion to the ball, as on a pool table"
    notes = [] if mouth.known else [unknown]
    if not hit and _clears(miss, mouth, motion.radius_mm) and _under_way(motion, ball, mouth):
        return miss, None, [*notes, "outcome: the clip ended while the ball was on its way into the pocket"]
    return miss, outcome, notes


def _clears(miss: Measured, mouth: Mouth, radius_mm: float) -> bool:
    """Whether a ball that arrives there touches neither side of the mouth."""
    return abs(miss.value) < mouth.width_mm / 2 - radius_mm


def _under_way(motion: ShotMotion, ball: str, mouth: Mouth) -> bool:
    """Whether the ball was still rolling before the mouth when it was last seen."""
    seen, rest_s = motion.seen[ball], motion.rest_s(ball)
    last_s = float(seen.t_s[-1])
    return float(mouth.depth(seen.xy_mm[-1])) < 0 and motion.events[motion.layout.chain[ball][-1]].t_s < last_s and (
        rest_s is None or rest_s > last_s)


def _sent_elsewhere(motion: ShotMotion, ball: str, first: int, i: int) -> str | None:
    """The ball that was met between the first cushion and the arriving leg, or ended that leg before the line showed on
    which it would have rolled; None if there was none.
    """
    chain, path = motion.layout.chain[ball], motion.path()
    met = [k for k in chain if first < k <= i and motion.events[k].kind == "ball"]
    following = next((k for k in chain if k > i), None)
    if not met and following is not None and motion.events[following].kind == "ball":
        _, v, roll = path.after[ball, i]
        lasts = float((path.time(following) - path.time(i))[0])
        met = [following] if lasts < _MOST_OF_SLIDE * float(slide_time(v, roll, path.mu_s)[0]) else []
    if not met:
        return None
    event = motion.events[met[0]]
    return event.other if event.ball == ball else event.ball


def _last_cushion(motion: ShotMotion, ball: str, i: int) -> Cushion:
    events = motion.layout.events
    met = [k for k in motion.layout.chain[ball] if k <= i and events[k].kind in ("cushion", "jaw")]
    return events[met[-1]].other  # type: ignore[return-value]


def _arriving_leg(
    motion: ShotMotion, ball: str, cushions: list[int], mouth: Mouth, pocketed: Pocketed | None, table: Table
) -> int | None:
    """The leg after the first cushion, before any jaw, whose line leads nearest to the target's middle."""
    events = motion.layout.events
    chain = motion.layout.chain[ball]
    legs = [k for k in chain if k >= cushions[0] and events[k].kind in ("cushion", "ball")]
    legs = [k for k in legs if k == cushions[0] or not _at_a_tip(motion, ball, k, table)]
    if pocketed is not None and pocketed.pocket == mouth.pocket and legs:
        return legs[-1]
    path = motion.path()
    best, best_miss = None, _LOOK_MM
    for k in legs:
        direction = _settled_or_last(path, ball, k, motion)[1][0]
        if direction @ mouth.into < 0.2 * np.hypot(*direction):
            continue
        miss = abs(float(_crossing(path, ball, k, mouth, _last_cushion(motion, ball, k))[0]))
        if miss < best_miss:
            best, best_miss = k, miss
    return best


def _at_a_tip(motion: ShotMotion, ball: str, i: int, table: Table) -> bool:
    """Whether a cushion was met so close to its end that it is part of a ball's arrival at the pocket, as a jaw is."""
    event = motion.layout.events[i]
    if event.kind != "cushion":
        return False
    n, place = inward_normal(event.other), motion.path().before[ball, i][0][0]
    along = np.array([-n[1], n[0]])
    return any(in_jaws(table, event.other, place + side * _TIP_MM * along) for side in (-1, 1))


def _settled_or_last(path: Path, ball: str, i: int, motion: ShotMotion) -> tuple[Array, Array]:
    """Place and direction (P, 2) of the line a leg leads along: where it rolls, or where it ends still sliding."""
    p, v, roll = path.after[ball, i]
    slide = slide_time(v, roll, path.mu_s)
    chain = motion.layout.chain[ball]
    later = [k for k in chain if k > i]
    tau = slide if not later else np.minimum(slide, path.time(later[0]) - path.time(i))
    q, w, _ = state_after(p, v, roll, tau, path.mu_s, path.mu_r)
    return q, w


def _crossing(path: Path, ball: str, i: int, mouth: Mouth, cushion: Cushion) -> Array:
    """(P,) where the leg's line crosses the mouth line, from its middle: + further in the direction of travel.

    Long means a wider angle off the last cushion. The line is carried on straight where the ball stops or turns before.
    """
    p, v, roll = path.after[ball, i]
    slide = slide_time(v, roll, path.mu_s)
    chain = path.layout.chain[ball]
    later = [k for k in chain if k > i]
    tau = slide if not later else np.minimum(slide, path.time(later[0]) - path.time(i))
    low, high = np.zeros_like(tau), tau
    for _ in range(_HALVINGS):  # it may be there while it still slides, on a bent way: until then, and no further
        middle = (low + high) / 2
        beyond = mouth.depth(state_after(p, v, roll, middle, path.mu_s, path.mu_r)[0]) > 0
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    q, w, _ = state_after(p, v, roll, high, path.mu_s, path.mu_r)
    rate = w @ mouth.into
    reach = ((mouth.centre - q) @ mouth.into) / np.where(np.abs(rate) < 1e-6, 1e-6, rate)
    offset = (q + w * reach[:, None] - mouth.centre) @ mouth.along
    n = inward_normal(cushion)
    wider = np.sign(n[0] * w[0, 1] - n[1] * w[0, 0])  # which way the direction turns as the rebound angle grows
    left = np.array([-w[0, 1], w[0, 0]])
    return np.asarray(offset * wider * np.sign(mouth.along @ left))


