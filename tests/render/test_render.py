"""Clips and stills: the right format, the drawing where the balls are, what cannot be made refused in one line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import av
import cv2
import numpy as np
import pandas as pd
import pytest

from pipeline import render_ink as ink
from pipeline.measured_session import read_measured
from pipeline.render import RenderOptions, _caption, anchor, caption_lines, render_together, straightened
from pipeline.render_labels import box_of, labels_on
from pipeline.render_layout import TALL, WIDE, layout_for
from pipeline.render_overlay import empty_table
from pipeline.render_run import labels_of, names_of, render_sessions
from pipeline.render_shot import film_of
from pipeline.render_video import write_video
from shared.equipment import standard_table
from shared.errors import SettingsError
from shared.files import file_sha256
from shared.numbers import to_places
from tests.review.from_truth import session_from_truth, with_climate

CLIPS = ["eveningA_01", "eveningA_02", "eveningA_04"]
ORANGE = np.array(ink.SERIES[0])


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return session_from_truth(tmp_path_factory.mktemp("render") / "evening", CLIPS)


@pytest.fixture(scope="module")
def film(session):
    found = read_measured(session)
    return film_of(found, found.shot("eveningA_01-01"), label="cloth worn")


@pytest.fixture(autouse=True)
def short_hold(monkeypatch):
    monkeypatch.setattr("pipeline.render.HOLD_S", 0.2)


def near(picture, xy, colour, reach) -> int:
    """Pixels of about a colour in a square around a place."""
    x, y = round(float(xy[0])), round(float(xy[1]))
    patch = picture[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1].astype(int)
    return int((np.abs(patch - colour).max(axis=2) < 60).sum())


@pytest.mark.parametrize(("size", "upright"), [(WIDE, False), (TALL, True)])
def test_the_layout_goes_there_and_back_and_keeps_left_and_right(size, upright):
    table = standard_table()
    layout = layout_for(table, size, caption_px=150, upright=upright)
    mm = np.array([[0.0, 0.0], [2540.0, 1270.0], [600.0, 200.0]])
    np.testing.assert_allclose(layout.to_mm(layout.to_px(mm)), mm, atol=1e-9)
    head_right, foot_left = layout.to_px(mm[:2])
    if upright:  # head at the top; who stands at the head and looks down the picture has the left cushion at its right
        assert head_right[1] < foot_left[1]
        assert head_right[0] < foot_left[0]
    else:
        assert head_right[0] < foot_left[0]
        assert head_right[1] > foot_left[1]
    assert (layout.to_px(table.corners_mm) >= 0).all()
    assert (layout.to_px(table.corners_mm) <= np.array(size)).all()


def test_the_straightening_map_agrees_with_the_camera_to_a_tenth_of_a_pixel(film):
    layout = layout_for(film.calibration.table, WIDE, caption_px=150, upright=False)
    map_x, map_y = layout.map_from(film.calibration.pose)
    x, y, width, height = layout.box
    rng = np.random.default_rng(1)
    columns, rows = rng.integers(0, width, 200), rng.integers(0, height, 200)
    mm = layout.to_mm(np.column_stack([columns + x, rows + y]))
    exact = film.calibration.pose.to_image(np.column_stack([mm, np.full(200, film.calibration.table.ball.radius_mm)]))
    found = np.column_stack([map_x[rows, columns], map_y[rows, columns]])
    assert np.abs(found - exact).max() < 0.1


@pytest.mark.parametrize("tall", [False, True])
def test_a_still_shows_the_path_where_the_object_ball_ran(session, film, tmp_path, tall):
    (path,) = render_sessions([session], what="still", shots=["eveningA_01-01"], tall=tall, out=tmp_path)
    picture = cv2.imread(str(path))
    options = RenderOptions(tall=tall)
    assert picture.shape == (options.size[1], options.size[0], 3)
    layout = layout_for(film.calibration.table, options.size, caption_px=options.caption_px, upright=tall)
    for t_s in (film.cushion_s + 0.7, film.cushion_s + 1.3):
        assert near(picture, layout.to_px(film.place("object", t_s))[0], ORANGE, 6) > 25
    assert near(picture, layout.to_px(np.array([2200.0, 1000.0]))[0], ORANGE, 20) == 0


def test_the_clip_is_h264_420_with_its_index_in_front(session, tmp_path):
    (path,) = render_sessions([session], what="clip", shots=["eveningA_04-01"], speed=4.0, out=tmp_path)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert (stream.width, stream.height, stream.average_rate) == (1920, 1080, 60)
        frames = sum(1 for _ in container.decode(stream))
    assert frames == pytest.approx((0.5 + 2.4 + 0.4) / 4 * 60 + 0.2 * 60, abs=3)
    content = path.read_bytes()
    assert content.find(b"moov") < content.find(b"mdat")
    assert not list(tmp_path.glob(".*"))  # nothing half written stays


def test_together_lays_all_counted_shots_over_an_empty_table(session, film, tmp_path):
    (path,) = render_sessions([session], what="together", by=["balls"], align="cushion", speed=12.0, tall=True,
                              out=tmp_path)
    with av.open(str(path)) as container:
        *_, last = container.decode(container.streams.video[0])
        picture = last.to_ndarray(format="bgr24")
    options = RenderOptions(tall=True, align="cushion")
    layout = layout_for(film.calibration.table, options.size, caption_px=options.caption_px, upright=True)
    found = read_measured(session)
    for shot_id, colour in (("eveningA_01-01", ink.SERIES[0]), ("eveningA_02-01", ink.SERIES[1])):
        one = film_of(found, found.shot(shot_id), label="")
        times = anchor(one, "cushion") + np.arange(0.9, 1.5, 0.02)
        way = [layout.to_px(one.place("object", t_s))[0] for t_s in times]
        assert sum(near(picture, at, np.array(colour), 5) > 10 for at in way) > 8, shot_id


def test_the_empty_table_has_no_ball_left_on_it(film):
    layout = layout_for(film.calibration.table, WIDE, caption_px=150, upright=False)
    empty = empty_table(film, layout)
    x, y, _, _ = layout.box
    for ball, time in (("cue", film.start_s), ("object", film.start_s), ("object", film.end_s), ("cue", film.end_s)):
        at = layout.to_px(film.place(ball, time))[0] - [x, y]
        patch = empty[round(at[1]) - 8 : round(at[1]) + 9, round(at[0]) - 8 : round(at[0]) + 9].reshape(-1, 3)
        blue, green, red = patch.mean(axis=0)
        assert green > 1.5 * red, (ball, time)
        assert green > 1.3 * blue, (ball, time)


@pytest.mark.parametrize("late_s", [0.0, 0.004, 0.014])
def test_what_is_drawn_is_as_old_as_the_frame_under_it(film, late_s):
    """A ring of a later time than its frame's would run ahead of the ball, by 40 mm at 30 frames/s and 1.3 m/s."""
    layout = layout_for(film.calibration.table, WIDE, caption_px=150, upright=False)
    times = np.unique(film.paths["cue"]["t_s"].to_numpy(float))
    some = times[(times > film.start_s + 0.1) & (times < film.start_s + 0.3)]
    assert [t_s for t_s, _ in straightened(film, layout, some + late_s)] == pytest.approx(some, abs=1e-6)


