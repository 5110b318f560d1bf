"""A camera that moves in mid-clip: the rails of a picture shifted, turned and covered."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest

from calibration import steady
from calibration.clock import AS_STAMPED, ClipClock
from calibration.find import find_table
from calibration.moves import UNMOVED
from calibration.steady import MIN_MARKS, Steadiness
from calibration.store import Calibration
from pipeline.camera_watch import CameraWatch
from pipeline.frames import Frame
from tests.calibration.footage import table_picture


def _said(watch):
    """Words of what the camera did."""
    return tuple(remark.words for remark in watch.remarks())


@pytest.fixture(scope="module")
def still() -> tuple[Calibration, np.ndarray]:
    truth = table_picture("table_46")
    found = find_table(truth.picture, table=truth.table, clip="table_46.jpg")
    return found, cv2.cvtColor(truth.picture, cv2.COLOR_BGR2GRAY)


def moved(luma, matrix, seed=0):
    height, width = luma.shape
    picture = cv2.warpAffine(luma, np.asarray(matrix, dtype=float), (width, height), flags=cv2.INTER_LINEAR,
                             borderMode=cv2.BORDER_REPLICATE)
    noise = np.random.default_rng(seed).normal(0, 2.0, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


FAR = [[1, 0, 110], [0, 1, 70]]
STILL = [[1, 0, 0], [0, 1, 0]]
SHIFT = [[1, 0, 4.3], [0, 1, -2.6]]
TURN = cv2.getRotationMatrix2D((360, 640), 0.4, 1.0)


def test_noise_is_no_movement(still):
    calibration, luma = still
    movement = Steadiness(calibration, luma).shift(moved(luma, [[1, 0, 0], [0, 1, 0]]))
    assert movement.largest_px < 0.15
    assert not movement.moved(calibration)


@pytest.mark.parametrize("matrix", [SHIFT, TURN, [[1, 0, 0.6], [0, 1, 0.0]]])
def test_moved_corners_are_followed(still, matrix):
    calibration, luma = still
    followed = Steadiness(calibration, luma).follow(moved(luma, matrix))
    matrix = np.asarray(matrix, dtype=float)
    expected = calibration.corners_px @ matrix[:, :2].T + matrix[:, 2]
    assert np.linalg.norm(followed.corners_px - expected, axis=1).max() < 0.4
    assert "the camera moved" in followed.warnings[-1]


def test_covered_rails_and_changed_light_do_not_matter(still):
    calibration, luma = still
    after = cv2.convertScaleAbs(moved(luma, SHIFT), alpha=0.8, beta=15)
    after[:, :130] = 60  # a person along one rail
    movement = Steadiness(calibration, luma).shift(after)
    assert (movement.dx_px, movement.dy_px) == (pytest.approx(4.3, abs=0.15), pytest.approx(-2.6, abs=0.15))


def test_a_picture_of_something_else_is_not_followed(still):
    calibration, luma = still
    watch = Steadiness(calibration, luma)
    assert watch.follow(np.full_like(luma, 80)) is None
    assert watch.follow(moved(luma, [[1, 0, 110], [0, 1, 70]])) is None


@pytest.mark.parametrize("matrix", [[[1, 0, 0], [0, 1, 0]], SHIFT, TURN])
@pytest.mark.parametrize("first", [0, 7])
def test_a_few_marks_found_at_look_alikes_are_left_out(still, monkeypatch, matrix, first):
    """Sights look like one another; where the light changes, one may be found at another's place."""
    calibration, luma = still
    watch = Steadiness(calibration, luma)
    astray = {id(patch) for patch in watch._patches[first : first + 4]}
    follow = steady._Patch.follow

    def wrongly(patch, near, far):
        found = follow(patch, near, far)
        return found + np.array([33.0, -12.0]) if found is not None and id(patch) in astray else found

    monkeypatch.setattr(steady._Patch, "follow", wrongly)
    followed = watch.follow(moved(luma, matrix))
    matrix = np.asarray(matrix, dtype=float)
    expected = calibration.corners_px @ matrix[:, :2].T + matrix[:, 2]
    assert np.linalg.norm(followed.corners_px - expected, axis=1).max() < 0.5


