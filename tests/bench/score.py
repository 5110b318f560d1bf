"""Measured output files scored against truth. Reads only the contract's files, so it knows nothing of the internals."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.bench.truth import ClipTruth, ball_frames, event_table, last_told_s, shot_measures

STRIKE_WINDOW_S = 0.4  # a measured shot belongs to a true one if they were struck this close together
EVENT_WINDOW_S = {"strike": 0.3, "ball": 0.1, "cushion": 0.1, "jaw": 0.1, "pocket": 0.3, "rest": 1.0}
#: measures of shots.csv that are scored; speeds and ratios of speeds as a share of the true value
RELATIVE = ("cue_speed_mps", "cue_impact_speed_mps", "object_speed_mps", "speed_at_impact_mps", "rebound_speed_mps")
ABSOLUTE = (
    "incoming_angle_deg",
    "rebound_angle_deg",
    "rebound_settled_angle_deg",
    "cut_angle_deg",
    "throw_deg",
    "cue_roll_ratio",
    "cue_cross_ratio",
    "cue_side_spin_rps",
    "cue_along_mm",
    "cue_across_mm",
    "cue_drift_deg",
    "rail_sight",
    "rail_s",
    "restitution",
    "tangential_ratio",
    "miss_mm",
)


@dataclass(frozen=True)
class ClipScore:
    """One clip's score.

    errors     : measure, true, measured, u, error (measured - true; as a share for speeds), a row per measure and shot,
                 or per measure and event: event_s, the event's true time, tells which rows are of one contact
    positions  : frame, label, ball, moving, dx_mm, dy_mm, x_u_mm, y_u_mm, state, a row per matched ball and frame
    unmatched  : plain sentences: shots and events missed or invented
    """

    name: str
    errors: pd.DataFrame
    positions: pd.DataFrame
    corner_px: float
    corner_worst_px: float
    unmatched: list[str]
    missed: int
    invented: int
    blank: list[str]
    unseen: int


def score_clip(truth: ClipTruth, measured: Path) -> ClipScore:
    """Score one clip's rows of the files in ``measured``."""
    name = truth.clip.name
    shots = _read(measured / "shots.csv")
    shots = shots[shots["clip"] == name].reset_index(drop=True) if len(shots) else shots
    contacts = _read(measured / "contacts.csv")
    ids = set(shots["shot_id"]) if len(shots) else set()
    contacts = contacts[contacts["shot_id"].isin(ids)] if len(contacts) else contacts
    tracks = _tracks(measured, name)
    rms_px, worst_px = corner_error_px(truth, measured)
    errors: list[dict[str, Any]] = []
    unmatched: list[str] = []
    blank: list[str] = []
    pairs, lost, extra = match_shots(shot_measures(truth), shots)
    unmatched += [f"shot struck at {row['start_s']:.2f} s not found" for row in lost]
    unmatched += [f"shot {shot_id} invented" for shot_id in extra]
    missed, invented = len(lost), len(extra)
    labels = label_balls(truth, tracks)
    for wanted, row in pairs:
        errors += shot_errors(wanted, row, blank)
        if str(row.get("kind")) != wanted["kind"]:
            unmatched.append(f"{row['shot_id']}: kind {row.get('kind')}, not {wanted['kind']}")
    events = event_table(truth)
    starts = sorted(float(s["start_s"]) for s in truth.record["shots"])
    ends = {float(s["start_s"]): float(s["end_s"]) for s in truth.record["shots"]}
    for wanted, row in pairs:
        start = float(wanted["start_s"])
        begin = min(starts, key=lambda s: abs(s - start))
        true_events = events[(events["t_s"] >= begin - 1e-3) & (events["t_s"] <= ends[begin] + 1e-3)]
        mine = contacts[contacts["shot_id"] == row["shot_id"]] if len(contacts) else contacts
        found, event_lost, event_extra = match_events(true_events, mine, labels.get(str(row["shot_id"]), {}),
                                                      last_told_s(truth))
        errors += found
        missed += len(event_lost)
        invented += len(event_extra)
        unmatched += [f"{row['shot_id']}: {words} missed" for words in event_lost]
        unmatched += [f"{row['shot_id']}: {words} invented" for words in event_extra]
    positions, unseen = position_errors(truth, tracks, labels)
    frame = pd.DataFrame(errors, columns=["measure", "shot", "true", "measured", "u", "error", "error_u", "event_s"])
    return ClipScore(name, frame, positions, rms_px, worst_px, unmatched, missed, invented, blank, unseen)


