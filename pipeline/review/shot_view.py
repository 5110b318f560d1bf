"""One shot as the page shows it: frames and times, paths and contacts in px and mm, numbers, verdict with checks."""

from __future__ import annotations

from dataclasses import asdict
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.clock import ClipClock
from calibration.store import Calibration
from pipeline.condition_words import condition_words
from pipeline.hit_checks import Check
from pipeline.measured_session import MeasuredSession
from pipeline.review.blind import HIT_MEASURES, OUTCOME_MEASURES, Curtain, curtain_for, visible
from pipeline.review.pictures import MAX_WIDTH_PX
from pipeline.reviews import without_differences
from pipeline.verdict import Verdict
from shared.columns import NO_CONTACT, SHOTS
from shared.equipment import Table
from shared.uncertain import with_u

_COLUMNS = {column.name: column for column in SHOTS.columns}
LABELS = {
    "cue_speed_mps": "Cue ball, after the strike",
    "cue_impact_speed_mps": "Cue ball, at the hit",
    "object_speed_mps": "Object ball, after the hit",
    "cut_angle_deg": "Cut angle",
    "throw_deg": "Throw",
    "cue_roll_ratio": "Cue ball's roll ratio",
    "cue_cross_ratio": "Cue ball's cross ratio",
    "cue_side_spin_rps": "Side spin, turns/s",
    "cue_along_mm": "Cue ball, along",
    "cue_across_mm": "Cue ball, across",
    "cue_drift_deg": "Cue ball's drift",
    "aim_error_deg": "Aim error",
    "incoming_angle_deg": "Incoming angle",
    "rebound_angle_deg": "Rebound angle",
    "rebound_settled_angle_deg": "Rebound, settled",
    "speed_at_impact_mps": "Speed at the cushion",
    "rebound_speed_mps": "Rebound speed",
    "rail_sight": "Place, in sights",
    "restitution": "Restitution",
    "tangential_ratio": "Tangential ratio",
    "miss_mm": "Miss (+ long, − short)",
}
UNIT_SIGNS = {"deg": "°"}
_BEFORE_ANY_CONTACT = frozenset(("cue_speed_mps", "cue_side_spin_rps", "aim_error_deg"))


def shot_view(
    session: MeasuredSession, row: dict[str, Any], verdict: Verdict, *, hidden: bool, no_pictures: str
) -> dict[str, Any]:
    """All that may be shown of a shot, ready for JSON.

    hidden      : before a blind decision
    no_pictures : why its clip can't be shown; empty where it can
    """
    shot_id, clip = text(row["shot_id"]), text(row["clip"])
    events, calibration = session.events_of(shot_id), session.calibrations.get(clip)
    curtain = curtain_for(row, events, hidden=hidden)
    clip_tracks = session.tracks[session.tracks["clip"] == clip]
    measures = HIT_MEASURES if hidden else HIT_MEASURES + OUTCOME_MEASURES
    return {
        "hidden": hidden,
        "name": "" if hidden else shot_id,
        "clip": None if hidden else clip,
        "kind": text(row["kind"]), "pattern": text(row["pattern"]), "target": text(row["target"]),
        "speed_class": text(row["speed_class"]), "banked_ball": text(row["banked_ball"]),
        "conditions": {} if hidden else condition_words(row, session.conditions),
        "verdict": text(row["verdict"]),  # as measured; the checks show what stands behind it
        "reasons": [part.strip() for part in text(row["reasons"]).split(";") if part.strip()],
        "checks": [check_view(check) for check in verdict.checks],
        "measures": [m for name in measures if (m := measure(row, name)) is not None],
        "outcome": "" if hidden else outcome_words(row),
        "quality": {name: number(row[name]) for name in ("frames_seen", "residual_mm", "calibration_rms_px")},
        "notes": _notes(row, hidden=hidden),
        "frames": frame_times(clip_tracks, curtain, session.clock(clip)),
        "clear_until_s": curtain.clear_until_s,
        "no_pictures": no_pictures,
        "table": table_view(calibration.table) if calibration else None,
        "picture": picture_view(calibration) if calibration else None,
        "paths": paths(visible(session.tracks_of(shot_id), curtain), calibration),
        "events": event_views(visible(events, curtain), calibration, until_s=curtain.clear_until_s if hidden else None),
    }


