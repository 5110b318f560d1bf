"""A clip with a frame lost or shown twice, whose times were set right: the page shows the frame that it draws on."""

from __future__ import annotations

import json
from dataclasses import replace

import pandas as pd
import pytest

from calibration.clock import ClipClock
from calibration.store import read_calibrations, write_calibrations
from pipeline.frames import open_clip
from pipeline.review.pictures import encode, small
from tests.pipeline.altered import CLIP, RATE, write
from tests.review.from_truth import session_from_truth
from tests.review.serving import ask, hosting, picture

AT = 100  # the frame, amid the shot
CLOCKS = {
    0: ClipClock(later=((AT / RATE, 1 / RATE),)),
    2: ClipClock(again=((AT + 1) / RATE,), later=(((AT + 2) / RATE, -1 / RATE),)),
}


@pytest.fixture(scope="module", params=CLOCKS, ids=["lost", "twice"])
def altered(request, tmp_path_factory):
    """The session, its clip's frames and how often the frame is there."""
    times = request.param
    session = session_from_truth(tmp_path_factory.mktemp("altered") / "evening", [CLIP.stem], CLIP.parent)
    path = write(session / CLIP.name, lambda t, planes: [planes] * (times if abs(t - AT / RATE) < 0.5 / RATE else 1))
    measured = session / "measured"
    tracks = pd.read_parquet(measured / "tracks.parquet")
    if not times:
        tracks = tracks[tracks["frame"] != AT]
    tracks["frame"] += (tracks["frame"] > AT) * (times - 1)
    tracks.to_parquet(measured / "tracks.parquet", index=False)
    calibrations = read_calibrations(measured / "calibration.json")
    write_calibrations(measured / "calibration.json", [replace(one, clock=CLOCKS[times]) for one in calibrations])
    return session, list(open_clip(path).decode()), times


def test_the_page_shows_the_frame_that_it_draws_on(altered):
    session, clip, times = altered
    tracks = pd.read_parquet(session / "measured" / "tracks.parquet").drop_duplicates("frame")
    with hosting(session) as running:
        (summary,) = json.loads(ask(f"{running.address}api/overview?reviewer=kim&blind=0")[1])["shots"]
        shot = f"{running.address}api/shot/{summary['id']}"
        frames = dict(json.loads(ask(f"{shot}?reviewer=kim&blind=0")[1])["frames"])
        last = max(frames)
        for number in (AT - 1, AT + 2, AT + 40, last):
            assert picture(f"{shot}/frame/{number}.jpg?reviewer=kim&blind=0") == (200, encode(small(clip[number])))
        expected = dict(zip(tracks["frame"].astype(int), tracks["t_s"], strict=True))
        assert frames == pytest.approx({number: expected[number] for number in frames}, abs=1e-5)
        assert sorted(frames) == [n for n in range(min(frames), last + 1) if times == 0 or n != AT + 1]
        assert picture(f"{shot}/frame/{last + 1}.jpg?reviewer=kim&blind=0")[0] == 404
        if times == 2:
            assert picture(f"{shot}/frame/{AT + 1}.jpg?reviewer=kim&blind=0")[0] == 404
