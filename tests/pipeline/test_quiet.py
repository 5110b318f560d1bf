"""A long recording: where nothing happens nothing is decoded, and nothing is lost by it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import islice
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.find import find_table
from calibration.store import Calibration
from pipeline.clip_job import ClipTask, measure_clip
from pipeline.frames import Clip, open_clip
from pipeline.quiet import skimming
from pipeline.sessions import find_sessions
from pipeline.stills import still_of
from pipeline.work import Work
from shared.equipment import standard_table

SOURCE = Path(__file__).parents[2] / "fixtures" / "clips" / "o08_session.mp4"
SIZE = (640, 360)
RATE = 30
PAUSE_S = 6  # before each strike
SECONDS = 14  # of the source: two strikes, and hands that put the balls back
CODINGS = {
    "closed": ("libx264", {"preset": "ultrafast"}),
    "open": ("libx264", {"preset": "ultrafast", "x264-params": "open-gop=1:bframes=3"}),
    "hevc": ("libx265", {"preset": "ultrafast", "x265-params": "log-level=none:open-gop=1:bframes=4"}),
}


@dataclass(frozen=True)
class Long:
    """A recording with pauses, when balls or hands moved in it, s, and when balls were struck."""

    path: Path
    busy_s: tuple[float, ...]
    strikes_s: tuple[float, ...]


@lru_cache(1)
def _small() -> list[NDArray[np.int16]]:
    with av.open(str(SOURCE)) as source:
        return [picture.reformat(*SIZE, format="yuv420p").to_ndarray().astype(np.int16)
                for picture in islice(source.decode(video=0), SECONDS * RATE)]


def record(path: Path, coding: str, key_every: int = RATE) -> Long:
    """The session with a pause before each strike; a little grain, so that no frame is quite like another."""
    truth = json.loads((SOURCE.parent / "o08_session.truth.json").read_text())
    struck = [shot["strike_s"] for shot in truth["shots"] if shot["strike_s"] < SECONDS]
    codec, options = CODINGS[coding]
    rng = np.random.default_rng(8)
    grain = [rng.integers(-2, 3, (SIZE[1] * 3 // 2, SIZE[0]), dtype=np.int16) for _ in range(5)]
    stamps = iter(range(100_000))
    times = []
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=RATE)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.codec_context.gop_size, stream.options = key_every, {"crf": "24", **options}
        for index, small in enumerate(_small()):
            pause = any(index == round((s - 0.4) * RATE) for s in struck)
            for stamp in (next(stamps) for _ in range(1 + pause * PAUSE_S * RATE)):
                frame = np.clip(small + grain[int(rng.integers(5))], 0, 255).astype(np.uint8)
                coded = av.VideoFrame.from_ndarray(frame, format="yuv420p")
                coded.pts, coded.time_base = stamp, Fraction(1, RATE)
                out.mux(stream.encode(coded))
            times.append(stamp / RATE)
        out.mux(stream.encode())
    moving = np.zeros(len(times), bool)
    for ball in truth["balls"]:
        moving |= np.isin(list(ball["state"]), list("SRPFH"))[: len(times)]
    return Long(path, tuple(np.array(times)[moving]), tuple(times[round(s * RATE)] for s in struck))


def calibrated(clip: Clip) -> Calibration:
    return find_table(still_of(clip), table=standard_table("pool-9ft"), clip=clip.info.name)


@pytest.mark.parametrize("coding", ["open", "hevc"])
def test_what_is_decoded_is_what_a_whole_decoding_gives_and_holds_all_that_moves(tmp_path, coding):
    recording = record(tmp_path / "long.mp4", coding)
    clip = open_clip(recording.path)
    skimmed = skimming(clip, calibrated(clip))
    frames = [(f.index, f.t_s, None if f.undecoded else f.luma.tobytes()) for f in skimmed]
    whole = [(f.index, f.t_s, f.luma.tobytes()) for f in clip]
    assert [f[:2] for f in frames] == [f[:2] for f in whole]
    assert not skimmed.damage
    decoded = {f[1] for f in frames if f[2] is not None}
    assert all(one[2] is None or one[2] == other[2] for one, other in zip(frames, whole, strict=True))
    assert len(decoded) < 0.8 * len(whole)
    assert all(min(abs(t - d) for d in decoded) < 1e-6 for t in recording.busy_s)


def test_a_skimmed_recording_gives_the_same_shots(tmp_path, monkeypatch):
    recording = record(tmp_path / "long.mp4", "closed")
    session = find_sessions([tmp_path])[0]

    def measured(where: str):
        entry = Work(tmp_path / where).entry(recording.path)
        record_ = measure_clip(ClipTask(clip=recording.path, entry=entry, settings=session.settings))
        assert not record_.failure
        assert len(entry.table("frames")) == record_.frames - record_.info["frames_passed_over"]
        return entry.table("shots"), record_.info["frames_passed_over"]

    skimmed, passed_over = measured("skimmed")
    monkeypatch.setattr("pipeline.clip_job.skimming", lambda clip, calibration: clip)
    whole, none = measured("whole")
    assert passed_over > 150
    assert none == 0
    assert skimmed["start_s"].to_numpy() == pytest.approx(np.array(recording.strikes_s), abs=0.05)
    assert skimmed["notes"].tolist() == whole["notes"].tolist()
    for measure in ("cue_speed_mps", "incoming_angle_deg", "rebound_angle_deg", "rebound_speed_mps"):
        off = np.abs(skimmed[measure] - whole[measure]) / whole[f"{measure}_u"]
        assert off.max() < 0.5, measure  # a ball at rest is fitted in other frames, whose grain differs


@pytest.mark.parametrize("key_every", [4 * RATE, 1])
def test_key_frames_far_apart_leave_a_clip_whole_and_near_ones_do_not(tmp_path, key_every):
    recording = record(tmp_path / "long.mp4", "closed", key_every)
    clip = open_clip(recording.path)
    over = skimming(clip, calibrated(clip)).passed_over
    passed = 0 if over is None else len(over.times_s)
    assert (passed == 0) if key_every > 3 * RATE else (passed > 150)
    assert passed == 0 or min(abs(t - b) for t in over.times_s for b in recording.busy_s) > 0.8


def test_a_short_clip_is_decoded_whole():
    clip = open_clip(SOURCE.parent / "o01_kick_straight.mp4")
    assert skimming(clip, calibrated(clip)) is clip
