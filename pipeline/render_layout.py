"""Where the straightened table lies in a picture for an audience, and the map that straightens frames into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from pipeline.picture_map import PictureMap, picture_map
from shared.equipment import Table

WIDE, TALL = (1920, 1080), (1080, 1920)
RAIL_MM = 165.0  # shown around the nose lines

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The table in a picture: lying (head at the left) or upright (head at the top).

    ``size``: width, height of the picture; ``origin``: top left of the table with its rails; ``scale``: px per mm.
    """

    size: tuple[int, int]
    table: Table
    upright: bool
    origin: tuple[float, float]
    scale: float

    @property
    def box(self) -> tuple[int, int, int, int]:
        """x, y, width, height of the table with its rails, whole px."""
        along, across = (side + 2 * RAIL_MM for side in (self.table.length_mm, self.table.width_mm))
        width, height = (across, along) if self.upright else (along, across)
        return round(self.origin[0]), round(self.origin[1]), int(width * self.scale), int(height * self.scale)

    def to_px(self, xy_mm: Array) -> Array:
        """(N, 2) table mm -> (N, 2) px of the picture."""
        xy = np.atleast_2d(np.asarray(xy_mm, dtype=float))
        if self.upright:  # seen from above with the head at the top, left of the table is right in the picture
            shown = np.column_stack([xy[:, 1], xy[:, 0]])
        else:
            shown = np.column_stack([xy[:, 0], self.table.width_mm - xy[:, 1]])
        return np.asarray((shown + RAIL_MM) * self.scale + np.array(self.origin))

    def to_mm(self, px: Array) -> Array:
        """The way back."""
        shown = (np.atleast_2d(px) - np.array(self.origin)) / self.scale - RAIL_MM
        if self.upright:
            return np.column_stack([shown[:, 1], shown[:, 0]])
        return np.column_stack([shown[:, 0], self.table.width_mm - shown[:, 1]])

    def map_from(self, pose: CameraPose) -> PictureMap:
        """Maps for cv2.remap from a clip's frame into ``box``, through the plane of the balls' centres."""
        x, y, width, height = self.box

        def seen(grid: Array) -> Array:
            mm = self.to_mm(grid + np.array([x, y]))
            return pose.to_image(np.column_stack([mm, np.full(len(mm), self.table.ball.radius_mm)]))

        return picture_map((width, height), seen)


def layout_for(table: Table, size: tuple[int, int], *, caption_px: int, upright: bool) -> Layout:
    """The largest table that leaves ``caption_px`` free at the bottom of a picture of ``size``, in the middle."""
    along, across = table.length_mm + 2 * RAIL_MM, table.width_mm + 2 * RAIL_MM
    width, height = (across, along) if upright else (along, across)
    free = (size[0], size[1] - caption_px)
    scale = min(free[0] / width, free[1] / height)
    origin = ((free[0] - width * scale) / 2, (free[1] - height * scale) / 2)
    return Layout(size=size, table=table, upright=upright, origin=origin, scale=scale)