def frame_times(tracks: pd.DataFrame, curtain: Curtain, clock: ClipClock) -> list[list[float]]:
    """[index, t_s] of every frame that may be shown."""
    if tracks.empty:
        return []
    index = np.arange(int(tracks["frame"].min()), int(tracks["frame"].max()) + 1)
    times = taken_s(index, tracks, clock)
    inside = (times >= curtain.begin_s) & (times <= curtain.last_s + 1e-9)
    return [[int(i), round(float(t), 6)] for i, t in zip(index[inside], times[inside], strict=True)]


def taken_s(index: NDArray[np.int64], tracks: pd.DataFrame, clock: ClipClock) -> NDArray[np.float64]:
    """(N,) s at which frames (N,) of a clip were taken; those without a track by the stamps of the frames around them.

    NaN for a frame that shows another one again, and before the first and after the last of TRACKS' rows.
    """
    known = tracks[["frame", "t_s"]].drop_duplicates("frame").sort_values("frame")
    if known.empty:
        return np.full(len(index), np.nan)
    seen, stamps = known["frame"].to_numpy(float), clock.stamped(known["t_s"].to_numpy(float))
    times = clock.taken(np.interp(index, seen, stamps, left=np.nan, right=np.nan))
    again = np.setdiff1d(np.round(np.interp(clock.again, stamps, seen)), seen)
    return np.where(np.isin(index, again), np.nan, times)


def to_px(calibration: Calibration, xy_mm: NDArray[np.float64], z_mm: float) -> NDArray[np.float64]:
    """(N, 2) table mm at a height -> (N, 2) px of the picture as the page shows it (at most MAX_WIDTH_PX wide)."""
    if len(xy_mm) == 0:
        return np.empty((0, 2))
    px = calibration.pose.to_image(np.column_stack([xy_mm, np.full(len(xy_mm), z_mm)]))
    factor = shown_scale(calibration.pose.width_px)
    return (px + 0.5) * factor - 0.5


def shown_scale(width_px: int) -> float:
    """Shown px per px of the clip."""
    return min(1.0, MAX_WIDTH_PX / width_px)


def picture_view(calibration: Calibration) -> dict[str, Any]:
    """Size of the shown picture and the table's marks in it."""
    factor = shown_scale(calibration.pose.width_px)
    table = calibration.table
    radius = table.ball.radius_mm
    middle = np.array([[table.length_mm / 2, table.width_mm / 2], [table.length_mm / 2 + radius, table.width_mm / 2]])
    ends = to_px(calibration, middle, radius)
    return {
        "width": round(calibration.pose.width_px * factor), "height": round(calibration.pose.height_px * factor),
        "ball_px": float(np.hypot(*(ends[1] - ends[0]))),
        "noses": _rounded(to_px(calibration, nose_outline(table), table.nose_height_mm)),
    }


def nose_outline(table: Table, per_side: int = 24) -> NDArray[np.float64]:
    """(N, 2) mm along the four nose lines, closed: enough points to follow the lens's bend."""
    corners = np.vstack([table.corners_mm, table.corners_mm[:1]])
    steps = np.linspace(0, 1, per_side, endpoint=False)[:, None]
    sides = [a + steps * (b - a) for a, b in pairwise(corners)]
    return np.vstack([*sides, corners[:1]])


def table_view(table: Table) -> dict[str, Any]:
    """What the diagram needs of the table, mm."""
    return {
        "length": table.length_mm, "width": table.width_mm, "radius": table.ball.radius_mm,
        "sights": _rounded(table.sights_mm), "pockets": [[x, y] for x, y in table.pocket_centres_mm.values()],
        "mouth": table.corner_mouth_mm or 2 * table.ball.diameter_mm,
    }


