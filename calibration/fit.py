"""Camera pose, lens and a few unknowns of the table from marks in a picture, by non-linear least squares.

The unknowns of the table that a rule book leaves open are fitted too, each with its standard as prior, so that they do
not bend the camera: the height of the rail top, the distance of the sights behind the noses (WPA: +-1/8 in), and how
far behind the noses the cloth ends (common practice about 50 mm, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from shared.equipment import Cushion, Table

F64 = NDArray[np.float64]

CAMERA_NAMES = ("f", "cx", "cy", "k1", "k2", "rx", "ry", "rz", "tx", "ty", "tz")
F_PRIOR = (0.9, 0.4)  # f over the longer picture side: middle, relative spread (phones and action cameras to zooms)
CENTRE_PRIOR = 0.01  # principal point from the picture's middle, as a share of the longer side
K1_PRIOR = 0.15
K2_PRIOR = 0.03
RAIL_ABOVE_NOSE_MM = (5.0, 3.0)  # rail top above the nose: middle, spread; common practice, no source
SIGHT_OFFSET_U_MM = 3.175 / np.sqrt(3)  # WPA tolerance of the sights' place, rectangular
CLOTH_BEHIND_NOSE_MM = (51.0, 6.0)  # common practice, no source
HUBER = 2.0  # residuals beyond this many standard uncertainties count less
RAIL_BEHIND_NOSE_MM = 140.0  # outer edge of the rails; WPA allows 102 to 190 mm from the nose; for a start only
SCALES = np.array([1.0, 100.0, 100.0, 0.1, 0.1, 0.1, 0.1, 0.1, 300.0, 300.0, 300.0, 5.0, 3.0, 5.0])


CHART_SCALES = np.array([0.3, 10.0, 10.0, 0.05, 0.05, 0.01, 0.01, 0.01, 1.0, 1.0, 0.01, 3.0, 2.0, 3.0])


@dataclass(frozen=True, eq=False)
class EdgePoints:
    """Points seen on a straight line of the table: ``kind``: nose (z = h), cloth (its end), rail (its outer edge)."""

    kind: str
    cushion: Cushion
    xy_px: F64  # (N, 2)
    u_px: float


@dataclass(frozen=True, eq=False)
class Marks:
    """All that was seen: sights (``sight`` = rows of Table.sights_mm) and points on lines."""

    sight: NDArray[np.int64]
    sight_px: F64
    sight_u_px: float
    edges: tuple[EdgePoints, ...]
    corner_px: F64 | None = None  # (4, 2) nose-line corners marked by hand
    corner_u_px: float = 0.5


@dataclass(frozen=True, eq=False)
class Fit:
    """The camera and the table's fitted unknowns. Residuals in px at the solution."""

    pose: CameraPose
    rail_z_mm: float
    sight_offset_mm: float
    cloth_behind_mm: float
    sight_residuals_px: F64  # (N, 2)
    left_out_px: F64  # (N,) each sight's miss predicted by all the other marks
    edge_residuals_px: dict[tuple[str, Cushion], F64]
    cost: float
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


def sights_3d(table: Table, rail_z_mm: float, offset_mm: float) -> F64:
    """(N, 3) sight centres with a fitted height and offset instead of the standard's."""
    xy = table.sights_mm
    extra = offset_mm - table.sight_offset_mm
    x = xy[:, 0] + np.where(xy[:, 0] < 0, -extra, np.where(xy[:, 0] > table.length_mm, extra, 0.0))
    y = xy[:, 1] + np.where(xy[:, 1] < 0, -extra, np.where(xy[:, 1] > table.width_mm, extra, 0.0))
    return np.column_stack([x, y, np.full(len(xy), rail_z_mm)])