def _read(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype={"notes": str, "other": str}) if path.exists() else pd.DataFrame()


def _tracks(measured: Path, clip: str) -> pd.DataFrame:
    path = measured / "tracks.parquet"
    if not path.exists():
        return pd.DataFrame()
    tracks = pd.read_parquet(path)
    return tracks[tracks["clip"] == clip]


def corner_error_px(truth: ClipTruth, measured: Path) -> tuple[float, float]:
    """(rms, worst) distance of the four corners in calibration.json from the true ones, NaN when not calibrated."""
    path = measured / "calibration.json"
    if not path.exists():
        return math.nan, math.nan
    for record in calibration_records(json.loads(path.read_text())):
        if Path(str(record.get("clip", ""))).name == truth.clip.name:
            away = np.linalg.norm(np.asarray(record["corners_px"], dtype=float) - truth.corners_px, axis=1)
            return float(np.sqrt(np.mean(away**2))), float(away.max())
    return math.nan, math.nan


def calibration_records(content: Any) -> list[dict[str, Any]]:
    """The per-clip records of calibration.json, whether a list, under a key, or keyed by clip."""
    if isinstance(content, list):
        return [r for r in content if isinstance(r, dict)]
    for value in content.values():
        if isinstance(value, list) and value and isinstance(value[0], dict) and "corners_px" in value[0]:
            return list(value)
    if "corners_px" in content:
        return [content]
    nested = content.get("clips", content)
    return [{"clip": clip, **record} for clip, record in nested.items() if isinstance(record, dict)]


def match_shots(
    wanted: list[dict[str, Any]], shots: pd.DataFrame
) -> tuple[list[tuple[dict[str, Any], pd.Series]], list[dict[str, Any]], list[str]]:
    """Pairs of true and measured shots by the time of the strike; the true ones lost; the ids of invented ones."""
    free = set(range(len(shots)))
    pairs, lost = [], []
    for row in wanted:
        near = [
            (abs(float(shots.loc[i, "start_s"]) - row["start_s"]), i) for i in free if pd.notna(shots.loc[i, "start_s"])
        ]
        best = min(near, default=(math.inf, -1))
        if best[0] <= STRIKE_WINDOW_S:
            free.discard(best[1])
            pairs.append((row, shots.loc[best[1]]))
        else:
            lost.append(row)
    return pairs, lost, [str(shots.loc[i, "shot_id"]) for i in sorted(free)]


def _error(
    measure: str, shot: str, true: float, got: float, u: float, *, relative: bool, event_s: float = math.nan
) -> dict[str, Any]:
    error, scaled_u = got - true, u
    if measure.endswith("angle_deg") or measure in ("throw_deg", "cue_drift_deg"):
        error = (error + 180) % 360 - 180
    if relative:
        error, scaled_u = error / true, u / true
    return {
        "measure": measure,
        "shot": shot,
        "true": true,
        "measured": got,
        "u": u,
        "error": error,
        "error_u": scaled_u,
        "event_s": event_s,
    }


def shot_errors(wanted: dict[str, Any], row: pd.Series, blank: list[str]) -> list[dict[str, Any]]:
    """Errors of one shot's measures; names of true but unmeasured ones are added to ``blank``."""
    out = []
    for measure in RELATIVE + ABSOLUTE:
        true = wanted.get(measure)
        if true is None:
            continue
        got, u = row.get(measure, math.nan), row.get(f"{measure}_u", math.nan)
        if pd.isna(got):
            blank.append(f"{row['shot_id']}: {measure}")
            continue
        out.append(_error(measure, str(row["shot_id"]), true, float(got), float(u), relative=measure in RELATIVE))
    return out


