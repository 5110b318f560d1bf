"""A calibration drawn over its picture, for a person to check: nose lines, corners, sights and how far they miss."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.find import Sighting
from calibration.model import cushion_length_mm, line_points, sights_3d
from calibration.store import Calibration
from shared.equipment import CUSHIONS

F64 = NDArray[np.float64]
Picture = NDArray[np.uint8]

NOSE, FOUND, PREDICTED, CORNER, INK = (60, 220, 60), (40, 40, 255), (0, 220, 255), (255, 80, 255), (255, 255, 255)
CORNER_NAMES = ("head-right (0,0)", "foot-right (L,0)", "foot-left (L,W)", "head-left (0,W)")
MISS_SCALE = 20  # a miss is drawn this many times longer


def draw_calibration(picture: Picture, calibration: Calibration, seen: Sighting | None = None) -> Picture:
    """A copy of the BGR picture with the calibration drawn in.

    Green: nose lines. Magenta: the corners of the playing surface. Yellow circles: where the camera puts the sights;
    red: where they were seen, with the miss drawn 20 times longer.
    """
    drawn = picture.copy()
    unit = max(1.0, max(picture.shape[:2]) / 1280)
    pose, table = calibration.pose, calibration.table
    for cushion in CUSHIONS:
        along = np.linspace(0, cushion_length_mm(table, cushion), 60)
        _curve(drawn, pose.to_image(line_points(table, cushion, along, 0.0, table.nose_height_mm)), NOSE, unit)
        middle = line_points(table, cushion, along[29:30], -60.0, table.nose_height_mm)
        _words(drawn, cushion, pose.to_image(middle)[0], unit, middle=True)
    if seen is not None:
        fit, marks = seen.fit, seen.marks
        for place in pose.to_image(sights_3d(table, fit.rail_z_mm, fit.sight_offset_mm)):
            _ring(drawn, place, 7 * unit, PREDICTED, unit)
        for place, miss in zip(marks.sight_px, fit.sight_residuals_px, strict=True):
            _ring(drawn, place, 2 * unit, FOUND, unit)
            _curve(drawn, np.array([place, place - MISS_SCALE * miss]), FOUND, unit)
    centre = calibration.corners_px.mean(axis=0)
    for name, corner in zip(CORNER_NAMES, calibration.corners_px, strict=True):
        for reach in np.array([[8, 0], [0, 8]]) * unit:
            _curve(drawn, np.array([corner - reach, corner + reach]), CORNER, unit)
        _words(drawn, name, corner + (centre - corner) * 0.06, unit, rightwards=bool(corner[0] < centre[0]))
    title = f"{calibration.clip}  {calibration.how}  {calibration.rms_words}"
    _words(drawn, title, np.array([8.0, 20.0]) * unit, unit)
    return drawn


def _fixed(xy: F64) -> list[tuple[int, int]]:
    """px with 4 fractional bits, as OpenCV draws between pixels; kept to what it can hold."""
    return [(int(x), int(y)) for x, y in np.clip(np.round(np.atleast_2d(xy) * 16), -(2**24), 2**24)]


def _curve(drawn: Picture, px: F64, colour: tuple[int, int, int], unit: float) -> None:
    points = np.array(_fixed(px), dtype=np.int32).reshape(-1, 1, 2)
    cv2.polylines(drawn, [points], False, colour, max(1, round(unit)), cv2.LINE_AA, shift=4)


def _ring(drawn: Picture, place: F64, radius: float, colour: tuple[int, int, int], unit: float) -> None:
    cv2.circle(drawn, _fixed(place)[0], round(radius * 16), colour, max(1, round(unit)), cv2.LINE_AA, shift=4)


def _words(
    drawn: Picture, words: str, place: F64, unit: float, *, rightwards: bool = True, middle: bool = False
) -> None:
    font, size, thick = cv2.FONT_HERSHEY_SIMPLEX, 0.45 * unit, max(1, round(unit))
    (width, height), _ = cv2.getTextSize(words, font, size, thick)
    x = place[0] - width / 2 if middle else place[0] - (0 if rightwards else width)
    at = (round(float(x)), round(float(place[1] + height / 2)))
    for away in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
        shadow = (at[0] + away[0] * thick, at[1] + away[1] * thick)
        cv2.putText(drawn, words, shadow, font, size, (0, 0, 0), thick, cv2.LINE_AA)
    cv2.putText(drawn, words, at, font, size, INK, thick, cv2.LINE_AA)
