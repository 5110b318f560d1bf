"""The picture of a sphere against closed forms from outside the project."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.pose import CameraPose
from pipeline.detect_outline import BallPicture
from tests.pipeline.drawn import overhead_camera

#: f = 1400 px, R = 28.575 mm, optical axis straight down; distance Z, sideways X -> ellipse centre, semi-axes a, b.
#: Closed form: Matsuoka & Maruyama, Eccentricity on an image caused by projection of a circle and a sphere,
#: ISPRS Annals III-5:19-26 (2016), eqs 40-47; checked there against tangent rays' end points.
SPHERES = [
    (2471.425, 0.0, 0.0, 16.1881, 16.1881),
    (2471.425, 635.0, 359.759596, 16.71397, 16.1881),
    (2471.425, 1270.0, 719.519193, 18.20065, 16.1881),
    (1471.425, 1270.0, 1208.80833, 35.92406, 27.19306),
]


@pytest.mark.parametrize(("depth", "aside", "centre_px", "a_px", "b_px"), SPHERES)
def test_outline_is_the_published_ellipse(depth, aside, centre_px, a_px, b_px):
    radius = 28.575
    down = np.diag([1.0, -1.0, -1.0])
    pose = CameraPose(np.diag([1400.0, 1400.0, 1.0]), np.zeros(5), down, np.array([0, 0, depth + radius]), 4000, 4000)
    outline, normal = BallPicture(pose, radius).outlines([[aside, 0.0]], 720)
    low, high = outline[0].min(axis=0), outline[0].max(axis=0)
    assert (low[0] + high[0]) / 2 == pytest.approx(centre_px, abs=1e-4)
    assert (high - low) / 2 == pytest.approx([a_px, b_px], abs=1e-3)
    assert np.sum(normal * (outline - outline.mean(axis=1)), axis=-1).min() > 0  # outward


def test_step_in_mm_moves_the_centre_as_the_jacobian_says():
    picture = BallPicture(overhead_camera(6.0), 28.575)
    at = np.array([[400.0, 1000.0], [2200.0, 150.0]])
    step = np.array([0.3, -0.2])
    assert picture.centres(at + step) - picture.centres(at) == pytest.approx(picture.jacobian(at) @ step, abs=1e-3)
