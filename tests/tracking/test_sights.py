"""Places in sights: they grow with the table, so its size matters to them far less than to millimetres."""

from dataclasses import replace

import pytest

from fixtures.synthetic import bank_shot
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import SessionSettings
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()


@pytest.mark.parametrize("direction", [55.0, 62.0])
def test_a_tables_size_hardly_matters_to_a_place_in_sights(direction):
    play = bank_shot(TABLE, speed_mps=2.6, direction_deg=direction, until_s=3.0)
    rows = detections_of(play, TABLE, 2.4, Look(noise_mm=0.3, seed=1, strays=0))
    found = []
    for size_u_mm in (0.01, 6.0):
        table = replace(TABLE, length_u_mm=size_u_mm, width_u_mm=size_u_mm)
        calibration = replace(overhead(TABLE), table=table)
        measured = measure_shots(rows, calibration=calibration, settings=SessionSettings(table=TABLE), clip="bank.mp4")
        found.append((measured.shots.iloc[0], measured.contacts[measured.contacts["kind"] == "cushion"].iloc[0]))
    (exact, contact), (rough, rough_contact) = found
    along = "x_mm_u" if contact["other"] in ("left", "right") else "y_mm_u"
    assert rough_contact[along] > 5 * contact[along]
    assert rough["rail_sight_u"] == pytest.approx(exact["rail_sight_u"], rel=0.5)
    assert 0 < rough["rail_sight_u"] < 0.002
