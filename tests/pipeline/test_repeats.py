"""Clips whose frames are shown twice, as after a change of frame rate: the second showing is left out, and said so."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import overhead_camera
from pipeline.frames import open_clip
from pipeline.rehearsal import bank, detections
from pipeline.repeats import Repeats, find_repeats
from pipeline.work import Work
from shared.equipment import standard_table
from tests.pipeline.altered import RATE, assert_alike, measured, unaltered, write


def seen() -> pd.DataFrame:
    """A bank; balls at rest keep their fit, as they do where the picture doesn't change."""
    table = standard_table()
    calibration = Calibration("x", overhead_camera(table), table, 0.0, "exact")
    rows = detections(bank(table, 1.5), calibration, noise_px=0.1, frame_rate=30.0, shutter_s=0.004)
    for white in (True, False):
        of = (rows["white_share"] > 0.5) == white
        lies = of & (rows["t_s"] < 0.5)
        rows.loc[lies, ["x_px", "y_px"]] = rows.loc[lies, ["x_px", "y_px"]].iloc[0].to_numpy()
    return rows


def shown(rows: pd.DataFrame, times: dict[int, int]) -> tuple[pd.DataFrame, set[int]]:
    """Each frame shown so many times (once if not given); the frames that repeat another amid motion."""
    parts, again, frame = [], set(), 0
    for number, here in rows.groupby("frame"):
        for k in range(times.get(int(number), 1)):
            parts.append(here.assign(frame=frame))
            if k and here["t_s"].iloc[0] > 0.5:
                again.add(frame)
            frame += 1
    return pd.concat(parts, ignore_index=True), again


@pytest.mark.parametrize("every", [1, 2, 4])
def test_frames_shown_twice_are_found_and_no_others(every):
    rows = seen()
    doubled, again = shown(rows, {n: 2 for n in rows["frame"].unique() if n % every == 0})
    found = find_repeats(doubled)
    moving = {n for n in again if doubled.loc[doubled["frame"] == n, "t_s"].iloc[0] < 1.2}
    assert moving <= set(found.frames.tolist())
    left = doubled[~doubled["frame"].isin(found.frames)]
    late = left[left["t_s"] > 0.5]
    assert late["t_s"].nunique() == rows.loc[rows["t_s"] > 0.5, "t_s"].nunique()  # none is lost altogether
    assert found.share == pytest.approx(1 / (1 + every), abs=0.12)
    assert "frame rate" in found.warning()


def test_single_ones_left_among_the_frames_are_found_once_a_clip_is_known_to_hold_some():
    rows = seen()
    amid = sorted(rows.loc[rows["t_s"].between(0.6, 1.1), "frame"].unique())
    few, again = shown(rows, {amid[3]: 2, amid[9]: 2})
    assert not len(find_repeats(few).frames)
    known = Repeats(few["frame"].to_numpy()[:1], 0.5)
    assert set(few.loc[known.left_over(few), "frame"]) == again
    assert not known.left_over(rows).any()
    assert not find_repeats(few).left_over(few).any()


def test_a_clip_as_the_camera_took_it_has_none():
    found = find_repeats(seen())
    assert not len(found.frames)
    assert not found.warning()
    assert not len(find_repeats(seen().iloc[:0]).frames)


def test_a_pause_between_two_shots_is_none():
    rows = seen()
    twice = pd.concat([rows, rows.assign(frame=rows["frame"] + rows["frame"].max() + 1, t_s=rows["t_s"] + 10)])
    assert not len(find_repeats(twice).frames)


def test_a_clip_with_every_frame_twice_is_measured_as_the_clip_itself(tmp_path):
    _, once = unaltered()
    path = write(tmp_path / "twice.mp4", lambda _, planes: [planes] * 2, 2 * RATE)
    record, twice = measured(path, tmp_path / "work")
    assert any("show the frame before them again" in line for line in record.warnings)
    assert "at the camera's own rate" in twice["notes"]
    assert_alike(once, twice)
    entry = Work(tmp_path / "work").entry(path)
    clock, looked_at = entry.calibration().clock, entry.table("frames")["t_s"].to_numpy()
    stamps = np.array([frame.t_s for frame in open_clip(path).decode()])
    left_out = [np.abs(looked_at - stamp_s).min() > 1e-6 for stamp_s in stamps]
    assert sum(left_out) > 0.1 * len(stamps)
    assert clock.shows_again(stamps).tolist() == left_out  # render and the page leave them out as well
