"""A measured session made from the exact truth of simulated clips, for what only shows results: no measuring needed."""

from __future__ import annotations

import csv
import json
import shutil
from math import acos, degrees, hypot
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.pose import CameraPose
from calibration.store import Calibration, write_calibrations
from pipeline.judging import judge_shots
from shared.columns import CONTACTS, SHOTS, TRACKS
from shared.equipment import standard_table
from shared.settings import SessionSettings

EVENING = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningA"
CLIMATE = {"temperature_c": 24.1, "humidity_pct": 45.5, "dew_point_c": 11.588362, "absolute_humidity_gm3": 9.931884}
INWARD = {"left": (0, -1), "right": (0, 1), "head": (1, 0), "foot": (-1, 0)}


def session_from_truth(folder: Path, names: list[str], source: Path = EVENING) -> Path:
    """Copy clips into ``folder`` and write their ``measured/`` as if measured without error; returns ``folder``."""
    measured = folder / "measured"
    measured.mkdir(parents=True)
    with (source / "takes.csv").open() as file:
        takes = {row.pop("clip"): row for row in csv.DictReader(file)}
    shots, contacts, tracks, calibrations = [], [], [], []
    for name in names:
        shutil.copy(source / f"{name}.mp4", folder)
        truth = json.loads((source / f"{name}.truth.json").read_text())
        shots.append(_shot(name, truth, folder.name) | takes[f"{name}.mp4"])
        contacts += _contacts(name, truth)
        tracks += _tracks(name, truth)
        calibrations.append(_calibration(name, truth))
    extra = ("cloth", "balls")
    rows = judge_shots(SHOTS.conform(pd.DataFrame(shots), extra), SessionSettings())
    rows["counted"] = (rows["verdict"] == "clean").astype("boolean")
    order = [n for n in SHOTS.names if n in rows]
    at = order.index("target") + 1
    rows[[*order[:at], *extra, *order[at:]]].to_csv(measured / "shots.csv", index=False)
    CONTACTS.conform(pd.DataFrame(contacts)).to_csv(measured / "contacts.csv", index=False)
    TRACKS.conform(pd.DataFrame(tracks)).to_parquet(measured / "tracks.parquet", index=False)
    write_calibrations(measured / "calibration.json", calibrations)
    return folder


def with_climate(session: Path) -> Path:
    """Add the room's climate to a session's shots, and a remark on the last one alone."""
    path = session / "measured" / "shots.csv"
    shots = pd.read_csv(path)
    at = list(shots.columns).index("balls") + 1
    for name, value in reversed(CLIMATE.items()):
        shots.insert(at, name, value)
    shots.insert(at, "remark", [None] * (len(shots) - 1) + ["cushions brushed"])
    shots.to_csv(path, index=False)
    return session


def _shot(name: str, truth: dict[str, Any], session: str) -> dict[str, Any]:
    shot, hit, rail = truth["shots"][0], truth["shots"][0]["ball_contact"], truth["shots"][0]["first_cushion"]
    strike = next(e for e in truth["events"] if e["kind"] == "strike")
    crossing = shot["outcome"]["pocket_line_crossing"]["offset_mm"]
    row: dict[str, Any] = {
        "shot_id": f"{name}-01", "session": session, "clip": f"{name}.mp4", "shot": 1, "start_s": shot["start_s"],
        "end_s": shot["end_s"], "kind": "bank", "banked_ball": "object", "frames_seen": 0.97, "residual_mm": 0.6,
        "calibration_rms_px": 0.4, "rails": sum(row["kind"] == "cushion" and row["ball"] == "object"
                                                for row in _contacts(name, truth)), "rail": rail["cushion"],
        "outcome": "pocketed" if shot["outcome"]["pocketed"] else "long" if crossing > 0 else "short",
    }
    measures = {
        "cue_speed_mps": (_speed(strike["after"]["cue"]["v_mm_s"]), 0.01),
        "cue_impact_speed_mps": (hit["cue_speed_ms"], 0.01),
        "object_speed_mps": (hypot(*hit["object_velocity_after_ms"]), 0.01),
        "cut_angle_deg": (hit["cut_deg"] * hit["cut_sign"], 0.3), "throw_deg": (hit["throw_deg"], 0.3),
        "cue_roll_ratio": (hit["roll_ratio"], 0.03), "cue_cross_ratio": (hit["cross_roll_ratio"], 0.02),
        "incoming_angle_deg": (rail["incoming_deg"], 0.15), "rebound_angle_deg": (rail["rebound_deg"], 0.3),
        "rebound_settled_angle_deg": (rail["rebound_rolling_deg"], 0.3),
        "speed_at_impact_mps": (rail["speed_before_ms"], 0.01), "rebound_speed_mps": (rail["speed_after_ms"], 0.01),
        "rail_s": (rail["t"], 0.001), "restitution": (rail["normal_ratio"], 0.008), "miss_mm": (crossing, 4.0),
    }
    for measure, (value, u) in measures.items():
        row[measure], row[f"{measure}_u"] = value, u
    return row


