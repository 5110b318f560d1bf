"""A lens measured from drawn views of a chessboard through a known camera."""

from __future__ import annotations

import json
from dataclasses import replace

import av
import cv2
import numpy as np
import pytest

from calibration.lens import MIN_PICTURES, Lens, calibrate_lens, lens_prior, read_lens, write_lens
from pipeline.calibrating import find_lens
from shared.errors import CalibrationError, SettingsError
from tests.shell.clips import write_clip

SIZE = (960, 540)
K = np.array([[820.0, 0, 471.0], [0, 820.0, 274.0], [0, 0, 1]])
DISTORTION = np.array([-0.12, 0.03, 0.0, 0.0, 0.0])
SQUARE = 40


def board() -> np.ndarray:
    """A 10 x 7 chessboard (9 x 6 inner corners) with a white edge."""
    squares = np.indices((7, 10)).sum(axis=0) % 2
    black = np.kron(squares, np.ones((SQUARE, SQUARE))) * 225 + 15
    return np.pad(black, SQUARE, constant_values=240).astype(np.uint8)


def charuco() -> np.ndarray:
    """A 8 x 6 squares ChArUco board, its markers 0.7 of a square, with a white edge."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    drawn = cv2.aruco.CharucoBoard((8, 6), 1.0, 0.7, dictionary).generateImage((8 * 50, 6 * 50))
    return np.pad(drawn, SQUARE, constant_values=240)


def view(tilt_deg, turn_deg, place, distance, picture=None) -> np.ndarray:
    """The board at a distance (in its own px) through the camera, distortion included."""
    picture = board() if picture is None else picture
    rotation, _ = cv2.Rodrigues(np.radians([tilt_deg, turn_deg, 10.0]))
    middle = np.array([picture.shape[1] / 2, picture.shape[0] / 2, 0.0])
    shift = np.array([*place, distance]) - rotation @ middle
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    pixels = np.stack([x, y], axis=-1).reshape(-1, 1, 2).astype(float)
    rays = cv2.undistortPoints(pixels, K, DISTORTION).reshape(-1, 2)
    to_board = np.linalg.inv(np.column_stack([rotation[:, 0], rotation[:, 1], shift]))
    on_board = np.column_stack([rays, np.ones(len(rays))]) @ to_board.T
    maps = (on_board[:, :2] / on_board[:, 2:]).reshape(SIZE[1], SIZE[0], 2).astype(np.float32)
    seen = cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=120)
    return cv2.cvtColor(cv2.GaussianBlur(seen, (0, 0), 0.7), cv2.COLOR_GRAY2BGR)


def views(picture=None) -> list[np.ndarray]:
    places = [(-160, -60), (150, 50), (0, 0), (-120, 70), (140, -70), (30, 40), (-40, -30), (90, 0)]
    tilts = [(-20, 25), (22, -18), (5, 30), (28, 5), (-25, -22), (12, -30), (-30, 8), (20, 20)]
    poses = zip(tilts, places, range(900, 660, -30), strict=True)
    return [view(*tilt, place, distance, picture) for tilt, place, distance in poses]


@pytest.fixture(scope="module")
def measured() -> Lens:
    return calibrate_lens(views())


def test_lens_comes_back_within_its_uncertainty(measured):
    for name, truth in (("f", 820.0), ("cx", 471.0), ("cy", 274.0), ("k1", -0.12), ("k2", 0.03)):
        assert abs(getattr(measured, name) - truth) < 4 * getattr(measured, f"{name}_u") + 1e-9, name
    assert measured.f == pytest.approx(820.0, rel=5e-3)
    assert measured.pictures == 8
    assert measured.rms_px < 0.2


def test_lens_from_a_board_with_markers():
    lens = calibrate_lens(views(charuco()))
    assert lens.f == pytest.approx(820.0, rel=8e-3)
    assert lens.k1 == pytest.approx(-0.12, abs=4 * lens.k1_u + 5e-3)


def test_too_few_views_are_refused():
    with pytest.raises(CalibrationError, match=f"1 different views in 3 pictures; {MIN_PICTURES} are needed"):
        calibrate_lens([view(20, 10, (0, 0), 900)] * 3)


def test_pictures_of_two_sizes_are_refused():
    one = view(20, 10, (0, 0), 900)
    with pytest.raises(CalibrationError, match="differ in size"):
        calibrate_lens([one, one[:-2]])


def test_lens_file_comes_back_as_written(measured, tmp_path):
    write_lens(tmp_path / "lens.json", measured)
    assert read_lens(tmp_path / "lens.json") == measured


def test_a_lens_file_may_lie_in_a_new_folder(measured, tmp_path):
    write_lens(tmp_path / "new" / "lens.json", measured)
    assert read_lens(tmp_path / "new" / "lens.json") == measured
    with pytest.raises(SettingsError, match="cannot be written"):
        write_lens(tmp_path / "new" / "lens.json" / "lens.json", measured)


def test_until_a_board_is_seen_only_some_pictures_are_looked_at():
    plain = [np.full((540, 960, 3), 120, np.uint8)]
    with pytest.raises(CalibrationError, match="0 different views in 3 pictures"):
        calibrate_lens(plain * 9, every_until_seen=3)
    with pytest.raises(CalibrationError, match="4 different views in 6 pictures"):
        calibrate_lens(plain * 6 + views()[:4], every_until_seen=3)


class Told:
    """What a run says, in place of a terminal."""

    def __init__(self):
        self.lines, self.reached = [], []

    def say(self, line):
        self.lines.append(line)

    def start(self, words, weight):
        self.reached.append(weight)

    def reach(self, words, weight):
        self.reached.append(weight)


def test_a_clip_without_a_board_is_soon_done_with_and_told_of(tmp_path):
    clip, told = write_clip(tmp_path / "plain.mp4", frames=150), Told()
    with pytest.raises(CalibrationError, match="0 different views in 17 pictures"):
        find_lens(clip, told)
    assert told.lines == ["plain.mp4: a chessboard is looked for in 50 pictures."]
    assert told.reached == [50, *range(50)]


def test_a_lens_from_a_clip_of_a_board(tmp_path):
    path = tmp_path / "board.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"crf": "8"})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for picture in views():
            for _ in range(9):  # 0.3 s
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        container.mux(stream.encode())
    lens = find_lens(path)
    assert lens.f == pytest.approx(820.0, rel=8e-3)
    assert lens.pictures == 8


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"f": 800}', "not json"])
def test_a_file_that_is_no_lens_is_refused(tmp_path, content):
    path = tmp_path / "lens.json"
    path.write_text(content)
    with pytest.raises(SettingsError, match=r"lens\.json.*no lens file"):
        read_lens(path)


def test_a_lens_with_impossible_numbers_is_refused(measured, tmp_path):
    path = tmp_path / "lens.json"
    path.write_text(json.dumps({**measured.__dict__, "f": -3.0}))
    with pytest.raises(SettingsError, match="above 0"):
        read_lens(path)


def test_lens_scales_with_the_picture_and_only_with_one_of_its_shape(measured):
    twice = lens_prior(measured, (1920, 1080))
    assert np.exp(twice.middle[0]) == pytest.approx(2 * measured.f)
    assert twice.middle[1] == pytest.approx(2 * measured.cx + 0.5)  # the picture's edge is half a pixel before pixel 0
    upright = lens_prior(measured, (540, 960))
    assert upright.middle[1] == pytest.approx(269.5)
    back = lens_prior(replace(measured, width_px=540, height_px=960, cx=274.0, cy=471.0), SIZE)
    assert np.exp(back.middle[0]) == pytest.approx(measured.f)
    assert back.middle[1:3] == pytest.approx([479.5, 269.5])
    with pytest.raises(CalibrationError, match="another shape"):
        lens_prior(measured, (640, 480))
