"""A clip's table marks over its picture, found or from corners being dragged, with the sights' misses."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.find import sight_table
from calibration.marks import sights
from calibration.model import sights_3d
from calibration.pose import CameraPose
from pipeline.frames import Plane
from pipeline.review.shot_view import nose_outline, number
from pipeline.stills import look_at, still_picture
from shared.equipment import Table
from shared.errors import CalibrationError, ReboundryError
from shared.files import stamp
from shared.settings import CameraSettings, HeadSide

SIGHT_REACH_MM = 60.0  # how far from its place a sight is looked for while corners are dragged


class CornersView:
    """The pictures and marks of a session's clips; the still pictures are kept once made."""

    def __init__(self) -> None:
        self._pictures: dict[tuple[Path, tuple[int, ...]], Plane] = {}  # another recording may come to have the name
        self._lock = threading.Lock()

    def picture(self, path: Path, *, table: Table, camera: CameraSettings, head: HeadSide | None) -> Plane:
        """A clean BGR picture of the clip, full size: of the view in which the table is found, if it is."""
        anywhere = CameraSettings(lens=camera.lens)
        with self._lock:
            key = path, stamp(path)
            if key not in self._pictures:
                if len(self._pictures) > 3:
                    self._pictures.clear()
                try:
                    picture = look_at(path, lambda p: sight_table(p, table=table, camera=anywhere, head=head))[1]
                except CalibrationError:
                    picture = still_picture(path)
                self._pictures[key] = picture
            return self._pictures[key]

    def look(
        self, path: Path, *, table: Table, camera: CameraSettings, head: HeadSide | None
    ) -> dict[str, Any]:
        """Marks for the page: with the camera's corners, or as found in the picture where it has none.

        ``problem`` says why there are none.
        """
        picture = self.picture(path, table=table, camera=camera, head=head)
        size = {"width": picture.shape[1], "height": picture.shape[0]}
        try:
            seen, how = sight_table(picture, table=table, camera=camera, head=head, clip=path.name)
        except ReboundryError as error:
            return {**size, "problem": str(error)}
        pose, fit = seen.fit.pose, seen.fit
        expected = pose.to_image(sights_3d(table, fit.rail_z_mm, fit.sight_offset_mm))
        rows, centres, _ = sights(picture, pose, table, rail_z_mm=fit.rail_z_mm, offset_mm=fit.sight_offset_mm,
                                  window_mm=SIGHT_REACH_MM)
        misses = np.linalg.norm(expected[rows] - centres, axis=1) if len(rows) else np.empty(0)
        return {
            **size,
            "problem": "",
            "how": how,
            "corners": _rounded(corner_px(pose, table)),
            "noses": _rounded(pose.to_image(_lifted(nose_outline(table), table.nose_height_mm))),
            "sights": _rounded(expected),
            "found": [{"row": int(row), "at": _rounded(at), "miss_px": round(float(miss), 2)}
                      for row, at, miss in zip(rows, centres, misses, strict=True)],
            "rms_px": number(round(float(fit.rms_px), 2)),  # None: four corners by hand leave no residual
            "sights_rms_px": round(float(np.sqrt(np.mean(misses**2))), 2) if len(rows) else None,
            "camera_height_mm": round(float(pose.centre_mm[2])),
            "warnings": list(seen.check.warnings),
        }


def corner_px(pose: CameraPose, table: Table) -> NDArray[np.float64]:
    """(4, 2) nose-line corners in the picture."""
    return pose.to_image(_lifted(table.corners_mm, table.nose_height_mm))


def _lifted(xy_mm: NDArray[np.float64], z_mm: float) -> NDArray[np.float64]:
    return np.column_stack([xy_mm, np.full(len(xy_mm), z_mm)])


def _rounded(values: Any) -> Any:
    return np.round(np.asarray(values, dtype=float), 2).tolist()
