"""One frozen value per concern, as read from session.toml. Reading and checking the file is shared/session_file."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from shared.equipment import Table, standard_table

HeadSide = Literal["picture-left", "picture-right", "picture-top", "picture-bottom"]


@dataclass(frozen=True)
class CameraSettings:
    """What the filmer knows of the camera; all optional."""

    corners_px: tuple[tuple[float, float], ...] | None = None  # 4 points, (0,0) (L,0) (L,W) (0,W)
    corners_from: str = "session.toml"  # where they were given, for people
    lens: Path | None = None  # from `reboundry calibrate --lens`
    shutter_s: float | None = None
    readout_s: float | None = None  # rolling shutter, top line to bottom line


@dataclass(frozen=True)
class FrictionSettings:
    """Friction fixed by hand; None is fitted from the session's own shots."""

    sliding: float | None = None  # ball on cloth, kinetic
    rolling: float | None = None  # rolling resistance, deceleration / g


@dataclass(frozen=True)
class SessionSettings:
    """All of a session's settings. ``tolerances`` are judged in pipeline/verdict and read as plain numbers there."""

    name: str = ""
    table: Table = field(default_factory=standard_table)
    head: HeadSide | None = None  # None: picture-left lying, picture-top upright
    camera: CameraSettings = CameraSettings()
    friction: FrictionSettings = FrictionSettings()
    conditions: dict[str, str | float] = field(default_factory=dict)
    tolerances: dict[str, float | str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()  # lines for the user: what was made of what the file leaves open
