"""Frames that were lost or put in, with the rest closed up: told by how balls move, and set right or said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration.store import Calibration
from fixtures.synthetic import bank_shot, overhead_camera
from pipeline.clip_job import ClipTask, measure_clip
from pipeline.clock_jumps import STAMPS, UNEVEN, ClockJumps, find_clock_jumps
from pipeline.faults import Fault
from pipeline.frames import open_clip
from pipeline.freezes import find_freezes, find_gone
from pipeline.rehearsal import bank, detections
from pipeline.render_shot import ShotFilm
from pipeline.review.pictures import PictureStore, encode, small
from pipeline.sessions import find_sessions
from pipeline.shots import measure_shots
from pipeline.work import Entry, Work
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.pipeline.altered import RATE, assert_alike, measured, unaltered, write
from tests.tracking.seen import Look, detections_of

TABLE = standard_table()
RADIUS_MM = TABLE.ball.radius_mm
FRAME_S = 1.65  # of a frame in the clip in which the balls are on their way


def seen(rate: float = 60.0, seed: int = 1) -> pd.DataFrame:
    calibration = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")
    return detections(bank(TABLE, 1.5), calibration, noise_px=0.1, frame_rate=rate, shutter_s=0.004, seed=seed)


def chosen(rows: pd.DataFrame, frames: list[int], rate: float) -> pd.DataFrame:
    """These frames one after the other, at even times."""
    parts = [rows[rows["frame"] == number].assign(frame=k, t_s=k / rate) for k, number in enumerate(frames)]
    return pd.concat(parts, ignore_index=True)


def frames_of(rows: pd.DataFrame) -> list[int]:
    return rows["frame"].drop_duplicates().tolist()


def amid(rows: pd.DataFrame) -> int:
    """A frame in which the object ball is well on its way to the cushion."""
    coloured = rows[rows["white_share"] < 0.5]
    way = np.hypot(*(coloured[["x_mm", "y_mm"]] - coloured[["x_mm", "y_mm"]].iloc[0]).to_numpy().T)
    return int(coloured["frame"].iloc[int(np.argmax(way > 260.0))])


def assert_set_right(found: ClockJumps, rows: pd.DataFrame, altered: pd.DataFrame) -> None:
    """Every ball that is still there is where it was at that time."""
    right = found.corrected(altered)
    true = rows.assign(t_s=rows["t_s"] - rows["t_s"].iloc[0])
    both = right.merge(true, on=["x_mm", "y_mm"], suffixes=("", "_true"))
    assert len(both) == len(right)
    assert np.abs(both["t_s"] - both["t_s_true"]).max() < 1e-3


@pytest.mark.parametrize(("rate", "missing"), [(30.0, 1), (60.0, 1), (60.0, 2), (120.0, 1), (120.0, 3)])
def test_frames_that_are_missing_are_set_right(rate, missing):
    rows = seen(rate)
    first = amid(rows)
    lost = chosen(rows, [n for n in frames_of(rows) if not first <= n < first + missing], rate)
    found = find_clock_jumps(lost, RADIUS_MM)
    assert [round(by_s * rate, 6) for _, by_s in found.later] == [missing]
    assert f"missing at {first / rate:.2f} s" in found.warning()
    assert_set_right(found, rows, lost)


@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("how", ["put in", "in place of the next", "beforehand"])
def test_a_frame_shown_twice_is_left_out(rate, how):
    rows = seen(rate)
    numbers, at = frames_of(rows), amid(rows)
    k = numbers.index(at)
    if how == "put in":
        numbers.insert(k, at)
    else:
        numbers[k + (1 if how == "in place of the next" else -1)] = at
    twice = chosen(rows, numbers, rate)
    found = find_clock_jumps(twice, RADIUS_MM)
    assert len(found.again) == 1
    assert "shown twice" in found.warning()
    assert_set_right(found, rows, twice)


@pytest.mark.parametrize("rate", [60.0, 120.0])
@pytest.mark.parametrize("share", [0.55, 1.0])
def test_a_frame_in_which_a_ball_is_seen_poorly_is_not_taken_for_the_one_before(rate, share):
    rows = seen(rate)
    at = amid(rows)
    before, here = (rows[rows["frame"] == n].set_index("white_share")[["x_mm", "y_mm"]] for n in (at - 1, at))
    step_mm = float(np.hypot(*(here - before).to_numpy().T).max())
    poorly = rows.assign(**{u: np.where(rows["frame"] == at, share * step_mm, rows[u]) for u in ("x_u_mm", "y_u_mm")})
    found = find_clock_jumps(poorly, RADIUS_MM)
    assert not found.again
    assert not found.later
    assert not find_freezes(poorly, RADIUS_MM)


CONVERTED = {"60 to 50": (60.0, 50.0), "120 to 50": (120.0, 50.0), "30 to 25": (30.0, 25.0), "50 to 48": (50.0, 48.0),
             "25 to 30": (25.0, 30.0)}


def test_frames_lost_now_and_then_in_a_long_clip_are_all_set_right():
    rows = seen()
    at, length = amid(rows), rows["frame"].max() + 1
    shots = [rows.assign(frame=rows["frame"] + k * length) for k in range(8)]
    lost = [at + k * length for k in (0, 2, 4, 6)]
    clip = pd.concat(shots, ignore_index=True)
    found = find_clock_jumps(chosen(clip, [n for n in frames_of(clip) if n not in lost], 60.0), RADIUS_MM)
    assert not found.uneven
    assert len(found.later) == len(lost)


@pytest.mark.parametrize("rates", CONVERTED.values(), ids=CONVERTED)
def test_a_clip_of_another_frame_rate_is_named(rates):
    camera, clip = rates
    rows = seen(camera)
    numbers = frames_of(rows)
    steps = np.arange(int(len(numbers) * clip / camera)) * camera / clip
    converted = chosen(rows, [numbers[round(k)] for k in steps if round(k) < len(numbers)], clip)
    found = find_clock_jumps(converted, RADIUS_MM)
    assert found.uneven
    assert "at the camera's own rate" in found.warning()


def test_a_frame_that_is_not_missing_but_is_left_out_by_the_stamps():
    rows = seen()
    rows = rows.assign(t_s=rows["t_s"] - rows["t_s"].iloc[0])
    late = rows.assign(t_s=rows["t_s"] + np.where(rows["frame"] >= amid(rows), 1 / 60, 0.0))
    found = find_clock_jumps(late, RADIUS_MM)
    assert "stamps leave out" in found.warning()
    assert_set_right(found, rows, late)


@pytest.mark.parametrize("rate", [25.0, 60.0, 240.0])
def test_even_frames_and_gaps_that_are_stamped_are_left_alone(rate):
    rows = seen(rate)
    assert find_clock_jumps(rows, RADIUS_MM) == ClockJumps()
    at = amid(rows)
    assert find_clock_jumps(rows[~rows["frame"].between(at, at + 1)], RADIUS_MM) == ClockJumps()
    assert ClockJumps().corrected(rows) is rows
    assert not ClockJumps().warning()
    assert find_clock_jumps(rows.iloc[:0], RADIUS_MM) == ClockJumps()


@pytest.mark.parametrize("speed_mps", np.arange(3.0, 4.0, 0.1).round(2).tolist())
def test_a_ball_that_seems_to_go_on_as_another_is_no_jump(speed_mps):
    """Hit full, the other goes on a ball's width ahead: at 3.4 m/s as if one of 60 frames/s were missing."""
    play = bank_shot(TABLE, speed_mps=speed_mps, roll_ratio=0.0, cut_deg=0.0, direction_deg=62.0, until_s=2.4)
    assert find_clock_jumps(detections_of(play, TABLE, 2.2, Look(strays=0.0, lost=0.0)), RADIUS_MM) == ClockJumps()


