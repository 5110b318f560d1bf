"""Rolling shutter: apparent speed scales by 1 / (1 - u tau), u lines/s along the read-out, tau s per line.

Source: kinematics of a line-by-line exposure; example computed independently (1.2 m/s, 0.75 px/mm, 15 ms, 1080 lines).
"""

import math

import numpy as np
import pandas as pd
import pytest

from fixtures.synthetic import Scene, overhead_camera
from fixtures.synthetic.balls import Instant, draw_ball
from pipeline.shutter import at_read_times, speed_factor, with_read_offsets
from shared.equipment import standard_table


def test_speed_with_and_against_the_read_out():
    assert speed_factor(speed_mps=1.2, mm_per_px=1 / 0.75, height_px=1080, readout_s=0.015) == pytest.approx(1.0126582)
    assert speed_factor(speed_mps=-1.2, mm_per_px=1 / 0.75, height_px=1080, readout_s=0.015) == pytest.approx(0.9876543)


def test_out_over_in_is_off_by_the_product():
    down = speed_factor(speed_mps=1.2, mm_per_px=1 / 0.75, height_px=1080, readout_s=0.015)
    up = speed_factor(speed_mps=-1.2, mm_per_px=1 / 0.75, height_px=1080, readout_s=0.015)
    assert up / down == pytest.approx(0.9753086, abs=1e-7)


def _filmed(velocity_px_s, rotation_deg=0):
    """A ball in uniform motion, seen by a 1920 x 1080 sensor that takes 15 ms to read from its top to its bottom."""
    frames = np.arange(30) / 60
    start = np.array([300.0, 200.0])
    rows = []
    for t in frames:
        seen = t
        for _ in range(40):
            place = start + velocity_px_s * seen
            seen = t + ((place[1] + 0.5) / 1080 - 0.5) * 0.015
        rows.append((t, *place))
    t, x, y = np.array(rows).T
    if rotation_deg == 90:  # displayed upright: turned clockwise
        x, y = 1079 - y, x
    return pd.DataFrame({"t_s": t, "x_px": x, "y_px": y})


@pytest.mark.parametrize(("velocity", "factor"), [((0.0, 900.0), 1.0126582), ((400.0, 900.0), 1.0126582)])
def test_left_alone_speed_is_wrong_and_direction_right(velocity, factor):
    seen = _filmed(np.array(velocity))
    slopes = np.array([np.polyfit(seen["t_s"], seen[c], 1)[0] for c in ("x_px", "y_px")])
    assert slopes == pytest.approx(np.array(velocity) * factor, rel=1e-6)
    assert math.atan2(slopes[0], slopes[1]) == pytest.approx(math.atan2(*velocity), abs=1e-9)


@pytest.mark.parametrize("rotation_deg", [0, 90])
def test_read_times_give_the_true_speed_back(rotation_deg):
    velocity = np.array([400.0, 900.0])
    size = {"width_px": 1920, "height_px": 1080} if rotation_deg == 0 else {"width_px": 1080, "height_px": 1920}
    rows = with_read_offsets(_filmed(velocity, rotation_deg), rotation_deg=rotation_deg, readout_s=0.015, **size)
    mended = at_read_times(rows)
    slopes = [np.polyfit(mended["t_s"], mended[c], 1)[0] for c in ("x_px", "y_px")]
    assert slopes == pytest.approx([400.0, 900.0] if rotation_deg == 0 else [-900.0, 400.0], rel=1e-6)


def test_without_a_read_out_time_nothing_changes():
    rows = _filmed(np.array([0.0, 900.0]))
    same = with_read_offsets(rows, width_px=1920, height_px=1080, rotation_deg=0, readout_s=None)
    pd.testing.assert_frame_equal(at_read_times(same), rows)


def test_a_drawn_ball_leans_as_one_whose_rows_were_read_one_after_the_other():
    table = standard_table("pool-9ft")
    scene = Scene(table=table, camera=overhead_camera(table, width_px=1280, height_px=720))
    place, mm_per_row = np.array([1200.0, 600.0]), np.array([0.09, 0.05])  # 4 and 2 m/s at 15 ms
    radius, colour = table.ball.radius_mm, (0.72, 0.80, 0.84)
    middle, ahead = scene.camera.to_image([[*place, radius], [*(place + mm_per_row), radius]])
    leaning = np.zeros((720, 1280, 3), np.float32)
    rows, columns = draw_ball(leaning, scene, colour, [Instant(tuple(place))], lean=tuple(ahead - middle))
    row_by_row, upright = np.zeros_like(leaning), np.zeros_like(leaning)
    for row in range(rows.start, rows.stop):
        drawn = np.zeros_like(leaning)
        draw_ball(drawn, scene, colour, [Instant(tuple(place + (row - middle[1]) * mm_per_row))])
        row_by_row[row] = drawn[row]
    draw_ball(upright, scene, colour, [Instant(tuple(place))])
    window = rows, columns
    off, without = (np.abs(picture - row_by_row)[window] for picture in (leaning, upright))
    assert off.mean() < 0.25 * without.mean()
    assert np.quantile(off, 0.99) < 0.25 * np.quantile(without, 0.99)
