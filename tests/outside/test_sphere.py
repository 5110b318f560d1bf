"""The picture of a ball off the optical axis: an ellipse, whose centre isn't the picture of the ball's centre.

Source: Matsuoka & Maruyama, Eccentricity on an image caused by projection of a circle and a sphere, ISPRS Annals III-5
(2016); closed forms for a ball at (X, 0, Z), f 1400 px, R 28.575 mm, checked against tangent rays. OpenCV as reference.
"""

import cv2
import numpy as np
import pytest

from calibration.pose import CameraPose
from calibration.sphere import ball_outline, ball_outline_points, outline_centre_offset

RADIUS = 28.575
CASES = [  # Z mm, X mm, picture of the centre, ellipse centre, half axes (px from the optical axis)
    (2471.425, 0.0, 0.0, 0.0, 16.1881, 16.1881),
    (2471.425, 635.0, 359.711502, 359.759596, 16.71397, 16.1881),
    (2471.425, 1270.0, 719.423005, 719.519193, 18.20065, 16.1881),
    (1471.425, 1270.0, 1208.35245, 1208.80833, 35.92406, 27.19306),
]
#: looks along +z of the table frame from its origin, so that table and camera coordinates are the same
ALONG_Z = CameraPose(np.diag([1400.0, 1400.0, 1.0]), np.zeros(5), np.eye(3), np.zeros(3), 2800, 1000)


@pytest.mark.parametrize(("z", "x", "projected", "middle", "a", "b"), CASES)
def test_outline_of_a_ball(z, x, projected, middle, a, b):
    assert ALONG_Z.to_image([[x, 0, z]])[0, 0] == pytest.approx(projected, abs=1e-5)
    ellipse = ball_outline(ALONG_Z, [x, 0, z], RADIUS)
    assert (ellipse.x_px, ellipse.y_px) == pytest.approx((middle, 0.0), abs=1e-5)
    assert (ellipse.a_px, ellipse.b_px) == pytest.approx((a, b), abs=1e-4)
    assert outline_centre_offset(ALONG_Z, [[x, 0, z]], RADIUS)[0, 0] == pytest.approx(middle - projected, abs=1e-5)


@pytest.mark.parametrize("place", [(200.0, 150.0, 2500.0), (-900.0, 500.0, 2200.0)])
def test_outline_points_against_an_ellipse_fitted_by_opencv(place):
    points = ball_outline_points(ALONG_Z, place, RADIUS, count=200)
    (x, y), axes, _ = cv2.fitEllipseDirect(points.astype(np.float32).reshape(-1, 1, 2))
    ellipse = ball_outline(ALONG_Z, place, RADIUS)
    assert (x, y) == pytest.approx((ellipse.x_px, ellipse.y_px), abs=0.01)
    assert sorted(axes) == pytest.approx([2 * ellipse.b_px, 2 * ellipse.a_px], abs=0.02)
