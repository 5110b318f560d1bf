"""A lens file that is not this camera's: named, not blamed on the table, never used against what is seen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.find import find_table
from calibration.lens import Lens, read_lens, write_lens
from pipeline.stills import still_picture
from shared.equipment import standard_table
from shared.errors import CalibrationError, SettingsError
from shared.settings import CameraSettings

CLIP = Path(__file__).parents[2] / "fixtures/evenings/eveningA/eveningA_01.mp4"
TABLE = standard_table()


@pytest.fixture(scope="module")
def found():
    """The clip's picture, its calibration without a lens file, and the lens that it was taken with, as found."""
    picture = still_picture(CLIP)
    calibration = find_table(picture, table=TABLE)
    pose = calibration.pose
    lens = Lens(float(pose.K[0, 0]), float(pose.K[0, 2]), float(pose.K[1, 2]), float(pose.distortion[0]),
                float(pose.distortion[1]), 2.0, 1.0, 1.0, 0.002, 0.002, pose.width_px, pose.height_px, 0.2, 20)
    return picture, calibration, lens


OTHERS = [lambda lens: replace(lens, k1=lens.k1 + 0.05), lambda lens: replace(lens, k1=lens.k1 + 0.2),
          lambda lens: replace(lens, f=1.3 * lens.f)]


@pytest.mark.parametrize("other", OTHERS, ids=["bent otherwise", "bent far otherwise", "another zoom"])
@pytest.mark.parametrize("by_hand", [False, True], ids=["table looked for", "corners given"])
def test_a_lens_file_of_another_camera_is_named_and_not_used(found, tmp_path, other, by_hand):
    picture, calibration, lens = found
    write_lens(tmp_path / "lens.json", other(lens))
    corners = tuple((float(x), float(y)) for x, y in calibration.corners_px) if by_hand else None
    with pytest.raises(CalibrationError, match=r"the lens file .*lens\.json does not fit what is seen of the table"):
        find_table(picture, table=TABLE, camera=CameraSettings(lens=tmp_path / "lens.json", corners_px=corners))


@pytest.mark.parametrize("by_hand", [False, True], ids=["table looked for", "corners given"])
def test_the_right_lens_file_is_used(found, tmp_path, by_hand):
    picture, calibration, lens = found
    write_lens(tmp_path / "lens.json", lens)
    corners = tuple((float(x), float(y)) for x, y in calibration.corners_px) if by_hand else None
    with_it = find_table(picture, table=TABLE, camera=CameraSettings(lens=tmp_path / "lens.json", corners_px=corners))
    px = np.array([[300.0, 200], [640, 150], [640, 360], [900, 500]])
    apart = with_it.pose.to_table(px, 28.6) - calibration.pose.to_table(px, 28.6)
    assert np.hypot(*apart.T).max() < 1.0
    assert not [line for line in with_it.warnings if "lens" in line]


def test_a_lens_somewhat_off_is_warned_of_by_its_name(found, tmp_path):
    picture, _, lens = found
    write_lens(tmp_path / "lens.json", replace(lens, f=1.1 * lens.f))
    (line,) = find_table(picture, table=TABLE, camera=CameraSettings(lens=tmp_path / "lens.json")).warnings
    assert "hardly agrees with the lens file" in line


@pytest.mark.parametrize("value", ["1100", True, None, [1]])
def test_a_lens_file_holds_numbers(found, tmp_path, value):
    path = tmp_path / "lens.json"
    write_lens(path, found[2])
    path.write_text(json.dumps(json.loads(path.read_text()) | {"f": value}))
    with pytest.raises(SettingsError, match="is no lens file"):
        read_lens(path)
