"""Frames to look at: of the time asked for, without decoding what comes before or behind, told when on their way."""

from __future__ import annotations

import threading

import av
import cv2
import numpy as np
import pytest

from pipeline.frames import open_clip
from pipeline.review import pictures
from pipeline.review.pictures import NotYet, PictureStore
from shared.errors import ClipError

RATE, LENGTH = 30, 300  # ten seconds, a key frame every second


def grey_of(number: int) -> int:
    return 20 + number * 37 % 211


@pytest.fixture(scope="module", params=["mp4", "mkv", "ts", "avi"])
def clip(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("pictures") / f"long.{request.param}"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        ahead = "0" if path.suffix == ".avi" else "2"  # B frames
        stream.options = {"g": str(RATE), "crf": "10", "preset": "ultrafast", "bf": ahead}
        for number in range(LENGTH):
            frame = av.VideoFrame.from_ndarray(np.full((96, 160, 3), grey_of(number), np.uint8), format="bgr24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def test_a_clip_can_be_entered_late_and_shows_the_same_frames_at_the_same_times(clip):
    whole = {frame.t_s: frame.luma.mean() for frame in open_clip(clip).decode()}
    times = sorted(whole)
    begin_s = times[217]
    late = {frame.t_s: frame.luma.mean() for frame in open_clip(clip).decode_from(begin_s)}
    assert set(late) <= set(times)
    assert min(late) <= begin_s
    assert len(late) < 170, "what comes long before need not be decoded"
    assert max(abs(late[t] - whole[t]) for t in late) < 1


def test_the_picture_asked_for_is_given_and_no_other(clip):
    times = [frame.t_s for frame in open_clip(clip).decode()]
    store = PictureStore()
    try:
        shot = store.of(clip, times[200], times[240])
        for number in (200, 217, 240):
            jpeg = shot.jpeg(times[number] + 0.0004)  # times in tables are rounded
            assert abs(cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR).mean() - grey_of(number)) < 4
        assert shot.jpeg((times[217] + times[218]) / 2) is None
        assert shot.jpeg(times[241]) is None
        assert len(list(shot.folder.iterdir())) == 41
    finally:
        store.close()


def test_a_frame_that_is_on_its_way_is_not_called_missing(clip, monkeypatch):
    go_on = threading.Event()
    encode = pictures.encode
    monkeypatch.setattr(pictures, "encode", lambda picture: go_on.wait(20) and encode(picture))
    monkeypatch.setattr(pictures, "WAIT_S", 0.05)
    store = PictureStore()
    try:
        shot = store.of(clip, 1.0, 2.0)
        with pytest.raises(NotYet):
            shot.jpeg(1.5)
        go_on.set()
        monkeypatch.setattr(pictures, "WAIT_S", 20)
        assert shot.jpeg(min((f.t_s for f in open_clip(clip).decode()), key=lambda t: abs(t - 1.5)))
    finally:
        go_on.set()
        store.close()


def test_a_clip_that_cannot_be_read_says_so(tmp_path):
    path = tmp_path / "gone.mp4"
    path.write_bytes(b"no clip")
    store = PictureStore()
    try:
        with pytest.raises(ClipError, match="its pictures cannot be made"):
            store.of(path, 0.0, 1.0).jpeg(0.5)
    finally:
        store.close()