@pytest.mark.parametrize("edge", ["left", "right", "top", "bottom"])
def test_a_mark_beside_the_edge_of_the_picture_is_followed(still, edge):
    """Where a mark's surroundings reach beyond the picture, its edge goes on there."""
    _, luma = still
    half, (height, width) = 10, luma.shape
    at = {"left": (half + 5, 300), "right": (width - half - 6, 300), "top": (300, half + 5),
          "bottom": (300, height - half - 6)}[edge]
    luma = np.random.default_rng(1).integers(0, 255, luma.shape).astype(np.uint8)
    luma = cv2.GaussianBlur(luma, (0, 0), 2.0)
    patch = steady._Patch.of(luma, np.array(at, dtype=float), half, 30)
    far = half + steady.AROUND
    around = np.pad(luma, steady.AROUND, mode="edge")[at[1] - half : at[1] + far + steady.AROUND + 1,
                                                      at[0] - half : at[0] + far + steady.AROUND + 1]
    assert np.array_equal(patch.padded(luma[patch.near]), around)
    shifted = moved(luma, [[1, 0, 0.7], [0, 1, -0.4]])
    assert patch.follow(patch.padded(shifted[patch.near]), None) == pytest.approx([0.7, -0.4], abs=0.15)


def frames(luma, count, when, matrix) -> Iterator[Frame]:
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    before, after = moved(luma, [[1, 0, 0], [0, 1, 0]]), moved(luma, matrix)
    for i in range(count):
        yield Frame(i, i / 30, after if i >= when else before, (chroma, chroma), False, "601")


def detections(calibration, count, when, matrix) -> pd.DataFrame:
    """One ball at rest on the table, as a detector that knows nothing of the movement reports it."""
    z = calibration.table.ball.radius_mm
    px = calibration.pose.to_image([[1500.0, 700.0, z]])[0]
    matrix = np.asarray(matrix, dtype=float)
    later = matrix[:, :2] @ px + matrix[:, 2]
    xy = np.array([later if i >= when else px for i in range(count)])
    mm = calibration.pose.to_table(xy, z)
    return pd.DataFrame({"frame": range(count), "t_s": np.arange(count) / 30, "x_px": xy[:, 0], "y_px": xy[:, 1],
                         "x_mm": mm[:, 0], "y_mm": mm[:, 1]})


def test_a_ball_at_rest_stays_where_it_is_when_the_camera_is_knocked(still):
    calibration, luma = still
    watch = CameraWatch(frames(luma, 40, 17, SHIFT), calibration, luma)
    assert sum(1 for _ in watch) == 40
    found = detections(calibration, 40, 17, SHIFT)
    before = found.copy()
    corrected = watch.correct(found)
    pd.testing.assert_frame_equal(found, before)
    off = np.hypot(found["x_mm"] - 1500, found["y_mm"] - 700)
    left = np.hypot(corrected["x_mm"] - 1500, corrected["y_mm"] - 700)
    assert off.max() > 10
    assert left.max() < 1.5
    assert "the camera moved by up to" in _said(watch)[0]
    assert "0.57 s" in _said(watch)[0]  # frame 17 of 30 a second


def test_the_moves_of_a_knocked_camera_are_kept_as_its_detections_were_corrected(still):
    """At the times at which frames were taken: here all from the tenth on two intervals later than stamped."""
    calibration, luma = still
    clock = ClipClock(later=((10 / 30, 2 / 30),))
    watch = CameraWatch(frames(luma, 40, 17, SHIFT), calibration, luma)
    assert sum(1 for _ in watch) == 40
    corrected = watch.correct(detections(calibration, 40, 17, SHIFT))
    kept = replace(calibration, clock=clock, moves=watch.moves(clock))
    assert len(kept.moves.stands) == 1
    z = calibration.table.ball.radius_mm
    for row in corrected.assign(t_s=clock.taken(corrected["t_s"])).to_dict("records"):
        place = kept.pose_at(row["t_s"]).to_table([[row["x_px"], row["y_px"]]], z)[0]
        assert place == pytest.approx([row["x_mm"], row["y_mm"]], abs=1e-6)


def test_a_camera_that_moves_before_the_table_is_found_is_followed_from_there(still):
    """A hand on the record button: the first frames show the table elsewhere than the picture it was found in."""
    calibration, luma = still
    back = cv2.invertAffineTransform(np.array(SHIFT, dtype=float))
    watch = CameraWatch(frames(moved(luma, back), 40, 5, SHIFT), calibration, luma)
    assert sum(1 for _ in watch) == 40
    z = calibration.table.ball.radius_mm
    there = calibration.pose.to_image([[1500.0, 700.0, z]])[0]
    px = np.array([there if i >= 5 else back[:, :2] @ there + back[:, 2] for i in range(40)])
    mm = calibration.pose.to_table(px, z)
    found = pd.DataFrame({"t_s": np.arange(40) / 30, "x_px": px[:, 0], "y_px": px[:, 1], "x_mm": mm[:, 0],
                          "y_mm": mm[:, 1]})
    corrected = watch.correct(found)
    assert np.hypot(found["x_mm"] - 1500, found["y_mm"] - 700)[:5].min() > 10
    assert np.hypot(corrected["x_mm"] - 1500, corrected["y_mm"] - 700).max() < 1.5


OTHER_WAY = [[1, 0, -4.3], [0, 1, 2.6]]
ASIDE = [[1, 0, 6.3], [0, 1, -2.6]]


