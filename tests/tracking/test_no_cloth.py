"""A fit that needs a friction which no cloth has followed something that was overlooked."""

from __future__ import annotations

import pytest

from fixtures.synthetic import bank_shot
from pipeline.physics import Friction
from pipeline.shot_motion import no_cloth
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import COLOURS, Look, detections_of, overhead

TABLE = standard_table()


@pytest.mark.parametrize(("sliding", "rolling", "fine"), [
    (0.2, 0.01, True), (0.15, 0.005, True), (0.4, 0.015, True),  # the published bands' ends (Alciatore FAQ)
    (2.9, 0.01, False), (0.02, 0.01, False), (0.2, 0.5, False), (0.2, 0.0004, False),
])
def test_published_frictions_are_believed_and_absurd_ones_not(sliding, rolling, fine):
    words = no_cloth(Friction(sliding, rolling), Friction())
    assert (words == "") is fine
    assert fine or "which no cloth has" in words


def test_what_was_known_to_be_unusual_is_believed():
    assert no_cloth(Friction(1.0, 0.01), Friction(1.0, 0.01)) == ""


@pytest.mark.parametrize("seed", range(4))
def test_an_object_ball_that_was_never_seen_makes_no_kick(seed):
    """The cue ball's own track then turns where nothing is: whatever is measured must not stand there in silence."""
    play = bank_shot(TABLE, cut_deg=-20.0 + 12.0 * seed, speed_mps=3.3, roll_ratio=0.1, until_s=2.6)
    rows = detections_of(play, TABLE, 2.4, Look(strays=0.0, seed=seed))
    cue = rows[(rows["white_share"] - COLOURS["cue"][3]).abs() < 0.05]
    found = measure_shots(cue, calibration=overhead(TABLE), settings=SessionSettings(table=TABLE), clip="unseen.mp4")
    for row in found.shots.to_dict("records"):
        assert row["kind"] != "bank"
        assert row["notes"]
        true = play.events[0]["after"]["cue"]["v_mm_s"]
        speed = (true[0] ** 2 + true[1] ** 2) ** 0.5 / 1000
        if row["cue_speed_mps"] == row["cue_speed_mps"]:
            assert abs(row["cue_speed_mps"] - speed) < 5 * row["cue_speed_mps_u"]
