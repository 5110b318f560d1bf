"""What a run says at its end: failures before warnings, in the clips' order, once where several clips share it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from pipeline import clip_job
from pipeline.said import Said
from shared.errors import CalibrationError
from tests.shell.clips import FakeStages, write_clip
from tests.shell.test_run import Lines, run

CLIPS = [f"c{n}.mp4" for n in range(1, 7)]
MOVED = "the camera moved by up to 3 px from 1.9 s on; it was followed"
UNEVEN = "the frames do not lie at even times"


def test_failures_come_first_and_all_in_the_clips_order_whatever_ended_first():
    said = Said()
    said.warning("a frame is missing", "c1.mp4")
    said.problem("monday: a row of no use.")
    said.problem("c3.mp4: no table was found.", "c3.mp4")
    said.warning(MOVED, "c2.mp4")
    said.problem("c2-01: nothing could be measured of this shot: overlooked.", "c2.mp4", shot="c2-01")
    told = ["c2-01: nothing could be measured of this shot: overlooked.", "c3.mp4: no table was found.",
            "monday: a row of no use."]
    assert said.lines(CLIPS) == [*told, "c1.mp4: a frame is missing", f"c2.mp4: {MOVED}"]
    assert said.problems(CLIPS) == tuple(told)


def test_what_several_clips_share_is_one_line_with_their_names():
    said = Said()
    for clip in ("c3.mp4", "c1.mp4", "c3.mp4"):
        said.warning(MOVED, clip)
    for clip in reversed(CLIPS):
        said.problem(f"{clip}: no table was found.", clip)
    assert said.lines(CLIPS) == ["no table was found. (6 clips: c1.mp4, c2.mp4, c3.mp4, ...)",
                                 f"{MOVED} (2 clips: c1.mp4, c3.mp4)"]
    assert said.problems(CLIPS) == tuple(f"{clip}: no table was found." for clip in CLIPS)  # each counts


def test_shots_and_clips_are_not_counted_together():
    said = Said()
    said.problem("c1-01: x", "c1.mp4", shot="c1-01")
    said.problem("c1-02: x", "c1.mp4", shot="c1-02")
    said.problem("c2.mp4: x", "c2.mp4")
    assert said.lines(CLIPS) == ["x (2 shots: c1-01, c1-02)", "c2.mp4: x"]


def test_a_warning_that_names_its_clip_elsewhere_stays_as_it_is():
    said = Said()
    said.warning("corners of c1.mp4 were corrected", "c1.mp4")
    assert said.lines(CLIPS) == ["corners of c1.mp4 were corrected"]


def test_a_warning_that_a_problem_of_its_clip_repeats_is_left_out():
    said = Said()
    for clip in ("c1.mp4", "c2.mp4"):
        said.warning(UNEVEN, clip)
    said.problem(f"c1.mp4: no shot was found; {UNEVEN}.", "c1.mp4")
    assert said.lines(CLIPS) == [f"c1.mp4: no shot was found; {UNEVEN}.", f"c2.mp4: {UNEVEN}"]


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "monday"
    place.mkdir()
    for n in (1, 2, 3, 10):
        write_clip(place / f"c{n}.mp4", seed=n)
    return place


def test_a_run_says_at_its_end_what_its_clips_share(folder, monkeypatch):
    """Two of them with shots that are lost by what a warning says with its remedy; the log keeps a line a clip."""
    stages = FakeStages(monkeypatch)
    stages.fault["c10.mp4"] = stages.fault["c2.mp4"] = CalibrationError("no table was found.")
    stages.lost["c1.mp4"] = UNEVEN
    look = clip_job.measure_clip

    def warned(task):
        record = look(task)
        more = (f"{UNEVEN}; export it anew", MOVED) if task.clip.name in ("c1.mp4", "c3.mp4") else ()
        return replace(record, warnings=(*record.warnings, *more))

    monkeypatch.setattr("pipeline.run.measure_clip", warned)
    lines = Lines()
    result = run(folder, lines)
    lost = f"c1-01: nothing could be measured of this shot: {UNEVEN}; export it anew."
    assert lines.lines == [lost, "no table was found. (2 clips: c2.mp4, c10.mp4)",
                           f"{MOVED} (2 clips: c1.mp4, c3.mp4)", f"c3.mp4: {UNEVEN}; export it anew"]
    assert result.problems == (lost, "c2.mp4: no table was found.", "c10.mp4: no table was found.")
    log = {one["clip"]: one for one in map(json.loads, (folder / "measured/log.jsonl").read_text().splitlines())}
    assert MOVED in log["c1.mp4"]["warnings"]
    assert MOVED in log["c3.mp4"]["warnings"]
    assert [log[clip]["problem"] for clip in ("c2.mp4", "c10.mp4")] == list(result.problems[1:])