@pytest.fixture
def plain():
    return unaltered()[1]


@pytest.mark.parametrize("times", [0, 2], ids=["lost", "twice"])
def test_a_clip_with_one_frame_lost_or_shown_twice_is_measured_as_the_clip_itself(plain, tmp_path, times):
    path = write(tmp_path / "x.mp4", lambda t, planes: [planes] * (times if abs(t - FRAME_S) < 0.5 / RATE else 1))
    record, shot = measured(path, tmp_path / "work")
    assert any("were set right" in line for line in record.warnings)
    assert "were set right" in shot["notes"]
    assert_alike(plain, shot)
    assert_tracks_lie_on_their_frames(path, Work(tmp_path / "work").entry(path))


def assert_tracks_lie_on_their_frames(path: Path, entry: Entry) -> None:
    """Of a clip opened again, for drawing and on the page, each frame is shown at the time that its tracks have."""
    tracks, calibration, clip = entry.table("tracks"), entry.calibration(), list(open_clip(path).decode())
    late = tracks[(tracks["t_s"] > FRAME_S) & tracks["shot_id"].notna()]
    numbers = dict(zip(late["t_s"].round(5), late["frame"].astype(int), strict=True))
    film = ShotFilm({}, pd.DataFrame(), {}, calibration, path, "")
    drawn = [(numbers[t_s], frame) for frame in film.frames(FRAME_S) if (t_s := round(frame.t_s, 5)) in numbers]
    assert len(drawn) == len(numbers) > 60
    assert all(np.array_equal(frame.luma, clip[number].luma) for number, frame in drawn)
    store = PictureStore()
    try:
        shot = store.of(path, FRAME_S, late["t_s"].max(), calibration)
        for t_s, number in list(numbers.items())[::20]:
            assert shot.jpeg(t_s) == encode(small(clip[number]))
    finally:
        store.close()


