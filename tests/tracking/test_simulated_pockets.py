"""Simulated balls fall where those of the footage do, whose truth was made outside this project."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from fixtures.synthetic.physics import Surface, simulate
from shared.equipment import standard_table

TABLE = standard_table()
FOOTAGE = Path(__file__).parents[2] / "fixtures" / "clips" / "o08_session.truth.json"


def _from_corner_mm(place, corner):
    """Along the line at 45 degrees out of the corner; less, the deeper in the pocket."""
    return float(np.abs(np.subtract(place, corner)).sum() / math.sqrt(2))


@pytest.mark.parametrize("direction_deg", [-38.0, -45.0, -52.0])
def test_in_a_corner_as_deep_as_in_the_footage(direction_deg):
    record = json.loads(FOOTAGE.read_text())
    (there, *_) = [e["pos_mm"][e["balls"][0]] for e in record["events"] if e["kind"] == "pocket"]
    corner = (TABLE.length_mm, 0.0)
    x, y = (700 * trig(math.radians(direction_deg)) for trig in (math.cos, math.sin))
    play = simulate(TABLE, Surface(), places={"cue": (corner[0] - 5 - x, 5 - y)}, strike_s=0.1,
                    velocity_mps=(x / 350, y / 350), roll_ratio=1.0, until_s=3.0)
    assert [event["kind"] for event in play.events] == ["strike", "pocket"]
    here = play.events[1]
    assert here["pocket"] == "foot-right"
    assert _from_corner_mm(here["pos_mm"]["cue"], corner) == pytest.approx(_from_corner_mm(there, corner), abs=3.0)


def test_in_a_side_a_few_mm_behind_the_nose_line():
    play = simulate(TABLE, Surface(), places={"cue": (TABLE.length_mm / 2 + 20, 600.0)}, strike_s=0.1,
                    velocity_mps=(0.0, -2.0), roll_ratio=1.0, until_s=3.0)
    assert [event["kind"] for event in play.events] == ["strike", "pocket"]
    assert -8 < play.events[1]["pos_mm"]["cue"][1] < 0
