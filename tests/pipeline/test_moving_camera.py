"""A camera that is moved in mid-clip, from pixels to the clip's record and the shot's numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.frames import open_clip
from pipeline.stills import well_lit
from tests.pipeline.altered import assert_alike, measured, shifted, unaltered, write

FAR_PX = 45.0  # further than the rails are looked for


def test_a_shot_from_before_the_camera_was_turned_away_is_measured(tmp_path):
    _, still = unaltered()
    away = write(tmp_path / "away.mp4", lambda t_s, planes: [shifted(planes, FAR_PX) if t_s > 2.9 else planes])
    record, before = measured(away, tmp_path / "work")
    assert any("nothing after that is measured" in line for line in record.warnings)
    assert_alike(still, before)


@pytest.mark.parametrize("px", [0.8, 1.5])
def test_a_camera_that_shakes_all_the_time_is_followed_frame_by_frame(px, tmp_path):
    """At 9 Hz in a picture of 640 px, as from a fan or from steps: more than half of it between looks 1/35 s apart."""
    _, still = unaltered()
    shaking = write(tmp_path / "shaking.mp4", lambda t_s, planes: [
        shifted(planes, px * math.sin(2 * math.pi * 7 * t_s), px * math.sin(2 * math.pi * 9 * t_s))])
    record, followed = measured(shaking, tmp_path / "work")
    assert_alike(still, followed)
    said = "; ".join(record.warnings)
    assert "the camera shook by up to" in said
    assert "fix it firmly" in said or px < 1.5
    assert "stood still" not in said
    assert "missing" not in said  # its swings are no jumps of the clock


def test_the_still_of_a_camera_that_shakes_is_not_smeared(tmp_path):
    """The median of frames from everywhere shows each mark several times, or not at all."""
    still = write(tmp_path / "still.mp4", lambda _, planes: [planes])
    shaking = write(tmp_path / "shaking.mp4", lambda t_s, planes: [
        shifted(planes, round(4 * math.sin(14 * t_s)), round(4 * math.sin(19 * t_s)))])
    steady, shaken = (well_lit(open_clip(path))[0].luma.astype(float) for path in (still, shaking))
    assert np.abs(np.diff(shaken)).mean() > 0.95 * np.abs(np.diff(steady)).mean()
    stands = [np.abs(np.roll(steady, (dy, dx), (0, 1)) - shaken)[20:-20, 20:-20].mean()
              for dx in range(-4, 5) for dy in range(-4, 5)]
    assert min(stands) < 1.0 < sorted(stands)[-1]


def test_a_knock_there_and_back_around_the_hit_spoils_nothing(tmp_path):
    _, still = unaltered()
    hit_s = 1.3 + 0.2  # the strike, and a little more
    knocked = write(tmp_path / "knocked.mp4", lambda t_s, planes: [
        shifted(planes, 2.5, 2.0) if abs(t_s - hit_s) < 0.06 else planes])
    record, followed = measured(knocked, tmp_path / "work")
    assert_alike(still, followed)
    assert any("the camera moved by up to" in line for line in record.warnings)
