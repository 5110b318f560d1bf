"""How a bank was launched: the cue ball, its contact with the object ball, the banked ball's departure.

Nothing in here knows of the rebound or of what came of the shot: it is what a blind verdict may see.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from pipeline.measured import Measured, cross, direction_deg, dot, evaluate, ratio, speed_mps, untold, wrap_deg
from pipeline.motions import ShotMotion
from pipeline.paths import MotionEvent, Path
from pipeline.physics import Array, settled_velocity, slide_time, state_after
from pipeline.pockets import Pocketed
from shared.columns import NO_CONTACT

_FOREVER_S = 1e4
_ON_ITS_WAY_MM_S = 20.0
SURE_SIDE = 3.0  # standard uncertainties by which a hit must be off the full one for its side to be known


@dataclass(frozen=True)
class Launch:
    """Measures of the hit; None where not measurable, with the reason in ``notes``.

    ``departure_deg``: direction of the banked ball's departure in the table frame, anticlockwise from +x;
    ``departure_mm``: where from. ``aim_error_deg`` needs a pattern's intended line and is filled by who knows it.
    """

    kind: str  # bank or kick
    banked_ball: str
    cue_speed_mps: Measured | None = None
    cue_impact_speed_mps: Measured | None = None
    object_speed_mps: Measured | None = None
    cut_angle_deg: Measured | None = None
    throw_deg: Measured | None = None
    cue_roll_ratio: Measured | None = None
    cue_cross_ratio: Measured | None = None
    cue_side_spin_rps: Measured | None = None
    cue_along_mm: Measured | None = None
    cue_across_mm: Measured | None = None
    cue_drift_deg: Measured | None = None
    departure_deg: Measured | None = None
    departure_mm: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def measures(self) -> dict[str, Measured]:
        """By column name, those that were measured."""
        got = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in got.items() if isinstance(value, Measured)}


@dataclass(frozen=True)
class TrackQuality:
    """How well the shot was seen; ``frames_seen`` by ball name, 0-1."""

    frames_seen: dict[str, float] = field(default_factory=dict)
    residual_mm: float | None = None
    calibration_rms_px: float | None = None
    notes: tuple[str, ...] = ()


def first_ball_contact(events: list[MotionEvent]) -> int | None:
    """Index of the cue ball's first contact with a ball."""
    for i, event in enumerate(events):
        if event.kind == "ball" and event.concerns("cue"):
            return i
    return None


def _came_in(motion: ShotMotion, i: int) -> bool:
    """Whether the cue ball was on its way when it met the other ball."""
    return float(np.hypot(*motion.path().before["cue", i][1][0])) > _ON_ITS_WAY_MM_S


def measure_launch(
    motion: ShotMotion, *, kind: str, banked_ball: str, cue_fell: Pocketed | None, seen_until_s: float
) -> Launch:
    """Everything up to the banked ball's departure, and what the cue ball does afterwards.

    cue_fell     : how the cue ball left the table into a pocket; None if it did not
    seen_until_s : the cue ball's last frame in the shot
    """
    events = motion.layout.events
    contact = first_ball_contact(events)
    strike = next(i for i, e in enumerate(events) if e.kind == "strike")
    notes: list[str] = []
    got = evaluate(motion, lambda path: {"cue_speed_mps": speed_mps(path.after["cue", strike][1])})
    if contact is None:
        notes.append(f"no object ball was hit: {NO_CONTACT}")
        return _launched(Launch(kind, banked_ball, **got, notes=tuple(notes)), motion, "cue", strike)
    if not _came_in(motion, contact):
        notes.append(f"the cue ball lay still when it met another ball: {NO_CONTACT}")
        return _launched(Launch(kind, banked_ball, **got, notes=tuple(notes)), motion, "cue", strike)
    got |= _contact(motion, contact)
    if kind == "bank":
        notes += _met_on_its_way(events[contact + 1 :], banked_ball)
    moved, why = _after(motion, contact, cue_fell, seen_until_s)
    got |= moved
    notes += why
    for name in untold(got):
        got.pop(name)
        notes.append(f"{name}: the cue ball may have stopped before it met the other ball")
    if cue_fell is None and _lost_too_soon(motion, contact, got["cue_impact_speed_mps"].value, seen_until_s):
        for name in ("cue_roll_ratio", "cue_cross_ratio", "cue_drift_deg"):
            got.pop(name, None)
        notes = [note for note in notes if not note.startswith("cue_drift_deg")]
        notes.append("cue_roll_ratio, cue_cross_ratio, cue_drift_deg: the cue ball was not seen for long enough after "
                     "the hit; film until the balls lie still")
    ball, i = (banked_ball, contact) if kind == "bank" else ("cue", strike)
    if (ball, i) not in motion.layout.leg:
        i = motion.layout.chain[ball][0]
    return _launched(Launch(kind, banked_ball, **got, notes=tuple(notes)), motion, ball, i)


def _met_on_its_way(events: Sequence[MotionEvent], banked_ball: str) -> list[str]:
    """For the user, where the banked ball met another one between the hit, which ``events`` follow, and a cushion."""
    first = next((event for event in events if event.concerns(banked_ball)), None)
    if first is None or first.kind != "ball":
        return []
    other = first.other if first.ball == banked_ball else first.ball
    return [f"the banked ball met {'the cue ball again' if other == 'cue' else other} before its first cushion"]


def _launched(launch: Launch, motion: ShotMotion, ball: str, i: int) -> Launch:
    """With the place and direction in which the banked ball left."""
    got = evaluate(
        motion, lambda path: {"d": direction_deg(path.after[ball, i][1])}, degrees=frozenset({"d"})
    )["d"]
    p = motion.path().after[ball, i][0][0]
    return replace(launch, departure_deg=got, departure_mm=(float(p[0]), float(p[1])))


