"""Scores as printed tables: a line per clip, a line per measure, and how honest the uncertainties are."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from tests.bench.measure import Run
from tests.bench.score import RELATIVE, ClipScore

#: what is aimed at: (measure, statistic, most it may be, unit)
AIMS = (
    ("position mm, rms", 0.4),
    ("corners px, rms", 0.5),
    ("incoming_angle_deg", 0.10),
    ("rebound_angle_deg", 0.10),
    ("rebound_settled_angle_deg", 0.10),
    ("speed_at_impact_mps", 0.4),
    ("rebound_speed_mps", 0.4),
    ("cue_speed_mps", 0.4),
    ("cue_impact_speed_mps", 0.4),
    ("object_speed_mps", 0.4),
    ("cue_roll_ratio", 0.04),
    ("cue_cross_ratio", 0.04),
    ("cut_angle_deg", 0.3),
    ("throw_deg", 0.3),
    ("cushion t_s", 1.0),
    ("ball t_s", 1.0),
    ("strike t_s", 1.0),
    ("miss_mm", 3.0),
)
_PERCENT = {*RELATIVE, "cushion speed_in_mps", "cushion speed_out_mps"}


def scale(measure: str) -> tuple[float, str]:
    """Factor and unit in which a measure's error is printed."""
    if measure in _PERCENT:
        return 100.0, "%"
    if measure.endswith("t_s") or measure == "rail_s":
        return 1000.0, "ms"
    for ending, unit in (("_deg", "deg"), ("_mm", "mm"), ("_rps", "1/s")):
        if measure.endswith(ending):
            return 1.0, unit
    return 1.0, ""


def rms(values: pd.Series | np.ndarray) -> float:
    array = np.asarray(values, dtype=float)
    return float(np.sqrt(np.mean(array**2))) if array.size else math.nan


def clip_lines(scores: list[ClipScore]) -> str:
    """A line per clip: corners, positions at rest and moving, angles, speeds, roll, events."""
    head = (
        f"{'clip':<24}{'corner px':>10}{'pos mm':>8}{'moving':>8}{'rest':>7}{'unseen':>7}{'in deg':>8}"
        f"{'reb deg':>8}"
        f"{'settl':>7}{'impact%':>8}{'rebnd%':>8}{'roll':>7}{'cross':>7}{'cut':>7}{'cush ms':>8}"
        f"{'missed':>7}{'extra':>6}"
    )
    out = [head]
    for s in scores:
        p = s.positions
        away = np.hypot(p["dx_mm"].astype(float), p["dy_mm"].astype(float)) if len(p) else pd.Series(dtype=float)
        moving = p["moving"].astype(bool) if len(p) else pd.Series(dtype=bool)

        def worst(measure: str, errors: pd.DataFrame = s.errors) -> float:
            values = errors.loc[errors["measure"] == measure, "error"].abs() * scale(measure)[0]
            return float(values.max()) if len(values) else math.nan

        out.append(
            f"{s.name[:23]:<24}{s.corner_px:>10.2f}{rms(away):>8.2f}{rms(away[moving]):>8.2f}{rms(away[~moving]):>7.2f}"
            f"{s.unseen:>7d}{worst('incoming_angle_deg'):>8.2f}{worst('rebound_angle_deg'):>8.2f}"
            f"{worst('rebound_settled_angle_deg'):>7.2f}{worst('speed_at_impact_mps'):>8.2f}"
            f"{worst('rebound_speed_mps'):>8.2f}{worst('cue_roll_ratio'):>7.3f}{worst('cue_cross_ratio'):>7.3f}"
            f"{worst('cut_angle_deg'):>7.2f}{worst('cushion t_s'):>8.2f}{s.missed:>7d}{s.invented:>6d}"
        )
    return "\n".join(out)


