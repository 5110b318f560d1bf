"""A clip under a new name is the same recording: what people said of it goes with it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from calibration.store import read_calibrations
from pipeline.corrections import Correction, correction_of, keep_corrections, read_corrections
from pipeline.executor import InProcess
from pipeline.pool_reviews import reviews_not_in_shots
from pipeline.review_file import Review, append_reviews
from pipeline.run import RunOptions, Silent, measure_session
from pipeline.sessions import find_sessions
from shared.files import file_sha256
from tests.shell.clips import FakeStages, write_clip

CORNERS = ((0.0, 500.0), (900.0, 500.0), (900.0, 50.0), (0.0, 50.0))
OTHERS = ((3.0, 503.0), (903.0, 503.0), (903.0, 53.0), (3.0, 53.0))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """c1 and c2, measured by stand-ins; c1's shot was accepted, its corners set by hand."""
    stages = FakeStages(monkeypatch)

    def calibrate(still, clip, settings):
        return replace(stages.calibrate(still, clip), how=str(settings.camera.corners_px))

    monkeypatch.setattr("pipeline.clip_job.calibrate_clip", calibrate)
    for n in (1, 2):
        write_clip(tmp_path / f"c{n}.mp4", seed=n)
    out = tmp_path / "measured"
    out.mkdir()
    append_reviews(out, Review(decided_at="2026-01-01T10:00:00+00:00", shot_id="c1-01", clip="c1.mp4", start_s=1.0,
                               reviewer="kim", decision="accept", recording=file_sha256(tmp_path / "c1.mp4")))
    keep_corrections(out, CORNERS, {"c1.mp4": file_sha256(tmp_path / "c1.mp4")})
    return tmp_path


def said_of(folder):
    """Measures; by clip the decision and whether the corners by hand were used. Review page and pool must agree."""
    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), progress=Silent(), executor=InProcess())
    assert result.problems == ()
    assert reviews_not_in_shots(result.folder) == ""
    by_hand = {one.clip: one.how == str(CORNERS) for one in read_calibrations(result.folder / "calibration.json")}
    shots = pd.read_csv(result.folder / "shots.csv", dtype="string").fillna("")
    return {clip: (decision, by_hand[clip]) for clip, decision in zip(shots["clip"], shots["review"], strict=True)}


def test_a_renamed_clip_keeps_its_decisions_and_its_corners(folder):
    assert said_of(folder) == {"c1.mp4": ("accept", True), "c2.mp4": ("", False)}
    (folder / "c1.mp4").rename(folder / "c3.mp4")
    assert said_of(folder) == {"c2.mp4": ("", False), "c3.mp4": ("accept", True)}


def test_two_clips_that_swap_their_names_keep_their_own(folder):
    for old, new in (("c1", "x"), ("c2", "c1"), ("x", "c2")):
        (folder / f"{old}.mp4").rename(folder / f"{new}.mp4")
    assert said_of(folder) == {"c1.mp4": ("", False), "c2.mp4": ("accept", True)}


def test_of_two_copies_the_one_with_the_name_keeps_the_decision_and_both_have_the_corners(folder):
    (folder / "a.mp4").write_bytes((folder / "c1.mp4").read_bytes())
    assert said_of(folder) == {"a.mp4": ("", True), "c1.mp4": ("accept", True), "c2.mp4": ("", False)}
    (folder / "c1.mp4").rename(folder / "b.mp4")
    assert said_of(folder) == {"a.mp4": ("accept", True), "b.mp4": ("", True), "c2.mp4": ("", False)}


def test_corners_are_set_anew_and_taken_back_under_the_new_name(tmp_path):
    keep_corrections(tmp_path, CORNERS, {"c1.mp4": "a" * 64})
    keep_corrections(tmp_path, OTHERS, {"c3.mp4": "a" * 64})
    assert read_corrections(tmp_path) == {"c3.mp4": Correction(OTHERS, "a" * 64)}
    keep_corrections(tmp_path, None, {"c4.mp4": "a" * 64})
    assert read_corrections(tmp_path) == {}


@pytest.mark.parametrize("corners", [OTHERS, None])
def test_corners_of_a_recording_that_took_over_a_name_leave_those_of_the_one_before(tmp_path, corners):
    keep_corrections(tmp_path, CORNERS, {"c1.mp4": "a" * 64})
    keep_corrections(tmp_path, corners, {"c1.mp4": "b" * 64})
    kept = read_corrections(tmp_path)
    assert correction_of(kept, "c3.mp4", "a" * 64) == Correction(CORNERS, "a" * 64)
    assert correction_of(kept, "c1.mp4", "b" * 64) == (Correction(OTHERS, "b" * 64) if corners else None)
