"""What a reviewer may see of a shot before deciding: the cue ball and the launch, not the outcome nor the condition."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

AFTER_CUE_S = 3.0  # longest look at what the cue ball does after the hit
LEAD_S = 0.4  # shown before the strike
TAIL_S = 0.3  # and after the end

#: measures of the hit; all others belong to the outcome
HIT_MEASURES = (
    "cue_speed_mps", "cue_impact_speed_mps", "object_speed_mps", "cut_angle_deg", "throw_deg", "cue_roll_ratio",
    "cue_cross_ratio", "cue_side_spin_rps", "cue_along_mm", "cue_across_mm", "cue_drift_deg", "aim_error_deg",
)
OUTCOME_MEASURES = (
    "incoming_angle_deg", "rebound_angle_deg", "rebound_settled_angle_deg", "speed_at_impact_mps", "rebound_speed_mps",
    "rail_sight", "restitution", "tangential_ratio", "miss_mm",
)


@dataclass(frozen=True, kw_only=True)
class Curtain:
    """Until when what is shown: everything to ``clear_until_s``, then the cue ball alone to ``cue_until_s``."""

    begin_s: float
    clear_until_s: float
    cue_until_s: float
    end_s: float

    @property
    def last_s(self) -> float:
        """When the last picture is shown."""
        return max(self.clear_until_s, self.cue_until_s)


def curtain_for(shot: dict[str, Any], events: pd.DataFrame, *, hidden: bool) -> Curtain:
    """Where the curtain falls: at the banked ball's first cushion, and for the cue ball at its next event.

    shot   : a SHOTS row; events : its CONTACTS rows
    hidden : False shows all
    """
    begin_s = float(shot["start_s"]) - LEAD_S
    end_s = float(shot["end_s"]) + TAIL_S
    if not hidden:
        return Curtain(begin_s=begin_s, clear_until_s=end_s, cue_until_s=end_s, end_s=end_s)
    banked = shot["banked_ball"] if isinstance(shot["banked_ball"], str) else ""
    rails = events[(events["ball"] == banked) & events["kind"].isin(["cushion", "jaw", "pocket"])]
    clear = float(rails["t_s"].min()) if len(rails) else _hit_s(events, end_s)
    cue = clear
    if shot["kind"] == "bank":
        hit = _hit_s(events, clear)
        involved = (events["ball"] == "cue") | (events["other"] == "cue")
        later = events[involved & (events["t_s"] > hit + 1e-6)]
        cue = min(float(later["t_s"].min()) if len(later) else end_s, hit + AFTER_CUE_S, end_s)
    return Curtain(begin_s=begin_s, clear_until_s=clear, cue_until_s=max(cue, clear), end_s=end_s)


def visible(rows: pd.DataFrame, curtain: Curtain) -> pd.DataFrame:
    """TRACKS or CONTACTS rows in front of the curtain."""
    alone = (rows["ball"] == "cue") & (rows["t_s"] <= curtain.cue_until_s)
    return rows[(rows["t_s"] >= curtain.begin_s) & ((rows["t_s"] <= curtain.clear_until_s) | alone)]


def veil(
    picture: NDArray[np.uint8], cue_px: NDArray[np.float64], others_px: NDArray[np.float64], ball_px: float
) -> NDArray[np.uint8]:
    """The picture with all but a disc around the cue ball painted over, other balls within it too.

    picture : (H, W, 3) BGR; cue_px (2,), others_px (N, 2): ball centres in it; ball_px: a ball's radius
    """
    import cv2

    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.circle(mask, _whole(cue_px), round(9 * ball_px), 255, -1)
    for other in others_px:
        cv2.circle(mask, _whole(other), round(2.2 * ball_px), 0, -1)
    cv2.circle(mask, _whole(cue_px), round(1.2 * ball_px), 255, -1)
    grey = np.full_like(picture, 58)
    return np.asarray(np.where(mask[..., None] > 0, picture, grey), dtype=np.uint8)


def _whole(xy: Any) -> tuple[int, int]:
    return round(float(xy[0])), round(float(xy[1]))


def _hit_s(events: pd.DataFrame, otherwise: float) -> float:
    hits = events[events["kind"] == "ball"]
    return float(hits["t_s"].min()) if len(hits) else otherwise
