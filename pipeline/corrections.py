"""Corners that a person put right on the review page, by clip: kept beside the results, used by every later run.

They win over session.toml's corners_px and over what is found in the picture.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from shared.errors import SettingsError
from shared.files import write_json
from shared.names import same_letters
from shared.settings import SessionSettings

CORRECTIONS_FILE = "corners.json"
Corners = tuple[tuple[float, float], ...]


def read_corrections(out: Path) -> dict[str, Corners]:
    """Corners by clip (its name as `same_letters` writes it), order (0,0) (L,0) (L,W) (0,W); none where nothing was
    corrected.
    """
    path = out / CORRECTIONS_FILE
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return {same_letters(clip): check_corners(corners) for clip, corners in kept["corners_px"].items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SettingsError(f"{path}: cannot be read ({error}); correct it or remove it.") from error


def keep_corrections(out: Path, corners: Corners | None, clips: Sequence[str]) -> None:
    """Set the corners of some clips, or with None take their correction back."""
    kept = read_corrections(out)
    for clip in clips:
        if corners is None:
            kept.pop(same_letters(clip), None)
        else:
            kept[same_letters(clip)] = check_corners(corners)
    write_json(out / CORRECTIONS_FILE, {
        "about": "corners put right by hand, px, in the order head-right, foot-right, foot-left, head-left",
        "corners_px": {clip: [list(point) for point in points] for clip, points in sorted(kept.items())},
    })


def corrected(settings: SessionSettings, corrections: dict[str, Corners], clip: str) -> SessionSettings:
    """The session's settings with a clip's corrected corners in place."""
    corners = corrections.get(same_letters(clip))
    return settings if corners is None else replace(settings, camera=replace(settings.camera, corners_px=corners))


def check_corners(corners: object) -> Corners:
    """Four finite points, or a ValueError."""
    if not isinstance(corners, (list, tuple)) or len(corners) != 4:
        raise ValueError("four corners [x, y] are needed")
    points = []
    for point in corners:
        if not isinstance(point, (list, tuple)) or len(point) != 2:
            raise ValueError("a corner is [x, y]")
        x, y = float(point[0]), float(point[1])
        if not (math.isfinite(x) and math.isfinite(y)):
            raise ValueError("a corner's x and y must be numbers")
        points.append((x, y))
    return tuple(points)
