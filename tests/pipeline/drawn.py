"""Pictures of balls drawn here: discs with a blurred edge on plain cloth, at places known exactly."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pose import CameraPose
from calibration.store import Calibration
from pipeline.detect_outline import BallPicture
from pipeline.frames import Frame
from shared.equipment import Table, standard_table

FINE = 6  # sub-pixels per pixel and direction
Colour = tuple[float, float, float]  # Y, Cb, Cr
CLOTH: Colour = (90.0, 150.0, 110.0)


def overhead_camera(tilt_deg: float = 4.0, width: int = 960, height: int = 540) -> CameraPose:
    """A camera 2.6 m over the middle of a 9-ft table, tilted about the table's long axis."""
    tilt = np.radians(tilt_deg)
    flip = np.diag([1.0, -1.0, -1.0])
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = turn @ flip
    centre = np.array([1270.0, 635.0 - 2600 * np.tan(tilt), 2600.0])
    focal = 0.88 * width
    k = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1]])
    return CameraPose(k, np.array([-0.05, 0.01, 0, 0, 0]), rotation, -rotation @ centre, width, height)


def calibration(table: Table | None = None, pose: CameraPose | None = None) -> Calibration:
    return Calibration("drawn", pose or overhead_camera(), table or standard_table(), 0.1, "given")


def _paint(planes: NDArray[np.float64], outlines: NDArray[np.float64], colour: Colour, blur_px: float) -> None:
    """Fill outlines (N, K, 2), each of which is there for an Nth of the exposure."""
    low = np.maximum(np.floor(outlines.min(axis=(0, 1))).astype(int) - 6, 0)
    size = np.ceil(outlines.max(axis=(0, 1))).astype(int) + 7 - low
    share = np.zeros((size[1], size[0]))
    for outline in outlines:
        fine = np.zeros((size[1] * FINE, size[0] * FINE), np.uint8)
        corners = ((outline - low + 0.5) * FINE - 0.5) * 16
        cv2.fillPoly(fine, [np.rint(corners).astype(np.int32)], 255, shift=4)
        share += cv2.resize(fine, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA) / 255 / len(outlines)
    share = cv2.GaussianBlur(share, (0, 0), blur_px)[..., None]
    here = planes[low[1] : low[1] + size[1], low[0] : low[0] + size[0]]
    share = share[: here.shape[0], : here.shape[1]]
    here[:] = here * (1 - share) + np.array(colour) * share


def draw(
    picture: BallPicture, balls: list[tuple[float, float, Colour]], *, index: int = 0, t_s: float = 0.0,
    motion_mm: tuple[float, float] = (0.0, 0.0), noise: float = 1.0, blur_px: float = 0.7, seed: int = 7,
    cover: list[tuple[NDArray[np.int32], Colour]] | None = None, rim: float = 1.0,
) -> Frame:
    """A frame with balls (x mm, y mm, (Y, Cb, Cr)), swept by ``motion_mm`` during the exposure, polygons over them.

    rim : luma of the outer seventh of a ball's radius, over that of the rest
    """
    rng = np.random.default_rng(seed + index)
    width, height = picture.pose.width_px, picture.pose.height_px
    planes = np.empty((height, width, 3))
    planes[:] = CLOTH
    for x, y, colour in balls:
        steps = np.linspace(-0.5, 0.5, 1 if motion_mm == (0.0, 0.0) else 9)
        places = np.array([[x, y]]) + steps[:, None] * np.array(motion_mm)
        outlines, _ = picture.outlines(places, 96)
        y, cb, cr = colour
        _paint(planes, outlines, (y * rim, cb, cr), blur_px)
        if rim != 1.0:
            middle = outlines.mean(axis=1, keepdims=True)
            _paint(planes, middle + (outlines - middle) * 6 / 7, colour, blur_px)
    for polygon, colour in cover or []:
        cv2.fillPoly(planes, [polygon], colour)
    luma = planes[..., 0] + rng.normal(0, noise, planes.shape[:2])
    chroma = [cv2.resize(np.ascontiguousarray(planes[..., c]), (width // 2, height // 2), interpolation=cv2.INTER_AREA)
              + rng.normal(0, noise / 2, (height // 2, width // 2)) for c in (1, 2)]
    eight = [np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in (luma, *chroma)]
    return Frame(index, t_s, eight[0], (eight[1], eight[2]))