@pytest.mark.parametrize("stands", [
    {11: SHIFT, 15: STILL},  # between two looks that are nine frames apart
    {11: TURN, 15: STILL},  # the marks' median stays
    {11: [[1, 0, 0.5], [0, 1, 0.4]], 15: STILL},
    {4: SHIFT, 22: OTHER_WAY},  # as far from where it stood
    {4: SHIFT, 22: ASIDE, 25: SHIFT},
])
def test_a_camera_is_followed_where_it_stood_otherwise_between_two_looks(still, stands):
    calibration, luma = still
    stands = {0: STILL, **stands}
    matrices = [stands[max(begin for begin in stands if begin <= i)] for i in range(40)]
    seen = {id(matrix): moved(luma, matrix) for matrix in stands.values()}
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    watch = CameraWatch([Frame(i, i / 30, seen[id(matrix)], (chroma, chroma)) for i, matrix in enumerate(matrices)],
                        calibration, luma)
    assert sum(1 for _ in watch) == 40
    parts = [detections(calibration, 40, 0, matrix).iloc[[i]] for i, matrix in enumerate(matrices)]
    found = pd.concat(parts, ignore_index=True)
    corrected = watch.correct(found)
    off = np.hypot(found["x_mm"] - 1500, found["y_mm"] - 700)
    left = np.hypot(corrected["x_mm"] - 1500, corrected["y_mm"] - 700)
    assert left.max() < min(1.5, off.max())
    assert "the camera moved by up to" in _said(watch)[0]


def test_a_camera_that_shakes_fast_from_the_first_frame_on_is_followed_in_each(still):
    """At 25 and 23 Hz, filmed at 60 frames/s: no frame lies on the way from the one before to the next."""
    calibration, luma = still
    angle = 2 * np.pi * np.arange(40) / 60
    matrices = [[[1, 0, x], [0, 1, y]] for x, y in zip(0.8 * np.sin(25 * angle), 0.8 * np.cos(23 * angle), strict=True)]
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    watch = CameraWatch([Frame(i, i / 60, moved(luma, matrix), (chroma, chroma)) for i, matrix in enumerate(matrices)],
                        calibration, luma)
    assert sum(1 for _ in watch) == 40
    parts = [detections(calibration, 40, 0, matrix).iloc[[i]] for i, matrix in enumerate(matrices)]
    corrected = watch.correct(pd.concat(parts, ignore_index=True).assign(t_s=np.arange(40) / 60))
    left = np.hypot(corrected["x_mm"] - 1500, corrected["y_mm"] - 700)
    assert len(corrected) == 40
    assert left.max() < 1.0


def test_a_still_camera_is_looked_at_but_three_times_a_second(still, monkeypatch):
    """A look takes as long as a frame's share of all else; noise and a light that flickers don't make it look."""
    calibration, luma = still
    looks = []
    follow = Steadiness.shift
    monkeypatch.setattr(Steadiness, "shift", lambda self, cut: looks.append(cut) or follow(self, cut))
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    seen = [cv2.convertScaleAbs(moved(luma, STILL, seed), alpha=1 - 0.02 * (seed % 10)) for seed in range(40)]
    watch = CameraWatch([Frame(i, i / 30, picture, (chroma, chroma)) for i, picture in enumerate(seen)],
                        calibration, luma)
    assert sum(1 for _ in watch) == 40
    assert len(looks) == 6
    assert _said(watch) == ()


def test_windows_of_balls_are_where_the_camera_would_have_shown_them_before_it_was_knocked(still):
    calibration, luma = still
    watch = CameraWatch(frames(luma, 40, 17, SHIFT), calibration, luma)
    assert sum(1 for _ in watch) == 40
    found = detections(calibration, 40, 17, SHIFT)
    px = found[["x_px", "y_px"]].to_numpy()
    corner = np.round(px) - 16
    windows = found.drop(columns="frame").assign(left_px=corner[:, 0], top_px=corner[:, 1])
    corrected = watch.correct_windows(windows)
    z = calibration.table.ball.radius_mm
    middle = corrected[["left_px", "top_px"]].to_numpy() + px - corner
    assert np.abs(middle - calibration.pose.to_image([[1500.0, 700.0, z]])[0]).max() < 0.4
    assert np.hypot(corrected["x_mm"] - 1500, corrected["y_mm"] - 700).max() < 1.5


def test_a_steady_clip_is_left_alone(still):
    calibration, luma = still
    watch = CameraWatch(frames(luma, 20, 99, SHIFT), calibration, luma)
    assert sum(1 for _ in watch) == 20
    found = detections(calibration, 20, 99, SHIFT)
    assert _said(watch) == ()
    assert watch.moves(AS_STAMPED) == UNMOVED
    pd.testing.assert_frame_equal(watch.correct(found), found)


