"""From one picture of a table to its calibration."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.cloth import Outline, cloth_outlines
from calibration.fit import EdgePoints, Fit, Marks, fit_marks, start_values
from calibration.marks import SIGHT_U_PX, cloth_ends, nose_lines, sights
from calibration.store import Calibration
from shared.equipment import Table
from shared.errors import CalibrationError
from shared.settings import CameraSettings, HeadSide

F64 = NDArray[np.float64]
NO_SIGHTS = (np.empty(0, np.int64), np.empty((0, 2)))


def find_table(
    picture: NDArray[np.uint8], *, table: Table, camera: CameraSettings = CameraSettings(), head: HeadSide | None = None,
    clip: str = "",
) -> Calibration:
    """Find the table in a BGR picture (H, W, 3) and recover the camera."""
    size = (picture.shape[1], picture.shape[0])
    best: Fit | None = None
    best_marks: Marks | None = None
    for outline in cloth_outlines(picture, most=4):
        for corners, sides in _orientations(outline, head):
            try:
                fit, marks = _try(picture, table, size, corners, sides)
            except (CalibrationError, np.linalg.LinAlgError):
                continue
            if best is None or best_marks is None or len(marks.sight) > len(best_marks.sight):
                best, best_marks = fit, marks
            if len(marks.sight) >= 0.8 * len(table.sights_mm):
                break
        if best_marks is not None and len(best_marks.sight) >= 0.8 * len(table.sights_mm):
            break
    if best is None or best_marks is None or len(best_marks.sight) < 6:
        raise CalibrationError(f"{clip}: no table was found in the picture.")
    return Calibration(clip, best.pose, table, best.rms_px, "found in the picture")


def _orientations(outline: Outline, head: HeadSide | None) -> list[tuple[F64, tuple[F64, ...]]]:
    """Corner orders to try: the longer pair of sides first; the head where it is declared or by default."""
    corners = outline.corners_px
    lengths = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    pair = [lengths[0] + lengths[2], lengths[1] + lengths[3]]
    long_first = 0 if pair[0] > pair[1] else 1
    choices = [long_first] if max(pair) > 1.45 * min(pair) else [long_first, 1 - long_first]
    if (_area(corners)) > 0:  # y down: positive = clockwise as displayed; table order runs anticlockwise there
        corners = corners[::-1]
        sides = (outline.sides[2], outline.sides[1], outline.sides[0], outline.sides[3])
        long_first = long_first
    else:
        sides = outline.sides
    orders = []
    for choice in choices:
        options = [k for k in range(4) if k % 2 == choice]  # side k is the right cushion
        scored = []
        for k in options:
            rolled = np.roll(corners, -k, axis=0)
            towards_head = (rolled[0] + rolled[3] - rolled[1] - rolled[2]) / 2
            lying = abs(towards_head[0]) >= abs(towards_head[1])
            wanted = head or ("picture-left" if lying else "picture-top")
            direction = {"picture-left": (-1, 0), "picture-right": (1, 0), "picture-top": (0, -1),
                         "picture-bottom": (0, 1)}[wanted]
            scored.append((float(towards_head @ np.array(direction)), k))
        k = max(scored)[1]
        orders.append((np.roll(corners, -k, axis=0), tuple(sides[(k + i) % 4] for i in range(4))))
    return orders


def _area(corners: F64) -> float:
    x, y = corners[:, 0], corners[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _try(
    picture: NDArray[np.uint8], table: Table, size: tuple[int, int], corners: F64, sides: tuple[F64, ...]
) -> tuple[Fit, Marks]:
    order = ("right", "foot", "left", "head")
    coarse = tuple(
        EdgePoints("cloth", cushion, side[:: max(1, len(side) // 40)], 3.0 * max(size) / 1280)
        for cushion, side in zip(order, sides, strict=True) if len(side) >= 15
    )
    fit = fit_marks(Marks(*NO_SIGHTS, SIGHT_U_PX, coarse), table, size, start_values(corners, table, size))
    marks = Marks(*NO_SIGHTS, SIGHT_U_PX, coarse)
    _check_possible(fit, table)
    for window in (30.0, 14.0, 8.0):
        rows, centres, _ = sights(picture, fit.pose, table, rail_z_mm=fit.rail_z_mm, offset_mm=fit.sight_offset_mm,
                                  window_mm=window)
        enough = _enough(rows, table)
        edges: list[EdgePoints] = list(coarse) if window > 20 or not enough else []
        if window < 20:
            if not enough:
                edges = cloth_ends(picture, fit.pose, table, rail_z_mm=fit.rail_z_mm, behind_mm=fit.cloth_behind_mm,
                                   window_mm=20.0) or edges
            edges += nose_lines(picture, fit.pose, table, window_mm=12.0)
        marks = Marks(rows, centres, SIGHT_U_PX, tuple(edges))
        fit = fit_marks(marks, table, size, fit.values)
        _check_possible(fit, table)
    return fit, marks


def _check_possible(fit: Fit, table: Table) -> None:
    """Refuse a camera that cannot have taken the picture, before it is used to look for marks."""
    pose = fit.pose
    height = pose.centre_mm[2]
    corners = np.column_stack([table.corners_mm, np.zeros(4)]) @ pose.R.T + pose.t_mm
    px = pose.to_image(np.column_stack([table.corners_mm, np.zeros(4)])) if (corners[:, 2] > 0).all() else np.empty((0, 2))
    reach = 2.0 * max(pose.width_px, pose.height_px)
    if not 0.3 * table.width_mm < height < 12 * table.length_mm or len(px) == 0 or np.abs(px).max() > reach:
        raise CalibrationError("no camera fits the outline.")


def _enough(rows: NDArray[np.int64], table: Table) -> bool:
    """Whether the sights alone fix the camera: enough of them, on three rails at least."""
    xy = table.sights_mm[rows]
    rails = [(xy[:, 0] < 0).sum(), (xy[:, 0] > table.length_mm).sum(), (xy[:, 1] < 0).sum(),
             (xy[:, 1] > table.width_mm).sum()]
    return len(rows) >= 9 and sum(n >= 2 for n in rails) >= 3