def _other(event: MotionEvent) -> str:
    return event.other if event.ball == "cue" else event.ball


def _lost_too_soon(motion: ShotMotion, i: int, impact_mps: float, seen_until_s: float) -> bool:
    """Whether the cue ball may still have been sliding when it was last seen, so that its roll did not show.

    The slide of a ball that carries natural roll out of the hit, or as much draw, lasts ``2 v / (7 mu g)``. The fit is
    not asked: with so few frames it fits other rolls as well.
    """
    if any(k > i for k in motion.layout.chain["cue"]):
        return False
    slip = np.array([1000 * impact_mps, 0.0])
    longest = float(slide_time(slip, np.zeros(2), motion.friction.sliding))
    return seen_until_s - motion.events[i].t_s < longest


def _contact(motion: ShotMotion, i: int) -> dict[str, Measured]:
    other = _other(motion.layout.events[i])

    def derive(path: Path) -> dict[str, Array]:
        p, v, _ = path.before["cue", i]
        q = path.before[other, i][0]
        roll = path.after["cue", i][2]
        struck = path.after[other, i][1]
        centres = direction_deg(q - p)
        speed = np.hypot(v[:, 0], v[:, 1])
        return {
            "cue_impact_speed_mps": speed_mps(v),
            "object_speed_mps": speed_mps(struck),
            "cut_angle_deg": wrap_deg(centres - direction_deg(v)),
            "throw_deg": wrap_deg(direction_deg(struck) - centres),
            "cue_roll_ratio": ratio(dot(v, roll), speed**2),
            "cue_cross_ratio": ratio(cross(v, roll), speed**2),
        }

    return evaluate(motion, derive, degrees=frozenset({"cut_angle_deg", "throw_deg"}))


def _after(
    motion: ShotMotion, i: int, fell: Pocketed | None, seen_until_s: float
) -> tuple[dict[str, Measured], list[str]]:
    """The cue ball's way from the contact to its next event."""
    later = [k for k in motion.layout.chain["cue"] if k > i]
    following = later[0] if later else None
    rest = motion.rest_s("cue")
    if following is None and fell is None and rest is not None and rest > seen_until_s + 0.05:
        drift, no_drift = _drift(motion, i, None, seen_until_s)
        why = "cue_along_mm, cue_across_mm: the cue ball was still rolling when it was last seen"
        return drift, [why, *no_drift]
    fell = fell if following is None else None
    end = fell.t_s if fell is not None else None

    def derive(path: Path) -> dict[str, Array]:
        p, v, _ = path.before["cue", i]
        if following is not None:
            q = path.before["cue", following][0]
        else:
            stop = path.time(i) + _FOREVER_S if end is None else np.full(len(p), end)
            start, out, roll = path.after["cue", i]
            q = state_after(start, out, roll, stop - path.time(i), path.mu_s, path.mu_r)[0]
        forward = ratio(v, np.hypot(v[:, 0], v[:, 1])[:, None])
        return {"cue_along_mm": dot(forward, q - p), "cue_across_mm": cross(forward, q - p)}

    drift, no_drift = _drift(motion, i, following, end if end is not None else seen_until_s)
    moved = evaluate(motion, derive)
    if fell is not None:
        moved = _with_fall(motion, i, moved, fell)
    return moved | drift, no_drift


def _with_fall(motion: ShotMotion, i: int, moved: dict[str, Measured], fell: Pocketed) -> dict[str, Measured]:
    """How far the cue ball came before it fell, with the uncertainty of when that was."""
    came = motion.path().before["cue", i][1][0]
    forward = came / np.hypot(*came)
    way = motion.states("cue", np.array([fell.t_s]))[1][0] * fell.u_s
    parts = {"cue_along_mm": float(dot(forward, way)), "cue_across_mm": float(cross(forward, way))}
    return {name: Measured(got.value, float(np.hypot(got.u, parts[name]))) for name, got in moved.items()}


def _drift(
    motion: ShotMotion, i: int, following: int | None, until_s: float
) -> tuple[dict[str, Measured], list[str]]:
    """Angle from the line on which a stunned cue ball would leave to its settled path: + left.

    That line is the tangent, in the direction of what the incoming velocity has along it.
    """
    other = _other(motion.layout.events[i])
    start = motion.events[i].t_s
    stop = motion.events[following].t_s if following is not None else until_s
    base = motion.path()
    p, v, roll = (a[0][None] for a in base.after["cue", i])
    tau = np.linspace(0.0, max(stop - start, 0.0), 60)
    places = state_after(p, v, roll, tau, base.mu_s, base.mu_r)[0]
    if np.hypot(*(places - p).T).max() <= motion.radius_mm:
        return {}, ["cue_drift_deg: the cue ball stayed within a ball radius"]

    def derive(path: Path) -> dict[str, Array]:
        gap = path.before[other, i][0] - path.before["cue", i][0]
        n = gap / np.hypot(gap[:, 0], gap[:, 1])[:, None]
        _, came, _ = path.before["cue", i]
        _, out, turn = path.after["cue", i]
        settled = settled_velocity(out, turn)
        side = np.sign(cross(n, came)[0]) or 1.0
        tangent = side * np.stack([-n[:, 1], n[:, 0]], axis=1)
        off = wrap_deg(direction_deg(came) - direction_deg(n))
        return {"cue_drift_deg": wrap_deg(direction_deg(settled) - direction_deg(tangent)), "off_deg": off}

    got = evaluate(motion, derive, degrees=frozenset({"cue_drift_deg", "off_deg"}))
    off = got.pop("off_deg")
    if abs(off.value) < SURE_SIDE * off.u:
        return {}, ["cue_drift_deg: hit too straight on for the tangent line to have a side"]
    return got, []