def line_points(table: Table, cushion: Cushion, along_mm: F64, behind_mm: float | F64, z_mm: float) -> F64:
    """(N, 3) points along a cushion, ``behind_mm`` behind its nose line (negative: over the bed)."""
    away = np.broadcast_to(np.asarray(behind_mm, dtype=float), along_mm.shape)
    x, y = {
        "head": (-away, along_mm), "foot": (table.length_mm + away, along_mm),
        "right": (along_mm, -away), "left": (along_mm, table.width_mm + away),
    }[cushion]
    return np.column_stack([x, y, np.full(along_mm.shape, z_mm)])


def behind_nose_mm(table: Table, cushion: Cushion, xy_mm: F64) -> F64:
    """(N,) signed distance behind a nose line."""
    if cushion == "head":
        return -xy_mm[:, 0]
    if cushion == "foot":
        return xy_mm[:, 0] - table.length_mm
    return -xy_mm[:, 1] if cushion == "right" else xy_mm[:, 1] - table.width_mm


def cushion_length_mm(table: Table, cushion: Cushion) -> float:
    return table.width_mm if cushion in ("head", "foot") else table.length_mm


def _undistort(xy: F64, k1: float, k2: float) -> F64:
    """Normalised distorted to normalised undistorted, by Newton on the radius (radial terms only)."""
    rd = np.hypot(xy[:, 0], xy[:, 1])
    r = rd.copy()
    for _ in range(6):
        r2 = r * r
        slope = np.maximum(0.2, 1 + 3 * k1 * r2 + 5 * k2 * r2 * r2)
        r = r - (r * (1 + k1 * r2 + k2 * r2 * r2) - rd) / slope
    return np.asarray(xy * (r / np.maximum(rd, 1e-12))[:, None])


def _project(values: F64, xyz: F64) -> F64:
    rotation, _ = cv2.Rodrigues(values[5:8])
    camera = xyz @ rotation.T + values[8:11]
    n = camera[:, :2] / camera[:, 2:]
    r2 = np.sum(n * n, axis=1)
    n = n * (1 + values[3] * r2 + values[4] * r2 * r2)[:, None]
    return np.asarray(np.exp(values[0]) * n + values[1:3])


def _to_plane(values: F64, px: F64, z: float) -> tuple[F64, F64]:
    """Points of the plane ``z`` under pixels, (N, 2) mm, and their depth along the optical axis, (N,) mm."""
    f = float(np.exp(values[0]))
    rotation, _ = cv2.Rodrigues(values[5:8])
    n = _undistort((px - values[1:3]) / f, values[3], values[4])
    rays = np.column_stack([n, np.ones(len(n))]) @ rotation
    centre = -rotation.T @ values[8:11]
    scale = (z - centre[2]) / rays[:, 2]
    return centre[:2] + scale[:, None] * rays[:, :2], scale


@dataclass(frozen=True, eq=False)
class LensPrior:
    """What is known of log f, cx, cy, k1, k2 before looking at the picture: (5,) middles and spreads (k=1)."""

    middle: F64
    spread: F64

    @classmethod
    def of_any_camera(cls, size_px: tuple[int, int]) -> LensPrior:
        width, height = size_px
        longer = max(width, height)
        return cls(
            np.array([np.log(F_PRIOR[0] * longer), (width - 1) / 2, (height - 1) / 2, 0.0, 0.0]),
            np.array([F_PRIOR[1], CENTRE_PRIOR * longer, CENTRE_PRIOR * longer, K1_PRIOR, K2_PRIOR]),
        )