def test_shots_of_one_name_in_two_sessions_get_a_file_each():
    def of(folder, shot):
        return SimpleNamespace(folder=Path(folder)), {"shot_id": shot}

    assert names_of([of("/a/mon", "01-01"), of("/a/tue", "01-01"), of("/a/tue", "02-01")]) == [
        "mon-01-01", "tue-01-01", "02-01"]
    assert names_of([of("/a/mon", "01-01"), of("/b/mon", "01-01")]) == ["mon-01-01-1", "mon-01-01-2"]


def test_side_by_side_shows_both_and_refuses_more_than_fit(session, tmp_path):
    shots = ["eveningA_01-01", "eveningA_02-01"]
    (path,) = render_sessions([session], what="side-by-side", shots=shots, speed=40.0, out=tmp_path)
    with av.open(str(path)) as container:
        assert (container.streams.video[0].width, container.streams.video[0].height) == (1920, 1080)
        picture = next(container.decode(container.streams.video[0])).to_ndarray(format="bgr24")
    for half in (picture[:, :960], picture[:, 960:]):
        green = (half[..., 1].astype(int) > half[..., 2].astype(int) + 30).mean()
        assert green > 0.25


@pytest.mark.parametrize("size", [WIDE, TALL, (960, 540)])
def test_the_numbers_cover_no_path_and_no_other_number(session, size):
    found = read_measured(session)
    letters = {WIDE: 40, TALL: 44}.get(size, 32)
    upright = size == TALL
    for shot_id in found.shots["shot_id"]:
        one = film_of(found, found.shot(shot_id), label="")
        layout = layout_for(one.calibration.table, size, caption_px=150, upright=upright)
        labels = labels_on(one, layout, letters)
        assert [label.words.split()[-1] for label in labels] == ["m/s", "m/s", "in", "out"]
        boxes = [box_of(label, letters) for label in labels]
        for at, (left, top, right, bottom) in enumerate(boxes):
            assert min(left, top) >= 0
            assert right <= size[0]
            assert bottom <= size[1] - 150
            for other in boxes[:at]:
                assert right < other[0] or other[2] < left or bottom < other[1] or other[3] < top
            for ball in ("cue", "object"):
                xy = one.paths[ball].loc[one.paths[ball]["t_s"] >= one.start_s, ["x_mm", "y_mm"]].to_numpy(float)
                x, y = layout.to_px(xy).T
                assert not ((x > left) & (x < right) & (y > top) & (y < bottom)).any(), (shot_id, labels[at].words)


