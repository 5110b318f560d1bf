"""A camera hung elsewhere sees what it should, and its calibration is known as a fit to its own picture knows it."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.capability import picture_scale
from calibration.fit import fit_marks
from calibration.marks import SIGHT_U_PX
from calibration.model import CLOTH_BEHIND_NOSE_MM, RAIL_ABOVE_NOSE_MM, Marks
from calibration.rehung import higher, straight_above
from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from shared.equipment import standard_table

TABLE = standard_table()
PLACES = np.array([[300.0, 300.0], [1270.0, 635.0], [2200.0, 1000.0]])
RAIL_Z = TABLE.nose_height_mm + RAIL_ABOVE_NOSE_MM[0]
SIGHTS = np.column_stack([TABLE.sights_mm, np.full(len(TABLE.sights_mm), RAIL_Z)])


def _fitted(pose):
    """As a picture with these sights, and no nose line, tells the camera that took it."""
    camera = pose.parameter_values
    camera[0] = np.log(camera[0])
    start = np.concatenate([camera, [RAIL_Z, TABLE.sight_offset_mm, CLOTH_BEHIND_NOSE_MM[0]]])
    marks = Marks(np.arange(len(SIGHTS)), pose.to_image(SIGHTS), 2 * SIGHT_U_PX, ())
    fit = fit_marks(marks, TABLE, (pose.width_px, pose.height_px), start)
    return Calibration("clip.mp4", fit.pose, TABLE, 0.1, "found")


def _size_px(calibration):
    return np.ptp(calibration.pose.to_image(SIGHTS), axis=0)


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 20.0])
def test_as_high_as_it_is_it_is_the_same_camera(tilt_deg):
    found = Calibration("clip.mp4", overhead_camera(TABLE, tilt_deg=tilt_deg), TABLE, 0.1, "found")
    same = higher(found, 1.0)
    assert np.allclose(same.pose.to_image(SIGHTS), found.pose.to_image(SIGHTS), atol=1e-6)
    assert same.pose.covariance is None


@pytest.mark.parametrize("tilt_deg", [4.0, 20.0])
def test_the_picture_stays_as_large_and_the_camera_gets_where_it_is_hung(tilt_deg):
    found = _fitted(overhead_camera(TABLE, tilt_deg=tilt_deg))
    up, straight = higher(found, 1.5), straight_above(found)
    for moved in (up, straight):
        ratio = _size_px(moved) / _size_px(found)
        assert ratio.max() == pytest.approx(1.0, abs=1e-3)
        assert ratio.min() > 0.85
    middle = np.array([TABLE.length_mm / 2, TABLE.width_mm / 2, TABLE.nose_height_mm])
    assert up.pose.centre_mm - middle == pytest.approx(1.5 * (found.pose.centre_mm - middle), rel=0.02, abs=2.0)
    assert picture_scale(up).unevenness < picture_scale(found).unevenness
    assert picture_scale(straight).tilt_deg == pytest.approx(0.0, abs=1e-4)
    assert straight.pose.centre_mm == pytest.approx([*middle[:2], found.pose.centre_mm[2]], abs=1e-6)
    turn = [np.subtract(*c.pose.to_image(SIGHTS[[0, 2]])) for c in (found, straight)]
    assert np.arctan2(*turn[0]) == pytest.approx(np.arctan2(*turn[1]), abs=0.1)


@pytest.mark.parametrize("tilt_deg", [4.0, 20.0])
@pytest.mark.parametrize("hang", [lambda c: higher(c, 1.5), straight_above])
def test_its_places_are_known_as_a_fit_to_its_own_picture_knows_them(tilt_deg, hang):
    found = _fitted(overhead_camera(TABLE, tilt_deg=tilt_deg))
    moved = hang(found)
    own = _fitted(replace(moved.pose, covariance=None, parameters=()))
    said, known = (np.sqrt(np.trace(c.position_covariance(PLACES, 28.6), axis1=1, axis2=2)) for c in (moved, own))
    assert said == pytest.approx(known, rel=0.15)
    assert moved.corners_u_px == pytest.approx(own.corners_u_px, rel=0.3)
