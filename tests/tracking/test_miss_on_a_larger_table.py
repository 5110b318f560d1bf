"""Where a ball arrives at a pocket: the mouth moves with the table's size as the ball does, wherever the pocket is."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.synthetic.shots import kick_shot
from pipeline.shots import measure_shots
from shared.equipment import standard_table
from shared.settings import CameraSettings, SessionSettings
from tests.tracking.seen import Look, detections_of, overhead

TABLE = standard_table()
SIZE_U_MM = 4.0


def _miss(rows, target, *, size_u_mm=0.01, **said_mm):
    """miss_mm and its uncertainty, on the table as its sizes are said to be."""
    table = replace(TABLE, length_u_mm=size_u_mm, width_u_mm=size_u_mm, **said_mm)
    rows = rows.assign(x_mm=rows["x_mm"] * table.length_mm / TABLE.length_mm,
                       y_mm=rows["y_mm"] * table.width_mm / TABLE.width_mm)
    settings = SessionSettings(table=table, camera=CameraSettings(shutter_s=0.002))
    calibration = replace(overhead(TABLE), table=table)
    shot = measure_shots(rows, calibration=calibration, settings=settings, clip="kick.mp4", targets={None: target})
    return shot.shots.iloc[0]["miss_mm"], shot.shots.iloc[0]["miss_mm_u"]


@pytest.mark.parametrize(("target", "place", "direction"), [
    ("head-left", (0.4, 0.7), 4.0), ("head-right", (0.6, 0.3), 122.0),
])
def test_a_miss_is_as_uncertain_as_another_size_of_the_table_would_move_it(target, place, direction):
    play = kick_shot(TABLE, speed_mps=2.2, direction_deg=direction, place_share=place, until_s=4.0)
    rows = detections_of(play, TABLE, 4.0, Look(noise_mm=0.1, seed=2, strays=0, lost=0))
    miss, noise = _miss(rows, target)
    longer, _ = _miss(rows, target, length_mm=TABLE.length_mm + SIZE_U_MM)
    wider, _ = _miss(rows, target, width_mm=TABLE.width_mm + SIZE_U_MM)
    _, u = _miss(rows, target, size_u_mm=SIZE_U_MM)
    assert u == pytest.approx(np.hypot(noise, np.hypot(longer - miss, wider - miss)), rel=0.1)