def measure_lines(scores: list[ClipScore]) -> str:
    """A line per measure over all clips: median, 95th percentile, worst, mean; and error / u."""
    parts = [s.errors for s in scores if len(s.errors)]
    if not parts:
        return "nothing measured"
    errors = pd.concat(parts, ignore_index=True)
    aims = dict(AIMS)
    out = [
        f"{'measure':<28}{'n':>4}{'median':>9}{'p95':>9}{'worst':>9}{'mean':>9}  {'unit':<5}{'aim':>6}"
        f"{'err/u rms':>11}{'in 2u':>8}{'med u':>9}"
    ]
    for measure, rows in errors.groupby("measure", sort=False):
        factor, unit = scale(str(measure))
        size = rows["error"].abs() * factor
        aim = aims.get(str(measure))
        z = (rows["error"] / rows["error_u"])[rows["error_u"] > 0]
        honest = f"{rms(z):>11.2f}{100 * float((z.abs() <= 2).mean()):>7.0f}%" if len(z) else f"{'no u':>11}{'':>8}"
        median_u = f"{float(rows['error_u'].median()) * factor:>9.3f}" if len(z) else ""
        out.append(
            f"{measure!s:<28}{len(rows):>4d}{size.median():>9.3f}{size.quantile(0.95):>9.3f}{size.max():>9.3f}"
            f"{rows['error'].mean() * factor:>9.3f}  {unit:<5}{'' if aim is None else aim!s:>6}{honest}{median_u}"
        )
    return "\n".join(out)


def position_lines(scores: list[ClipScore]) -> str:
    """Positions over all clips, and whether their stated noise is right."""
    parts = [s.positions for s in scores if len(s.positions)]
    if not parts:
        return "no positions measured"
    every = pd.concat(parts, ignore_index=True)
    seen = every[every["state"] == "seen"]
    out = []
    for words, part in (
        ("all seen", seen),
        ("moving", seen[seen["moving"].astype(bool)]),
        ("at rest", seen[~seen["moving"].astype(bool)]),
        ("bridged", every[every["state"] == "bridged"]),
    ):
        if not len(part):
            continue
        away = np.hypot(part["dx_mm"], part["dy_mm"])
        z = np.concatenate([part["dx_mm"] / part["x_u_mm"], part["dy_mm"] / part["y_u_mm"]])
        z = z[np.isfinite(z)]
        out.append(
            f"position, {words:<9} n {len(part):>7d}  rms {rms(away):6.3f} mm  95% {away.quantile(0.95):6.3f}  "
            f"worst {away.max():8.2f}  err/u rms {rms(z):5.2f}  in 2u {100 * float((np.abs(z) <= 2).mean()):3.0f}%"
        )
    corners = np.array([s.corner_px for s in scores])
    worst = np.array([s.corner_worst_px for s in scores])
    known = np.isfinite(corners)
    if known.any():
        out.append(
            f"corners: rms over all {rms(corners[known]):.2f} px, median clip {np.median(corners[known]):.2f}, "
            f"worst corner {worst[known].max():.2f}; not calibrated: {int((~known).sum())}"
        )
    return "\n".join(out)


def speed_lines(runs: list[Run]) -> str:
    out = []
    for run in runs:
        name = run.clips[0].clip.name if len(run.clips) == 1 else f"{run.clips[0].clip.parent.name} ({len(run.clips)})"
        fps, alone = run.frames / run.wall_s, run.frames / run.decode_s
        out.append(
            f"{name[:27]:<28}{run.frames:>6d} frames in {run.wall_s:6.1f} s: {fps:6.0f} frames/s, decoding alone "
            f"{alone:6.0f}, "
            f"ratio {fps / alone:.2f}, exit {run.status}"
        )
    return "\n".join(out)


def fault_lines(scores: list[ClipScore]) -> str:
    out = []
    for s in scores:
        out += [f"  {s.name}: {words}" for words in s.unmatched]
        if s.blank:
            out.append(f"  {s.name}: empty: " + ", ".join(s.blank))
    return "\n".join(out)