def test_a_long_label_keeps_its_size_in_two_lines():
    label = "mis-hit: worn cloth, polished balls, temperature 24.1 °C, humidity 45.5 %"
    lines = caption_lines(label, 44, 1080)
    assert " ".join(lines) == label
    assert len(lines) == 2
    assert all(ink.text_width(line, 32) <= 1040 for line in lines)
    assert caption_lines("worn cloth", 44, 1080) == ["worn cloth"]


def test_words_wider_than_the_picture_are_cut_short_not_left_out():
    picture = np.zeros((100, 400, 3), np.uint8)
    ink.text(picture, "mis-hit: " + "worn cloth, " * 9, (200, 50), size=30, anchor="mm", boxed=False)
    columns = np.flatnonzero(picture.max(axis=(0, 2)) > 200)
    assert columns[0] < 40
    assert columns[-1] > 360


def test_letters_are_large_enough_for_a_telephone():
    for tall in (False, True):
        options = RenderOptions(tall=tall)
        # a telephone about 65 mm wide (held so that the clip fills it): a thirtieth of the shorter side is over 2 mm
        assert options.letters >= min(options.size) / 30


def test_labels_are_plain_words_and_name_a_mis_hit(tmp_path):
    found = read_measured(with_climate(session_from_truth(tmp_path / "evening", ["eveningA_01", "eveningA_04"])))
    good, bad = ({str(k): v for k, v in row.items()} for row in found.shots.to_dict("records"))
    climate = "temperature 24.1 °C, humidity 45.5 %"
    assert labels_of([good], [found], []) == [f"worn cloth, clean balls, {climate}"]
    assert labels_of([good, bad], [found], ["balls"]) == ["clean balls", "mis-hit: polished balls"]
    assert labels_of([good], [found], ["dew_point_c"]) == ["dew point 11.6 °C"]
    accepted, rejected = {**bad, "review": "accept", "counted": True}, {**good, "review": "reject", "counted": False}
    assert labels_of([accepted, rejected], [found], ["cloth"]) == ["worn cloth", "rejected: worn cloth"]


def test_what_cannot_be_drawn_is_refused_in_one_line(session, tmp_path):
    with pytest.raises(SettingsError, match="no shot 'nonesuch'"):
        list(render_sessions([session], what="clip", shots=["nonesuch"]))
    with pytest.raises(SettingsError, match="no condition 'humidity'"):
        list(render_sessions([session], what="together", by=["humidity"]))
    with pytest.raises(SettingsError, match="reboundry measure"):
        list(render_sessions([tmp_path], what="clip"))


def test_a_clip_that_is_gone_is_named(tmp_path):
    gone = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    (gone / "eveningA_01.mp4").unlink()
    with pytest.raises(SettingsError, match=r"eveningA_01\.mp4: is not in"):
        list(render_sessions([gone], what="still"))


def test_a_clip_replaced_since_it_was_measured_is_not_drawn_on(tmp_path):
    evening = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    clip = evening / "eveningA_01.mp4"
    log = evening / "measured" / "log.jsonl"
    log.write_text(json.dumps({"clip": clip.name, "sha256": file_sha256(clip)}) + "\n")
    found = read_measured(evening)
    assert film_of(found, found.shot("eveningA_01-01"), label="").clip == clip
    clip.write_bytes(clip.read_bytes() + b"0")
    with pytest.raises(SettingsError, match=r"eveningA_01\.mp4: is not the clip that was measured; measure it again"):
        film_of(found, found.shot("eveningA_01-01"), label="")


