"""Where chroma lies, told from drawn pictures of balls, and what a ball's place makes of it."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path

import av
import numpy as np
import pytest

from pipeline.chroma_siting import ChromaSiting, measure_siting
from pipeline.clip_job import ClipTask, look_clip
from pipeline.detect_outline import BallPicture
from pipeline.detections import DetectSettings, detect_balls
from pipeline.frames import ClipInfo, Frame, open_clip
from pipeline.sessions import find_sessions
from pipeline.work import Work
from shared.errors import ClipError
from tests.pipeline.drawn import CLOTH, calibration, draw

CLIP = Path(__file__).parents[2] / "fixtures" / "clips" / "o03_bank_follow.mp4"
RED, BLUE, GREEN = (70.0, 100.0, 200.0), (60.0, 190.0, 100.0), (130.0, 90.0, 100.0)
BALLS = [(300.0 + 340.0 * k, 300.0 + 150.0 * (k % 4), (RED, BLUE, GREEN)[k % 3]) for k in range(6)]


def drawn(balls: list) -> Frame:
    given = calibration()
    return draw(BallPicture(given.pose, given.table.ball.radius_mm), balls)


def left_sited(frame: Frame) -> Frame:
    """With each chroma sample half a pixel further left."""
    planes = [0.75 * plane + 0.25 * np.roll(plane, 1, axis=1) for plane in frame.chroma]
    cb, cr = (np.rint(plane).astype(np.uint8) for plane in planes)
    return replace(frame, chroma=(cb, cr))


def turned(frame: Frame, deg: int) -> Frame:
    luma, cb, cr = (np.ascontiguousarray(np.rot90(p, deg // 90)) for p in (frame.luma, *frame.chroma))
    return replace(frame, luma=luma, chroma=(cb, cr))


def info(frame: Frame, deg: int = 0, step: tuple[int, int] = (2, 2)) -> ClipInfo:
    height, width = frame.luma.shape
    return ClipInfo("drawn", width, height, deg, "h264", 8, 60.0, 1.0, 60, full_range=False, matrix="709",
                    chroma_step=step)


@pytest.mark.parametrize(("deg", "left"), [
    (0, (-0.5, 0.0)), (90, (0.0, 0.5)), (180, (0.5, 0.0)), (270, (0.0, -0.5)),
])
def test_the_place_of_chroma_is_told_from_the_picture_however_it_is_turned(deg, left):
    frame = drawn(BALLS)
    assert measure_siting(turned(frame, deg), info(turned(frame, deg), deg)) == ChromaSiting()
    found = measure_siting(turned(left_sited(frame), deg), info(turned(frame, deg), deg))
    assert found.shift_px == pytest.approx(left)
    assert found.u_px == (0.0, 0.0)


def test_chroma_that_was_as_fine_as_luma_lies_in_the_middle():
    frame = left_sited(drawn(BALLS))
    assert measure_siting(frame, info(frame, step=(1, 1))) == ChromaSiting()
    assert measure_siting(frame, info(frame, step=(2, 1))).shift_px == (-0.5, 0.0)


def test_a_picture_without_colour_leaves_the_place_open():
    frame = drawn([(x, y, (200.0, *CLOTH[1:])) for x, y, _ in BALLS])
    found = measure_siting(frame, info(frame))
    assert found.shift_px[0] == -0.25
    assert found.u_px[0] == 0.25


def test_a_coloured_ball_is_found_where_it_is_or_its_place_is_as_unsure():
    given, frame = calibration(), left_sited(drawn(BALLS))
    open_place = ChromaSiting((-0.25, 0.0), (0.25, 0.0))
    told, unsure, middle = (
        detect_balls([frame], given, settings=DetectSettings(chroma=chroma)).sort_values("x_mm")
        for chroma in (measure_siting(frame, info(frame)), open_place, ChromaSiting())
    )
    true = np.array([x for x, _, _ in BALLS])
    off = [np.abs(found.x_mm.to_numpy() - true) for found in (told, unsure, middle)]
    assert off[0].mean() < 0.2 < 0.5 < off[2].mean()
    assert (off[0] < 3 * told.x_u_mm).all()
    assert (off[1] < 2 * unsure.x_u_mm).all()
    added = np.sqrt(unsure.x_u_mm.to_numpy() ** 2 - told.x_u_mm.to_numpy() ** 2)
    assert added.mean() == pytest.approx((middle.x_mm.to_numpy() - told.x_mm.to_numpy()).mean() / 2, rel=0.35)


def write_left_sited(path: Path) -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=60, options={"crf": "20", "preset": "ultrafast"})
        source = open_clip(CLIP)
        stream.width, stream.height = source.info.width, source.info.height
        for frame in islice(source.decode(), 40):
            planes = [frame.luma, *(plane.reshape(-1, stream.width) for plane in left_sited(frame).chroma)]
            out.mux(stream.encode(av.VideoFrame.from_ndarray(np.concatenate(planes), format="yuv420p")))
        out.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("left", [False, True])
def test_balls_are_looked_for_with_the_place_that_the_clip_shows(left, tmp_path, monkeypatch):
    told = []

    def found(*_, settings, **__):
        told.append(settings.chroma)
        raise ClipError("enough")

    monkeypatch.setattr("pipeline.clip_job.detect_balls", found)
    clip = write_left_sited(tmp_path / "left.mp4") if left else CLIP
    look_clip(ClipTask(clip=clip, entry=Work(tmp_path).entry(clip), settings=find_sessions([clip])[0].settings))
    assert told == [ChromaSiting((-0.5, 0.0) if left else (0.0, 0.0))]
