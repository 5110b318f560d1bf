"""A clip's truth file turned into the measures as the output files define them.

A truth file gives positions, velocities and spins in the table frame (mm, mm/s, rad/s, z up). Rolling means
``v = (omega_y R, -omega_x R)``, so the velocity at which a ball with a given spin would roll is that expression.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: truth event word -> word in contacts.csv
_KINDS = {"strike": "strike", "ball_ball": "ball", "cushion": "cushion", "pocket": "pocket", "rest": "rest"}
_NORMALS = {"head": (1.0, 0.0), "foot": (-1.0, 0.0), "right": (0.0, 1.0), "left": (0.0, -1.0)}
Vector = NDArray[np.float64]


@dataclass(frozen=True)
class ClipTruth:
    """One clip's truth. ``record`` is the whole file."""

    path: Path
    clip: Path
    record: dict[str, Any]

    @property
    def table(self) -> dict[str, Any]:
        return dict(self.record["table"])

    @property
    def radius_mm(self) -> float:
        return float(self.record["table"]["ball_diameter_mm"]) / 2

    @property
    def times_s(self) -> Vector:
        return np.asarray(self.record["timestamps"], dtype=float)

    @property
    def corners_px(self) -> Vector:
        """(4, 2) nose-line corners in the picture as displayed."""
        corners = np.asarray(self.record["corners_px"], dtype=float)
        camera = self.record["camera"]
        return as_displayed(corners, camera["width"], camera["height"], camera.get("display_rotation_deg") or 0)


def as_displayed(xy_px: Vector, width: int, height: int, rotation_deg: int) -> Vector:
    """Stored picture coordinates in the picture turned clockwise by ``rotation_deg`` (a multiple of 90)."""
    x, y = xy_px[:, 0], xy_px[:, 1]
    turned = {
        0: (x, y),
        90: (height - 1 - y, x),
        180: (width - 1 - x, height - 1 - y),
        270: (y, width - 1 - x),
    }[rotation_deg % 360]
    return np.column_stack(turned)


def find_truths(folder: Path) -> list[ClipTruth]:
    """Every clip below ``folder`` with a NAME.truth.json beside it."""
    out = []
    for path in sorted(folder.rglob("*.truth.json")):
        stem = path.name.removesuffix(".truth.json")
        clips = [p for ext in ("mp4", "mov", "mkv", "m4v") for p in path.parent.glob(f"{stem}.{ext}")]
        if clips:
            out.append(ClipTruth(path, clips[0], json.loads(path.read_text())))
    return out


def rolling_velocity(omega: Vector, radius_mm: float) -> Vector:
    """Velocity (mm/s) at which a ball with this spin (rad/s) would roll."""
    return np.array([omega[1], -omega[0]]) * radius_mm


def signed_angle_deg(direction: Vector, reference: Vector) -> float:
    """Angle from ``reference`` to ``direction``, + to the left, -180 to 180."""
    cross = reference[0] * direction[1] - reference[1] * direction[0]
    return math.degrees(math.atan2(cross, float(reference @ direction)))


def cushion_angles_deg(cushion: str, before: Vector, after: Vector) -> tuple[float, float]:
    """(incoming, rebound) from the cushion's normal; rebound negative when it comes back on the side it came from."""
    normal = np.array(_NORMALS[cushion])
    along = np.array([-normal[1], normal[0]])
    side = math.copysign(1.0, float(before @ along))
    incoming = math.degrees(math.atan2(abs(float(before @ along)), -float(before @ normal)))
    rebound = math.degrees(math.atan2(side * float(after @ along), float(after @ normal)))
    return incoming, rebound


def _v(event: dict[str, Any], when: str, ball: str) -> Vector:
    return np.asarray(event[when][ball]["v_mm_s"], dtype=float)[:2]