def match_events(
    true: pd.DataFrame, mine: pd.DataFrame, labels: dict[str, str], until_s: float = math.inf
) -> tuple[list[dict[str, Any]], list[str], list[str]]:
    """Time, place, speed and angle errors of matched events; words for missed and, up to ``until_s``, invented ones.

    An event matches one of the same kind, ball and cushion nearest in time within the kind's window.
    """
    out: list[dict[str, Any]] = []
    lost: list[str] = []
    free = set(mine.index)
    for _, event in true.iterrows():
        kind = str(event["kind"])
        near = []
        for i in free:
            got = mine.loc[i]
            dt = abs(float(got["t_s"]) - event["t_s"])
            same_ball = labels.get(str(got["ball"]), str(got["ball"])) == event["label"]
            if kind == "ball":
                pair = {labels.get(str(got["ball"]), ""), labels.get(str(got["other"]), "")}
                same_ball = pair == {event["label"], event["other"]}
            same_cushion = kind != "cushion" or str(got["other"]) == event["other"]
            if str(got["kind"]) == kind and same_ball and same_cushion and dt <= EVENT_WINDOW_S[kind]:
                near.append((dt, i))
        if not near:
            if kind not in ("jaw", "rest"):
                lost.append(f"{kind} of ball {event['label']} {event['other']} at {event['t_s']:.3f} s")
            continue
        i = min(near)[1]
        free.discard(i)
        got, shot, at_s = mine.loc[i], str(mine.loc[i, "shot_id"]), float(event["t_s"])
        time, time_u = float(got["t_s"]), _number(got, "t_s_u")
        out.append(_error(f"{kind} t_s", shot, at_s, time, time_u, relative=False, event_s=at_s))
        if kind != "cushion":
            continue
        for column in ("speed_in_mps", "speed_out_mps", "angle_in_deg", "angle_out_deg", "sight", "x_mm", "y_mm"):
            value = _number(got, column)
            if not math.isnan(value):
                relative = column.startswith("speed")
                out.append(
                    _error(
                        f"cushion {column}",
                        shot,
                        float(event[column]),
                        value,
                        _number(got, f"{column}_u"),
                        relative=relative,
                        event_s=at_s,
                    )
                )
    extra = [
        f"{mine.loc[i, 'kind']} of {mine.loc[i, 'ball']} {mine.loc[i, 'other']} at {float(mine.loc[i, 't_s']):.3f} s"
        for i in sorted(free)
        if mine.loc[i, "kind"] not in ("jaw", "rest") and float(mine.loc[i, "t_s"]) <= until_s
    ]
    return out, lost, extra


def _number(row: pd.Series, column: str) -> float:
    return float(row[column]) if column in row.index and pd.notna(row[column]) else math.nan


def label_balls(truth: ClipTruth, tracks: pd.DataFrame) -> dict[str, dict[str, str]]:
    """shot_id -> measured ball name -> true label, by the smallest median distance over the shot's frames."""
    out: dict[str, dict[str, str]] = {}
    if not len(tracks):
        return out
    frames = ball_frames(truth)
    for shot_id, rows in tracks.groupby(tracks["shot_id"].fillna("")):
        names: dict[str, str] = {}
        for ball, mine in rows.groupby("ball"):
            both = mine.merge(frames, on="frame", suffixes=("", "_true"))
            away = np.hypot(both["x_mm"] - both["x_mm_true"], both["y_mm"] - both["y_mm_true"])
            medians = away.groupby(both["label"]).agg(["median", "size"])
            medians = medians[medians["median"] < 60.0]
            if len(medians):
                names[str(ball)] = str(medians["median"].idxmin())
        out[str(shot_id)] = names
    return out


def position_errors(
    truth: ClipTruth, tracks: pd.DataFrame, labels: dict[str, dict[str, str]]
) -> tuple[pd.DataFrame, int]:
    """Position errors in every frame of every shot, and in how many frames a clearly visible moving ball has no row."""
    columns = [
        "frame",
        "label",
        "ball",
        "moving",
        "vis",
        "dx_mm",
        "dy_mm",
        "x_u_mm",
        "y_u_mm",
        "state",
        "x_mm",
        "y_mm",
        "vx_mps",
        "vy_mps",
    ]
    if not len(tracks):
        return pd.DataFrame(columns=columns), 0
    rows = tracks.assign(shot_id=tracks["shot_id"].fillna("").astype(str))
    rows["label"] = [
        labels.get(s, {}).get(b, "") for s, b in zip(rows["shot_id"], rows["ball"].astype(str), strict=True)
    ]
    frames = ball_frames(truth)
    both = rows.merge(frames, on=["frame", "label"], suffixes=("", "_true"))
    both["dx_mm"] = both["x_mm"] - both["x_mm_true"]
    both["dy_mm"] = both["y_mm"] - both["y_mm_true"]
    seen = both[["frame", "label"]].drop_duplicates()
    moving = frames[frames["moving"] & (frames["vis"] > 0.6)]
    left = moving.merge(seen, on=["frame", "label"], how="left", indicator=True)
    unseen = int((left["_merge"] == "left_only").sum())
    out = both.reindex(columns=columns)
    return out.astype({"dx_mm": float, "dy_mm": float, "x_u_mm": float, "y_u_mm": float, "moving": bool}), unseen