def paths(tracks: pd.DataFrame, calibration: Calibration | None) -> dict[str, list[list[float]]]:
    """Per ball [t_s, x_mm, y_mm, x_px, y_px, 1 if seen else 0], in order of time."""
    out: dict[str, list[list[float]]] = {}
    for ball, rows in tracks.groupby("ball", sort=False):
        if not isinstance(ball, str) or not ball:
            continue
        xy = rows[["x_mm", "y_mm"]].to_numpy(float)
        px = to_px(calibration, xy, calibration.table.ball.radius_mm) if calibration else np.zeros_like(xy)
        seen = (rows["state"] == "seen").to_numpy(float)
        columns = np.column_stack([rows["t_s"].to_numpy(float), xy, px, seen])
        out[ball] = _rounded(columns[np.isfinite(columns).all(axis=1)], 4)
    return out


def event_views(
    events: pd.DataFrame, calibration: Calibration | None, *, until_s: float | None
) -> list[dict[str, Any]]:
    """Contacts with their place in the picture; what comes out of those from ``until_s`` on is left out."""
    out = []
    for row in events.to_dict("records"):
        x, y = number(row["x_mm"]), number(row["y_mm"])
        mm = px = None  # an event whose place is not known can still be jumped to
        if x is not None and y is not None:
            mm = _rounded([x, y])
            if calibration is not None:
                px = _rounded(to_px(calibration, np.array([[x, y]]), calibration.table.ball.radius_mm)[0])
        shown = until_s is None or float(row["t_s"]) < until_s - 1e-9
        out.append({
            "t_s": float(row["t_s"]), "kind": text(row["kind"]), "ball": text(row["ball"]), "other": text(row["other"]),
            "mm": mm, "px": px,
            "speed_in": number(row["speed_in_mps"]), "speed_out": number(row["speed_out_mps"]) if shown else None,
            "angle_in": number(row["angle_in_deg"]), "angle_out": number(row["angle_out_deg"]) if shown else None,
            "sight": number(row["sight"]),
        })
    return out


def measure(row: dict[str, Any], name: str) -> dict[str, Any] | None:
    """A measure with its label, unit and uncertainty; None where it was not measured."""
    value = number(row.get(name))
    if value is None:
        return None
    unit = _COLUMNS[name].unit
    shown, shown_u = in_figures(value, number(row.get(f"{name}_u")))
    return {"name": name, "label": LABELS[name], "shown": shown, "shown_u": shown_u,
            "unit": UNIT_SIGNS.get(unit, unit), "meaning": _COLUMNS[name].meaning,
            "part": "hit" if name in HIT_MEASURES else "bank"}


def check_view(check: Check) -> dict[str, Any]:
    """One thing that the verdict looked at, its measured value also in figures."""
    view = asdict(check)
    view["shown"] = " ± ".join(in_figures(check.measured.value, check.measured.u))
    return view


def in_figures(value: float, u: float | None) -> tuple[str, str]:
    """A value and its uncertainty as they are read everywhere: rounded to the same place, with real minus signs."""
    words = with_u(value, u).replace(" (± unknown)", " ± unknown").replace("-", "−")
    shown, _, shown_u = words.partition(" ± ")
    return shown, shown_u


def outcome_words(row: dict[str, Any]) -> str:
    """The outcome in a phrase."""
    outcome, pocket = text(row["outcome"]), text(row["pocket"])
    return f"{outcome} in {pocket}" if outcome == "pocketed" and pocket else outcome


def _notes(row: dict[str, Any], *, hidden: bool) -> str:
    """A shot's notes; while it is hidden, only why measures of the hit are missing."""
    notes = without_differences(row["notes"])  # the page itself shows what others decided
    if not hidden:
        return notes
    kick = text(row["kind"]) == "kick"  # its hit comes after the curtain: what is said of that would tell the outcome
    seen = _BEFORE_ANY_CONTACT if kick else frozenset(HIT_MEASURES)
    parts = [(note, *note.split(": ", 1)) for note in notes.split("; ") if ": " in note]
    return "; ".join(note for note, about, why in parts
                     if set(about.split(", ")) <= seen or (why == NO_CONTACT and not kick))


def number(value: Any) -> float | None:
    """A finite float, or None."""
    if value is None or pd.isna(value):
        return None
    out = float(value)
    return out if np.isfinite(out) else None


def text(value: Any) -> str:
    """A text, empty for an empty cell."""
    return value if isinstance(value, str) else ""


def _rounded(values: Any, decimals: int = 2) -> Any:
    return np.round(np.asarray(values, dtype=float), decimals).tolist()
