"""Lines that hold for several responses alike."""

from __future__ import annotations

from pipeline.compare.said_once import said_once


def test_what_differs_in_the_response_alone_is_one_line_that_names_them_all():
    few = "cloth worn: fewer than 3 counted shots, taken to scatter as the others do."
    said = [
        ("bank", "rebound angle", [f"bank, rebound angle: {few}", "balls: mostly empty."]),
        ("bank", "miss", [f"bank, miss: {few}"]),
        ("bank", "speed ratio",
         [f"bank, speed ratio: {few}", "bank, speed ratio: 2 shots without a value.", "balls: mostly empty."]),
        ("kick", "miss", [f"kick, miss: {few}"]),
        ("", "miss", ["miss: nothing to compare."]),
    ]
    assert said_once(said) == (
        f"bank, rebound angle, miss and speed ratio: {few}",
        "balls: mostly empty.",
        "bank, speed ratio: 2 shots without a value.",
        f"kick, miss: {few}",
        "miss: nothing to compare.",
    )
