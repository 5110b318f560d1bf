"""A recording that begins after the strike gives no shot, and says so."""

import numpy as np
import pytest

from fixtures.synthetic import bank_shot
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import Look, detections_of, joined, overhead

TABLE = standard_table()


def take(seed, from_s=0.0, speed_mps=2.2):
    rows = detections_of(bank_shot(TABLE, cut_deg=3.0, speed_mps=speed_mps, until_s=4.0), TABLE, 3.5, Look(seed=seed))
    rows = rows[rows["t_s"] >= from_s].copy()
    rows["frame"] -= rows["frame"].min()
    rows["t_s"] -= from_s
    return rows


def measured(rows):
    return measure_shots(rows, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="a.mp4")


def told(found):
    return [note for note in found.notes if "rolls already" in note]


@pytest.mark.parametrize("from_s", [0.41, 0.6, 1.0])  # before the hit, and after it
def test_a_clip_that_begins_after_the_strike_says_so(from_s):
    found = measured(take(1, from_s))
    assert not len(found.shots)
    assert len(told(found)) == 1


@pytest.mark.parametrize("order", [(0.0, 0.5), (0.5, 0.0)])
def test_among_joined_takes_the_whole_one_is_measured_and_the_other_named(order):
    found = measured(joined(*(take(seed, from_s, 2.0 + 0.2 * seed) for seed, from_s in enumerate(order))))
    assert len(found.shots) == 1
    assert found.shots["incoming_angle_deg"].notna().all()
    assert len(told(found)) == 1
    begins = found.measured[0].followed.strike.t_s
    assert ("(0.0" in told(found)[0]) == (begins > 2.0)


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_said_of_takes_that_begin_at_rest(seed):
    rng = np.random.default_rng(seed)
    assert not told(measured(take(seed, rng.uniform(0, 0.25), rng.uniform(0.6, 6))))