def _cushion_measures(event: dict[str, Any], ball: str, truth: ClipTruth) -> dict[str, float]:
    before, after = _v(event, "before", ball), _v(event, "after", ball)
    normal = np.array(_NORMALS[event["cushion"]])
    along = np.array([-normal[1], normal[0]])
    incoming, rebound = cushion_angles_deg(event["cushion"], before, after)
    size = truth.table["length_mm"] / 8 if event["cushion"] in ("left", "right") else truth.table["width_mm"] / 4
    return {
        "incoming_angle_deg": incoming,
        "rebound_angle_deg": rebound,
        "speed_at_impact_mps": float(np.linalg.norm(before)) / 1000,
        "rebound_speed_mps": float(np.linalg.norm(after)) / 1000,
        "rail_s": float(event["t"]),
        "rail_sight": float(event["along_mm"]) / size,
        "restitution": float(after @ normal) / -float(before @ normal),
        "tangential_ratio": float(after @ along) / float(before @ along),
    }


def _next_event(events: list[dict[str, Any]], ball: str, after_s: float) -> dict[str, Any] | None:
    later = [e for e in events if ball in e["balls"] and e["t"] > after_s + 1e-6 and ball in e.get("pos_mm", {})]
    return later[0] if later else None


def _ball_measures(event: dict[str, Any], events: list[dict[str, Any]], truth: ClipTruth) -> dict[str, float]:
    """Launch measures at the cue ball's contact with the object ball."""
    cue, target = event["balls"] if event["balls"][0] == "cue" else event["balls"][::-1]
    before, after, away = _v(event, "before", cue), _v(event, "after", cue), _v(event, "after", target)
    speed = float(np.linalg.norm(before))
    path = before / speed
    left = np.array([-path[1], path[0]])
    centre = np.asarray(event["pos_mm"][cue][:2], dtype=float)
    line = np.asarray(event["pos_mm"][target][:2], dtype=float) - centre
    spin = np.asarray(event["after"][cue]["omega"], dtype=float)
    rolling = rolling_velocity(spin, truth.radius_mm)
    out = {
        "cue_impact_speed_mps": speed / 1000,
        "object_speed_mps": float(np.linalg.norm(away)) / 1000,
        "cut_angle_deg": signed_angle_deg(line, path),
        "throw_deg": signed_angle_deg(away, line),
        "cue_roll_ratio": float(rolling @ path) / speed,
        "cue_cross_ratio": float(rolling @ left) / speed,
        "cue_side_spin_rps": float(event["before"][cue]["omega"][2]) / (2 * math.pi),
    }
    end = _next_event(events, cue, event["t"])
    if end is not None:
        moved = np.asarray(end["pos_mm"][cue][:2], dtype=float) - centre
        out |= {"cue_along_mm": float(moved @ path), "cue_across_mm": float(moved @ left)}
    settled = (5 * after + 2 * rolling) / 7
    if end is not None and float(np.linalg.norm(moved)) > truth.radius_mm:
        tangent = np.array([-line[1], line[0]]) * math.copysign(1.0, float(np.array([-line[1], line[0]]) @ before))
        out["cue_drift_deg"] = signed_angle_deg(settled, tangent)
    return out


def shot_measures(truth: ClipTruth) -> list[dict[str, Any]]:
    """One dict per shot, named as shots.csv names them, with ``start_s`` and the banked ball's truth label."""
    record, out = truth.record, []
    for shot in record["shots"]:
        events = [e for e in record["events"] if shot["start_s"] - 1e-6 <= e["t"] <= shot["end_s"] + 1e-6]
        row: dict[str, Any] = {"start_s": shot["strike_s"], "kind": shot["kind"], "label": shot["measured_ball"]}
        strike = next((e for e in events if e["kind"] == "strike"), None)
        if strike is not None and "after" in strike:
            row["cue_speed_mps"] = float(np.linalg.norm(_v(strike, "after", "cue"))) / 1000
        hits = [e for e in events if e["kind"] == "ball_ball" and "cue" in e["balls"]]
        if hits and shot["kind"] == "bank":
            row |= _ball_measures(hits[0], events, truth)
        cushions = [e for e in events if e["kind"] == "cushion" and shot["measured_ball"] in e["balls"]]
        noses = [e for e in cushions if e.get("part") == "nose"]
        row["rails"] = len(noses)
        if noses:
            row |= _cushion_measures(noses[0], shot["measured_ball"], truth)
            row["rail"] = noses[0]["cushion"]
            same = [c for c in shot["cushions"] if abs(c["t"] - noses[0]["t"]) < 1e-3]
            settled = same[0].get("rebound_rolling_deg") if same else None
            if settled is not None:
                row["rebound_settled_angle_deg"] = settled
        crossing = shot["outcome"].get("pocket_line_crossing")
        row["target"] = shot.get("intended", {}).get("pocket")
        row["pocket"] = shot["outcome"].get("pocket") if shot["outcome"].get("pocketed") else None
        if crossing:
            row["miss_mm"] = crossing["offset_mm"]
        out.append(row)
    return out


