"""One clip's calibration as a value, and calibration.json."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from shared.equipment import Table


@dataclass(frozen=True, eq=False)
class Calibration:
    """Camera and table of one clip.

    ``rms_px``: reprojection error over all marks used. ``how``: "found in the picture", "corners given" ...
    ``warnings``: plain sentences to pass on to the user (they end up in ``notes``).
    """

    clip: str
    pose: CameraPose
    table: Table
    rms_px: float
    how: str
    warnings: tuple[str, ...] = field(default=())

    @property
    def corners_px(self) -> NDArray[np.float64]:
        """(4, 2) nose-line corners in the picture, order (0,0) (L,0) (L,W) (0,W)."""
        noses = np.column_stack([self.table.corners_mm, np.full(4, self.table.nose_height_mm)])
        return self.pose.to_image(noses)
