"""A camera knocked amid the shot: render and the page show the balls where their tracks are drawn."""

from __future__ import annotations

import json

import numpy as np
import pytest

from pipeline.executor import InProcess
from pipeline.measured_session import read_measured
from pipeline.render import straightened
from pipeline.render_layout import layout_for
from pipeline.render_shot import film_of
from pipeline.review.pictures import decode
from pipeline.review.shot_view import picture_view, to_px
from pipeline.run import RunOptions, measure_session
from pipeline.sessions import find_sessions
from tests.pipeline.altered import shifted, write
from tests.review.serving import ask, hosting, picture

FROM_S = 2.0  # after the banked ball's first cushion, behind the curtain
SHIFT_PX = (7.0, 4.0)  # more than a ball's radius


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("knocked") / "evening"
    folder.mkdir()
    write(folder / "knocked.mp4", lambda t_s, planes: [shifted(planes, *SHIFT_PX) if t_s >= FROM_S else planes])
    (session,) = find_sessions([folder])
    result = measure_session(session, options=RunOptions(diagrams=False), executor=InProcess())
    assert not result.problems
    assert "camera moved by up to 8." in result.shots["notes"].iloc[0]
    return read_measured(folder)


def off_px(shown, at, radius_px) -> float:
    """How far the middle of what is not cloth lies from a place in a picture."""
    reach = round(1.8 * radius_px)
    x, y = round(float(at[0])), round(float(at[1]))
    window = shown[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(float)
    ball = window[..., 2] > 0.75 * window[..., 1]
    assert ball.sum() > radius_px**2, "no ball there"
    rows, columns = np.nonzero(ball)
    return float(np.hypot(columns.mean() - reach + x - at[0], rows.mean() - reach + y - at[1]))


def rows_of(measured):
    (shot_id,) = measured.shots["shot_id"]
    tracks = measured.tracks_of(shot_id)
    return tracks[(tracks["state"] == "seen") & tracks["t_s"].between(FROM_S - 0.1, FROM_S + 0.4)]


def test_render_shows_the_balls_of_a_moved_camera_where_their_tracks_are(measured):
    film = film_of(measured, measured.shot(measured.shots["shot_id"].iloc[0]), label="")
    layout = layout_for(film.calibration.table, (960, 540), caption_px=60, upright=False)
    radius_px = film.calibration.table.ball.radius_mm * layout.scale
    times = np.unique(rows_of(measured)["t_s"])[::6]
    assert times[0] < FROM_S < times[-1]
    for t_s, shown in straightened(film, layout, times):
        for ball in ("cue", "object"):
            at = layout.to_px(film.place(ball, t_s))[0] - layout.box[:2]
            assert off_px(shown, at, radius_px) < 0.25 * radius_px, (ball, t_s)


def test_the_page_shows_the_balls_of_a_moved_camera_where_it_draws_and_veils(measured):
    calibration = measured.calibrations["knocked.mp4"]
    radius_px = picture_view(calibration)["ball_px"]
    rows = rows_of(measured)
    with hosting(measured.folder) as running:
        (summary,) = json.loads(ask(f"{running.address}api/overview?reviewer=kim&blind=0")[1])["shots"]
        for number in sorted(rows["frame"].unique())[::6]:
            for blind in (0, 1):
                address = f"{running.address}api/shot/{summary['id']}/frame/{number}.jpg?reviewer=kim&blind={blind}"
                status, jpeg = picture(address)
                assert status == 200
                shown = decode(jpeg)
                for row in rows[rows["frame"] == number].to_dict("records"):
                    at = to_px(calibration, np.array([[row["x_mm"], row["y_mm"]]]),
                               calibration.table.ball.radius_mm)[0]
                    if not blind or row["ball"] == "cue":
                        assert off_px(shown, at, radius_px) < 0.25 * radius_px, (row["ball"], number, blind)
