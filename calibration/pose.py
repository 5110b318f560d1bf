"""The camera over the table: K, distortion, R, t, which give the map of every plane."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.homography import Homography
from shared.errors import CalibrationError


@dataclass(frozen=True, eq=False)
class CameraPose:
    """``X_cam = R X_table + t`` in mm, then K and OpenCV's distortion (k1, k2, p1, p2, k3).

    ``covariance`` is of the parameters that were fitted, in the order of ``parameters``; empty (0, 0) when unknown.
    Parameter names: f, cx, cy, k1, k2, rx, ry, rz (rotation vector of R), tx, ty, tz.
    """

    K: NDArray[np.float64]  # (3, 3)
    distortion: NDArray[np.float64]  # (5,)
    R: NDArray[np.float64]  # (3, 3)
    t_mm: NDArray[np.float64]  # (3,)
    width_px: int
    height_px: int
    parameters: tuple[str, ...] = ()
    covariance: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        for name, shape in (("K", (3, 3)), ("distortion", (5,)), ("R", (3, 3)), ("t_mm", (3,))):
            value = np.array(getattr(self, name), dtype=float).reshape(shape)
            if not np.isfinite(value).all():
                raise CalibrationError(f"camera {name} holds a value that is not a number.")
            value.setflags(write=False)
            object.__setattr__(self, name, value)

    @property
    def centre_mm(self) -> NDArray[np.float64]:
        """(3,) the camera's own place in the table frame."""
        return -self.R.T @ self.t_mm

    def to_image(self, xyz_mm: ArrayLike) -> NDArray[np.float64]:
        """(N, 3) table mm -> (N, 2) px as displayed, distortion included."""
        points = np.atleast_2d(np.asarray(xyz_mm, dtype=float))
        rvec, _ = cv2.Rodrigues(self.R)
        px, _ = cv2.projectPoints(points.reshape(-1, 1, 3), rvec, self.t_mm.reshape(3, 1), self.K, self.distortion)
        return np.asarray(px.reshape(-1, 2), dtype=float)

    def rays(self, xy_px: ArrayLike) -> NDArray[np.float64]:
        """(N, 2) px -> (N, 3) directions in the camera frame with z = 1."""
        px = np.atleast_2d(np.asarray(xy_px, dtype=float)).reshape(-1, 1, 2)
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-12)  # the default stops at 0.01 px
        normal = cv2.undistortPoints(px, self.K, self.distortion, criteria=criteria).reshape(-1, 2)
        return np.column_stack([normal, np.ones(len(normal))])

    def to_table(self, xy_px: ArrayLike, z_mm: float) -> NDArray[np.float64]:
        """(N, 2) px -> (N, 2) mm in the plane ``z = z_mm``."""
        directions = self.rays(xy_px) @ self.R  # rows: R^T d
        centre = self.centre_mm
        scale = (z_mm - centre[2]) / directions[:, 2]
        return np.asarray(centre[:2] + scale[:, None] * directions[:, :2])

    def with_parameters(self, parameters: ArrayLike) -> CameraPose:
        """The same camera with (f, cx, cy, k1, k2, rx, ry, rz, tx, ty, tz) replaced; no covariance."""
        p = np.asarray(parameters, dtype=float)
        rotation, _ = cv2.Rodrigues(p[5:8])
        matrix = np.array([[p[0], 0, p[1]], [0, p[0] * self.K[1, 1] / self.K[0, 0], p[2]], [0, 0, 1.0]])
        distortion = np.concatenate([p[3:5], self.distortion[2:]])
        return CameraPose(matrix, distortion, np.asarray(rotation, dtype=float), p[8:11], self.width_px, self.height_px)

    @property
    def parameter_values(self) -> NDArray[np.float64]:
        """(11,) f, cx, cy, k1, k2, rx, ry, rz, tx, ty, tz."""
        rvec, _ = cv2.Rodrigues(self.R)
        k = self.K
        return np.concatenate([[k[0, 0], k[0, 2], k[1, 2]], self.distortion[:2], rvec.ravel(), self.t_mm])

    def _moved(self) -> list[tuple[CameraPose, CameraPose, float]]:
        """For each parameter the camera a little to both sides, and the distance between the two."""
        values = self.parameter_values
        steps = np.array([0.5, 0.5, 0.5, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 0.5, 0.5, 0.5])
        pairs = []
        for index, step in enumerate(steps):
            change = np.zeros(len(values))
            change[index] = step
            up, low = self.with_parameters(values + change), self.with_parameters(values - change)
            pairs.append((up, low, 2 * float(step)))
        return pairs

    def image_jacobian(self, xyz_mm: ArrayLike) -> NDArray[np.float64]:
        """(N, 2, 11) change of the picture of fixed points with the camera's parameters."""
        return np.stack([(up.to_image(xyz_mm) - low.to_image(xyz_mm)) / d for up, low, d in self._moved()], axis=2)

    def table_jacobian(self, xy_px: ArrayLike, z_mm: float) -> NDArray[np.float64]:
        """(N, 2, 11) change of the place under fixed pixels, in the plane z, with the camera's parameters."""
        moved = self._moved()
        return np.stack([(up.to_table(xy_px, z_mm) - low.to_table(xy_px, z_mm)) / d for up, low, d in moved], axis=2)

    def image_uncertainty(self, xyz_mm: ArrayLike) -> NDArray[np.float64]:
        """(N,) standard uncertainty, px, of the picture of fixed points, both directions together."""
        if self.covariance is None:
            raise CalibrationError("this camera's uncertainty is not known.")
        jacobian = self.image_jacobian(xyz_mm)
        variance = np.einsum("nij,jk,nik->n", jacobian, self.covariance, jacobian)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def plane(self, z_mm: float) -> Homography:
        """The map of one plane for *undistorted* picture points (distortion taken out beforehand)."""
        table_to_image = self.K @ np.column_stack([self.R[:, 0], self.R[:, 1], self.R[:, 2] * z_mm + self.t_mm])
        return Homography(np.asarray(np.linalg.inv(table_to_image), dtype=float), z_mm)
