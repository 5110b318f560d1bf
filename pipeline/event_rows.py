"""Rows of contacts.csv from a measured shot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measured import direction_deg, evaluate, speed_mps, with_side_unsure, without_size, wrap_deg
from pipeline.motions import ShotMotion
from pipeline.paths import MotionEvent, Path, inward_normal
from pipeline.physics import Array, rest_time, state_after
from shared.equipment import Table

if TYPE_CHECKING:
    from pipeline.shots import MeasuredShot

_PLACE = frozenset({"kind", "ball", "other", "t_s", "x_mm", "y_mm"})  # all that is said if the motion can't be right
_ANGLES = frozenset({"angle_in_deg", "angle_out_deg"})
_LEAVING = frozenset({"speed_out_mps", "angle_out_deg"})


def contact_rows(shot: MeasuredShot, table: Table) -> list[dict[str, Any]]:
    """A row per event, in order of time, numbered from 1; where the motion can't be right, only where to look."""
    motion = shot.motion
    rows = [_event(motion, i, event, table) for i, event in enumerate(motion.events)]
    for ball in motion.layout.balls:
        if ball in shot.followed.pocketed:
            rows.append(_pocketed(shot, ball))
        elif (rest := motion.rest_s(ball)) is not None and rest <= shot.followed.last_seen_s(ball) + 0.05:
            rows.append(_rest(motion, ball))
    if shot.followed.lost:
        strike = shot.followed.strike  # such a fit may put contacts anywhere
        rows = [{name: value for name, value in row.items() if name in _PLACE}
                for row in rows if strike.t_s - 0.1 < row["t_s"] < strike.until_s]
    rows.sort(key=lambda row: float(row["t_s"]))
    return [{"shot_id": shot.shot_id, "n": n, **row} for n, row in enumerate(rows, start=1)]


def _event(motion: ShotMotion, i: int, event: MotionEvent, table: Table) -> dict[str, Any]:
    ball = event.ball

    def sight(path: Path, table: Table) -> Array:
        x, y = path.before[ball, i][0].T
        return np.asarray(table.sight(event.other, x, y))  # type: ignore[arg-type]

    def derive(path: Path) -> dict[str, Array]:
        p, v, _ = path.before[ball, i]
        _, w, _ = path.after[ball, i]
        out = {"t_s": path.time(i), "x_mm": p[:, 0], "y_mm": p[:, 1], "speed_out_mps": speed_mps(w)}
        if event.kind == "strike":
            return out
        out["speed_in_mps"] = speed_mps(v)
        if event.kind == "ball":
            centres = direction_deg(path.before[event.other, i][0] - p)
            out["angle_in_deg"] = wrap_deg(direction_deg(v) - centres)
            out["angle_out_deg"] = wrap_deg(direction_deg(w) - centres)
            return out
        out["sight"] = sight(path, table)
        if event.kind == "cushion":
            n = inward_normal(event.other)
            along = np.array([-n[1], n[0]])
            t = along * (float(np.sign(v[0] @ along)) or 1.0)
            out["angle_in_deg"] = np.degrees(np.arctan2(v @ t, -(v @ n)))
            out["angle_out_deg"] = np.degrees(np.arctan2(w @ t, w @ n))
        return out

    row: dict[str, Any] = {"kind": event.kind, "ball": ball, "other": event.other or None}
    values = evaluate(motion, derive, degrees=_ANGLES)
    if event.kind == "cushion":
        values["angle_out_deg"] = with_side_unsure(values["angle_out_deg"], values["angle_in_deg"])
    if "sight" in values:
        values["sight"] = without_size(values["sight"], motion, table, sight)
    told = event.kind == "strike" or motion.shows_leaving(ball, i)  # a strike's leg begins where the ball lay
    for name, got in values.items():
        if told or name not in _LEAVING:
            row[name], row[f"{name}_u"] = got.value, got.u
    return row


def _pocketed(shot: MeasuredShot, ball: str) -> dict[str, Any]:
    fell = shot.followed.pocketed[ball]
    at, v, _ = shot.motion.states(ball, np.array([fell.t_s]))
    spread = np.sqrt(np.diagonal(shot.motion.position_covariance(ball, np.array([fell.t_s]))[0]))
    along = np.abs(v[0]) * fell.u_s
    return {
        "kind": "pocket", "ball": ball, "other": fell.pocket, "t_s": fell.t_s, "t_s_u": fell.u_s,
        "x_mm": at[0, 0], "x_mm_u": float(np.hypot(spread[0], along[0])),
        "y_mm": at[0, 1], "y_mm_u": float(np.hypot(spread[1], along[1])),
        **_speed_in(shot.motion, ball, fell.t_s),
    }


def _speed_in(motion: ShotMotion, ball: str, t_s: float) -> dict[str, float]:
    last = motion.layout.chain[ball][-1]

    def derive(path: Path) -> dict[str, Array]:
        p, v, roll = path.after[ball, last]
        return {"v": speed_mps(state_after(p, v, roll, t_s - path.time(last), path.mu_s, path.mu_r)[1])}

    got = evaluate(motion, derive)["v"]
    return {"speed_in_mps": got.value, "speed_in_mps_u": got.u}


def _rest(motion: ShotMotion, ball: str) -> dict[str, Any]:
    last = motion.layout.chain[ball][-1]

    def derive(path: Path) -> dict[str, Array]:
        p, v, roll = path.after[ball, last]
        stop = rest_time(v, roll, path.mu_s, path.mu_r)
        q = state_after(p, v, roll, stop + 1.0, path.mu_s, path.mu_r)[0]
        return {"t_s": path.time(last) + stop, "x_mm": q[:, 0], "y_mm": q[:, 1]}

    row: dict[str, Any] = {"kind": "rest", "ball": ball, "other": None}
    for name, got in evaluate(motion, derive).items():
        row[name], row[f"{name}_u"] = got.value, got.u
    return row
