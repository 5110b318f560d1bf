"""Corners that a person put right on the review page, by clip: kept beside the results, used by every later run.

They win over session.toml's corners_px and over what is found in the picture. They are their recording's, whatever it
is called by now.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from shared.errors import SettingsError
from shared.files import write_json
from shared.names import same_letters
from shared.settings import SessionSettings

CORRECTIONS_FILE = "corners.json"
Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Correction:
    """A clip's corners, px, order (0,0) (L,0) (L,W) (0,W). ``recording``: the clip's SHA-256, as another may come to
    have its name; empty where it isn't known, and then taken on trust.
    """

    corners: Corners
    recording: str = ""

    def is_of(self, sha256: str) -> bool:
        """Whether it was made for this recording."""
        return not self.recording or not sha256 or self.recording == sha256


def read_corrections(out: Path) -> dict[str, Correction]:
    """By clip (its name as `same_letters` writes it); none where nothing was corrected."""
    path = out / CORRECTIONS_FILE
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        recordings = {same_letters(clip): str(sha256) for clip, sha256 in kept.get("recordings", {}).items()}
        return {name: Correction(check_corners(corners), recordings.get(name, ""))
                for name, corners in ((same_letters(clip), corners) for clip, corners in kept["corners_px"].items())}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SettingsError(f"{path}: cannot be read ({error}); correct it or remove it.") from error


def keep_corrections(out: Path, corners: Corners | None, clips: Mapping[str, str]) -> None:
    """Set the corners of some clips, or with None take their correction back.

    What another recording had of one of the names is kept by its SHA-256: it may have another name now.

    clips : SHA-256 by name, empty where it isn't known
    """
    new = {same_letters(clip): sha256 for clip, sha256 in clips.items()}
    recordings = {sha256 for sha256 in new.values() if sha256}  # under other names as well
    kept = {}
    for clip, one in read_corrections(out).items():
        if one.recording in recordings:
            continue
        if clip not in new:
            kept[clip] = one
        elif one.recording and new[clip]:
            kept[one.recording] = one
    if corners is not None:
        kept |= {clip: Correction(check_corners(corners), sha256) for clip, sha256 in new.items()}
    write_json(out / CORRECTIONS_FILE, {
        "about": "corners put right by hand, px, in the order head-right, foot-right, foot-left, head-left",
        "corners_px": {clip: [list(point) for point in one.corners] for clip, one in sorted(kept.items())},
        "recordings": {clip: one.recording for clip, one in sorted(kept.items()) if one.recording},
    })


def correction_of(kept: Mapping[str, Correction], clip: str, sha256: str) -> Correction | None:
    """That of a recording, under its clip's name or another; else that under the clip's name, if it `is_of` it or not.

    kept : as `read_corrections` returns it; sha256 : empty where it isn't known
    """
    own = kept.get(same_letters(clip))
    if not sha256 or (own is not None and own.recording == sha256):
        return own
    return next((one for _, one in sorted(kept.items()) if one.recording == sha256), own)


def corrected(settings: SessionSettings, correction: Correction | None, sha256: str) -> SessionSettings:
    """The session's settings with a clip's corrected corners in place, where they are of this recording."""
    if correction is None or not correction.is_of(sha256):
        return settings
    camera = replace(settings.camera, corners_px=correction.corners, corners_from="the review page")
    return replace(settings, camera=camera)


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