def test_nothing_is_measured_of_a_clip_that_was_brought_to_another_rate(tmp_path):
    number = iter(range(10_000))
    path = write(tmp_path / "x.mp4", lambda _, planes: [planes] * (next(number) % 6 != 0), 50)
    entry = Work(tmp_path / "work").entry(path)
    record = measure_clip(ClipTask(clip=path, entry=entry, settings=find_sessions([path])[0].settings))
    assert UNEVEN in record.warnings
    assert UNEVEN in (record.failure if not record.shots else entry.table("shots")["notes"].iloc[0])
    assert not record.shots or entry.table("shots")["speed_at_impact_mps"].isna().all()


def test_shots_of_frames_at_uneven_times_give_the_reason_and_no_number():
    calibration = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    (shot,) = measure_shots(seen(), calibration=calibration, settings=settings, clip="x.mp4",
                            withheld=UNEVEN).shots.to_dict("records")
    assert UNEVEN in shot["notes"]
    assert pd.isna(shot["speed_at_impact_mps"])


@pytest.mark.parametrize("rate", [60.0, 120.0])
def test_time_stamps_that_scatter_are_told_from_frames_that_do(rate):
    rows = seen(rate)
    times = rows["t_s"].unique()
    late = dict(zip(times, np.random.default_rng(2).uniform(-0.2, 0.2, len(times)) / rate, strict=True))
    assert find_clock_jumps(rows.assign(t_s=rows["t_s"] + rows["t_s"].map(late)), RADIUS_MM).by_stamps
    assert not find_clock_jumps(rows, RADIUS_MM).by_stamps


def test_many_frames_that_are_gone_are_found():
    rows = seen()
    first = amid(rows)
    lost = chosen(rows, [n for n in frames_of(rows) if not first <= n < first + 8], 60.0)
    (fault,) = find_gone(lost, RADIUS_MM)
    assert fault.until_s == pytest.approx(first / 60, abs=0.5 / 60)
    assert not find_gone(rows, RADIUS_MM)
    assert not find_gone(rows[~rows["frame"].between(first, first + 7)], RADIUS_MM)  # their stamps say so


def test_a_fault_that_may_spoil_a_shot_is_the_reason_only_where_the_fit_misses():
    rows = seen()
    times = rows["t_s"].unique()
    late = dict(zip(times, np.random.default_rng(2).uniform(-0.2, 0.2, len(times)) / 60, strict=True))
    faults = [Fault(0.0, float(times[-1]), STAMPS)]
    calibration = Calibration("x", overhead_camera(TABLE), TABLE, 0.0, "exact")
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.004))
    uneven, good = (measure_shots(some, calibration=calibration, settings=settings, clip="x.mp4", faults=faults).shots
                    for some in (rows.assign(t_s=rows["t_s"] + rows["t_s"].map(late)), rows))
    assert STAMPS in uneven["notes"].iloc[0]
    assert uneven["speed_at_impact_mps"].isna().all()
    assert STAMPS not in str(good["notes"].iloc[0])
    assert good["speed_at_impact_mps"].iloc[0] > 0
