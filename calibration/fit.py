"""Camera pose, lens and a few unknowns of the table from marks in a picture, by non-linear least squares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import (
    CLOTH_BEHIND_NOSE_MM,
    F_PRIOR,
    RAIL_ABOVE_NOSE_MM,
    RAIL_BEHIND_NOSE_MM,
    LensPrior,
    Marks,
    Problem,
)
from calibration.pose import CameraPose
from calibration.solve import HUBER, Chart, levenberg_marquardt
from shared.equipment import Cushion, Table

F64 = NDArray[np.float64]

CAMERA_NAMES = ("f", "cx", "cy", "k1", "k2", "rx", "ry", "rz", "tx", "ty", "tz")
SCALES = np.array([1.0, 100.0, 100.0, 0.1, 0.1, 0.1, 0.1, 0.1, 300.0, 300.0, 300.0, 5.0, 3.0, 5.0])  # for derivatives


@dataclass(frozen=True, eq=False)
class Fit:
    """The camera and the table's fitted unknowns. Residuals in px at the solution.

    A fit that isn't final knows no covariance, no left-out sights and no residuals of edges.
    """

    pose: CameraPose
    rail_z_mm: float
    sight_offset_mm: float
    cloth_behind_mm: float
    sight_residuals_px: F64  # (N, 2)
    left_out_px: F64  # (N,) each sight's miss predicted by all the other marks
    edge_residuals_px: dict[tuple[str, Cushion], F64]
    cost: float
    lens_strain: float  # largest deviation of f, principal point or distortion from its prior, in standard deviations
    values: F64  # (14,) the raw solution, to start the next fit from

    @property
    def rms_px(self) -> float:
        """Root mean square over all sights (2-D) and nose points."""
        parts = [np.sum(self.sight_residuals_px**2, axis=1)]
        parts += [r**2 for (kind, _), r in self.edge_residuals_px.items() if kind == "nose" or not len(parts[0])]
        every = np.concatenate(parts)
        return float(np.sqrt(every.mean())) if len(every) else float("nan")


def start_values(corners_px: F64, table: Table, size_px: tuple[int, int], *, kind: str) -> F64:
    """(14,) values from four corners in the order of Table.corners_mm, of the lines of a kind of EdgePoints."""
    width, height = size_px
    f = F_PRIOR[0] * max(width, height)
    away = {"nose": 0.0, "cloth": CLOTH_BEHIND_NOSE_MM[0], "rail": RAIL_BEHIND_NOSE_MM}[kind]
    outer = table.corners_mm + np.array([[-away, -away], [away, -away], [away, away], [-away, away]])
    z = table.nose_height_mm + (0.0 if kind == "nose" else RAIL_ABOVE_NOSE_MM[0])
    centred = (corners_px - [(width - 1) / 2, (height - 1) / 2]) / f
    h = cv2.getPerspectiveTransform(outer.astype(np.float32), centred.astype(np.float32)).astype(float)
    if h[2] @ np.append(outer.mean(axis=0), 1.0) < 0:
        h = -h
    h *= 2 / (np.linalg.norm(h[:, 0]) + np.linalg.norm(h[:, 1]))
    u, _, vt = np.linalg.svd(np.column_stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])]))
    rotation = u @ vt
    shift = h[:, 2] - rotation[:, 2] * z
    rvec, _ = cv2.Rodrigues(rotation)
    return np.concatenate([[np.log(f), (width - 1) / 2, (height - 1) / 2, 0.0, 0.0], rvec.ravel(), shift,
                           [table.nose_height_mm + RAIL_ABOVE_NOSE_MM[0], table.sight_offset_mm,
                            CLOTH_BEHIND_NOSE_MM[0]]])


def pose_of(values: F64, size_px: tuple[int, int], covariance: F64 | None = None) -> CameraPose:
    f = float(np.exp(values[0]))
    rotation, _ = cv2.Rodrigues(values[5:8])
    return CameraPose(
        K=np.array([[f, 0, values[1]], [0, f, values[2]], [0, 0, 1.0]]),
        distortion=np.array([values[3], values[4], 0.0, 0.0, 0.0]),
        R=np.asarray(rotation, dtype=float), t_mm=values[8:11], width_px=size_px[0], height_px=size_px[1],
        parameters=CAMERA_NAMES if covariance is not None else (), covariance=covariance,
    )


def camera_covariance(covariance: NDArray[np.floating], f: float) -> F64:
    """(11, 11) of CAMERA_NAMES from that of the values (14, 14), whose first is log f."""
    camera: F64 = np.array(covariance[:11, :11], dtype=float)
    camera[0] *= f
    camera[:, 0] *= f
    return camera


def derivative(function: Callable[[F64], F64], values: F64) -> F64:
    """Central differences over the values, columns in units of SCALES. ``function``: (..., 14) to (..., M)."""
    steps = np.diag(1e-5 * SCALES)
    return np.asarray((function(values + steps) - function(values - steps)).T / 2e-5)


def fit_marks(
    marks: Marks, table: Table, size_px: tuple[int, int], start: F64, *, robust: bool = True,
    lens: LensPrior | None = None, final: bool = True,
) -> Fit:
    """Least squares over all marks, from a start; ``lens`` is what is known of the lens beforehand.

    ``final=False`` stops early, at a camera good enough to predict marks with.
    """
    problem = Problem.of(marks, table, size_px, lens or LensPrior.of_any_camera(size_px))
    chart = Chart.at(start, table)

    def stacked(scaled: F64) -> F64:
        values = chart.values(scaled) if scaled.ndim == 1 else np.array([chart.values(one) for one in scaled])
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # too far a step is not taken
            return np.concatenate([problem.residuals(values), problem.priors(values)], axis=-1)

    scaled, cost = levenberg_marquardt(stacked, len(start), priors=len(problem.priors(start)), robust=robust,
                                        most_steps=40, enough=1e-5 if final else 1e-2)
    values = chart.values(scaled)
    rotation, _ = cv2.Rodrigues(values[5:8])
    canonical, _ = cv2.Rodrigues(rotation)
    values[5:8] = canonical.ravel()
    with np.errstate(over="ignore", invalid="ignore"):  # a start that wasn't the table's may end anywhere
        return _report(problem, values, cost) if final else _camera_only(problem, values, cost)


def _camera_only(problem: Problem, values: F64, cost: float) -> Fit:
    """What the next search for marks takes from a fit."""
    marks = problem.marks
    sights = problem.residuals(values)[: 2 * len(marks.sight)].reshape(-1, 2) * marks.sight_u_px
    return Fit(
        pose=pose_of(values, problem.size_px), rail_z_mm=float(values[11]), sight_offset_mm=float(values[12]),
        cloth_behind_mm=float(values[13]), sight_residuals_px=sights, left_out_px=np.empty(0), edge_residuals_px={},
        cost=cost, lens_strain=float(np.abs(problem.priors(values)[:5]).max()), values=values,
    )


def _report(problem: Problem, values: F64, cost: float) -> Fit:
    marks = problem.marks
    seen = problem.residuals(values)
    jacobian = derivative(problem.residuals, values)
    prior_jacobian = derivative(problem.priors, values)
    weight = HUBER / np.maximum(np.abs(seen), HUBER)
    normal = jacobian.T @ (weight[:, None] * jacobian)
    count = float(weight.sum())
    freedom = max(1.0, count - len(values))
    spread = max(1.0, float(weight @ seen**2) / freedom)  # the marks' own scatter where it exceeds what was assumed
    inverse = np.linalg.inv(normal / spread + prior_jacobian.T @ prior_jacobian)
    covariance = inverse * np.outer(SCALES, SCALES)
    n = 2 * len(marks.sight)
    hat = np.einsum("ij,jk,ik->i", jacobian[:n], inverse, jacobian[:n]) / spread * weight[:n]
    left_out = (seen[:n] / np.maximum(1 - hat, 0.05)).reshape(-1, 2) * marks.sight_u_px
    camera = camera_covariance(covariance, float(np.exp(values[0])))
    sights = seen[:n].reshape(-1, 2) * marks.sight_u_px
    edges: dict[tuple[str, Cushion], F64] = {
        (e.kind, e.cushion): problem.edge_px(values, e) for e in marks.edges
    }
    return Fit(
        pose=pose_of(values, problem.size_px, camera), rail_z_mm=float(values[11]), sight_offset_mm=float(values[12]),
        cloth_behind_mm=float(values[13]), sight_residuals_px=sights,
        left_out_px=np.hypot(left_out[:, 0], left_out[:, 1]), edge_residuals_px=edges, cost=cost,
        lens_strain=float(np.abs(problem.priors(values)[:5]).max()), values=values,
    )

