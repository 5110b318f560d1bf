"""Ratios over a speed that may be none: empty with the reason, and no library's warning."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.synthetic.shots import bank_shot
from pipeline.launch import measure_launch
from pipeline.measured import ratio
from pipeline.rebound import measure_rebound
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()


@pytest.fixture(scope="module")
def shot():
    play = bank_shot(TABLE, speed_mps=2.0, run_mm=400.0, direction_deg=60.0)
    rows = detections_of(play, TABLE, 4.0, Look(noise_mm=0.1, seed=2, strays=0, lost=0))
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002))
    (found,) = measure_shots(rows, calibration=overhead(TABLE), settings=settings, clip="bank.mp4").measured
    assert found.rebound.restitution is not None
    assert found.launch.cue_roll_ratio is not None
    return found


def _with(motion, ball, event, change):
    """The motion if the ball had left that event with its velocity and roll so changed."""
    at, theta = motion.layout.leg[ball, event], motion.theta.copy()
    theta[at : at + 4] = change(theta[at : at + 4])
    return replace(motion, theta=theta)


def test_a_ball_that_did_not_come_towards_its_cushion_has_no_restitution(shot):
    motion = shot.motion
    ball = shot.launch.banked_ball
    contact = motion.layout.chain[ball][0]
    along = {"left": 0, "right": 0, "head": 1, "foot": 1}[shot.rebound.rail]
    still = np.zeros(4)
    still[along::2] = 1000.0  # mm/s along the cushion, none towards it
    found = measure_rebound(_with(motion, ball, contact, lambda _: still), ball=ball, table=TABLE, pocketed=None,
                            target=None, seen_until_s=4.0)
    assert found.restitution is None
    assert "restitution: the ball came in too nearly along the cushion" in found.notes
    assert np.isfinite([[m.value, m.u] for m in found.measures().values()]).all()


def test_a_ratio_over_no_speed_is_no_number():
    assert np.isnan(ratio(np.ones((2, 2)), np.array([[0.0], [-1.0]]))).all()
    assert ratio(np.array([1.0, 3.0]), np.array([2.0, 4.0])) == pytest.approx([0.5, 0.75])


def test_a_cue_ball_that_may_lie_still_at_the_hit_has_no_roll_ratio(shot, monkeypatch):
    motion = shot.motion
    (hit,) = [i for i, e in enumerate(motion.layout.events) if e.kind == "ball"]
    monkeypatch.setattr("pipeline.launch._came_in", lambda *_: True)
    found = measure_launch(_with(motion, "cue", 0, lambda leg: 0 * leg), kind="bank",
                           banked_ball=shot.launch.banked_ball, cue_fell=None, seen_until_s=4.0)
    assert hit
    assert found.cue_roll_ratio is None
    assert "cue_roll_ratio: the cue ball may have stopped before it met the other ball" in found.notes
