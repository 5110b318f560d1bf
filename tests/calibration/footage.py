"""The pictures of tables with exact truth that the package carries (rendered, see fixtures/README.md)."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from shared.equipment import Table, standard_table
from shared.settings import HeadSide

TABLES = Path(__file__).parents[2] / "fixtures" / "tables"


@dataclass(frozen=True, eq=False)
class TablePicture:
    """A picture with the camera, the table and the nose-line corners that are true for it."""

    picture: NDArray[np.uint8]
    table: Table
    pose: CameraPose
    corners_px: NDArray[np.float64]
    head: HeadSide


def table_picture(name: str) -> TablePicture:
    """One of fixtures/tables by its name."""
    picture = cv2.imread(str(TABLES / f"{name}.jpg"))
    assert picture is not None
    truth = json.loads((TABLES / f"{name}.truth.json").read_text(encoding="utf-8"))
    sizes, camera = truth["table"], truth["camera"]
    table = standard_table("pool-9ft", **{key: value for key, value in sizes.items() if key.endswith("_mm")})
    pose = CameraPose(np.array(camera["K"]), np.array(camera["dist"]), np.array(camera["R"]), np.array(camera["t_mm"]),
                      picture.shape[1], picture.shape[0])
    corners = np.array(truth["corners_px"])
    return TablePicture(np.asarray(picture, dtype=np.uint8), table, pose, corners, _head(corners))


def _head(corners: NDArray[np.float64]) -> HeadSide:
    x, y = (corners[0] + corners[3] - corners[1] - corners[2]) / 2
    if abs(x) >= abs(y):
        return "picture-left" if x < 0 else "picture-right"
    return "picture-top" if y < 0 else "picture-bottom"
