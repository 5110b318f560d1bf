"""Sub-pixel fits of drawn balls whose places are known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.detect_edges import OutlineFitter
from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, cut
from tests.pipeline.drawn import draw, overhead_camera
from tests.pipeline.lit_ball import draw_lit_ball, draw_swept_ball

IVORY, RED, BLACK, GREEN = (200.0, 118.0, 132.0), (70.0, 100.0, 200.0), (30.0, 128.0, 128.0), (90.0, 100.0, 90.0)


@pytest.fixture(scope="module")
def fitter() -> OutlineFitter:
    return OutlineFitter(BallPicture(overhead_camera(), 28.575))


def fitted(fitter, frame, start_mm, blur_px=(0.0, 0.0)):
    start = np.array([start_mm], dtype=float)
    centre = fitter.picture.centres(start)[0]
    return fitter.fit(Mosaic([cut(frame, centre, 2.6 * fitter.radius_px)]), start, np.array([blur_px]))


@pytest.mark.parametrize("colour", [IVORY, RED, BLACK, GREEN])
def test_ball_at_rest_is_placed_within_a_tenth_of_a_pixel(fitter, colour):
    rng = np.random.default_rng(3)
    for _ in range(4):
        true = rng.uniform([200, 200], [2300, 1100])
        frame = draw(fitter.picture, [(*true, colour)])
        fit = fitted(fitter, frame, true + rng.uniform(-6, 6, 2))
        px_per_mm = np.sqrt(abs(np.linalg.det(fitter.picture.jacobian(true)[0])))
        assert np.linalg.norm(fit.xy_mm[0] - true) * px_per_mm < 0.1
        assert fit.outline_share[0] > 0.9


def test_swept_ball_is_placed_at_the_middle_of_its_exposure(fitter):
    true = (1500.0, 700.0)
    frame = draw(fitter.picture, [(*true, IVORY)], motion_mm=(14.0, 9.0))
    motion_px = fitter.picture.jacobian([true])[0] @ [14.0, 9.0]
    fit = fitted(fitter, frame, (1503.0, 698.0), motion_px)
    px_per_mm = np.sqrt(abs(np.linalg.det(fitter.picture.jacobian([true])[0])))
    assert np.linalg.norm(fit.xy_mm[0] - true) * px_per_mm < 0.15


def test_a_long_streak_is_placed_along_itself_where_its_ends_are_lit_differently():
    picture = BallPicture(overhead_camera(width=1280, height=720), 28.575)
    fitter = OutlineFitter(picture)
    rng = np.random.default_rng(5)
    errors = []
    for balls in (0.6, 0.8):
        true, way = rng.uniform([700, 400], [1800, 900]), np.array([0.0, balls * 57.15])
        patch = draw_swept_ball(picture, true, way, (0.8, 0.75, 0.6), (0.05, 0.2, 0.3), missing=0.9)
        motion = np.array([picture.jacobian([true])[0] @ way])
        errors += [(fitter.fit(Mosaic([patch]), np.array([true + off]), motion).xy_mm[0] - true)[1] for off in (-2, 2)]
    assert np.sqrt(np.mean(np.square(errors))) < 0.4  # mm; taken for a normal blur, or with a single step, it is 0.65


def test_two_fifths_hidden_moves_it_little_and_is_told(fitter):
    true = np.array([900.0, 500.0])
    centre = fitter.picture.centres(true)[0]
    r = fitter.radius_px
    corners = np.array([[0.2, -4], [4, -4], [4, 4], [0.2, 4]])
    hand = np.rint(centre + r * corners).astype(np.int32)
    frame = draw(fitter.picture, [(*true, IVORY)], cover=[(hand, (130.0, 115.0, 150.0))])
    fit = fitted(fitter, frame, true + np.array([2.0, -2.0]))
    px_per_mm = np.sqrt(abs(np.linalg.det(fitter.picture.jacobian([true])[0])))
    assert np.linalg.norm(fit.xy_mm[0] - true) * px_per_mm < 0.5
    assert 0.3 < fit.outline_share[0] < 0.9


def test_plain_cloth_shows_no_outline(fitter):
    fit = fitted(fitter, draw(fitter.picture, []), (1270.0, 635.0))
    assert fit.outline_share[0] < 0.4


def test_stated_uncertainty_covers_the_error(fitter):
    rng = np.random.default_rng(11)
    ratios = []
    for k in range(12):
        true = rng.uniform([200, 200], [2300, 1100])
        frame = draw(fitter.picture, [(*true, RED)], seed=100 + k, noise=2.0)
        fit = fitted(fitter, frame, true + rng.uniform(-4, 4, 2))
        error = fit.xy_mm[0] - true
        ratios.append(error @ np.linalg.solve(fit.cov_mm2[0], error) / 2)
    assert np.sqrt(np.mean(ratios)) < 1.3  # a drawn disc lacks shadow and reflection, so it may be well below 1


ORANGE_LIT, YELLOW_LIT, GREEN_LIT = (0.85, 0.25, 0.06), (0.85, 0.65, 0.06), (0.05, 0.30, 0.12)
GREEN_CLOTH, BLUE_CLOTH, RED_CLOTH = (0.06, 0.32, 0.12), (0.06, 0.22, 0.45), (0.45, 0.04, 0.05)


@pytest.mark.parametrize(
    ("ball", "cloth"), [(ORANGE_LIT, GREEN_CLOTH), (YELLOW_LIT, BLUE_CLOTH), (GREEN_LIT, RED_CLOTH)]
)
def test_a_cushion_that_throws_back_little_light_does_not_draw_a_ball_to_it(ball, cloth):
    picture = BallPicture(overhead_camera(width=1280, height=720), 28.575)
    fitter = OutlineFitter(picture)
    rng = np.random.default_rng(0)
    moved = []
    for _ in range(8):
        true = rng.uniform([700, 1000], [1800, 1180])
        start = true + rng.uniform(-1, 1, 2)
        patches = [draw_lit_ball(picture, true, ball, cloth, missing=missing) for missing in (0.0, 0.9)]
        fit = fitter.fit(Mosaic(patches), np.array([start, start]), np.zeros((2, 2)), rough=False)
        moved.append((fit.xy_mm[1] - fit.xy_mm[0]) * np.sqrt(abs(np.linalg.det(picture.jacobian(true)[0]))))
    assert np.abs(np.mean(moved, axis=0)).max() < 0.025  # px; the light's other colour once moved it by 0.03 to 0.07


def test_a_picture_without_colour_is_fitted_by_its_luma(fitter):
    true = np.array([1300.0, 600.0])
    colourless = replace((frame := draw(fitter.picture, [(*true, IVORY)])), chroma=tuple(
        np.full_like(plane, 128) for plane in frame.chroma))
    fit = fitted(fitter, colourless, true + np.array([3.0, -2.0]))
    px_per_mm = np.sqrt(abs(np.linalg.det(fitter.picture.jacobian(true)[0])))
    assert np.linalg.norm(fit.xy_mm[0] - true) * px_per_mm < 0.1
