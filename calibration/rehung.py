"""The camera that was found hung elsewhere: the pose it would have there, and how well it would be known.

In both places it is zoomed so that the rails fill as much of the picture as they do now: the same lens higher up would
only see the table smaller. The covariance is that of a fit to all sights and nose lines, with marks as sharp as tell
the corners of the camera that was found as well as its own covariance does.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.fit import CAMERA_NAMES, SCALES, camera_covariance, derivative
from calibration.marks import NOSE_U_PX, SIGHT_U_PX
from calibration.model import (
    CLOTH_BEHIND_NOSE_MM,
    RAIL_ABOVE_NOSE_MM,
    EdgePoints,
    LensPrior,
    Marks,
    Problem,
    cushion_length_mm,
    line_points,
)
from calibration.pose import CameraPose
from calibration.store import Calibration
from shared.equipment import CUSHIONS, Table

F64 = NDArray[np.float64]

NOSE_POINTS = 20  # on each nose line; how many doesn't matter, as the uncertainty is the whole line's
BLUNTNESS = (1e-3, 1e3)  # of the marks, over the usual, in which it is looked for
DOWN = np.array([0.0, 0.0, -1.0])


def higher(calibration: Calibration, times: float, lens: LensPrior | None = None) -> Calibration:
    """The camera ``times`` as far from the table, looking the same way, zoomed in to the same picture.

    lens : what is known of the lens before the picture is seen; None: what is of any camera's
    """
    pose, middle = calibration.pose, _middle(calibration.table)
    seen = pose.R @ middle + pose.t_mm
    ray = np.append(seen[:2] / seen[2] / times, 1.0)  # so that the middle stays where it is in the picture
    return _rehung(calibration, pose.R, times * seen[2] * ray - pose.R @ middle, lens)


def straight_above(calibration: Calibration, lens: LensPrior | None = None) -> Calibration:
    """The camera at its height above the table's middle, looking straight down; else as `higher`."""
    pose, middle = calibration.pose, _middle(calibration.table)
    axis = np.cross(DOWN, pose.R[2])
    sine = float(np.linalg.norm(axis))
    turn, _ = cv2.Rodrigues(axis / max(sine, 1e-12) * np.arctan2(sine, float(DOWN @ pose.R[2])))
    upright = np.asarray(pose.R @ turn, dtype=float)
    return _rehung(calibration, upright, -upright @ [middle[0], middle[1], pose.centre_mm[2]], lens)


def _rehung(calibration: Calibration, rotation: F64, t_mm: F64, lens: LensPrior | None) -> Calibration:
    found, table = calibration.pose, calibration.table
    moved = replace(found, R=rotation, t_mm=t_mm, parameters=(), covariance=None)
    for _ in range(3):  # distortion doesn't grow in proportion
        moved = _zoomed(moved, float((_extent(found, table) / _extent(moved, table)).min()))
    if found.covariance is None or not found.covariance.size:
        return replace(calibration, pose=moved)
    prior = lens or LensPrior.of_any_camera((found.width_px, found.height_px))
    then = _Knowledge(moved, table, prior)
    covariance = then.covariance(_Knowledge(found, table, prior).bluntness(_corner_u_px(found, table)))
    return replace(calibration, pose=replace(moved, parameters=CAMERA_NAMES, covariance=covariance))


def _middle(table: Table) -> F64:
    return np.array([table.length_mm / 2, table.width_mm / 2, table.nose_height_mm])


def _extent(pose: CameraPose, table: Table) -> F64:
    """(2,) px, width and height in the picture of what the sights enclose."""
    px = pose.to_image(np.column_stack([table.sights_mm, np.full(len(table.sights_mm), table.nose_height_mm)]))
    return np.asarray(np.ptp(px, axis=0), dtype=float)


def _zoomed(pose: CameraPose, times: float) -> CameraPose:
    return replace(pose, K=pose.K * [[times, times, 1.0], [times, times, 1.0], [1.0, 1.0, 1.0]])


def _corner_u_px(pose: CameraPose, table: Table) -> float:
    corners = np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)])
    return float(pose.image_uncertainty(corners).mean())


class _Knowledge:
    """What marks all round the table tell of a camera, and what is known of it anyway."""

    def __init__(self, pose: CameraPose, table: Table, prior: LensPrior) -> None:
        self._pose, self._table = pose, table
        size = (pose.width_px, pose.height_px)
        rail_z = table.nose_height_mm + RAIL_ABOVE_NOSE_MM[0]
        sights = np.column_stack([table.sights_mm, np.full(len(table.sights_mm), rail_z)])
        marks = Marks(np.arange(len(sights)), pose.to_image(sights), SIGHT_U_PX, _noses(pose, table))
        camera = pose.parameter_values
        camera[0] = np.log(camera[0])
        values = np.concatenate([camera, [rail_z, table.sight_offset_mm, CLOTH_BEHIND_NOSE_MM[0]]])
        problem = Problem.of(marks, table, size, prior)
        told, known = derivative(problem.residuals, values), derivative(problem.priors, values)
        self._told, self._known = told.T @ told, known.T @ known

    def covariance(self, bluntness: float) -> F64:
        """(11, 11) of the pose's parameters, with marks so many times as uncertain as they usually are."""
        inverse = np.linalg.inv(self._told / bluntness**2 + self._known)
        return camera_covariance(inverse * np.outer(SCALES, SCALES), float(self._pose.K[0, 0]))

    def bluntness(self, corner_u_px: float) -> float:
        """Of the marks that tell the corners so well."""
        low, high = np.log(BLUNTNESS)
        for _ in range(30):
            half = (low + high) / 2
            pose = replace(self._pose, covariance=self.covariance(float(np.exp(half))), parameters=CAMERA_NAMES)
            low, high = (half, high) if _corner_u_px(pose, self._table) < corner_u_px else (low, half)
        return float(np.exp(high))


def _noses(pose: CameraPose, table: Table) -> tuple[EdgePoints, ...]:
    lines = {cushion: np.linspace(0.1, 0.9, NOSE_POINTS) * cushion_length_mm(table, cushion) for cushion in CUSHIONS}
    return tuple(
        EdgePoints("nose", cushion, pose.to_image(line_points(table, cushion, along, 0.0, table.nose_height_mm)),
                   NOSE_U_PX * np.sqrt(NOSE_POINTS))
        for cushion, along in lines.items()
    )
