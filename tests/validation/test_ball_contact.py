"""The balls' restitution and friction in the fingerprint: as uncertain as they are, and only where frames tell them."""

from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic.physics import Surface
from fixtures.synthetic.shots import bank_shot
from pipeline.fingerprint import fingerprint
from pipeline.learning import ClothAndBalls
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()
CUT_DEG = 45.0
RESTITUTION = 0.88  # far from the middle of the published band, which many shots must not draw it to
FRICTION = 0.09  # and this from none, which the fit begins from


def _stun_hit(cut_deg, seed, noise_mm=0.3):
    surface = Surface(ball_restitution=RESTITUTION, ball_friction=FRICTION)
    play = bank_shot(TABLE, surface=surface, speed_mps=2.2, roll_ratio=0.0, cut_deg=cut_deg, direction_deg=65,
                     run_mm=400, until_s=2.0)
    rows = detections_of(play, TABLE, 1.7, Look(noise_mm=noise_mm, seed=seed, strays=0, lost=0))
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002))
    return measure_shots(rows, calibration=overhead(TABLE), settings=settings, clip=f"hit{seed}.mp4")


@pytest.fixture(scope="module")
def hits():
    return [_stun_hit((-1) ** seed * CUT_DEG, seed) for seed in range(100, 110)]


@pytest.mark.parametrize(("name", "true", "least"),
                         [("restitution", RESTITUTION, 0.3), ("ball_friction", FRICTION, 0.2)])
def test_a_cut_hits_answer_is_as_uncertain_as_it_is_wrong(hits, name, true, least):
    told = [getattr(found.told[1], name) for found in hits]
    off = np.array([(one.value - true) / one.u for one in told])
    assert least < np.sqrt((off**2).mean()) < 1.3
    # Not drawn to what is published, as much by every shot.
    own = np.sqrt([one.u**2 - one.common_u**2 for one in told])
    together = np.mean([one.value for one in told])
    assert together == pytest.approx(true, abs=1.2 * own.mean() / np.sqrt(len(own)))


def test_a_full_hit_shows_restitution_best_and_friction_not_at_all(hits):
    full = _stun_hit(0.0, 1).told[1]  # nothing is carried across the line of centres
    assert np.mean([found.told[1].restitution.u for found in hits]) > 3 * full.restitution.u
    assert full.ball_friction is None


def test_the_fingerprint_joins_what_each_shot_says(hits):
    contacts, shots = (pd.concat([getattr(found, name) for found in hits]) for name in ("contacts", "shots"))
    told = {str(found.shots.iloc[0]["shot_id"]): found.told[1] for found in hits}
    assert ClothAndBalls.kept(asdict(told["hit100-01"])) == told["hit100-01"]
    table = fingerprint(contacts, shots, told=told)
    for quantity, true in (("ball_restitution", RESTITUTION), ("ball_friction", FRICTION)):
        row = table[table["quantity"] == quantity].iloc[0]
        assert row["contacts"] == len(hits)
        assert row["value"] == pytest.approx(true, abs=2 * row["value_u"])
        nothing = fingerprint(contacts, shots)
        assert nothing.loc[nothing["quantity"] == quantity, "value"].isna().all()


def test_a_hit_that_hardly_shows_the_balls_restitution_says_nothing_of_it():
    """Else it would say what is published."""
    found = _stun_hit(60.0, 3, noise_mm=0.6)
    assert pd.notna(found.shots.iloc[0]["cut_angle_deg"])
    assert found.told[1].restitution is None
