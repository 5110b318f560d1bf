"""The shutter, told from how far balls smear."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from calibration.pose import CameraPose
from calibration.store import Calibration
from pipeline.detect_outline import BallPicture
from pipeline.detections import DetectSettings, detect_balls
from pipeline.exposures import MOST, Smears
from pipeline.frames import open_clip
from pipeline.shutter import odd_shutter
from pipeline.smears import ENOUGH, FEWEST, Shutter, Smear
from shared.equipment import standard_table
from tests.pipeline.drawn import calibration, draw

FIXTURES = Path(__file__).parents[2] / "fixtures"
IVORY, RED = (200.0, 118.0, 132.0), (70.0, 100.0, 200.0)
GIVEN = calibration()
PICTURE = BallPicture(GIVEN.pose, GIVEN.table.ball.radius_mm)
BEGINS = 3
RATE = 60.0


def path(frames: int, step_mm: float) -> np.ndarray:
    """(F, 2) mm of a ball that lies still, then rolls slantwise."""
    moved = np.maximum(np.arange(frames) - BEGINS, 0)[:, None]
    return np.array([[500.0, 300.0]]) + moved * step_mm * np.array([[0.9, 0.436]])


def filmed(share: float, *, frames: int = 26, step_mm: float = 40.0, colour=IVORY):
    """Frames in which the shutter is open for so much of the time between them."""
    for n, (x, y) in enumerate(path(frames, step_mm)):
        swept = share * step_mm * np.array([0.9, 0.436]) if n > BEGINS else np.zeros(2)
        yield draw(PICTURE, [(x, y, colour), (1900.0, 200.0, RED)], index=n, t_s=n / RATE, motion_mm=tuple(swept))


def moving(found, frames: int = 26, step_mm: float = 40.0):
    """The moving ball's rows, the places it had, and the errors' parts along and across its way, mm."""
    where = path(frames, step_mm)
    cue = found[(found.white_share > 0.5) & (found.frame > BEGINS + 1) & (found.frame < frames - 1)]
    off = cue[["x_mm", "y_mm"]].to_numpy() - where[cue.frame.to_numpy(int)]
    along = np.array([0.9, 0.436])
    return cue, off @ along, off @ np.array([-along[1], along[0]])


@pytest.mark.parametrize("share", [0.15, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("colour", [IVORY, RED])
def test_the_shutter_is_told_from_smears(share, colour):
    smears = Smears()
    detect_balls(filmed(share, colour=colour), GIVEN, smears=smears)
    assert smears.told is not None
    assert smears.told.seconds == pytest.approx(share / RATE, rel=0.3)
    assert abs(smears.told.seconds - share / RATE) < 2 * smears.told.u


@pytest.mark.parametrize("share", [0.15, 0.9])
def test_without_a_shutter_time_balls_are_measured_as_with_it(share):
    known = detect_balls(filmed(share), GIVEN, settings=DetectSettings(shutter_s=share / RATE))
    told = detect_balls(filmed(share), GIVEN)
    assert told["frame"].is_monotonic_increasing
    (rows, along, across), (rows_known, along_known, _) = moving(told), moving(known)
    assert rows["frame"].tolist() == rows_known["frame"].tolist()
    u = np.hypot(rows["x_u_mm"], rows["y_u_mm"]).to_numpy()
    assert u == pytest.approx(np.hypot(rows_known["x_u_mm"], rows_known["y_u_mm"]).to_numpy(), rel=0.3)
    assert np.abs(along - along_known).max() < 0.3 * u.max()
    assert (np.abs(across) < 3 * u).all()
    smear = np.hypot(rows["blur_x_px"], rows["blur_y_px"]).median()
    assert smear == pytest.approx(np.hypot(rows_known["blur_x_px"], rows_known["blur_y_px"]).median(), rel=0.3)


def test_what_is_fitted_once_the_shutter_is_told_uses_it_at_once():
    """Enough balls have smeared halfway: the rest need not be fitted twice, and smear alike."""
    smears = Smears()
    frames = ENOUGH + 30
    found = detect_balls(filmed(0.2, frames=frames, step_mm=15.0), GIVEN, smears=smears)
    assert smears.exposures[0].until_s == pytest.approx((BEGINS + ENOUGH) / RATE, abs=4 / RATE)
    rows, _, _ = moving(found, frames, 15.0)
    smear = np.hypot(rows["blur_x_px"], rows["blur_y_px"]).to_numpy()
    assert smears.told is not None
    assert smear == pytest.approx(smear.mean(), rel=0.1)


def test_a_ball_that_moves_in_the_last_frame_is_as_unsure_there_as_before():
    frames = 14
    found = detect_balls(filmed(0.5, frames=frames), GIVEN, settings=DetectSettings(shutter_s=0.5 / RATE))
    cue = found[found.white_share > 0.5].set_index("frame")
    smear = np.hypot(cue["blur_x_px"], cue["blur_y_px"])
    assert smear[frames - 1] == pytest.approx(smear[frames - 2], rel=0.1)
    assert cue["x_u_mm"][frames - 1] > 0.8 * cue["x_u_mm"][frames - 2]
    still = found[found.white_share <= 0.5].set_index("frame")
    assert np.hypot(still["blur_x_px"], still["blur_y_px"])[frames - 1] < 0.2


def test_few_balls_that_move_or_slow_ones_tell_nothing():
    smears = Smears()
    detect_balls(filmed(0.5, frames=BEGINS + FEWEST - 2), GIVEN, smears=smears)
    assert smears.told is None
    slow = Smears()
    detect_balls(filmed(0.5, step_mm=4.0), GIVEN, smears=slow)
    assert slow.told is None
    assert not slow.found


def test_balls_that_cannot_tell_are_asked_a_few_times_and_no_more_are_kept(monkeypatch):
    """However long the recording: pictures of all would fill the memory."""
    asked = []

    class Untold:
        def told(self):
            return None

    def curves_of(found, *_):
        asked.append(len(found))
        return Untold()

    monkeypatch.setattr("pipeline.exposures.curves_of", curves_of)
    smears = Smears()
    for _ in range(10 * MOST):
        smears.take(Smear(0.0, None, np.zeros(2), np.array([600.0, 0.0])), 1 / RATE, 12.0, 1.0, 1.0)
        if smears.full:
            smears.ask(PICTURE, 40, 1 / RATE, (0.0, 0.0))
    assert len(smears.found) == MOST
    assert asked == list(range(ENOUGH, MOST + 1, ENOUGH))


@pytest.mark.parametrize("name", ["evenings/eveningA/eveningA_02", "o01_kick_straight"])
def test_rendered_clips_tell_their_shutter(name):
    file = FIXTURES / (name if "/" in name else f"clips/{name}")
    truth = json.loads(file.with_suffix(".truth.json").read_text())
    camera, sizes = truth["camera"], truth["table"]
    pose = CameraPose(camera["K"], camera["dist"], camera["R"], camera["t"], camera["width"], camera["height"])
    keys = ("length_mm", "width_mm", "nose_height_mm", "sight_offset_mm", "ball_diameter_mm")
    given = Calibration(name, pose, standard_table(**{key: sizes[key] for key in keys}), 0.0, "truth")
    smears = Smears()
    frames = (frame for frame in open_clip(file.with_suffix(".mp4")) if frame.t_s < 3.0)
    detect_balls(frames, given, settings=DetectSettings(shutter_s=0.5 / camera["fps"]), smears=smears)
    assert smears.told is not None
    assert smears.told.seconds == pytest.approx(camera["shutter_s"], rel=0.25)
    assert not odd_shutter(camera["shutter_s"], smears.told)
    wrong = odd_shutter(1 / camera["fps"], smears.told)
    assert f"not of 1/{camera['fps']:.0f} s" in wrong
    assert "shutter_s in session.toml" in wrong


def test_a_given_shutter_is_only_doubted_where_the_smears_are_sure_and_it_matters():
    seen = Shutter(seconds=0.005, u=0.0005, motion_px_s=1000.0)
    assert odd_shutter(None, seen) == ""
    assert odd_shutter(0.02, None) == ""
    assert odd_shutter(0.0065, seen) == ""  # three standard uncertainties
    assert "1/200 s, not of 1/50 s" in odd_shutter(0.02, seen)
    assert odd_shutter(0.02, Shutter(seconds=0.005, u=0.0005, motion_px_s=100.0)) == ""  # a pixel and a half
