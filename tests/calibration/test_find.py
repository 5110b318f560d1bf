"""Finding tables in pictures with exact truth: rendered ones (fixtures/tables) and our own plain drawings."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.check import check_fit
from calibration.find import find_table, sight_table
from fixtures.synthetic.camera import Lens, overhead_camera
from fixtures.synthetic.clip import still_picture
from fixtures.synthetic.scene import Look, Scene
from shared.equipment import standard_table
from shared.errors import CalibrationError, SettingsError
from shared.settings import CameraSettings
from tests.calibration.footage import TablePicture, table_picture


def corner_errors(found_px, true_px):
    return np.linalg.norm(found_px - true_px, axis=1)


def by_hand(corners_px, off_px):
    return tuple((float(x), float(y)) for x, y in np.add(corners_px, off_px))


@pytest.mark.parametrize(
    ("name", "within_px"),
    [
        ("table_16", 2.0),  # overexposed: no sight can be seen, the cloth's ends and two noses must do
        ("table_42", 0.5),  # grey cloth on dark wood, an arm over the table
        ("table_46", 0.5),  # upright
        ("table_52", 1.0),  # one rail's sights out of the picture
    ],
)
def test_corners_are_found(name, within_px):
    truth = table_picture(name)
    before = truth.picture.copy()
    found = find_table(truth.picture, table=truth.table, head=truth.head, clip=name)
    errors = corner_errors(found.corners_px, truth.corners_px)
    assert errors.max() < within_px
    assert (errors < 3.5 * found.corners_u_px).all()
    assert (truth.picture == before).all()
    xy, z = np.array([[300.0, 200.0], [1200.0, 600.0], [2000.0, 900.0]]), truth.table.ball.radius_mm
    seen = truth.pose.to_image(np.column_stack([xy, np.full(3, z)]))
    miss = np.linalg.norm(found.pose.to_table(seen, z) - xy, axis=1)
    assert (miss < 3.5 * np.sqrt(np.trace(found.position_covariance(xy, z), axis1=1, axis2=2))).all()


@pytest.mark.parametrize(("from_share", "to_share"), [(0.42, 0.52), (0.25, 0.40), (0.55, 0.65)])
@pytest.mark.parametrize("name", ["table_42", "table_46"])
def test_a_lamp_across_the_table_does_not_hide_it(name, from_share, to_share):
    truth = table_picture(name)
    corner, foot, far, side = truth.corners_px  # the lamp lies across, from one long cushion beyond the other
    over = 0.15 * (side - corner)
    ends = [np.array([corner + share * (foot - corner) - over, side + share * (far - side) + over])
            for share in (from_share, to_share)]
    picture = truth.picture.copy()
    cv2.fillConvexPoly(picture, np.round(np.concatenate([ends[0], ends[1][::-1]])).astype(np.int32), (40, 42, 45))
    found = find_table(picture, table=truth.table, head=truth.head, clip=name)
    errors = corner_errors(found.corners_px, truth.corners_px)
    assert errors.max() < 1.0
    assert (errors < 3.5 * found.corners_u_px).all()


@pytest.mark.parametrize("standard", ["pool-7ft", "snooker-12ft", "carom-284"])
@pytest.mark.parametrize(("tilt_deg", "k1"), [(0.0, 0.0), (15.0, -0.2)])
def test_drawn_tables_of_every_kind_are_found(standard, tilt_deg, k1):
    table = standard_table(standard)
    camera = overhead_camera(table, width_px=800, height_px=450, tilt_deg=tilt_deg, tilt_towards_deg=250.0,
                             roll_deg=3.0, lens=Lens(k1=k1))
    look = Look(cloth=(0.05, 0.30, 0.08), wood=(0.25, 0.3, 0.35), floor=(0.3, 0.3, 0.3))
    picture = still_picture(Scene(table=table, camera=camera, look=look))
    found = find_table(picture, table=table)
    truth = camera.to_image(np.column_stack([table.corners_mm, np.full(4, table.nose_height_mm)]))
    assert corner_errors(found.corners_px, truth).max() < 0.5


@pytest.fixture(scope="module")
def upright() -> TablePicture:
    return table_picture("table_46")


def test_the_head_is_at_the_top_of_an_upright_picture_unless_declared(upright):
    top = find_table(upright.picture, table=upright.table)
    bottom = find_table(upright.picture, table=upright.table, head="picture-bottom")
    assert top.corners_px[[0, 3], 1].max() < top.corners_px[[1, 2], 1].min()
    assert bottom.corners_px == pytest.approx(np.roll(top.corners_px, 2, axis=0), abs=0.05)


def test_a_head_declared_along_a_long_cushion_is_refused_not_guessed(upright):
    with pytest.raises(CalibrationError, match=r"stands upright .* can't be at picture-left; declare .* picture-top"):
        find_table(upright.picture, table=upright.table, head="picture-left")


def test_left_is_left_for_someone_at_the_head_looking_to_the_foot(upright):
    top = find_table(upright.picture, table=upright.table)
    right, left = top.corners_px[0], top.corners_px[3]
    assert right[0] < left[0]  # the head at the top: looking down the picture, right is at its left edge


def test_a_darkened_blurred_picture_is_still_found(upright):
    dark = cv2.GaussianBlur(cv2.convertScaleAbs(upright.picture, alpha=0.4), (0, 0), 1.0)
    dark = np.clip(dark + np.random.default_rng(1).normal(0, 2, dark.shape), 0, 255).astype(np.uint8)
    found = find_table(dark, table=upright.table, head=upright.head)
    assert corner_errors(found.corners_px, upright.corners_px).max() < 1.0


@pytest.mark.parametrize("marked", [False, True])
def test_a_picture_without_colour_is_refused(upright, marked):
    grey = cv2.cvtColor(cv2.cvtColor(upright.picture, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR)
    camera = CameraSettings(corners_px=by_hand(upright.corners_px, (0, 0)) if marked else None)
    with pytest.raises(CalibrationError, match=r"^x\.mp4: the picture has no colour.*; film in colour\.$"):
        find_table(grey, table=upright.table, head=upright.head, camera=camera, clip="x.mp4")


def test_a_table_of_the_wrong_size_is_warned_of(upright):
    found = find_table(upright.picture, table=standard_table("pool-8ft"))
    assert any("check the table's size" in warning for warning in found.warnings)


@pytest.mark.parametrize("what", ["nothing", "noise", "a green board", "stripes"])
def test_a_picture_without_a_table_is_refused_with_a_reason(what):
    picture = np.full((360, 640, 3), 90, np.uint8)
    if what == "noise":
        picture = np.random.default_rng(0).integers(0, 255, picture.shape).astype(np.uint8)
    elif what == "a green board":
        picture[:] = (70, 90, 140)
        picture[80:280, 120:520] = (40, 120, 30)
    elif what == "stripes":
        picture[:, ::40] = 200
    with pytest.raises(CalibrationError, match=r"hall\.jpg: no table .*corners_px"):
        find_table(picture, table=standard_table(), clip="hall.jpg")


def test_a_grey_picture_is_refused():
    with pytest.raises(CalibrationError, match="colour picture"):
        find_table(np.zeros((100, 100), np.uint8), table=standard_table())


def test_corners_by_hand_are_used_and_the_lens_taken_from_the_sights(upright):
    given = by_hand(upright.corners_px, np.array([[1.0, 0.5], [-0.5, 1.0], [0.0, -1.0], [0.5, 0.0]]))
    found = find_table(upright.picture, table=upright.table, camera=CameraSettings(corners_px=given))
    assert found.how == "corners given"
    assert corner_errors(found.corners_px, np.array(given)).max() < 1.0
    assert found.pose.distortion[0] == pytest.approx(upright.pose.distortion[0], abs=0.02)


def test_corners_by_hand_that_the_sights_contradict_are_warned_of(upright):
    given = by_hand(upright.corners_px, np.array([6.0, 0.0]))
    found = find_table(upright.picture, table=upright.table, camera=CameraSettings(corners_px=given))
    assert any(re.search("the sights put the corners up to .* px from those of session.toml, which are used", warning)
               for warning in found.warnings)


def test_corners_by_hand_are_not_put_down_to_few_marks(upright):
    seen, _ = sight_table(upright.picture, table=upright.table)
    pose = seen.fit.pose
    wanted_px = 1.2 * max(pose.width_px, pose.height_px) / 1280  # loose, but not refused
    factor = (wanted_px / seen.check.corner_u_px.max()) ** 2
    loose = replace(seen.fit, pose=replace(pose, covariance=factor * pose.covariance))
    words_of = {False: "few marks were seen, so the corners are", True: "the corners are given by hand and"}
    for hand, words in words_of.items():
        (line,) = check_fit(loose, seen.marks, upright.table, by_hand=hand).warnings
        assert line == f"{words} only known to {wanted_px:.1f} px (k=1)"


@pytest.mark.parametrize("off_px", [(20.0, 0.0), (0.0, 60.0), (-40.0, 0.0)])
def test_corners_by_hand_far_from_the_sights_are_warned_of_too(upright, off_px):
    given = by_hand(upright.corners_px, np.array(off_px))
    found = find_table(upright.picture, table=upright.table, camera=CameraSettings(corners_px=given))
    assert any(f"sights put the corners up to {np.hypot(*off_px):.0f} px" in warning for warning in found.warnings)


@pytest.mark.parametrize(
    ("pick", "words"),
    [([0, 1, 2], "four points"), ([0, 1, 2, 2], "lie on one line"), ([3, 2, 1, 0], "anticlockwise"),
     ([0, 2, 1, 3], "anticlockwise")],
)
def test_impossible_corners_are_refused(upright, pick, words):
    given = by_hand(upright.corners_px[pick], np.zeros(2))
    with pytest.raises(SettingsError, match=rf"^a\.jpg: .*{words}.* They are those of the review page\.$"):
        find_table(upright.picture, table=upright.table, clip="a.jpg",
                   camera=CameraSettings(corners_px=given, corners_from="the review page"))


@pytest.mark.parametrize("head", ["picture-left", "picture-right", "picture-top"])
def test_corners_by_hand_that_contradict_the_declared_head_are_refused(upright, head):
    given = CameraSettings(corners_px=by_hand(upright.corners_px, np.zeros(2)))  # the head at the bottom
    with pytest.raises(SettingsError, match=f"^a.jpg: corners_px put the head at picture-bottom, head says {head}"):
        find_table(upright.picture, table=upright.table, camera=given, head=head, clip="a.jpg")


def test_leaving_marks_out_predicts_them(upright):
    seen, _ = sight_table(upright.picture, table=upright.table)
    assert seen.check.sights_found == 18
    assert seen.check.left_out_px < 0.15
    fewer = replace(seen.check, sights_found=3)
    assert fewer.left_out_px == seen.check.left_out_px
