"""What a camera over a table sees: marks, and their residuals as a function of camera and table.

The unknowns of the table that a rule book leaves open are fitted too, each with its standard as prior, so that they do
not bend the camera: the height of the rail top, the distance of the sights behind the noses (WPA: +-1/8 in), and how
far behind the noses the cloth ends (common practice about 50 mm, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from shared.equipment import Cushion, Table

F64 = NDArray[np.float64]

F_PRIOR = (0.9, 0.4)  # f over the longer picture side: middle, relative spread (phones and action cameras to zooms)
CENTRE_PRIOR = 0.01  # principal point from the picture's middle, as a share of the longer side
K1_PRIOR = 0.15
K2_PRIOR = 0.03
RAIL_ABOVE_NOSE_MM = (5.0, 3.0)  # rail top above the nose: middle, spread; common practice, no source
SIGHT_OFFSET_U_MM = 3.175 / np.sqrt(3)  # WPA tolerance of the sights' place, rectangular
CLOTH_BEHIND_NOSE_MM = (51.0, 6.0)  # common practice, no source
RAIL_BEHIND_NOSE_MM = 140.0  # outer edge of the rails; WPA allows 102 to 190 mm from the nose; for a start only


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


def cushion_length_mm(table: Table, cushion: Cushion) -> float:
    return table.width_mm if cushion in ("head", "foot") else table.length_mm


# Cameras are evaluated many at a time, for the derivatives: values are (..., 14), the rotations they stand for
# (..., 3, 3), and what is seen has the same leading axes.


def rotation_of(values: F64) -> F64:
    """(..., 3, 3) rotations of values (..., 14)."""
    rotations = [cv2.Rodrigues(rvec)[0] for rvec in values[..., 5:8].reshape(-1, 3)]
    return np.array(rotations, dtype=float).reshape(*values.shape[:-1], 3, 3)


def undistort(xy: F64, k1: F64, k2: F64) -> F64:
    """Normalised distorted (..., N, 2) to undistorted, by Newton on the radius (radial terms only); k: (...)."""
    rd = np.hypot(xy[..., 0], xy[..., 1])
    k1, k2 = k1[..., None], k2[..., None]
    slope1, slope2 = 3 * k1, 5 * k2
    r = rd.copy()
    for _ in range(5):
        r2 = r * r
        slope = np.maximum(0.2, 1 + slope1 * r2 + slope2 * r2 * r2)
        r = r - (r * (1 + k1 * r2 + k2 * r2 * r2) - rd) / slope
    return np.asarray(xy * (r / np.maximum(rd, 1e-12))[..., None])


def project(values: F64, rotation: F64, xyz: F64) -> F64:
    """(..., N, 2) px of points (..., N, 3)."""
    camera = xyz @ np.swapaxes(rotation, -1, -2) + values[..., None, 8:11]
    n = camera[..., :2] / camera[..., 2:]
    r2 = np.sum(n * n, axis=-1)
    n = n * (1 + values[..., 3, None] * r2 + values[..., 4, None] * r2 * r2)[..., None]
    return np.asarray(np.exp(values[..., 0])[..., None, None] * n + values[..., None, 1:3])


def to_plane(values: F64, rotation: F64, px: F64, z_mm: F64 | float) -> tuple[F64, F64]:
    """Points of the plane ``z`` (...) under pixels (N, 2): (..., N, 2) mm, and depth along the axis (..., N) mm."""
    f = np.exp(values[..., 0])[..., None, None]
    n = undistort((px - values[..., None, 1:3]) / f, values[..., 3], values[..., 4])
    rays = np.concatenate([n, np.ones_like(n[..., :1])], axis=-1) @ rotation
    centre = (-np.swapaxes(rotation, -1, -2) @ values[..., 8:11, None])[..., 0]
    depth = (z_mm - centre[..., 2])[..., None] / rays[..., 2]
    return np.asarray(centre[..., None, :2] + depth[..., None] * rays[..., :2]), np.asarray(depth)


@dataclass(frozen=True, eq=False)
class LinePoints:
    """Points of several lines of one plane, stacked. Behind the nose = normal . (x, y) + constant, mm."""

    xy_px: F64  # (N, 2)
    u_px: F64  # (N,)
    normal: F64  # (N, 2)
    constant: F64  # (N,) with the fixed part of the line's own distance taken off
    on_cloth: F64  # (N,) 1 where the line is the cloth's end, whose distance is fitted

    @classmethod
    def of(cls, edges: Sequence[EdgePoints], table: Table) -> LinePoints:
        counts = [len(edge.xy_px) for edge in edges]
        planes = {"head": (-1, 0, 0.0), "foot": (1, 0, -table.length_mm), "right": (0, -1, 0.0),
                  "left": (0, 1, -table.width_mm)}
        rows = np.array([planes[edge.cushion] for edge in edges], dtype=float).reshape(-1, 3)
        fixed = np.array([RAIL_BEHIND_NOSE_MM if edge.kind == "rail" else 0.0 for edge in edges])
        return cls(
            xy_px=np.vstack([edge.xy_px for edge in edges]) if edges else np.empty((0, 2)),
            u_px=np.repeat([edge.u_px for edge in edges], counts),
            normal=np.repeat(rows[:, :2], counts, axis=0), constant=np.repeat(rows[:, 2] - fixed, counts),
            on_cloth=np.repeat([float(edge.kind == "cloth") for edge in edges], counts),
        )

    def miss_px(self, values: F64, rotation: F64, z_mm: F64 | float) -> F64:
        """(..., N) distance of the points behind their lines, px."""
        xy, depth = to_plane(values, rotation, self.xy_px, z_mm)
        behind = np.sum(xy * self.normal, axis=-1) + self.constant - self.on_cloth * values[..., 13, None]
        return np.asarray(behind * np.exp(values[..., 0, None]) / depth, dtype=float)


@dataclass(frozen=True, eq=False)
class _Sights:
    """Places of some sights as a linear function of the rail's height and the sights' offset."""

    standard: F64  # (N, 3) at height 0 and offset 0
    outwards: F64  # (N, 3)

    @classmethod
    def of(cls, table: Table, rows: NDArray[np.int64]) -> _Sights:
        none, one = sights_3d(table, 0.0, 0.0)[rows], sights_3d(table, 0.0, 1.0)[rows]
        return cls(none, one - none)

    def at(self, rail_z_mm: F64, offset_mm: F64) -> F64:
        """(..., N, 3) places, mm; heights and offsets (...)."""
        places = self.standard + offset_mm[..., None, None] * self.outwards
        places[..., 2] += rail_z_mm[..., None]
        return np.asarray(places, dtype=float)


@dataclass(frozen=True, eq=False)
class Problem:
    """Residuals of marks as a function of the values: log f, cx, cy, k1, k2, rx, ry, rz, tx, ty, tz, then the table's
    unknowns: height of the rail top, sights' and cloth end's distance behind the noses (mm)."""

    marks: Marks
    table: Table
    size_px: tuple[int, int]
    lens: LensPrior
    sights: _Sights
    nose: LinePoints
    back: LinePoints  # cloth ends and rail edges, in the plane of the rail top

    @classmethod
    def of(cls, marks: Marks, table: Table, size_px: tuple[int, int], lens: LensPrior) -> Problem:
        noses = [edge for edge in marks.edges if edge.kind == "nose"]
        others = [edge for edge in marks.edges if edge.kind != "nose"]
        return cls(
            marks, table, size_px, lens, _Sights.of(table, marks.sight), LinePoints.of(noses, table),
            LinePoints.of(others, table),
        )

    def residuals(self, values: F64) -> F64:
        """All residuals over their standard uncertainties: sights (x, y), noses, other edges, corners (x, y).

        values  : (..., 14)
        returns : (..., M)
        """
        marks, table = self.marks, self.table
        many, rotation = values.shape[:-1], rotation_of(values)
        parts = []
        if len(marks.sight):
            world = self.sights.at(values[..., 11], values[..., 12])
            parts.append((project(values, rotation, world) - marks.sight_px) / marks.sight_u_px)
        for points, z in ((self.nose, table.nose_height_mm), (self.back, values[..., 11])):
            if len(points.xy_px):
                parts.append(points.miss_px(values, rotation, z) / points.u_px)
        if marks.corner_px is not None:
            noses = np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)])
            parts.append((project(values, rotation, noses) - marks.corner_px) / marks.corner_u_px)
        return np.concatenate([part.reshape(*many, -1) for part in parts], axis=-1) if parts else np.empty((*many, 0))

    def edge_px(self, values: F64, edge: EdgePoints) -> F64:
        """(N,) distance of an edge's points behind its line, px."""
        z = self.table.nose_height_mm if edge.kind == "nose" else values[11]
        return LinePoints.of([edge], self.table).miss_px(values, rotation_of(values), z)

    def priors(self, values: F64) -> F64:
        """(..., 8) deviations from what is known beforehand, over their standard uncertainties."""
        lens = (values[..., :5] - self.lens.middle) / self.lens.spread
        table = np.stack([
            (values[..., 11] - self.table.nose_height_mm - RAIL_ABOVE_NOSE_MM[0]) / RAIL_ABOVE_NOSE_MM[1],
            (values[..., 12] - self.table.sight_offset_mm) / SIGHT_OFFSET_U_MM,
            (values[..., 13] - CLOTH_BEHIND_NOSE_MM[0]) / CLOTH_BEHIND_NOSE_MM[1],
        ], axis=-1)
        return np.concatenate([lens, table], axis=-1)