@dataclass(frozen=True, eq=False)
class _Problem:
    marks: Marks
    table: Table
    size_px: tuple[int, int]
    lens: LensPrior

    def residuals(self, values: F64) -> F64:
        """All residuals over their standard uncertainties: sights (x, y), edges (perpendicular), priors."""
        marks, table = self.marks, self.table
        parts = []
        if len(marks.sight):
            world = sights_3d(table, values[11], values[12])[marks.sight]
            parts.append(((_project(values, world) - marks.sight_px) / marks.sight_u_px).ravel())
        for edge in marks.edges:
            parts.append(self.edge_px(values, edge) / edge.u_px)
        if marks.corner_px is not None:
            noses = np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)])
            parts.append(((_project(values, noses) - marks.corner_px) / marks.corner_u_px).ravel())
        return np.concatenate(parts) if parts else np.empty(0)

    def edge_px(self, values: F64, edge: EdgePoints) -> F64:
        z = self.table.nose_height_mm if edge.kind == "nose" else values[11]
        behind = {"nose": 0.0, "cloth": values[13], "rail": RAIL_BEHIND_NOSE_MM}[edge.kind]
        xy, depth = _to_plane(values, edge.xy_px, z)
        miss_mm = behind_nose_mm(self.table, edge.cushion, xy) - behind
        return np.asarray(miss_mm * np.exp(values[0]) / depth, dtype=float)

    def priors(self, values: F64) -> F64:
        lens = (values[:5] - self.lens.middle) / self.lens.spread
        return np.append(lens, [
            (values[11] - self.table.nose_height_mm - RAIL_ABOVE_NOSE_MM[0]) / RAIL_ABOVE_NOSE_MM[1],
            (values[12] - self.table.sight_offset_mm) / SIGHT_OFFSET_U_MM,
            (values[13] - CLOTH_BEHIND_NOSE_MM[0]) / CLOTH_BEHIND_NOSE_MM[1],
        ])


@dataclass(frozen=True, eq=False)
class _Chart:
    """Coordinates for the search in which the camera's unknowns hardly depend on each other.

    In focal length, height and place, a camera looking down has a long bent valley of nearly equal pictures. Here the
    table is held by what is seen directly: the pixel of its middle, its scale there, and its turn against the line of
    sight; focal length and principal point then only change the perspective.
    """

    origin: F64  # (14,) f.. as values, but 5:8 unused, 8:11 = middle's pixel u, v and log of px per mm
    turn: F64  # (3, 3) table against the line of sight at the start
    middle: F64  # (3,) the table's middle, mm

    @classmethod
    def at(cls, values: F64, table: Table) -> _Chart:
        origin = values.copy()
        middle = np.array([table.length_mm / 2, table.width_mm / 2, table.nose_height_mm])
        rotation, _ = cv2.Rodrigues(values[5:8])
        seen = rotation @ middle + values[8:11]
        f = float(np.exp(values[0]))
        pixel = f * seen[:2] / seen[2] + values[1:3]
        origin[8:11] = [pixel[0], pixel[1], np.log(f / seen[2])]
        ray = np.append((pixel - origin[1:3]) / np.exp(origin[0]), 1.0)
        return cls(origin, _turn_to(ray).T @ rotation, middle)

    def values(self, scaled: F64) -> F64:
        here = self.origin.copy()
        moved = scaled * CHART_SCALES
        here[:5] += moved[:5]
        here[8:] += moved[8:]
        f = float(np.exp(here[0]))
        ray = np.append((here[8:10] - here[1:3]) / f, 1.0)
        small, _ = cv2.Rodrigues(moved[5:8])
        rotation = _turn_to(ray) @ small @ self.turn
        here[8:11] = f / np.exp(here[10]) * ray - rotation @ self.middle
        rvec, _ = cv2.Rodrigues(rotation)
        here[5:8] = rvec.ravel()
        return here


def _turn_to(ray: F64) -> F64:
    """(3, 3) smallest rotation that takes the optical axis to ``ray``."""
    unit = ray / np.linalg.norm(ray)
    axis = np.array([-unit[1], unit[0], 0.0])
    sine = float(np.linalg.norm(axis))
    if sine < 1e-12:
        return np.eye(3)
    rotation, _ = cv2.Rodrigues(axis / sine * np.arctan2(sine, unit[2]))
    return np.asarray(rotation, dtype=float)


def _derivative(function: Callable[[F64], F64], values: F64) -> F64:
    """Central differences over the values, columns in units of SCALES."""
    columns = []
    for index in range(len(values)):
        step = 1e-5 * SCALES[index]
        up, down = values.copy(), values.copy()
        up[index] += step
        down[index] -= step
        columns.append((function(up) - function(down)) / 2e-5)
    return np.column_stack(columns)


