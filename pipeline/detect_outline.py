"""The picture of a ball: its outline for a given place in the plane z = R, exactly, distortion included."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.pose import CameraPose

Array = NDArray[np.float64]
_NO_TURN = np.zeros(3)


@dataclass(frozen=True, eq=False)
class BallPicture:
    """Outlines of balls of one radius seen by one camera.

    The rays that touch a sphere meet it in a circle: its centre lies R^2/d short of the sphere's, towards the camera,
    its radius is R sqrt(1 - R^2/d^2), d the distance to the camera. Projecting that circle gives the outline to all
    orders, so the ellipse's shift against the projected centre needs no correction of its own.
    """

    pose: CameraPose
    radius_mm: float

    def camera_points(self, xy_mm: ArrayLike) -> Array:
        """(N, 3) ball centres in the camera frame."""
        xy = np.atleast_2d(np.asarray(xy_mm, dtype=float))
        xyz = np.column_stack([xy, np.full(len(xy), self.radius_mm)])
        return np.asarray(xyz @ self.pose.R.T + self.pose.t_mm)

    def project(self, camera_points: Array) -> Array:
        """(M, 3) camera frame -> (M, 2) px."""
        points = camera_points.reshape(-1, 1, 3)
        px, _ = cv2.projectPoints(points, _NO_TURN, _NO_TURN, self.pose.K, self.pose.distortion)
        return np.asarray(px.reshape(-1, 2), dtype=float)

    def centres(self, xy_mm: ArrayLike) -> Array:
        """(N, 2) px, the pictures of the balls' centres."""
        return self.project(self.camera_points(xy_mm))

    def outlines(self, xy_mm: ArrayLike, rays: int) -> tuple[Array, Array]:
        """(N, rays, 2) outline points in px and their outward unit normals."""
        c = self.camera_points(xy_mm)
        distance = np.linalg.norm(c, axis=1)
        u = c / distance[:, None]
        e1 = np.array([1.0, 0.0, 0.0]) - u * u[:, :1]
        e1 /= np.linalg.norm(e1, axis=1)[:, None]
        e2 = np.cross(u, e1)
        shrink = 1 - (self.radius_mm / distance) ** 2
        angle = np.arange(rays) * (2 * np.pi / rays)
        ring = np.cos(angle)[:, None] * e1[:, None] + np.sin(angle)[:, None] * e2[:, None]
        points = (c * shrink[:, None])[:, None] + (self.radius_mm * np.sqrt(shrink))[:, None, None] * ring
        px = self.project(points.reshape(-1, 3)).reshape(len(c), rays, 2)
        tangent = np.roll(px, -1, axis=1) - np.roll(px, 1, axis=1)
        normal = np.stack([tangent[..., 1], -tangent[..., 0]], axis=-1)
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        outward = np.sign(np.sum(normal[:, 0] * (px[:, 0] - px.mean(axis=1)), axis=-1))
        return px, normal * outward[:, None, None]

    def jacobian(self, xy_mm: ArrayLike) -> Array:
        """(N, 2, 2) px per mm: the centre's picture for a step in x, in y (columns)."""
        xy = np.atleast_2d(np.asarray(xy_mm, dtype=float))
        n, step = len(xy), 2.0
        steps = step * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
        moved = (xy + steps[:, None]).reshape(-1, 2)
        px = self.centres(moved).reshape(4, n, 2)
        return np.stack([px[0] - px[1], px[2] - px[3]], axis=-1) / (2 * step)

    def radius_px(self, xy_mm: ArrayLike) -> Array:
        """(N,) mean radius of the outline in px."""
        px, _ = self.outlines(xy_mm, 16)
        return np.asarray(np.linalg.norm(px - px.mean(axis=1, keepdims=True), axis=-1).mean(axis=1))
