"""Small files made for a test: clips without a table, sound files, broken files; and stages that cost nothing."""

from __future__ import annotations

import tempfile
import wave
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import numpy as np
import pandas as pd

from calibration.moves import UNMOVED, CameraMoves
from calibration.pose import CameraPose
from calibration.store import Calibration
from pipeline.camera_watch import Remark
from pipeline.learning import ClothAndBalls
from pipeline.physics import Friction
from pipeline.shots import ClipMeasures
from shared.columns import CONTACTS, DETECTIONS, SHOTS, TRACKS
from shared.equipment import standard_table


def write_clip(
    path: Path, *, frames: int = 20, size: tuple[int, int] = (160, 96), seed: int = 1, rate: int = 30
) -> Path:
    """A clip of a grey floor with some noise: no table in it."""
    path.write_bytes(_coded(path.suffix, frames, size, seed, rate))
    return path


@lru_cache  # hundreds of tests have the same few
def _coded(suffix: str, frames: int, size: tuple[int, int], seed: int, rate: int) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"clip{suffix}"
        _code(path, frames, size, seed, rate)
        return path.read_bytes()


def _code(path: Path, frames: int, size: tuple[int, int], seed: int, rate: int) -> None:
    rng = np.random.default_rng(seed)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.time_base = Fraction(1, rate)
        for n in range(frames):
            picture = rng.integers(90, 130, (size[1], size[0], 3), dtype=np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts = n
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def write_sound(path: Path) -> Path:
    """A second of silence; under a name like clip.mp4 it is a sound file that looks like a clip."""
    if path.suffix == ".wav":
        with wave.open(str(path), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(8000)
            file.writeframes(b"\0\0" * 8000)
        return path
    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 8000
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def plain_calibration(clip: str = "") -> Calibration:
    """A camera 2.6 m above the middle of a nine-foot table, looking straight down."""
    table = standard_table()
    rotation = np.diag([1.0, -1.0, -1.0])
    centre = np.array([table.length_mm / 2, table.width_mm / 2, 2600.0])
    camera = np.array([[1100.0, 0, 640], [0, 1100.0, 360], [0, 0, 1]])
    pose = CameraPose(camera, np.zeros(5), rotation, -rotation @ centre, 1280, 720)
    return Calibration(clip, pose, table, 0.4, "drawn")


class SteadyCamera:
    """A camera that does not move."""

    def __init__(self, frames: Iterable[Any], *_: Any) -> None:
        self.frames = frames

    def __iter__(self) -> Any:
        return iter(self.frames)

    def correct(self, detections: pd.DataFrame) -> pd.DataFrame:
        return detections

    correct_windows = correct

    def until_lost(self, rows: pd.DataFrame) -> pd.DataFrame:
        return rows

    def remarks(self) -> list[Remark]:
        return []

    def moves(self, _: Any) -> CameraMoves:
        return UNMOVED


class FakeStages:
    """Stands in for finding, detecting and measuring; counts how often each was asked, by clip."""

    def __init__(self, monkeypatch: Any) -> None:
        self.looked: list[str] = []
        self.measured: list[tuple[str, Mapping[int, ClothAndBalls] | None, Mapping[int | None, str] | None]] = []
        self.shots_in: dict[str, int] = {}
        self.friction: dict[str, Friction] = {}
        self.fault: dict[str, Exception] = {}
        self.lost: dict[str, str] = {}  # clip -> why its shots can't be followed
        monkeypatch.setattr("pipeline.clip_job.calibrate_clip", self.calibrate)
        monkeypatch.setattr("pipeline.clip_job.detect_balls", self.detect)
        monkeypatch.setattr("pipeline.clip_job.CameraWatch", SteadyCamera)
        monkeypatch.setattr("pipeline.shots.measure_shots", self.measure)

    def calibrate(self, _still: Any, clip: str, *_: Any) -> Calibration:
        self.looked.append(clip)
        if clip in self.fault:
            raise self.fault[clip]
        return plain_calibration(clip)

    def detect(self, frames: Iterable[Any], *_: Any, **__: Any) -> pd.DataFrame:
        rows = pd.DataFrame({"frame": [frame.index for frame in frames]})
        return DETECTIONS.conform(rows.assign(t_s=rows["frame"] / 30.0))

    def measure(
        self, detections: pd.DataFrame, *, clip: str, learnt: Mapping[int, ClothAndBalls] | None = None,
        targets: Mapping[int | None, str] | None = None, **_: Any,
    ) -> ClipMeasures:
        self.measured.append((clip, learnt, targets))
        stem = Path(clip).stem
        many = self.shots_in.get(clip, 1)
        shots = pd.DataFrame([
            {"shot_id": f"{stem}-{n:02d}", "clip": clip, "shot": n, "start_s": 1.0 * n, "end_s": n + 0.5,
             "kind": "bank", "banked_ball": "object", "rail": "left", "incoming_angle_deg": 30.0,
             "incoming_angle_deg_u": 0.1,
             "frames_seen": 1.0, "residual_mm": 0.5, "calibration_rms_px": 0.4}
            for n in range(1, many + 1)
        ])
        told = ClothAndBalls(self.friction.get(clip, Friction(0.2, 0.01, 0.01, 0.001)))
        if clip in self.lost:
            shots = shots.assign(notes=f"the table looks odd; all measures: {self.lost[clip]}", kind=None,
                                 incoming_angle_deg=None, incoming_angle_deg_u=None)
        contacts = pd.DataFrame([
            {"shot_id": shot, "n": 1, "t_s": 1.0, "kind": "strike", "ball": "cue", "x_mm": 500.0, "y_mm": 600.0}
            for shot in shots.get("shot_id", [])
        ])
        tracks = pd.DataFrame([
            {"clip": clip, "shot_id": shot, "frame": frame, "t_s": frame / 30.0, "ball": "cue", "x_mm": 500.0 + frame,
             "y_mm": 600.0, "vx_mps": 1.0, "vy_mps": 0.0, "state": "seen"}
            for shot in shots.get("shot_id", []) for frame in range(3)
        ])
        return ClipMeasures(SHOTS.conform(shots), CONTACTS.conform(contacts), TRACKS.conform(tracks),
                            told={} if clip in self.lost else dict.fromkeys(range(1, many + 1), told))