def _levenberg_marquardt(
    function: Callable[[F64], F64], size: int, *, priors: int, robust: bool, most_steps: int
) -> tuple[F64, float]:
    """Minimise a Huber cost from zero; the last ``priors`` residuals stay quadratic. Returns the point and the cost.

    Height and focal length are nearly exchangeable when the camera looks straight down: a long flat valley, in which
    a general-purpose trust region stops early. This damped Gauss-Newton takes full steps along it.
    """
    point = np.zeros(size)
    seen = function(point)
    split = len(seen) - priors

    def cost_of(r: F64) -> float:
        big = np.abs(r[:split])
        with np.errstate(over="ignore"):
            loss = np.where(big < HUBER, 0.5 * big**2, HUBER * (big - 0.5 * HUBER)) if robust else 0.5 * big**2
        return float(loss.sum() + 0.5 * (r[split:] ** 2).sum())

    cost, damping = cost_of(seen), 1e-4
    for _ in range(most_steps):
        jacobian = np.empty((len(seen), size))
        for k in range(size):
            moved = point.copy()
            moved[k] += 1e-6
            jacobian[:, k] = (function(moved) - seen) / 1e-6
        weight = np.ones(len(seen))
        if robust:
            weight[:split] = HUBER / np.maximum(np.abs(seen[:split]), HUBER)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        slope = jacobian.T @ (weight * seen)
        gained = 0.0
        while damping < 1e8:
            step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slope)
            after = function(point + step)
            cost_after = cost_of(after) if np.isfinite(after).all() else np.inf
            if cost_after < cost:
                gained = cost - cost_after
                point, seen, cost, damping = point + step, after, cost_after, damping * 0.1
                break
            damping = max(damping, 1e-7) * 10
        if gained < 1e-6 * (1 + cost):
            break
    return point, cost


def fit_marks(
    marks: Marks, table: Table, size_px: tuple[int, int], start: F64, *, robust: bool = True,
    lens: LensPrior | None = None, most_steps: int = 30,
) -> Fit:
    """Least squares over all marks, from a start; ``lens`` is what is known of the lens beforehand."""
    problem = _Problem(marks, table, size_px, lens or LensPrior.of_any_camera(size_px))
    chart = _Chart.at(start, table)

    def stacked(scaled: F64) -> F64:
        values = chart.values(scaled)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # a step too far is not finite, and not taken
            return np.concatenate([problem.residuals(values), problem.priors(values)])

    scaled, cost = _levenberg_marquardt(stacked, len(start), priors=len(problem.priors(start)), robust=robust,
                                        most_steps=most_steps)
    values = chart.values(scaled)
    rotation, _ = cv2.Rodrigues(values[5:8])
    canonical, _ = cv2.Rodrigues(rotation)
    values[5:8] = canonical.ravel()
    return _report(problem, values, cost)


def _report(problem: _Problem, values: F64, cost: float) -> Fit:
    marks = problem.marks
    seen = problem.residuals(values)
    jacobian = _derivative(problem.residuals, values)
    prior_jacobian = _derivative(problem.priors, values)
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
    camera: F64 = np.array(covariance[:11, :11], dtype=float)
    f = float(np.exp(values[0]))
    camera[0] *= f  # from log f to f
    camera[:, 0] *= f
    sights = seen[:n].reshape(-1, 2) * marks.sight_u_px
    edges: dict[tuple[str, Cushion], F64] = {
        (e.kind, e.cushion): problem.edge_px(values, e) for e in marks.edges
    }
    return Fit(
        pose=pose_of(values, problem.size_px, camera), rail_z_mm=float(values[11]), sight_offset_mm=float(values[12]),
        cloth_behind_mm=float(values[13]), sight_residuals_px=sights,
        left_out_px=np.hypot(left_out[:, 0], left_out[:, 1]), edge_residuals_px=edges, cost=cost, values=values,
    )

