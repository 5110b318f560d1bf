"""The shutter: how long it is open, and that a rolling one reads lines at times of their own.

Rolling: a camera that reads its lines one after the other shows each ball at its own line's time.

Written down as an offset of each row from its frame's time, so that a motion is fitted to when a ball was really seen.
Left uncorrected, every speed along the picture's height is off by 1 / (1 - u tau): u lines/s, tau s per line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from pipeline.exposures import Exposure
    from pipeline.smears import Shutter

#: column of offsets (s) added to detections; absent when the camera's read-out time isn't known
READ_OFFSET = "read_offset_s"
TYPICAL_READOUT_S = 0.015  # of a phone; common practice, no source
_ODD_U, _ODD_PX = 4.0, 2.0  # standard uncertainties and px of smear that a shutter as given may be off, unsaid
_TOLD = 3  # changes of the exposure that are told one by one
_LONG_ONES = 0.9  # of frames last no longer: of a few, the next may be missing
_LONGER = 1.05  # than a frame: more than rounding in what is written down of either


def read_offset_s(
    x_px: ArrayLike, y_px: ArrayLike, *, width_px: int, height_px: int, rotation_deg: int, readout_s: float
) -> NDArray[np.float64]:
    """(N,) seconds after the frame's time (its middle line) at which the sensor read these places of the picture.

    x_px, y_px : in the picture as displayed; rotation_deg : how far it was turned clockwise for display (0, 90, 180,
    270): the sensor reads its own lines from its own top
    """
    x, y = np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float)
    share = {
        0: (y + 0.5) / height_px,
        90: 1 - (x + 0.5) / width_px,
        180: 1 - (y + 0.5) / height_px,
        270: (x + 0.5) / width_px,
    }[rotation_deg % 360]
    return np.asarray((share - 0.5) * readout_s)


def usual_readout_s(interval_s: float) -> float:
    """A phone's read-out time, and no longer than from frame to frame."""
    return min(TYPICAL_READOUT_S, interval_s) if interval_s > 0 else TYPICAL_READOUT_S


def possible_readout(readout_s: float | None, interval_s: float) -> tuple[float | None, str]:
    """The read-out time to use, and words where that is not what was given: it can't last longer than a frame.

    interval_s : from frame to frame; 0 where it isn't known
    """
    if not readout_s or not interval_s or readout_s <= _LONGER * interval_s:
        return readout_s, ""
    return None, (f"a read-out of {1000 * readout_s:.3g} ms is longer than a frame of {1000 * interval_s:.2g} ms: not "
                  "used; give this camera's as [camera] readout_s in session.toml")


def possible_shutter(shutter_s: float | None, frames_s: ArrayLike) -> tuple[float | None, str]:
    """The shutter time to use, and words where that is not what was given: it can't be open longer than a frame lasts.

    frames_s : (N,) from each frame to the next; where they last unevenly, the long ones count
    """
    lasts = np.asarray(frames_s, dtype=float)
    lasts = lasts[lasts > 0]
    if not shutter_s or not len(lasts):
        return shutter_s, ""
    frame_s = float(np.quantile(lasts, _LONG_ONES))
    if shutter_s <= _LONGER * frame_s:
        return shutter_s, ""
    given = shutter_words(shutter_s)
    return None, (f"a shutter of {given} s is longer than a frame of {1000 * frame_s:.2g} ms: not used; "
                  "give this camera's as [camera] shutter_s in session.toml, or leave it out: balls' smears tell it")


def odd_shutters(given_s: float | None, exposures: Sequence[Exposure]) -> str:
    """Words where the shutter time that was given isn't what the balls' smears show first, or, then, later on."""
    words = (odd_shutter(given_s, one.shutter, one.from_s if number else None) for number, one in enumerate(exposures))
    return next(filter(None, words), "")


def exposure_changes(exposures: Sequence[Exposure]) -> str:
    """Words where the shutter that the balls' smears show changes; else empty."""
    if len(exposures) < 2:
        return ""
    at = [f"{one.from_s:.2f}" for one in exposures[1:]]
    times = ", ".join(at[:_TOLD]) + (f" s and {len(at) - _TOLD} more times" if len(at) > _TOLD else " s")
    shutters = [shutter_words(one.shutter.seconds) for one in exposures[: _TOLD + 1]]
    first, then = shutters[0], ", ".join(shutters[1:])
    return (f"the exposure changes at {times} (a shutter of about {first} s, then {then} s): fast balls are measured "
            "the worse; lock it on the camera")


def odd_shutter(given_s: float | None, seen: Shutter | None, from_s: float | None = None) -> str:
    """Words where the shutter time that was given isn't the one that the balls' smears show (from a time on); else
    empty.
    """
    if not given_s or seen is None:
        return ""
    off = abs(given_s - seen.seconds)
    if off < _ODD_U * seen.u or off * seen.motion_px_s < _ODD_PX:
        return ""
    about, given = shutter_words(seen.seconds), shutter_words(given_s)
    since = "" if from_s is None else f"from {from_s:.2f} s on "
    return (f"{since}balls smear as with a shutter of about {about} s, not of {given} s: fast balls are measured the "
            "worse; correct [camera] shutter_s in session.toml, or leave it out")


def shutter_words(seconds: float) -> str:
    """As cameras tell it: 1/250, or 0.5."""
    return f"1/{1 / seconds:.0f}" if seconds < 0.5 else f"{seconds:g}"


def with_read_offsets(
    detections: pd.DataFrame, *, width_px: int, height_px: int, rotation_deg: int, readout_s: float | None
) -> pd.DataFrame:
    """Detections (or windows of balls: x_px, y_px count) with the offset of each row from its frame's time; unchanged
    when no read-out time is given."""
    if not readout_s:
        return detections
    offset = read_offset_s(
        detections["x_px"],
        detections["y_px"],
        width_px=width_px,
        height_px=height_px,
        rotation_deg=rotation_deg,
        readout_s=readout_s,
    )
    return detections.assign(**{READ_OFFSET: offset})


def at_read_times(tracks: pd.DataFrame) -> pd.DataFrame:
    """Rows with ``t_s`` moved to when each ball was read; unchanged without offsets. Never before tracking, which
    pairs the balls of one frame by its one time."""
    if READ_OFFSET not in tracks:
        return tracks
    return tracks.assign(t_s=tracks["t_s"] + tracks[READ_OFFSET])


def speed_factor(*, speed_mps: float, mm_per_px: float, height_px: int, readout_s: float) -> float:
    """Apparent over true speed of a ball moving down the picture (with the read-out), left uncorrected."""
    lines_per_s = 1000 * speed_mps / mm_per_px
    return 1 / (1 - lines_per_s * readout_s / height_px)
