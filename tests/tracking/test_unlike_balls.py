"""A cue ball lighter or heavier than the others, as on coin-operated tables: said, and no shot lost for it."""

import numpy as np
import pytest

from fixtures.synthetic import Surface, bank_shot
from pipeline.learning import learnt_from_others
from pipeline.physics import Friction
from tests.tracking.test_close_contacts import TABLE, seen_as

DIFFERENT = ((57.0, -20.0, 1.8, 0.1), (65.0, 2.0, 3.0, 0.2), (72.0, 18.0, 2.4, 0.8))  # direction, cut, speed, roll


@pytest.mark.parametrize(("cue_weight", "said"), [(1.0, False), (0.92, True), (1.1, True)])
def test_unequal_weights_are_said_and_what_does_not_lean_on_them_is_right(cue_weight, said):
    play = bank_shot(TABLE, direction_deg=65.0, cut_deg=2.0, object_share=(0.45, 0.5), speed_mps=3.0, roll_ratio=0.2,
                     surface=Surface(cue_weight=cue_weight))
    found, errors = seen_as(play, TABLE, np.random.default_rng(2), frame_rate=60.0, noise_mm=0.3)
    (row,) = found.shots.to_dict("records")
    assert ("unequal weights?" in (row["notes"] or "")) == said
    left = errors[~errors["measure"].isin(["cue_impact_speed_mps", "cue_roll_ratio"])]
    assert len(left) > 15
    assert left["z"].abs().max() < 4.0


def test_shots_tell_each_other_how_the_balls_differ():
    """Measured alone, shots lean on equal balls and say so; with what the others say, they are right."""
    plays = [bank_shot(TABLE, direction_deg=direction, cut_deg=cut, object_share=(0.45, 0.5), speed_mps=speed,
                       roll_ratio=roll, surface=Surface(cue_weight=0.92)) for direction, cut, speed, roll in DIFFERENT]
    told, alone = {}, []
    for n, play in enumerate(plays):
        found, errors = seen_as(play, TABLE, np.random.default_rng(n), frame_rate=60.0, noise_mm=0.3)
        assert "unequal weights?" in found.shots["notes"].iloc[0]
        told[n] = found.told[1]
        alone.append(errors.set_index("measure")["z"]["cue_roll_ratio"])
    learnt = learnt_from_others(told, {}, Friction())
    together = []
    for n, play in enumerate(plays):
        assert learnt[n].cue_mass.ratio == pytest.approx(0.92, abs=3 * learnt[n].cue_mass.u)
        found, errors = seen_as(play, TABLE, np.random.default_rng(n), frame_rate=60.0, noise_mm=0.3,
                                learnt={1: learnt[n]})
        assert "unequal" not in (found.shots["notes"].iloc[0] or "")
        assert errors["z"].abs().max() < 3.3
        together.append(errors.set_index("measure")["z"]["cue_roll_ratio"])
    assert np.abs(alone).max() > 1.5 * np.abs(together).max()
