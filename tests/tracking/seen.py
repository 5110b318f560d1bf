"""Detections of simulated shots: exact places, spoilt with noise, lost frames and things that are no ball."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from calibration.pose import CameraPose
from calibration.store import Calibration
from fixtures.synthetic.physics import Play
from pipeline.shutter import READ_OFFSET
from shared.columns import DETECTIONS
from shared.equipment import Table

COLOURS = {"cue": (215.0, 0.0, 0.0, 0.9), "1": (90.0, -15.0, 60.0, 0.05), "2": (70.0, 40.0, -20.0, 0.05)}


@dataclass(frozen=True, kw_only=True)
class Look:
    """How the shot is seen."""

    frame_rate: float = 60.0
    noise_mm: float = 0.3
    lost: float = 0.01  # share of a ball's frames without a detection
    strays: float = 0.02  # share of frames with something else
    seed: int = 1
    readout_s: float = 0.0  # from top to bottom of the picture of `overhead`
    colours: dict[str, tuple[float, float, float, float]] | None = None


def detections_of(play: Play, table: Table, seconds: float, look: Look | None = None) -> pd.DataFrame:
    """DETECTIONS of all balls while they are on the table."""
    look = look or Look()
    rng = np.random.default_rng(look.seed)
    colours = look.colours or COLOURS
    rows = []
    for frame, t in enumerate(np.arange(0.5 / look.frame_rate, seconds, 1 / look.frame_rate)):
        for ball in play.stretches:
            stretch = play.at(ball, float(t))
            if stretch.state == "-" or rng.random() < look.lost:
                continue
            later_s = _read_later(play, table, ball, float(t), look.readout_s)
            place = play.at(ball, t + later_s).at(t + later_s)[0] + rng.normal(0, look.noise_mm, 2)
            rows.append(row(frame, t, place, look.noise_mm, colours[ball]) | {READ_OFFSET: later_s})
        if rng.random() < look.strays:
            place = rng.uniform((40, 40), (table.length_mm - 40, table.width_mm - 40))
            colour = tuple(rng.uniform((20, -40, -40, 0), (230, 40, 40, 1)))
            rows.append(row(frame, t, place, 1.0, colour, round_share=0.5) | {READ_OFFSET: 0.0})
    found = pd.DataFrame(rows)
    out = DETECTIONS.conform(found.drop(columns=READ_OFFSET))
    return out.assign(**{READ_OFFSET: found[READ_OFFSET]}) if look.readout_s else out


def _read_later(play: Play, table: Table, ball: str, t_s: float, readout_s: float) -> float:
    """How long after its frame's middle line a ball is read."""
    pose, later_s = overhead(table).pose, 0.0
    for _ in range(4 if readout_s else 0):
        x, y = play.at(ball, t_s + later_s).at(t_s + later_s)[0]
        line = float(pose.to_image(np.array([[x, y, table.ball.radius_mm]]))[0, 1])
        later_s = ((line + 0.5) / pose.height_px - 0.5) * readout_s
    return later_s


def row(frame: int, t_s: float, place, noise_mm: float, colour, round_share: float = 1.0) -> dict[str, float]:
    """One detection."""
    luma, cb, cr, white = colour
    return {
        "frame": frame, "t_s": t_s, "x_px": 0.0, "y_px": 0.0, "x_mm": place[0], "y_mm": place[1], "x_u_mm": noise_mm,
        "y_u_mm": noise_mm, "xy_r": 0.0, "blur_x_px": 0.0, "blur_y_px": 0.0, "outline_share": round_share,
        "clear_share": round_share, "luma": luma, "cb": cb, "cr": cr, "white_share": white,
    }


def overhead(table: Table) -> Calibration:
    """A camera straight above, taken as perfectly known."""
    middle = table.corners_mm.mean(axis=0)
    turned = np.diag([1.0, -1.0, -1.0])
    height = 1.2 * table.length_mm
    t_mm = -turned @ np.array([middle[0], middle[1], height])
    k = np.array([[1400.0, 0, 960], [0, 1400.0, 540], [0, 0, 1]])
    pose = CameraPose(k, np.zeros(5), turned, t_mm, 1920, 1080)
    return Calibration("test.mp4", pose, table, 0.2, "made for a test")


def joined(*parts: pd.DataFrame) -> pd.DataFrame:
    """Clips one after the other, as one recording."""
    out, frame, t = [], 0, 0.0
    for part in parts:
        out.append(part.assign(frame=part["frame"] + frame, t_s=part["t_s"] + t))
        frame += int(part["frame"].max()) + 1
        t += float(part["t_s"].max()) + 1 / 60
    return pd.concat(out, ignore_index=True)
