"""A hand on the record button: the camera moves before the table is found, from pixels to the shot's numbers."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd

from pipeline.run import RunOptions
from pipeline.sessions import find_sessions
from pipeline.terminal import run_sessions

CLIP = Path(__file__).parents[2] / "fixtures/evenings/eveningA/eveningA_01.mp4"
LATER = 20  # the first frame shown as filmed; the table is found in the median of frames 0 to 36
AWAY_PX = (6.0, -4.0)


def knocked(path: Path) -> Path:
    """The clip, its first frames as from a camera that has not come to rest."""
    with av.open(str(CLIP)) as source, av.open(str(path), "w") as out:
        seen = source.streams.video[0]
        stream = out.add_stream("libx264", rate=seen.average_rate)
        stream.width, stream.height, stream.pix_fmt = seen.width, seen.height, "yuv420p"
        stream.options = {"crf": "12", "preset": "ultrafast"}
        for number, frame in enumerate(source.decode(seen)):
            picture = frame.to_ndarray(format="bgr24")
            if number < LATER // 2:
                move = np.array([[1, 0, AWAY_PX[0]], [0, 1, AWAY_PX[1]]])
                size = (picture.shape[1], picture.shape[0])
                picture = cv2.warpAffine(picture, move, size, borderMode=cv2.BORDER_REPLICATE)
            shown = av.VideoFrame.from_ndarray(picture, format="bgr24")
            shown.pts, shown.time_base = frame.pts, frame.time_base
            out.mux(stream.encode(shown))
        out.mux(stream.encode(None))
    return path


def test_a_camera_that_comes_to_rest_as_the_clip_begins_costs_nothing(tmp_path):
    home = tmp_path / "evening"
    home.mkdir()
    knocked(home / "shaken.mp4")
    (home / "still.mp4").symlink_to(CLIP)
    run_sessions(find_sessions([home]), RunOptions(diagrams=False, jobs=1))
    shots = pd.read_csv(home / "measured" / "shots.csv").set_index("clip")
    shaken, still = shots.loc["shaken.mp4"], shots.loc["still.mp4"]
    assert "the camera moved by up to" in shaken["notes"]
    for name in ("incoming_angle_deg", "rebound_angle_deg", "speed_at_impact_mps", "rail_sight", "cue_roll_ratio"):
        u = np.hypot(shaken[f"{name}_u"], still[f"{name}_u"])
        assert abs(shaken[name] - still[name]) < 2.5 * u, name
