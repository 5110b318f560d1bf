"""Tables and balls against the standards that set them.

Sources: WPA Tournament Table & Equipment Specifications (2001 text, read in reproductions); Official Rules of Snooker,
section 1 (WPBSA/IBSF, reproduced text); UMB World Rules of Carom Billiard, art. 11 (read in a translation). The contact
distances are computed: sqrt(h (2R - h)).
"""

import math

import numpy as np
import pytest

from shared.equipment import standard_table


@pytest.mark.parametrize(
    ("name", "length", "width", "ball"),
    [
        ("pool-9ft", 2540.0, 1270.0, 57.15),  # WPA 5: 100 x 50 in; 2.25 in
        ("pool-8ft", 2336.8, 1168.4, 57.15),  # WPA 5: 92 x 46 in
        ("snooker-12ft", 3569.0, 1778.0, 52.5),  # snooker 1(a), 2
        ("carom-284", 2840.0, 1420.0, 61.5),  # UMB 11(4); largest ball
    ],
)
def test_sizes_of_the_standards(name, length, width, ball):
    table = standard_table(name)
    assert (table.length_mm, table.width_mm) == (length, width)
    assert table.ball.diameter_mm == pytest.approx(ball, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "tolerance"),
    [
        ("pool-9ft", 3.175),
        ("pool-8ft", 3.175),
        ("snooker-12ft", 13.0),
        ("carom-284", 5.0),
    ],
)
def test_the_standards_tolerance_is_the_half_width_of_a_rectangular_distribution(name, tolerance):
    table = standard_table(name)
    assert (table.length_u_mm, table.width_u_mm) == pytest.approx([tolerance / math.sqrt(3)] * 2)


@pytest.mark.parametrize(("taped", "other"), [("length", "width"), ("width", "length")])
def test_only_a_size_that_was_taped_is_known_as_well_as_by_tape(taped, other):
    standard = standard_table("snooker-12ft")
    table = standard_table("snooker-12ft", **{f"{taped}_mm": getattr(standard, f"{taped}_mm") + 4})
    assert getattr(table, f"{taped}_u_mm") == pytest.approx(1 / math.sqrt(3))
    assert getattr(table, f"{other}_u_mm") == pytest.approx(13 / math.sqrt(3))


def test_pool_nose_height_lies_in_the_standards_range():
    """WPA: 62.5 to 64.5 % of the ball, that is 35.72 to 36.86 mm."""
    assert 35.71875 <= standard_table("pool-9ft").nose_height_mm <= 36.86175


def test_pool_mouths_lie_in_the_standards_range():
    """WPA 9: corner 114.3 to 117.5 mm, side 127.0 to 130.2 mm."""
    table = standard_table("pool-9ft")
    assert 114.3 <= table.corner_mouth_mm <= 117.5
    assert 127.0 <= table.side_mouth_mm <= 130.2


def test_snooker_pockets_have_no_published_width():
    """Snooker pockets go by templates; the rules give no numbers, so there must be none here."""
    table = standard_table("snooker-12ft")
    assert table.corner_mouth_mm is None
    assert table.side_mouth_mm is None


@pytest.mark.parametrize(("name", "spacing"), [("pool-9ft", 317.5), ("pool-8ft", 292.1), ("carom-284", 355.0)])
def test_sights_divide_the_length_in_eighths_and_the_width_in_quarters(name, spacing):
    """WPA 6 (12.5 in, 11.5 in), UMB 11(6)."""
    table = standard_table(name)
    long_rail = np.unique(table.sights_mm[table.sights_mm[:, 1] < 0][:, 0])
    short_rail = np.unique(table.sights_mm[table.sights_mm[:, 0] < 0][:, 1])
    assert np.allclose(np.round(long_rail / spacing), long_rail / spacing)
    assert np.allclose(np.diff(short_rail), spacing)


def test_pool_has_eighteen_sights_behind_the_nose_line():
    """WPA 6: 18 sights, 3 11/16 in (93.66 mm) behind the nose line."""
    sights = standard_table("pool-9ft").sights_mm
    assert len(sights) == 18
    assert -sights.min() == pytest.approx(93.66, abs=0.01)


@pytest.mark.parametrize(
    ("name", "nose", "reach"),
    [
        ("pool-9ft", 36.29025, 27.51373),
        ("pool-9ft", 35.71875, 27.66763),
        ("pool-9ft", 36.86175, 27.34704),
        ("carom-284", 37.0, 30.10814),
        ("snooker-12ft", 36.75, 24.05852),
    ],
)
def test_how_far_from_the_nose_a_ball_touches_it(name, nose, reach):
    table = standard_table(name, nose_height_mm=nose)
    assert table.contact_distance_mm(table.ball.radius_mm) == pytest.approx(reach, abs=1e-5)
