"""A ball that is hardly seen after a cushion: nothing is said of how it left, in any table."""

import pandas as pd
import pytest

from fixtures.synthetic.physics import Surface
from fixtures.synthetic.shots import kick_shot
from pipeline.fingerprint import fingerprint
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()
LEAVING = ["speed_out_mps", "speed_out_mps_u", "angle_out_deg", "angle_out_deg_u"]
PLAY = kick_shot(TABLE, surface=Surface(cushion_restitution=0.55), speed_mps=2.0, direction_deg=50,
                 place_share=(0.2, 0.2), until_s=4.0)
CUSHIONS = [event["t"] for event in PLAY.events if event["kind"] == "cushion"]


@pytest.mark.parametrize(("cushion", "seen_s", "told"), [(0, 0.035, [False]), (1, 0.035, [True, False]),
                                                        (1, 0.07, [True, True])])
def test_nothing_is_said_of_how_a_ball_left_a_cushion_after_which_it_was_hardly_seen(cushion, seen_s, told):
    rows = detections_of(PLAY, TABLE, CUSHIONS[cushion] + seen_s, Look(strays=0, lost=0))
    settings = SessionSettings(table=TABLE, camera=CameraSettings(shutter_s=0.002))
    found = measure_shots(rows, calibration=overhead(TABLE), settings=settings, clip="kick.mp4")
    met = found.contacts[found.contacts["kind"] == "cushion"]
    assert met["angle_in_deg"].notna().tolist() == [True] * len(told)
    for name in LEAVING:
        assert met[name].notna().tolist() == told, name
    assert pd.notna(found.shots.iloc[0]["restitution"]) == told[0]
    table = fingerprint(found.contacts, found.shots)
    of_all = table[["cushion", "speed_from_mps", "angle_from_deg"]].isna().all(axis=1)
    assert table.loc[of_all & (table["quantity"] == "cushion_restitution"), "contacts"].sum() == sum(told)
