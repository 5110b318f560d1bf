"""The camera fit on marks made from a known camera and spoilt."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.check import check_fit
from calibration.fit import Fit, fit_marks, start_values
from calibration.model import EdgePoints, LensPrior, Marks, line_points, sights_3d
from calibration.pose import CameraPose
from fixtures.synthetic.camera import Lens, overhead_camera
from shared.equipment import CUSHIONS, Table, standard_table

RAIL_ABOVE_MM = 6.0  # the true table's: not the prior's middle
OFFSET_MM = 95.0


def seen_marks(camera: CameraPose, table: Table, rng: np.random.Generator, *, noise_px: float) -> Marks:
    """All sights and two nose lines as this camera sees them, with noise."""
    world = sights_3d(table, table.nose_height_mm + RAIL_ABOVE_MM, OFFSET_MM)
    noses = []
    for cushion, length in (("head", table.width_mm), ("left", table.length_mm)):
        line = line_points(table, cushion, np.linspace(150, length - 150, 6), 0.0, table.nose_height_mm)
        px = camera.to_image(line) + rng.normal(0, 0.25)  # blur and shadow shift all of a line
        noses.append(EdgePoints(cushion=cushion, kind="nose", xy_px=px, u_px=0.25 * np.sqrt(6)))
    px = camera.to_image(world) + rng.normal(0, noise_px, (len(world), 2))
    return Marks(np.arange(len(world)), px, 0.06, tuple(noses))


def corners(camera: CameraPose, table: Table) -> NDArray[np.float64]:
    return camera.to_image(np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)]))


def fitted(camera: CameraPose, table: Table, marks: Marks, *, lens: LensPrior | None = None) -> Fit:
    size = (camera.width_px, camera.height_px)
    start = start_values(corners(camera, table) + 3.0, table, size, kind="nose")
    return fit_marks(marks, table, size, start, lens=lens)


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 10.0, 20.0])
@pytest.mark.parametrize("k1", [-0.2, 0.05])
def test_corners_come_back_within_half_a_pixel(tilt_deg, k1):
    table = standard_table()
    camera = overhead_camera(table, tilt_deg=tilt_deg, tilt_towards_deg=40.0, lens=Lens(k1=k1, k2=0.01))
    fit = fitted(camera, table, seen_marks(camera, table, np.random.default_rng(3), noise_px=0.06))
    assert np.linalg.norm(corners(fit.pose, table) - corners(camera, table), axis=1).max() < 0.5


def test_stated_uncertainty_is_that_of_repeated_fits():
    """Corner errors over their stated uncertainty, over many noises, tables and cameras: root mean square near 1."""
    table = standard_table()
    scores = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        camera = overhead_camera(table, tilt_deg=rng.uniform(0, 12), tilt_towards_deg=rng.uniform(0, 360),
                                 height_mm=rng.uniform(2000, 3500), roll_deg=rng.uniform(-5, 5))
        fit = fitted(camera, table, seen_marks(camera, table, rng, noise_px=0.06))
        error = np.linalg.norm(corners(fit.pose, table) - corners(camera, table), axis=1)
        scores.append(error / fit.pose.image_uncertainty(np.column_stack([table.corners_mm, np.full(4, 36.29)])))
    assert 0.6 < np.sqrt(np.mean(np.square(scores))) < 1.3


def test_one_wrong_sight_does_not_bend_the_camera():
    table = standard_table()
    camera = overhead_camera(table)
    marks = seen_marks(camera, table, np.random.default_rng(5), noise_px=0.06)
    marks.sight_px[4] += [9.0, -6.0]
    fit = fitted(camera, table, marks)
    assert np.linalg.norm(corners(fit.pose, table) - corners(camera, table), axis=1).max() < 0.5
    assert fit.left_out_px.argmax() == 4


@pytest.mark.parametrize(("width_mm", "refused"), [(1400.0, False), (1650.0, True)])
def test_sights_of_a_table_of_another_shape_are_noticed(width_mm, refused):
    """A tilted long lens looks much like a table of another shape; the more so, the less the shape differs."""
    real, declared = standard_table(), standard_table(length_mm=2540.0, width_mm=width_mm)
    camera = overhead_camera(real, tilt_deg=6.0)
    marks = seen_marks(camera, real, np.random.default_rng(6), noise_px=0.06)
    fit = fitted(camera, declared, marks)
    check = check_fit(fit, marks, declared)
    assert ("no usual camera sees a table of 2540 x 1650 mm" in check.refusal) == refused
    assert refused or any("check the table's length and width" in words for words in check.warnings)


def test_sights_of_a_smaller_table_are_warned_of():
    real, declared = standard_table("pool-8ft"), standard_table("pool-9ft")
    camera = overhead_camera(real, tilt_deg=6.0)
    marks = Marks(*_only_sights(camera, real), ())
    fit = fitted(camera, declared, marks)
    check = check_fit(fit, marks, declared)
    assert not check.refusal
    assert any("pool-8ft" in warning for warning in check.warnings)


def _only_sights(camera: CameraPose, table: Table) -> tuple[NDArray[np.int64], NDArray[np.float64], float]:
    world = sights_3d(table, table.nose_height_mm + RAIL_ABOVE_MM, table.sight_offset_mm)
    return np.arange(len(world)), camera.to_image(world), 0.06


def test_a_known_lens_is_kept():
    table = standard_table()
    camera = overhead_camera(table, tilt_deg=0.0, lens=Lens(k1=-0.1))
    f = camera.K[0, 0]
    lens = LensPrior(np.array([np.log(f), camera.K[0, 2], camera.K[1, 2], -0.1, 0.0]),
                     np.array([2e-3, 1.0, 1.0, 2e-3, 2e-3]))
    marks = seen_marks(camera, table, np.random.default_rng(8), noise_px=0.06)
    known, unknown = fitted(camera, table, marks, lens=lens), fitted(camera, table, marks)
    assert known.pose.K[0, 0] == pytest.approx(f, rel=5e-3)
    assert known.pose.covariance[0, 0] < 0.01 * unknown.pose.covariance[0, 0]  # straight down, f hardly shows


def test_edges_are_named_after_their_cushions():
    table = standard_table()
    camera = overhead_camera(table)
    for cushion in CUSHIONS:
        line = line_points(table, cushion, np.array([300.0, 600.0]), 10.0, 0.0)
        away = np.maximum(np.maximum(-line[:, 0], line[:, 0] - table.length_mm),
                          np.maximum(-line[:, 1], line[:, 1] - table.width_mm))
        assert away == pytest.approx([10.0, 10.0])
    assert camera.centre_mm[2] > 0