def last_told_s(truth: ClipTruth) -> float:
    """What happens later, in the last two frames, cannot be told from what came before: it is not counted."""
    return float(truth.times_s[-3])


def event_table(truth: ClipTruth) -> pd.DataFrame:
    """Events of the shots: t_s, kind, label, other, x_mm, y_mm, and for cushions speeds (m/s) and angles (deg).

    A ball-ball contact is one row, of the ball that moved faster before it. Hands are left out.
    """
    rows = []
    last_s = last_told_s(truth)
    for event in truth.record["events"]:
        kind = _KINDS.get(event["kind"])
        if kind is None or event["t"] > last_s:
            continue
        balls = list(event["balls"])
        if kind == "rest" and _turned_in_place(truth, balls[0], event["t"]):
            continue
        if kind == "ball":
            balls.sort(key=lambda b: -float(np.linalg.norm(_v(event, "before", b))))
        other = balls[1] if kind == "ball" else event.get("cushion") or event.get("pocket") or ""
        row = {"t_s": event["t"], "kind": kind, "label": balls[0], "other": other}
        if kind == "cushion" and event.get("part") != "nose":
            row["kind"] = "jaw"
        if "pos_mm" in event:
            row["x_mm"], row["y_mm"] = event["pos_mm"][balls[0]][:2]
        if row["kind"] == "cushion":
            measures = _cushion_measures(event, balls[0], truth)
            row |= {
                "speed_in_mps": measures["speed_at_impact_mps"],
                "speed_out_mps": measures["rebound_speed_mps"],
                "angle_in_deg": measures["incoming_angle_deg"],
                "angle_out_deg": measures["rebound_angle_deg"],
                "sight": measures["rail_sight"],
            }
        rows.append(row)
    return pd.DataFrame(rows)


def _turned_in_place(truth: ClipTruth, label: str, rest_s: float) -> bool:
    """Whether a ball still turned about the vertical, in its place, before it came to rest.

    The truth counts that as motion; ours ends with the travel, whose end the truth has only to a frame.
    """
    states = next(ball["state"] for ball in truth.record["balls"] if ball["label"] == label)
    before = np.flatnonzero(truth.times_s < rest_s)
    return bool(len(before)) and states[int(before[-1])] == "P"


def ball_frames(truth: ClipTruth) -> pd.DataFrame:
    """A row per ball and frame on the table: frame, t_s, label, x_mm, y_mm, moving (yes/no), vis."""
    parts = []
    times = truth.times_s
    for ball in truth.record["balls"]:
        state = np.array(list(ball["state"]))
        on = np.isin(state, [".", "S", "R", "P"])
        parts.append(
            pd.DataFrame(
                {
                    "frame": np.flatnonzero(on),
                    "t_s": times[on],
                    "label": ball["label"],
                    "x_mm": np.asarray(ball["x_mm"], dtype=float)[on],
                    "y_mm": np.asarray(ball["y_mm"], dtype=float)[on],
                    "moving": np.isin(state, ["S", "R"])[on],
                    "vis": np.asarray(ball["vis"], dtype=float)[on],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
