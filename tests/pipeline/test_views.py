"""What editors put before the table: a title, another camera. The table is found where it is shown."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibrating import find
from pipeline.clip_job import ClipTask, measure_clip
from pipeline.frames import open_clip
from pipeline.sessions import find_sessions
from pipeline.stills import later_views, well_lit
from pipeline.work import Work
from shared.settings import SessionSettings
from tests.pipeline.altered import RATE, SIZE, assert_alike, measured, unaltered, write


@pytest.fixture
def plain():
    return unaltered()[1]


def title(planes):
    """White words on dark blue."""
    out = planes.copy()
    out[: SIZE[1]] = 30
    out[150:200, 150:500:2] = 220
    out[SIZE[1] : SIZE[1] * 5 // 4], out[SIZE[1] * 5 // 4 :] = 160, 110
    return out


def other_camera(planes):
    """Something of another shape, as bright on the whole."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    out = planes.copy()
    out[: SIZE[1]] = 40 + 170 * ((x // 90 + y // 70) % 2)
    out[SIZE[1] :] = 128
    return out


def after(first, seconds):
    """The clip after ``seconds`` of something else."""
    def alter(t_s, planes):
        return [first(planes)] * round(seconds * RATE) + [planes] if t_s == 0 else [planes]

    return alter


@pytest.mark.parametrize(("first", "seconds"), [(title, 1.0), (title, 2.5), (other_camera, 1.6)])
def test_what_is_shown_before_the_table_is_left_out_and_said(first, seconds, plain, tmp_path):
    path = write(tmp_path / "x.mp4", after(first, seconds))
    record, shot = measured(path, tmp_path / "work")
    assert any("another picture: it is left out" in line for line in record.warnings)
    assert seconds <= record.info["first_s"] < seconds + 0.2
    assert_alike(plain, shot)
    assert abs(shot["rail_s"] - seconds - plain["rail_s"]) < 0.01
    found = find(path, SessionSettings())
    assert found.picture.shape == (SIZE[1], SIZE[0], 3)
    assert found.calibration.rms_px < 1.0


@pytest.mark.parametrize(("since_s", "until_s"), [(0.3, 1.0), (2.6, 3.2)])  # the strike is at 1.3 s
@pytest.mark.parametrize("other", [title, other_camera])
def test_another_picture_in_between_costs_no_more_than_it_hides(other, since_s, until_s, plain, tmp_path):
    path = write(tmp_path / "x.mp4", lambda t, p: [other(p) if since_s < t < until_s else p])
    _, shot = measured(path, tmp_path / "work")
    assert_alike(plain, shot)
    assert (shot["frames_seen"] < plain["frames_seen"] - 0.05) == (since_s > 1.3)
    rows = Work(tmp_path / "work").entry(path).table("detections")
    assert not rows["t_s"].between(since_s + 0.02, until_s - 0.02).any()
    assert rows["t_s"].between(until_s + 0.02, until_s + 0.1).any()


def test_of_one_view_there_is_no_other(tmp_path):
    clip = open_clip(write(tmp_path / "x.mp4", lambda _, planes: [planes]))
    assert list(later_views(clip)) == []
    assert well_lit(clip)[1] == 0


def test_where_no_view_shows_a_table_the_first_one_counts(tmp_path):
    path = write(tmp_path / "x.mp4", lambda t, planes: [title(planes) if t < 1.5 else other_camera(planes)])
    record = measure_clip(ClipTask(clip=path, entry=Work(tmp_path / "work").entry(path),
                                   settings=find_sessions([path])[0].settings))
    assert record.failure.startswith("x.mp4: no table")
    assert len(list(later_views(open_clip(path)))) == 1
