"""What a camera shows of a table: mm per pixel, blur, and how well a ball's place can be known from its edge."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.store import Calibration


@dataclass(frozen=True, kw_only=True)
class PictureScale:
    """How large the table is in the picture, at the height of the ball centres.

    ``middle``, ``finest``, ``coarsest``: mm per px, the coarser direction at each place; ``ball_px``: ball diameter.
    """

    middle_mm_per_px: float
    finest_mm_per_px: float
    coarsest_mm_per_px: float
    ball_px: float
    tilt_deg: float

    @property
    def unevenness(self) -> float:
        return self.coarsest_mm_per_px / self.finest_mm_per_px


def millimetres_per_pixel(calibration: Calibration, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, 2) table mm -> (N,) mm per px of a ball centre there, in the direction in which a pixel is longest."""
    z, step = calibration.table.ball.radius_mm, 5.0
    points = np.column_stack([xy_mm, np.full(len(xy_mm), z)])
    east, north = np.array([step, 0.0, 0.0]), np.array([0.0, step, 0.0])
    shift_x = calibration.pose.to_image(points + east) - calibration.pose.to_image(points - east)
    shift_y = calibration.pose.to_image(points + north) - calibration.pose.to_image(points - north)
    px_per_mm = np.stack([shift_x, shift_y], axis=-1) / (2 * step)
    return np.asarray(1 / np.linalg.svd(px_per_mm, compute_uv=False)[:, -1])


def picture_scale(calibration: Calibration) -> PictureScale:
    """The scale over a grid of places on the table."""
    table = calibration.table
    xs, ys = np.meshgrid(np.linspace(0.03, 0.97, 9) * table.length_mm, np.linspace(0.05, 0.95, 5) * table.width_mm)
    scale = millimetres_per_pixel(calibration, np.column_stack([xs.ravel(), ys.ravel()]))
    middle = float(scale[len(scale) // 2])
    axis = calibration.pose.R[2]
    tilt = math.degrees(math.acos(min(1.0, abs(float(axis[2])))))
    return PictureScale(
        middle_mm_per_px=middle,
        finest_mm_per_px=float(scale.min()),
        coarsest_mm_per_px=float(scale.max()),
        ball_px=table.ball.diameter_mm / middle,
        tilt_deg=tilt,
    )


def blur_mm(speed_mps: float, shutter_s: float) -> float:
    """How far a ball moves while the shutter is open."""
    return 1000 * speed_mps * shutter_s


def disc_bound_px(*, radius_px: float, contrast: float, noise: float, edge_blur_px: float) -> float:
    """Least standard deviation, along one axis, of a disc's centre found from its edge (Cramer-Rao), px.

    A disc of ``radius_px`` whose brightness differs by ``contrast`` from what is around it, with a Gaussian edge of
    ``edge_blur_px`` and independent pixel noise ``noise`` (same unit as contrast): n / A * sqrt(2 s / (sqrt(pi) r)).
    """
    return noise / contrast * math.sqrt(2 * edge_blur_px / (math.sqrt(math.pi) * radius_px))


def line_bound_px(*, length_px: float, contrast: float, noise: float, edge_blur_px: float) -> float:
    """The same for the offset of a straight edge of ``length_px``: n / A * sqrt(2 sqrt(pi) s / l)."""
    return noise / contrast * math.sqrt(2 * math.sqrt(math.pi) * edge_blur_px / length_px)
