"""A cue ball lighter or heavier than the others, as on coin-operated tables: said, and no shot lost for it."""

import numpy as np
import pytest

from fixtures.synthetic import bank_shot, physics
from tests.tracking.test_close_contacts import TABLE, seen_as

MEETING = physics.meet_ball


def unequal(cue_weight):
    """The hit with the cue ball so many times as heavy as the other (only the cue ball hits here)."""

    def meet(cue, other, radius_mm, surface):
        _, w1, v2, w2 = MEETING(cue, other, radius_mm, surface)
        share = 2 * cue_weight / (1 + cue_weight)
        return (cue[1] - (v2 - other[1]) * share / cue_weight, cue[2] + (w1 - cue[2]) * share / cue_weight,
                other[1] + (v2 - other[1]) * share, other[2] + (w2 - other[2]) * share)

    return meet


@pytest.mark.parametrize(("cue_weight", "said"), [(1.0, False), (0.92, True), (1.1, True)])
def test_unequal_weights_are_said_and_what_does_not_lean_on_them_is_right(cue_weight, said, monkeypatch):
    monkeypatch.setattr(physics, "meet_ball", unequal(cue_weight))
    play = bank_shot(TABLE, direction_deg=65.0, cut_deg=2.0, object_share=(0.45, 0.5), speed_mps=3.0, roll_ratio=0.2)
    found, errors = seen_as(play, TABLE, np.random.default_rng(2), frame_rate=60.0, noise_mm=0.3)
    (row,) = found.shots.to_dict("records")
    assert ("unequal weights?" in (row["notes"] or "")) == said
    left = errors[~errors["measure"].isin(["cue_impact_speed_mps", "cue_roll_ratio"])]
    assert len(left) > 15
    assert left["z"].abs().max() < 4.0
