"""The camera fitted to a table's sights against OpenCV's own calibration from the same sights.

Source: cv2.calibrateCamera (OpenCV; Z. Zhang, A flexible new technique for camera calibration, 2000), one picture of
a plane, with a first guess, the middle of the picture as principal point and k1 alone. Both are told where the sights
are: the rail's height and the sights' offset, which the product otherwise fits. No nose lines: OpenCV knows no lines.
"""

import cv2
import numpy as np
import pytest

from calibration import model
from calibration.fit import fit_marks, start_values
from calibration.model import LensPrior, Marks, sights_3d
from calibration.pose import CameraPose
from fixtures.synthetic.camera import Lens, overhead_camera
from shared.equipment import standard_table

RAIL_ABOVE_MM = 6.0
OFFSET_MM = 95.0
TABLE = standard_table(sight_offset_mm=OFFSET_MM)
RAIL_MM = TABLE.nose_height_mm + RAIL_ABOVE_MM
SIGHTS = sights_3d(TABLE, RAIL_MM, OFFSET_MM)
CORNERS = np.column_stack([TABLE.corners_mm, np.full(4, TABLE.nose_height_mm)])
NOISE_PX = 0.06
FITTED, F_AND_K1 = [0, 3, 5, 6, 7, 8, 9, 10], [0, 3]  # of CameraPose.parameter_values
FLAGS = (cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_ASPECT_RATIO
         | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3)


@pytest.fixture(autouse=True)
def _told(monkeypatch):
    monkeypatch.setattr(model, "RAIL_ABOVE_NOSE_MM", (RAIL_ABOVE_MM, 1e-3))
    monkeypatch.setattr(model, "SIGHT_OFFSET_U_MM", 1e-3)


def _seen(tilt_deg, k1, seed):
    camera = overhead_camera(TABLE, tilt_deg=tilt_deg, tilt_towards_deg=40.0, lens=Lens(k1=k1))
    return camera, camera.to_image(SIGHTS) + np.random.default_rng(seed).normal(0, NOISE_PX, (len(SIGHTS), 2))


def _ours(camera, px):
    size = (camera.width_px, camera.height_px)
    middle = LensPrior.of_any_camera(size)
    lens = LensPrior(middle.middle, np.array([middle.spread[0], 1e-3, 1e-3, middle.spread[3], 1e-6]))
    start = start_values(camera.to_image(CORNERS) + 3.0, TABLE, size, kind="nose")
    marks = Marks(np.arange(len(SIGHTS)), px, NOISE_PX, ())
    return fit_marks(marks, TABLE, size, start, robust=False, lens=lens).pose


def _theirs(camera, px):
    """And the standard uncertainties that OpenCV states of f and k1.

    Sights in the plane z = 0, as OpenCV wants them; then moved up to the rail.
    """
    width, height = camera.width_px, camera.height_px
    flat = (SIGHTS - [0, 0, RAIL_MM]).astype(np.float32)
    guess = np.array([[0.9 * width, 0, (width - 1) / 2], [0, 0.9 * width, (height - 1) / 2], [0, 0, 1.0]])
    _, matrix, distortion, turns, shifts, spread, _, _ = cv2.calibrateCameraExtended(
        [flat], [px.astype(np.float32)], (width, height), guess, np.zeros(5), flags=FLAGS,
        criteria=(cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-14))
    rotation = cv2.Rodrigues(turns[0])[0]
    shift = shifts[0].ravel() - RAIL_MM * rotation[:, 2]
    return CameraPose(matrix, distortion.ravel()[:5], rotation, shift, width, height), spread.ravel()[[1, 4]]


@pytest.mark.parametrize("tilt_deg", [4.0, 8.0, 12.0, 20.0])
@pytest.mark.parametrize("k1", [-0.2, 0.05])
@pytest.mark.parametrize("seed", [1, 2])
def test_both_find_the_same_camera(tilt_deg, k1, seed):
    """What is known beforehand of f and k1 draws the product's by less than a tenth of their uncertainty. Straight down
    neither knows f.
    """
    camera, px = _seen(tilt_deg, k1, seed)
    ours, (theirs, _) = _ours(camera, px), _theirs(camera, px)
    u = np.sqrt(np.diag(ours.covariance))[FITTED]
    assert (np.abs(ours.parameter_values - theirs.parameter_values)[FITTED] < 0.1 * u).all()
    apart = np.linalg.norm(ours.to_image(CORNERS) - theirs.to_image(CORNERS), axis=1)
    assert apart.max() < 0.005
    assert (apart < 0.1 * ours.image_uncertainty(CORNERS)).all()


def test_both_err_as_much_as_they_say():
    """Over many noises: f and k1 of each over its own stated uncertainty, and the corners over the product's."""
    off, corners, stated = [], [], []
    for seed in range(20):
        camera, px = _seen(8.0, -0.2, seed)
        ours, (theirs, theirs_u) = _ours(camera, px), _theirs(camera, px)
        u = np.sqrt(np.diag(ours.covariance))[F_AND_K1]
        true = camera.parameter_values[F_AND_K1]
        off.append(np.concatenate([(ours.parameter_values[F_AND_K1] - true) / u,
                                   (theirs.parameter_values[F_AND_K1] - true) / theirs_u]))
        away = np.linalg.norm(ours.to_image(CORNERS) - camera.to_image(CORNERS), axis=1)
        corners.append(away / ours.image_uncertainty(CORNERS))
        stated.append(u / theirs_u)
    rms = _rms(off)
    assert ((rms > 0.7) & (rms < 1.3)).all()
    assert 0.7 < _rms(np.ravel(corners)) < 1.3
    ratio = np.mean(stated, axis=0)
    assert ((ratio > 0.85) & (ratio < 1.15)).all()


def _rms(values):
    return np.sqrt(np.mean(np.square(values), axis=0))
