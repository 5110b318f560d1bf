"""Frames of a camera that moved, as it would have shown them from where it stood when the table was found.

What the page draws over its frames, and veils in them, then lies right by one map for the whole clip.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from calibration.store import Calibration
from pipeline.picture_map import PictureMap, picture_map


class SteadyView:
    """Shifts pictures back, through the plane of the balls' centres; those of before a move it gives back as they are.

    calibration : the clip's; None where there is none, then all are given back as they are
    """

    def __init__(self, calibration: Calibration | None) -> None:
        self._calibration = calibration
        self._pose: CameraPose | None = None  # of which the map is
        self._map: PictureMap | None = None

    def of(self, picture: NDArray[np.uint8], taken_s: float) -> NDArray[np.uint8]:
        """A frame of that time, (h, w, 3) BGR in any size, shifted back; black where it showed nothing."""
        import cv2

        if self._calibration is None:
            return picture
        pose = self._calibration.pose_at(taken_s)
        if pose is self._calibration.pose:
            return picture
        if self._map is None or pose is not self._pose:
            self._pose, self._map = pose, _map(self._calibration, pose, picture.shape[1], picture.shape[0])
        return np.asarray(cv2.remap(picture, *self._map, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))


def _map(calibration: Calibration, moved: CameraPose, width: int, height: int) -> PictureMap:
    own, radius = calibration.pose, calibration.table.ball.radius_mm
    factor = np.array([width / own.width_px, height / own.height_px])

    def source(shown: NDArray[np.float64]) -> NDArray[np.float64]:
        mm = own.to_table((shown + 0.5) / factor - 0.5, radius)
        px = moved.to_image(np.column_stack([mm, np.full(len(mm), radius)]))
        return np.asarray((px + 0.5) * factor - 0.5)

    return picture_map((width, height), source)
