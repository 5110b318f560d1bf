"""The picture of a ball: an ellipse whose centre is not the picture of the ball's centre.

The rays that touch a ball of radius r round C (camera frame) form a cone about C. With unit c = C/|C| and
cos²a = 1 - r²/|C|², a direction d lies on it when (d·c)² = cos²a d·d: a conic in the undistorted picture. Its centre
lies further from the optical axis than the projected C by f X r² / (Z (Z² - r²)) for a ball at (X, 0, Z).

Source: T. Matsuoka, Y. Maruyama, "Eccentricity on an image caused by projection of a circle and a sphere", ISPRS
Annals III-5 (2016) 19-26, eqs 40-47, which the tests reproduce.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.pose import CameraPose
from shared.errors import CalibrationError

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Ellipse:
    """Centre (x, y), half axes a >= b (px) and the direction of a (radians from x towards y)."""

    x_px: float
    y_px: float
    a_px: float
    b_px: float
    angle_rad: float


def ball_outline(pose: CameraPose, centre_mm: ArrayLike, radius_mm: float) -> Ellipse:
    """The ball's outline in the *undistorted* picture (K applied, no distortion): exact.

    centre_mm : (3,) table frame. Raises CalibrationError when the camera is inside the ball or sees no closed outline.
    """
    conic = _cone(pose, np.asarray(centre_mm, dtype=float), radius_mm)
    inverse = np.linalg.inv(pose.K)
    conic = inverse.T @ conic @ inverse
    block, shift, rest = conic[:2, :2], conic[:2, 2], conic[2, 2]
    if np.linalg.det(block) <= 0:
        raise CalibrationError("the ball is too near the camera's side for a closed outline.")
    centre = -np.linalg.solve(block, shift)
    level = -(rest + shift @ centre)
    values, vectors = np.linalg.eigh(block * np.sign(np.trace(block)))
    half = np.sqrt(level * np.sign(np.trace(block)) / values)
    major = vectors[:, 0]
    return Ellipse(float(centre[0]), float(centre[1]), float(half[0]), float(half[1]),
                   float(np.arctan2(major[1], major[0])))


def ball_outline_points(pose: CameraPose, centre_mm: ArrayLike, radius_mm: float, *, count: int = 72) -> F64:
    """(count, 2) px on the ball's outline as displayed, distortion included."""
    rays = _touching_rays(pose, np.asarray(centre_mm, dtype=float), radius_mm, count)
    world = pose.centre_mm + (rays / rays[:, 2:]) @ pose.R * 1000.0  # any depth: only the direction counts
    return pose.to_image(world)


def outline_centre_offset(pose: CameraPose, centre_mm: ArrayLike, radius_mm: float) -> F64:
    """(N, 2) px as displayed: centre of the ball's outline minus the picture of its centre, at (N, 3) mm centres.

    The outline's centre is taken as the mean of its bounding directions: the middle of the two ends of its longer
    axis, carried through the distortion. Subtract it from a fitted outline's centre before ``to_table(px, z=R)``.
    """
    centres = np.atleast_2d(np.asarray(centre_mm, dtype=float))
    camera = centres @ pose.R.T + pose.t_mm
    across, depth = np.linalg.norm(camera[:, :2], axis=1), camera[:, 2]
    along = camera[:, :2] / np.maximum(across, 1e-12)[:, None]
    # tangents in the plane through the optical axis: tan(t +- a), exact ends of the longer axis
    distance = np.hypot(across, depth)
    if (distance <= radius_mm).any():
        raise CalibrationError("the camera is inside the ball.")
    towards, half = np.arctan2(across, depth), np.arcsin(radius_mm / distance)
    ends = np.tan(np.stack([towards - half, towards + half]))
    middle = 0.5 * (ends[0] + ends[1])
    rays = np.column_stack([along * middle[:, None], np.ones(len(middle))])
    world = pose.centre_mm + rays @ pose.R * 1000.0
    return np.asarray(pose.to_image(world) - pose.to_image(centres))


def _cone(pose: CameraPose, centre_mm: F64, radius_mm: float) -> F64:
    """(3, 3) conic in normalised coordinates, negative inside the outline."""
    camera = pose.R @ centre_mm + pose.t_mm
    distance2 = float(camera @ camera)
    if distance2 <= radius_mm**2:
        raise CalibrationError("the camera is inside the ball.")
    return np.asarray((distance2 - radius_mm**2) * np.eye(3) - np.outer(camera, camera))


def _touching_rays(pose: CameraPose, centre_mm: F64, radius_mm: float, count: int) -> F64:
    camera = pose.R @ centre_mm + pose.t_mm
    distance = float(np.linalg.norm(camera))
    if distance <= radius_mm:
        raise CalibrationError("the camera is inside the ball.")
    axis = camera / distance
    first = np.cross(axis, [0.0, 1.0, 0.0] if abs(axis[1]) < 0.9 else [1.0, 0.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    sine = radius_mm / distance
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)[:, None]
    return np.asarray(np.sqrt(1 - sine**2) * axis + sine * (np.cos(turn) * first + np.sin(turn) * second))
