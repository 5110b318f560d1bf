"""What a wrong calibration would do to every position of a clip at once: the part of an uncertainty that no number of
frames averages out. It is carried as displacement fields, one per independent effect, of one standard uncertainty each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from calibration.pose import CameraPose
from calibration.store import Calibration
from pipeline.physics import Array

_STEPS = {"f": 1e-3, "cx": 1e-2, "cy": 1e-2, "k1": 1e-5, "k2": 1e-5, "rx": 1e-6, "ry": 1e-6, "rz": 1e-6,
          "tx": 1e-2, "ty": 1e-2, "tz": 1e-2}
_WORTH_MM = 0.005  # effects smaller than this anywhere are left out


def _moved(pose: CameraPose, name: str, step: float) -> CameraPose:
    k, d, t = pose.K.copy(), pose.distortion.copy(), pose.t_mm.copy()
    rotation = pose.R
    if name == "f":
        k[1, 1] *= (k[0, 0] + step) / k[0, 0]
        k[0, 0] += step
    elif name in ("cx", "cy"):
        k[["cx", "cy"].index(name), 2] += step
    elif name in ("k1", "k2"):
        d[["k1", "k2"].index(name)] += step
    elif name in ("tx", "ty", "tz"):
        t[["tx", "ty", "tz"].index(name)] += step
    else:
        vector = cv2.Rodrigues(pose.R)[0].ravel()
        vector[["rx", "ry", "rz"].index(name)] += step
        rotation = np.asarray(cv2.Rodrigues(vector)[0], dtype=float)
    return replace(pose, K=k, distortion=d, t_mm=t, R=rotation)


def displacement_fields(calibration: Calibration) -> Callable[[Array], Array]:
    """A function of places (N, 2) mm giving (N, 2, Q) mm: how each of Q independent effects would displace them.

    From the table's own sizes (length and width come first) and from the pose's covariance. Smooth over the table, so
    cubic in x and y.
    """
    table = calibration.table
    size = np.array([table.length_mm, table.width_mm])
    gx, gy = np.meshgrid(np.linspace(0.0, 1.0, 9), np.linspace(0.0, 1.0, 6))
    grid = np.column_stack([gx.ravel(), gy.ravel()])
    fields = _pose_fields(calibration, grid * size)
    basis = _basis(grid)
    coefficients = np.linalg.lstsq(basis, fields.reshape(len(grid), -1), rcond=None)[0]
    effects = fields.shape[2]

    def at(xy_mm: Array) -> Array:
        share = np.asarray(xy_mm, dtype=float) / size
        pose = (_basis(share) @ coefficients).reshape(len(share), 2, effects)
        sizes = np.zeros((len(share), 2, 2))
        sizes[:, 0, 0], sizes[:, 1, 1] = share[:, 0] * table.length_u_mm, share[:, 1] * table.width_u_mm
        return np.concatenate([sizes, pose], axis=2)

    return at


def _basis(share: Array) -> Array:
    x, y = share[:, 0] - 0.5, share[:, 1] - 0.5
    return np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=1)


def _pose_fields(calibration: Calibration, xy_mm: Array) -> Array:
    """(N, 2, Q): principal effects of the pose's covariance on places in the plane of the ball centres."""
    pose, z = calibration.pose, calibration.table.ball.radius_mm
    covariance = pose.covariance
    if covariance is None or covariance.size == 0 or not len(pose.parameters):
        return np.zeros((len(xy_mm), 2, 0))
    px = pose.to_image(np.column_stack([xy_mm, np.full(len(xy_mm), z)]))
    base = pose.to_table(px, z)
    jacobian = np.stack(
        [(_moved(pose, name, _STEPS[name]).to_table(px, z) - base) / _STEPS[name] for name in pose.parameters], axis=2
    )
    flat = jacobian.reshape(-1, len(pose.parameters))
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    root = scale[:, None] * vectors * np.sqrt(np.clip(values, 0, None))
    u, s, _ = np.linalg.svd(flat @ root, full_matrices=False)
    keep = s * np.abs(u).max(axis=0) > _WORTH_MM
    return np.asarray((u[:, keep] * s[keep]).reshape(len(xy_mm), 2, -1))
