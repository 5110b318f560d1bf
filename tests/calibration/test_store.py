"""calibration.json: what is written comes back, and what others rely on is in it."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.clock import AS_STAMPED, ClipClock
from calibration.moves import UNMOVED, CameraMoves
from calibration.pose import CameraPose
from calibration.store import Calibration, from_record, read_calibrations, to_record, write_calibrations
from fixtures.synthetic.camera import Lens, overhead_camera
from pipeline.systematic import displacement_fields
from shared.equipment import standard_table
from shared.errors import CalibrationError
from shared.files import write_json

NAMES = ("f", "cx", "cy", "k1", "k2", "rx", "ry", "rz", "tx", "ty", "tz")
SPREAD = np.array([5.0, 1.0, 1.0, 1e-3, 1e-3, 2e-4, 2e-4, 1e-4, 0.5, 0.5, 8.0])


def calibration(clip: str = "a.mp4", *, known: bool = True) -> Calibration:
    table = standard_table("pool-8ft")
    camera = overhead_camera(table, tilt_deg=7.0, lens=Lens(k1=-0.05))
    mixed = np.linalg.qr(np.random.default_rng(2).normal(size=(11, 11)))[0]
    covariance = np.diag(SPREAD) @ (0.7 * np.eye(11) + 0.3 * mixed @ mixed.T) @ np.diag(SPREAD)
    pose = CameraPose(camera.K, camera.distortion, camera.R, camera.t_mm, camera.width_px, camera.height_px,
                      parameters=NAMES if known else (), covariance=covariance if known else None)
    return Calibration(clip, pose, table, 0.12, "found in the picture", ("one thing",))


@pytest.mark.parametrize("known", [True, False])
def test_written_calibrations_come_back(tmp_path, known):
    path = tmp_path / "calibration.json"
    write_calibrations(path, [calibration("a.mp4", known=known), calibration("b.mov", known=known)])
    back = read_calibrations(path)
    assert [c.clip for c in back] == ["a.mp4", "b.mov"]
    assert to_record(back[1]) == to_record(calibration("b.mov", known=known))
    assert back[0].table == standard_table("pool-8ft")


def test_a_clips_clock_comes_back_and_is_plain_in_a_file_from_before_it_was_kept(tmp_path):
    path, clock = tmp_path / "calibration.json", ClipClock((1.25,), ((1.3, -1 / 60), (7.0, 2 / 60)))
    write_calibrations(path, [replace(calibration(), clock=clock)])
    assert read_calibrations(path)[0].clock == clock
    record = to_record(calibration())
    assert from_record(record).clock == AS_STAMPED
    del record["clock"]
    assert from_record(record).clock == AS_STAMPED


@pytest.mark.parametrize("times", [(float("nan"),), (1.0, float("inf")), (2.0, 1.0)])
def test_moves_at_no_time_or_in_no_order_are_told_in_a_line(tmp_path, times):
    path = tmp_path / "calibration.json"
    moves = [{"from_s": from_s, "R": None, "t": None} for from_s in times]
    path.write_text(json.dumps({"a.mp4": {**to_record(calibration()), "moves": moves}}))
    with pytest.raises(CalibrationError, match="measure again"):
        read_calibrations(path)


def test_how_a_clips_camera_moved_comes_back_and_is_nothing_in_a_file_from_before_it_was_kept(tmp_path):
    path, still = tmp_path / "calibration.json", calibration()
    there = replace(still.pose, R=still.pose.R @ cv2.Rodrigues(np.array([0.01, 0.0, 0.02]))[0],
                    t_mm=still.pose.t_mm + np.array([5.0, -3.0, 1.0]))
    write_calibrations(path, [replace(still, moves=CameraMoves.of([1.5, 4.0], [there, None]))])
    back = read_calibrations(path)[0]
    for t_s, pose in ((0.0, still.pose), (1.49, still.pose), (1.5, there), (3.99, there), (4.0, still.pose)):
        assert (back.pose_at(t_s).R == pose.R).all()
        assert (back.pose_at(t_s).t_mm == pose.t_mm).all()
    assert back.pose_at(0.0) is back.pose_at(9.0) is back.pose
    assert back.pose_at(2.0) is back.pose_at(3.0)
    record = to_record(still)
    del record["moves"]
    assert from_record(record).moves == UNMOVED
    for spoilt in ([{"from_s": 1.0}], [{"from_s": 1.0, "R": [1.0], "t": [1.0, 2.0, 3.0]}], [3]):
        write_json(path, {"a.mp4": to_record(still) | {"moves": spoilt}})
        with pytest.raises(CalibrationError, match="measure again"):
            read_calibrations(path)


def test_record_holds_what_the_contract_names():
    record = json.loads(json.dumps(to_record(calibration())))
    assert {"width_px", "height_px", "corners_px", "K", "distortion", "R", "t", "rms_px", "how"} <= set(record)
    seen = np.array(record["K"]) @ (np.array(record["R"]) @ np.array([1168.4, 584.2, 0.0]) + np.array(record["t"]))
    middle = calibration().pose.to_image([[1168.4, 584.2, 0.0]])[0]
    assert seen[:2] / seen[2] == pytest.approx(middle, abs=0.5)  # distortion is small in the middle
    assert np.shape(record["corners_px"]) == (4, 2)


@pytest.mark.parametrize("content", ["", "{", '{"a": 1}', '{"a": {}}', "[]"])
def test_a_spoilt_file_is_refused(tmp_path, content):
    path = tmp_path / "calibration.json"
    path.write_text(content)
    with pytest.raises(CalibrationError, match=r"calibration\.json cannot be read"):
        read_calibrations(path)


def test_position_covariance_is_that_of_many_cameras():
    """Against cameras drawn from the stated covariance."""
    one = calibration()
    pose, z = one.pose, one.table.ball.radius_mm
    places = np.array([[200.0, 150.0], [1168.0, 584.0], [2200.0, 1000.0]])
    px = pose.to_image(np.column_stack([places, np.full(3, z)]))
    rng = np.random.default_rng(4)
    draws = rng.multivariate_normal(pose.parameter_values, pose.covariance, size=1500)
    moved = np.array([pose.with_parameters(values).to_table(px, z) for values in draws])
    drawn = np.array([np.cov(moved[:, i].T) for i in range(3)])
    size = np.array([np.diag((place / [2336.8, 1168.4] * one.table.length_u_mm) ** 2) for place in places])
    stated = one.position_covariance(places, z) - size
    assert np.trace(stated, axis1=1, axis2=2) == pytest.approx(np.trace(drawn, axis1=1, axis2=2), rel=0.12)


def test_without_a_camera_covariance_only_the_table_size_counts():
    one = calibration(known=False)
    assert one.corners_u_px is None
    covariance = one.position_covariance([[2336.8, 0.0]], 28.575)[0]
    assert covariance == pytest.approx(np.diag([one.table.length_u_mm**2, 0.0]))


def test_each_size_of_the_table_has_its_own_uncertainty():
    one = calibration(known=False)
    one = replace(one, table=replace(one.table, length_u_mm=0.5, width_u_mm=7.0))
    far = [[one.table.length_mm, one.table.width_mm]]
    assert one.position_covariance(far, 0.0)[0] == pytest.approx(np.diag([0.25, 49.0]))
    assert displacement_fields(one)(np.array(far))[0][:, :2] == pytest.approx(np.diag([0.5, 7.0]))


def test_a_file_from_before_sizes_had_an_uncertainty_each_is_read():
    record = to_record(calibration())
    del record["table"]["length_u_mm"], record["table"]["width_u_mm"]
    record["table"]["size_u_mm"] = 2.5
    table = from_record(record).table
    assert (table.length_u_mm, table.width_u_mm) == (2.5, 2.5)