def test_the_others_are_made_where_one_clip_is_gone(tmp_path, capsys):
    from pipeline.command_group import app

    evening = session_from_truth(tmp_path / "evening", CLIPS)
    (evening / "eveningA_02.mp4").unlink()
    with pytest.raises(SystemExit) as ended:
        app(["render", str(evening), "--what", "still", "--out", str(tmp_path / "out")])
    assert ended.value.code == 1
    made = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert made == ["eveningA_01-01-wide.png", "eveningA_04-01-wide.png"]
    assert capsys.readouterr().err.count("eveningA_02.mp4: is not in") == 1
    with pytest.raises(SettingsError, match="is not in"):
        list(render_sessions([evening], what="together", uncounted=True, fail=print))


def with_shots(session, **columns):
    path = session / "measured" / "shots.csv"
    pd.read_csv(path).assign(**columns).to_csv(path, index=False)
    return session


def test_a_shot_that_can_not_be_aligned_is_named(tmp_path, monkeypatch):
    laid: list[list[str]] = []
    monkeypatch.setattr("pipeline.render_run.render_together",
                        lambda films, *_, **__: laid.append([film.row["shot_id"] for film in films]))
    evening = with_shots(session_from_truth(tmp_path / "evening", CLIPS[:2]), rail_s=[2.0, None], counted=True)
    said: list[str] = []
    list(render_sessions([evening], what="together", align="cushion", say=said.append))
    assert laid == [["eveningA_01-01"]]
    assert said == ["eveningA_02-01 has no first cushion to align at: left out."]
    with pytest.raises(SettingsError, match="eveningA_02-01 has no first cushion"):
        list(render_sessions([evening], what="together", align="cushion", shots=["eveningA_01-01", "eveningA_02-01"]))
    list(render_sessions([evening], what="together", say=said.append))
    assert (laid[1:], len(said)) == ([["eveningA_01-01", "eveningA_02-01"]], 1)


def test_shots_of_tables_of_different_sizes_are_not_laid_over_one_another(session, tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.render.write_video", lambda *_, **__: 7)
    found = read_measured(session)
    films = [film_of(found, found.shot(f"{name}-01"), label="") for name in CLIPS[:2]]

    def on(length_mm):
        calibration = films[1].calibration
        table = replace(calibration.table, length_mm=length_mm, length_u_mm=1.5)
        return replace(films[1], calibration=replace(calibration, table=table))

    with pytest.raises(SettingsError, match="eveningA_01-01 and eveningA_02-01 were played on tables of different"):
        render_together([films[0], on(2340.0)], tmp_path / "t.mp4")
    assert render_together([films[0], on(2542.9)], tmp_path / "t.mp4") == 7  # one table, taped twice


def test_without_shots_no_advice_is_given_that_does_not_help(tmp_path):
    evening = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    with_shots(evening, counted=False)
    with pytest.raises(SettingsError, match="--all"):
        list(render_sessions([evening], what="together"))
    path = evening / "measured" / "shots.csv"
    pd.read_csv(path).iloc[:0].to_csv(path, index=False)
    with pytest.raises(SettingsError, match="no shot was measured"):
        list(render_sessions([evening], what="together"))


def test_a_place_that_can_not_be_written_to_bears_the_name_the_user_knows(session, tmp_path):
    taken = tmp_path / "taken"
    taken.touch()
    with pytest.raises(SettingsError, match=r"taken: is a file; give --out a folder"):
        list(render_sessions([session], what="still", out=taken / "below"))
    (tmp_path / "there.mp4").mkdir()  # in the way of the file
    with pytest.raises(OSError, match="there") as failed:
        write_video(tmp_path / "there.mp4", [np.zeros((32, 32, 3), np.uint8)], size=(32, 32), frames_per_s=30)
    assert failed.value.filename == str(tmp_path / "there.mp4")


def test_what_rounds_to_nothing_bears_no_sign(film, monkeypatch):
    said: list[str] = []
    monkeypatch.setattr("pipeline.render_ink.text", lambda _, words, *__, **___: said.append(words))
    nearly = replace(film, row={**film.row, "cut_angle_deg": -0.04, "cue_roll_ratio": -0.004})
    _caption(np.zeros((1080, 1920, 3), np.uint8), nearly, film.start_s, RenderOptions())
    assert said[1] == "roll 0.00   cut 0.0°"
    assert [to_places(value, 1) for value in (-0.04, -0.06, 0.0, 31.26)] == ["0.0", "−0.1", "0.0", "31.3"]


def test_the_command_says_where_it_wrote(session, tmp_path, capsys):
    from pipeline.command_group import app

    app(["render", str(session), "--what", "still", "--shot", "eveningA_01-01", "--out", str(tmp_path)],
        standalone_mode=False)
    assert capsys.readouterr().out.strip() == str(tmp_path / "eveningA_01-01-wide.png")
