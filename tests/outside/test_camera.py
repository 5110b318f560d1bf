"""Camera and projection against OpenCV, scikit-image and closed forms.

Sources: pinhole camera, OpenCV's distortion model; Z. Zhang, A flexible new technique for camera calibration (2000).
Numbers computed independently.
"""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from skimage.transform import ProjectiveTransform

from calibration.pose import CameraPose

K = np.array([[1400.0, 0, 960], [0, 1400.0, 540], [0, 0, 1]])
BENT = np.array([-0.25, 0.05, 0.001, -0.0005, 0.0])


def example_camera(distortion=None):
    """f 1400 px, centre at (1500, 1000, 2600) mm, turned by 8, 5 and 3 degrees."""
    rotation = Rotation.from_euler("xyz", [8, 5, 3], degrees=True).as_matrix() @ np.diag([1, -1, -1])
    centre = np.array([1500.0, 1000.0, 2600.0])
    return CameraPose(K, np.zeros(5) if distortion is None else distortion, rotation, -rotation @ centre, 1920, 1080)


CORNERS = np.array([[0, 0, 0], [2540, 0, 0], [2540, 1270, 0], [0, 1270, 0]], dtype=float)
CORNERS_PX = np.array(
    [
        [323.32997586, 817.46861265],
        [1623.29132177, 911.93190999],
        [1700.19517720, 216.79603524],
        [307.72073308, 173.96666610],
    ]
)


def test_corners_of_a_nine_foot_table():
    assert example_camera().to_image(CORNERS) == pytest.approx(CORNERS_PX, abs=1e-6)


def test_spots():
    found = example_camera().to_image([[1270, 635, 0], [635, 635, 0], [1905, 635, 0]])
    assert found == pytest.approx(
        np.array([[959.853208, 539.778357], [631.190975, 522.558299], [1302.614661, 557.737134]]), abs=1e-5
    )


def test_homography_of_the_cloth_against_scikit_image():
    ours = np.linalg.inv(example_camera().plane(0.0).matrix)
    ours = ours / ours[2, 2]
    theirs = ProjectiveTransform.from_estimate(CORNERS[:, :2], CORNERS_PX).params
    assert ours == pytest.approx(theirs / theirs[2, 2], rel=1e-6, abs=1e-9)
    printed = [
        [461.8786023, -27.34343025, 323.32997586],
        [9.14780932, -515.20432421, 817.46861265],
        [-0.03075061, -0.04891672, 1],
    ]
    assert ours @ np.diag([1000.0, 1000.0, 1.0]) == pytest.approx(np.array(printed), rel=1e-6)


def test_focal_length_from_the_homography():
    """Zhang: f from the two constraints on h1 and h2, principal point known."""
    h = np.linalg.inv(example_camera().plane(0.0).matrix)
    h = np.array([[1, 0, -960], [0, 1, -540], [0, 0, 1.0]]) @ h
    right_angle = -(h[0, 0] * h[0, 1] + h[1, 0] * h[1, 1]) / (h[2, 0] * h[2, 1])
    same_length = -((h[0, 0] ** 2 + h[1, 0] ** 2) - (h[0, 1] ** 2 + h[1, 1] ** 2)) / (h[2, 0] ** 2 - h[2, 1] ** 2)
    assert np.sqrt([right_angle, same_length]) == pytest.approx([1400.0, 1400.0], abs=1e-6)


@pytest.mark.parametrize(
    ("place", "px", "on_cloth"),
    [
        ((635.0, 317.5), (625.210694, 687.151533), (625.38767, 309.91571)),
        ((2200.0, 1000.0), (1489.722758, 365.107881), (2207.77876, 1000.0)),
    ],
)
def test_a_ball_read_on_the_cloth_is_millimetres_off(place, px, on_cloth):
    camera = example_camera()
    seen = camera.to_image([[*place, 28.575]])
    assert seen[0] == pytest.approx(px, abs=1e-5)
    assert camera.to_table(seen, 0.0)[0] == pytest.approx(on_cloth, abs=1e-4)
    assert camera.to_table(seen, 28.575)[0] == pytest.approx(place, abs=1e-6)


@pytest.mark.parametrize(
    ("height", "factor", "shift_at_1270"),
    [
        (2000, 1.01449459, 18.40813),
        (2500, 1.01156216, 14.68394),
        (3000, 1.00961660, 12.21308),
    ],
)
@pytest.mark.parametrize("tilt", [0.0, 7.0])
def test_parallax_of_the_ball_plane_is_a_homothety_whatever_the_tilt(height, factor, shift_at_1270, tilt):
    rotation = Rotation.from_euler("xyz", [tilt, 0, 0], degrees=True).as_matrix() @ np.diag([1, -1, -1])
    camera = CameraPose(K, np.zeros(5), rotation, -rotation @ np.array([1270.0, 635.0, height]), 1920, 1080)
    at = np.array([[1270.0, 635.0], [2540.0, 635.0], [1000.0, 300.0]])
    on_cloth = camera.to_table(camera.to_image(np.column_stack([at, np.full(3, 28.575)])), 0.0)
    assert on_cloth - [1270, 635] == pytest.approx((at - [1270, 635]) * factor, abs=1e-4)
    assert on_cloth[1, 0] - 2540 == pytest.approx(shift_at_1270, abs=1e-3)


@pytest.mark.parametrize(("plane", "factor"), [(36.29025, 0.99687822), (45.0, 0.99335403)])
def test_speed_read_in_the_wrong_plane(plane, factor):
    """Balls read in the nose plane or the rail top's plane, camera 2500 mm up."""
    down = np.diag([1.0, -1.0, -1.0])
    camera = CameraPose(K, np.zeros(5), down, -down @ np.array([1270.0, 635.0, 2500.0]), 1920, 1080)
    a, b = camera.to_table(camera.to_image([[1000, 500, 28.575], [1400, 500, 28.575]]), plane)
    assert (b[0] - a[0]) / 400 == pytest.approx(factor, abs=1e-7)


@pytest.mark.parametrize(
    ("normal", "px"),
    [
        ((0.3, 0.2), (1366.6559, 811.3466)),
        ((0.6, 0.3), (1713.6900, 917.6325)),
        ((-0.5, 0.35), (319.23028125, 988.877778125)),
    ],
)
def test_distortion(normal, px):
    camera = CameraPose(K, BENT, np.eye(3), np.zeros(3), 1920, 1080)
    assert camera.to_image([[*normal, 1.0]])[0] == pytest.approx(px, abs=1e-4)
    assert camera.rays([px])[0, :2] == pytest.approx(normal, abs=1e-6)


def test_every_plane_maps_back_through_a_bent_lens():
    camera = example_camera(np.array([-0.12, 0.02, 0, 0, 0]))
    places = np.random.default_rng(2).uniform([0, 0], [2540, 1270], (200, 2))
    for z in (0.0, 28.575, 36.29, 45.0):
        px = camera.to_image(np.column_stack([places, np.full(200, z)]))
        assert camera.to_table(px, z) == pytest.approx(places, abs=1e-5)
        straight = cv2.undistortPoints(
            px.reshape(-1, 1, 2), K, camera.distortion, P=K, criteria=(3, 100, 1e-12)
        ).reshape(-1, 2)
        assert camera.plane(z).to_table(straight) == pytest.approx(places, abs=1e-4)