def _contacts(name: str, truth: dict[str, Any]) -> list[dict[str, Any]]:
    kinds = {"ball_ball": "ball"}
    rows = []
    for n, event in enumerate(truth["events"], start=1):
        ball = event["balls"][0]
        before, after = event["before"][ball]["v_mm_s"], event["after"][ball]["v_mm_s"]
        kind = kinds.get(event["kind"], event["kind"])
        row: dict[str, Any] = {
            "shot_id": f"{name}-01", "n": n, "t_s": event["t"], "t_s_u": 0.001,
            "kind": "jaw" if kind == "cushion" and event["part"] != "nose" else kind, "ball": _ball(ball),
            "other": _ball(event["balls"][1]) if kind == "ball" else event.get("cushion") or event.get("pocket") or "",
            "x_mm": event["pos_mm"][ball][0], "y_mm": event["pos_mm"][ball][1], "x_mm_u": 0.4, "y_mm_u": 0.4,
            "speed_in_mps": _speed(before), "speed_out_mps": _speed(after),
        }
        if row["kind"] == "cushion":
            inward = np.array(INWARD[event["cushion"]])
            row["angle_in_deg"] = degrees(acos(-(np.array(before) @ inward) / np.hypot(*before)))
            row["angle_out_deg"] = degrees(acos(np.array(after) @ inward / np.hypot(*after)))
        rows.append(row)
    return rows


def _tracks(name: str, truth: dict[str, Any]) -> list[dict[str, Any]]:
    shot = truth["shots"][0]
    return [
        {"clip": f"{name}.mp4", "shot_id": f"{name}-01", "frame": frame, "t_s": t_s, "ball": _ball(ball["label"]),
         "x_mm": ball["x_mm"][frame], "y_mm": ball["y_mm"][frame], "x_u_mm": 0.4, "y_u_mm": 0.4,
         "vx_mps": ball["vx"][frame] / 1000, "vy_mps": ball["vy"][frame] / 1000, "state": "seen"}
        for ball in truth["balls"]
        for frame, t_s in enumerate(truth["timestamps"])
        if shot["start_s"] - 0.5 <= t_s <= shot["end_s"] and ball["state"][frame] not in "F-"
    ]


def _calibration(name: str, truth: dict[str, Any]) -> Calibration:
    camera, sizes = truth["camera"], truth["table"]
    pose = CameraPose(np.array(camera["K"]), np.array(camera["dist"]), np.array(camera["R"]), np.array(camera["t"]),
                      camera["width"], camera["height"])
    keys = ("length_mm", "width_mm", "ball_diameter_mm", "nose_height_mm", "sight_offset_mm")
    table = standard_table("pool-9ft", **{key: sizes[key] for key in keys})
    return Calibration(f"{name}.mp4", pose, table, 0.4, "found in the picture")


def _ball(label: str) -> str:
    return label if label == "cue" else "object"


def _speed(v_mm_s: list[float]) -> float:
    return hypot(*v_mm_s) / 1000
