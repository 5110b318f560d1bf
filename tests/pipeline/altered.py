"""A fixture clip in half its size, altered frame by frame: other times, other light."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.clip_job import ClipRecord, ClipTask, measure_clip
from pipeline.sessions import find_sessions
from pipeline.work import Work

CLIP = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningB" / "eveningB_02.mp4"
SIZE = (640, 360)
RATE = 60
Planes = NDArray[np.uint8]  # (1.5 H, W) as PyAV gives yuv420p


@lru_cache(1)
def _small() -> list[tuple[float, Planes]]:
    """Each frame's time and the frame."""
    with av.open(str(CLIP)) as source:
        return [(float(picture.time or 0.0), picture.reformat(*SIZE, "yuv420p").to_ndarray())
                for picture in source.decode(video=0)]


def write(path: Path, alter: Callable[[float, Planes], list[Planes]], rate: int = RATE) -> Path:
    """Write the clip with each frame, of a time in s, turned into those given for it."""
    number = 0
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream("libx264", rate=rate, options={"crf": "18", "preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for t_s, small in _small():
            for planes in alter(t_s, small):
                frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
                frame.pts, frame.time_base = number, Fraction(1, rate)
                out.mux(stream.encode(frame))
                number += 1
        out.mux(stream.encode())
    return path


def lit(planes: Planes, gain: float, blue: float = 0.0) -> Planes:
    """The picture as bright as ``gain``, with ``blue`` added to Cb."""
    out, height = planes.astype(np.float32), planes.shape[0] * 2 // 3
    out[:height] = 16 + (out[:height] - 16) * gain
    out[height:] = 128 + (out[height:] - 128) * gain
    out[height : height * 5 // 4] += blue
    return np.asarray(np.clip(np.rint(out), 0, 255), dtype=np.uint8)


def shifted(planes: Planes, dx_px: float, dy_px: float = 0.0) -> Planes:
    """The picture as from a camera that was moved."""
    height, width = planes.shape[0] * 2 // 3, planes.shape[1]
    y, u, v = planes[:height], planes[height : height * 5 // 4], planes[height * 5 // 4 :]
    out = [cv2.warpAffine(plane.reshape(-1, width // part), np.array([[1, 0, dx_px / part], [0, 1, dy_px / part]]),
                          (width // part, height // part), borderMode=cv2.BORDER_REPLICATE)
           for plane, part in ((y, 1), (u, 2), (v, 2))]
    return np.concatenate([plane.reshape(-1, width) for plane in out])


def measured(path: Path, work: Path) -> tuple[ClipRecord, pd.Series]:
    """The record of a clip with one shot, and the shot's row."""
    entry = Work(work).entry(path)
    record = measure_clip(ClipTask(clip=path, entry=entry, settings=find_sessions([path])[0].settings))
    assert not record.failure
    shots = entry.table("shots")
    assert len(shots) == 1
    return record, shots.iloc[0]


@lru_cache(1)
def unaltered() -> tuple[ClipRecord, pd.Series]:
    """What is measured of the clip with nothing altered."""
    with tempfile.TemporaryDirectory() as folder:
        return measured(write(Path(folder) / "plain.mp4", lambda _, planes: [planes]), Path(folder) / "work")


def assert_alike(one: pd.Series, other: pd.Series) -> None:
    """Whether two rows agree within their uncertainties, and the other's are not much larger."""
    for measure in ("incoming_angle_deg", "rebound_angle_deg", "speed_at_impact_mps", "rebound_speed_mps"):
        u = float(np.hypot(one[f"{measure}_u"], other[f"{measure}_u"]))
        assert abs(one[measure] - other[measure]) < 2.5 * u, measure
        assert other[f"{measure}_u"] < 3 * one[f"{measure}_u"], measure
