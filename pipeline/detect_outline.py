"""The picture of a ball: its outline for a given place in the plane z = R, exactly, distortion included."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.pose import CameraPose

Array = NDArray[np.float64]
_NEXT, _AFTER = [1, 2, 0], [2, 0, 1]  # axes, for cross products


@lru_cache
def _circle(points: int) -> Array:
    """(points, 2) cosines and sines around a circle."""
    angle = np.arange(points) * (2 * np.pi / points)
    return np.column_stack([np.cos(angle), np.sin(angle)])


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
        """(..., 3) camera frame -> (..., 2) px: as cv2.projectPoints, which works out its derivatives each time."""
        (fx, _, cx), (_, fy, cy) = self.pose.K[:2].tolist()
        k1, k2, p1, p2, k3 = self.pose.distortion.tolist()
        x, y = camera_points[..., 0] / camera_points[..., 2], camera_points[..., 1] / camera_points[..., 2]
        xx, yy, xy = x * x, y * y, 2 * x * y
        r2 = xx + yy
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        out = np.empty((*x.shape, 2))
        out[..., 0] = fx * (x * radial + p1 * xy + p2 * (r2 + 2 * xx)) + cx
        out[..., 1] = fy * (y * radial + p1 * (r2 + 2 * yy) + p2 * xy) + cy
        return out

    def centres(self, xy_mm: ArrayLike) -> Array:
        """(N, 2) px, the pictures of the balls' centres."""
        return self.project(self.camera_points(xy_mm))

    def outlines(self, xy_mm: ArrayLike, rays: int) -> tuple[Array, Array]:
        """(N, rays, 2) outline points in px and their outward unit normals."""
        c = self.camera_points(xy_mm)
        distance = np.sqrt((c * c).sum(axis=1))
        u = c / distance[:, None]
        e1 = np.array([1.0, 0.0, 0.0]) - u * u[:, :1]
        e1 /= np.sqrt((e1 * e1).sum(axis=1))[:, None]
        e2 = u[:, _NEXT] * e1[:, _AFTER] - u[:, _AFTER] * e1[:, _NEXT]
        shrink = 1 - (self.radius_mm / distance) ** 2
        size = (self.radius_mm * np.sqrt(shrink))[:, None]
        points = _circle(rays) @ np.stack([size * e1, size * e2], axis=1) + (c * shrink[:, None])[:, None]
        px = self.project(points)
        around = np.concatenate([px[:, -1:], px, px[:, :1]], axis=1)
        tangent = around[:, 2:] - around[:, :-2]
        length = np.hypot(tangent[..., 0], tangent[..., 1])
        away = px[:, 0] - px.mean(axis=1)
        outward = np.sign(tangent[:, 0, 1] * away[:, 0] - tangent[:, 0, 0] * away[:, 1])[:, None] / length
        return px, np.stack([tangent[..., 1] * outward, -tangent[..., 0] * outward], axis=-1)

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
