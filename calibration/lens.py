"""A camera's lens from pictures of a chessboard or ChArUco board, kept in lens.json.

The board's squares need no known size: f, the principal point and the distortion do not depend on it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.boards import BoardFinder, BoardView
from calibration.model import LensPrior
from shared.errors import CalibrationError, SettingsError

F64 = NDArray[np.float64]

MIN_PICTURES = 6
MIN_SHIFT = 0.02  # of the picture's longer side: nearer views of a board add nothing
MAX_PICTURES = 30
FLAGS = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
MAX_RMS_PX = 1.5


@dataclass(frozen=True)
class Lens:
    """f, principal point (px) and radial distortion k1, k2 (OpenCV), each with standard uncertainty, at one size."""

    f: float
    cx: float
    cy: float
    k1: float
    k2: float
    f_u: float
    cx_u: float
    cy_u: float
    k1_u: float
    k2_u: float
    width_px: int
    height_px: int
    rms_px: float
    pictures: int


def calibrate_lens(pictures: Iterable[NDArray[np.uint8]], *, every_until_seen: int = 1) -> Lens:
    """The lens from BGR pictures (H, W, 3) of one board in different places and tilts.

    every_until_seen : until a board was seen, only one in so many is looked at

    The board's layout is found by trying the usual ones. Raises CalibrationError when too few pictures show the board,
    or the fit is poor.
    """
    finder = BoardFinder()
    views: list[BoardView] = []
    size: tuple[int, int] | None = None
    looked_at = 0
    for number, picture in enumerate(pictures):
        if not views and number % every_until_seen:
            continue
        looked_at += 1
        grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        here = (grey.shape[1], grey.shape[0])
        if size is not None and here != size:
            raise CalibrationError(f"the board's pictures differ in size ({size} and {here} px); use one camera mode.")
        size = here
        view = finder.find(grey)
        if view is not None and all(view.distance_px(other) > MIN_SHIFT * max(size) for other in views):
            views.append(view)
        if len(views) >= MAX_PICTURES:
            break
    if size is None or len(views) < MIN_PICTURES:
        raise CalibrationError(
            f"a chessboard was seen in {len(views)} different views in {looked_at} pictures; {MIN_PICTURES} are "
            "needed. Move and tilt the board slowly through the whole picture, well lit and flat."
        )
    return _solve(views, size)


def _solve(views: Sequence[BoardView], size: tuple[int, int]) -> Lens:
    longer = max(size)
    guess = np.array([[longer, 0, (size[0] - 1) / 2], [0, longer, (size[1] - 1) / 2], [0, 0, 1.0]])
    rms, matrix, distortion, _, _, inner_u, _, _ = cv2.calibrateCameraExtended(
        [np.column_stack([view.grid, np.zeros(len(view.grid))]).astype(np.float32) for view in views],
        [view.px.astype(np.float32).reshape(-1, 1, 2) for view in views], size, guess, np.zeros(5),
        flags=FLAGS | cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    if not np.isfinite(rms) or rms > MAX_RMS_PX * longer / 1280:
        raise CalibrationError(f"the board's corners miss the fitted lens by {rms:.1f} px; use a flat, sharp board.")
    d, u = distortion.ravel(), inner_u.ravel()
    return Lens(
        f=float(matrix[0, 0]), cx=float(matrix[0, 2]), cy=float(matrix[1, 2]), k1=float(d[0]), k2=float(d[1]),
        f_u=float(max(u[0], u[1])), cx_u=float(u[2]), cy_u=float(u[3]), k1_u=float(u[4]), k2_u=float(u[5]),
        width_px=size[0], height_px=size[1], rms_px=float(rms), pictures=len(views),
    )


def lens_prior(lens: Lens, size_px: tuple[int, int]) -> LensPrior:
    """The lens as knowledge for a picture of another size of the same shape (a clip of the same camera mode)."""
    width, height = size_px
    if (width - height) * (lens.width_px - lens.height_px) < 0:  # one of the two was held upright
        lens = _turned(lens)
    scale = width / lens.width_px
    if abs(height - scale * lens.height_px) > 0.01 * height:
        raise CalibrationError(
            f"the lens file is for {lens.width_px} x {lens.height_px} px, the clip has {width} x {height} px of "
            "another shape; calibrate the lens in the camera mode of the clip."
        )
    return LensPrior(
        np.array([np.log(lens.f * scale), (lens.cx + 0.5) * scale - 0.5, (lens.cy + 0.5) * scale - 0.5,
                  lens.k1, lens.k2]),
        np.array([max(lens.f_u / lens.f, 2e-3), max(lens.cx_u * scale, 1.0), max(lens.cy_u * scale, 1.0),
                  max(lens.k1_u, 2e-3), max(lens.k2_u, 2e-3)]),  # refocusing changes f by some tenths of a percent
    )


def _turned(lens: Lens) -> Lens:
    """The lens of a picture turned by a right angle; which way cannot be known, so the centre is left uncertain."""
    middle = ((lens.width_px - 1) / 2, (lens.height_px - 1) / 2)
    away = max(abs(lens.cx - middle[0]), abs(lens.cy - middle[1]))
    return Lens(lens.f, middle[1], middle[0], lens.k1, lens.k2, lens.f_u, lens.cy_u + away, lens.cx_u + away, lens.k1_u,
                lens.k2_u, lens.height_px, lens.width_px, lens.rms_px, lens.pictures)


def write_lens(path: Path, lens: Lens) -> None:
    """Write lens.json, into a new folder if need be; SettingsError where that fails."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(lens.__dict__, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{path}: the lens file cannot be written ({error.strerror}).") from error


def _number(value: object) -> Any:
    """As it stands in the file: 1100 and not "1100"."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{value!r} is no number")
    return value


def read_lens(path: Path) -> Lens:
    """Read lens.json; SettingsError where it is none."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        lens = Lens(**{name: _number(value) for name, value in record.items()})
        numbers = [float(v) for v in record.values()]
    except (OSError, ValueError, TypeError, AttributeError) as error:
        raise SettingsError(f"{path} is no lens file ({error}); make one with `reboundry calibrate --lens`.") from error
    if not np.isfinite(numbers).all() or lens.f <= 0 or lens.width_px <= 0 or lens.height_px <= 0:
        raise SettingsError(f"{path}: a lens file holds finite numbers, with f, width_px and height_px above 0.")
    return lens
