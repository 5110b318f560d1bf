"""What the judge may see of a shot, and nothing else: the hit and how well it was tracked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any

from shared.columns import why_lost


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True, kw_only=True)
class Hit:
    """What the judge may see of a shot: the cue ball, the contact, the launch. None where it was not measurable."""

    kind: str  # bank or kick
    cue_speed_mps: Measured | None = None
    cue_impact_speed_mps: Measured | None = None
    object_speed_mps: Measured | None = None
    cut_angle_deg: Measured | None = None
    throw_deg: Measured | None = None
    cue_roll_ratio: Measured | None = None
    cue_cross_ratio: Measured | None = None
    cue_side_spin_rps: Measured | None = None
    cue_drift_deg: Measured | None = None
    aim_error_deg: Measured | None = None


@dataclass(frozen=True, kw_only=True)
class TrackQuality:
    """How well the balls were seen."""

    frames_seen: float | None = None
    residual_mm: float | None = None
    calibration_rms_px: float | None = None
    lost: str = ""  # why the shot could not be followed at all


HIT_COLUMNS = tuple(field.name for field in fields(Hit))
QUALITY_COLUMNS = tuple(field.name for field in fields(TrackQuality) if field.name != "lost")


def hit_of(row: Mapping[str, Any]) -> Hit:
    """The columns of a shots row that the judge may see, and no others."""
    measures = {name: _measured(row, name) for name in HIT_COLUMNS if name != "kind"}
    return Hit(kind=str(row.get("kind", "")), **measures)


def quality_of(row: Mapping[str, Any]) -> TrackQuality:
    """How well a shots row was tracked."""
    numbers = {name: _number(row.get(name)) for name in QUALITY_COLUMNS}
    return TrackQuality(**numbers, lost=why_lost(row.get("notes")))


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):  # pandas' NA, None, empty text
        return None
    return number if isfinite(number) else None


def _measured(row: Mapping[str, Any], name: str) -> Measured | None:
    """None too where the uncertainty is missing: a number that nobody knows the worth of is not judged."""
    value, u = _number(row.get(name)), _number(row.get(f"{name}_u"))
    return None if value is None or u is None else Measured(value, u)
