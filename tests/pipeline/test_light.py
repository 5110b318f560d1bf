"""Exposures follow the light and who leans in; editors let clips fade in: the balls are followed all the same."""

from __future__ import annotations

import math

import pytest

from pipeline.frames import open_clip
from pipeline.stills import well_lit
from tests.pipeline.altered import assert_alike, lit, measured, unaltered, write


@pytest.fixture
def plain():
    record, shot = unaltered()
    assert not record.warnings
    return shot


def ramp(since_s: float, until_s: float, t_s: float) -> float:
    return min(max((t_s - since_s) / (until_s - since_s), 0.0), 1.0)


CHANGES = {
    "darker": lambda t, planes: [lit(planes, 1 - 0.3 * ramp(1.2, 1.9, t))],
    "brighter": lambda t, planes: [lit(planes, 0.7 + 0.4 * ramp(1.4, 2.2, t))],
    "at once": lambda t, planes: [lit(planes, 0.75 if t > 1.45 else 1.0)],
    "another white": lambda t, planes: [lit(planes, 1.0, -12 * ramp(1.0, 1.8, t))],
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_of_exposure_or_white_balance_costs_nothing(change, plain, tmp_path):
    _, shot = measured(write(tmp_path / "x.mp4", CHANGES[change]), tmp_path / "work")
    assert_alike(plain, shot)


def test_what_is_dark_before_a_clip_fades_in_is_left_out_and_said(plain, tmp_path):
    path = write(tmp_path / "x.mp4", lambda t, planes: [lit(planes, ramp(0.2, 0.8, t))])
    still, lead_in = well_lit(open_clip(path))
    assert 0.5 < lead_in / 60 < 0.9
    assert still.luma.mean() > 0.8 * well_lit(open_clip(write(tmp_path / "y.mp4", lambda _, p: [p])))[0].luma.mean()
    record, shot = measured(path, tmp_path / "work")
    assert any("is lit otherwise" in line for line in record.warnings)
    assert_alike(plain, shot)


def test_someone_in_white_who_leaves_the_picture_is_no_fade(tmp_path):
    def shirt(t, planes):
        out = planes.copy()
        if t < 0.35:
            out[:160, :200] = 235
        return [out]

    assert well_lit(open_clip(write(tmp_path / "x.mp4", shirt)))[1] == 0


@pytest.mark.parametrize("frames", [9, 27])
def test_flickering_lamps_leave_a_clip_whole(tmp_path, frames):
    flicker = iter(range(10_000))
    path = write(tmp_path / "x.mp4", lambda _, p: [lit(p, 0.7 if (next(flicker) + 12) // frames % 2 else 1.0)])
    assert well_lit(open_clip(path))[1] <= frames


@pytest.mark.parametrize("swing", [0.08, 0.18])
def test_lamps_that_flicker_in_every_frame_hide_no_ball(plain, tmp_path, swing):
    path = write(tmp_path / "x.mp4", lambda t, p: [lit(p, 0.85 * (1 + swing * math.sin(2 * math.pi * 20.3 * t)))])
    _, shot = measured(path, tmp_path / "work")
    assert shot["frames_seen"] > 0.97
    assert_alike(plain, shot)