def test_nothing_is_measured_after_the_camera_is_lost(still):
    calibration, luma = still
    watch = CameraWatch(frames(luma, 40, 17, FAR), calibration, luma)
    assert sum(1 for _ in watch) == 40
    assert watch.correct(detections(calibration, 40, 17, FAR))["frame"].max() == 16
    assert len(watch.recognised(pd.DataFrame({"t_s": np.arange(40) / 30}))) == 17
    (remark,) = watch.remarks()
    assert "nothing after that is measured" in remark.words
    assert not remark.left_out  # less than a shot takes: someone reached for the camera to stop it
    assert remark.from_s == pytest.approx(16 / 30)


def test_the_rest_of_a_clip_without_its_camera_may_have_held_shots(still):
    calibration, luma = still
    watch = CameraWatch(frames(luma, 85, 17, FAR), calibration, luma)
    assert sum(1 for _ in watch) == 85
    (remark,) = watch.remarks()
    assert remark.left_out


def test_nothing_is_measured_while_the_camera_is_turned_away(still):
    calibration, luma = still
    here, away = moved(luma, STILL), moved(luma, FAR)
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    watch = CameraWatch([Frame(i, i / 30, away if 12 <= i < 25 else here, (chroma, chroma)) for i in range(40)],
                        calibration, luma)
    assert sum(1 for _ in watch) == 40
    found = detections(calibration, 40, 99, STILL)
    kept = [*range(12), *range(25, 40)]
    pd.testing.assert_frame_equal(watch.correct(found), found.iloc[kept])
    assert len(watch.recognised(pd.DataFrame({"t_s": np.arange(40) / 30}))) == len(kept)
    (words,) = _said(watch)
    assert "between 0.40 and 0.83 s the rails were not where they were" in words


def test_who_covers_the_rails_for_a_moment_does_not_cost_what_is_seen_meanwhile(still, monkeypatch):
    calibration, luma = still
    look = Steadiness.shift

    def unsure(self, cut):  # with some marks found at look-alikes' places
        movement = look(self, cut)
        return replace(movement, largest_px=np.nan, pose=None) if len(cut.far) > MIN_MARKS else movement

    monkeypatch.setattr(Steadiness, "shift", unsure)
    here = moved(luma, STILL)
    covered = here.copy()
    covered[: 2 * len(here) // 3] = 60
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    watch = CameraWatch([Frame(i, i / 30, covered if 12 <= i < 25 else here, (chroma, chroma)) for i in range(40)],
                        calibration, luma)
    assert sum(1 for _ in watch) == 40
    found = detections(calibration, 40, 99, STILL)
    pd.testing.assert_frame_equal(watch.correct(found), found)
    (words,) = _said(watch)
    assert "between 0.40 and 0.83 s most of the rails was covered" in words


def test_a_camera_that_sways_is_not_said_to_stand_still_where_it_is_not_recognised(still, monkeypatch):
    calibration, luma = still
    look = Steadiness.shift

    def unsure(self, cut):  # while much is covered
        movement = look(self, cut)
        plain = sum(window.std() < 3 for window in cut.near)
        return replace(movement, largest_px=np.nan, pose=None) if plain > MIN_MARKS else movement

    monkeypatch.setattr(Steadiness, "shift", unsure)
    looks = [moved(luma, np.array([[1, 0, 12 * np.sin(i)], [0, 1, 0]])) for i in range(40)]
    for i in range(12, 25):
        looks[i] = moved(luma, STILL)
        looks[i][: 2 * len(luma) // 3] = 60
    chroma = np.zeros((luma.shape[0] // 2, luma.shape[1] // 2), np.uint8)
    watch = CameraWatch([Frame(i, i / 30, look, (chroma, chroma)) for i, look in enumerate(looks)], calibration, luma)
    assert sum(1 for _ in watch) == 40
    said = "; ".join(_said(watch))
    assert "fix it firmly" in said
    assert "nothing is measured there" in said
    assert "stood still" not in said


def test_a_clip_in_which_no_mark_can_be_followed_says_so(still):
    """Bare rails, or out of focus: the camera may have moved, but the clip is measured."""
    calibration, luma = still
    plain = np.full_like(luma, 90)
    assert Steadiness(calibration, plain).marks == 0
    chroma = np.full((luma.shape[0] // 2, luma.shape[1] // 2), 128, np.uint8)
    watch = CameraWatch([Frame(i, i / 30, plain, (chroma, chroma)) for i in range(20)], calibration, plain)
    assert sum(1 for _ in watch) == 20
    found = detections(calibration, 20, 99, SHIFT)
    assert "could not be checked" in _said(watch)[0]
    pd.testing.assert_frame_equal(watch.correct(found), found)
