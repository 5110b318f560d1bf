"""Table diagrams: to scale, both ways round, with what there is to show and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.diagram import ball_colour, shot_figure, write_diagram
from shared.equipment import standard_table
from shared.uncertain import with_u

SHOT = {"shot_id": "c-01", "kind": "bank", "rail": "left", "banked_ball": "object", "incoming_angle_deg": 31.27,
        "incoming_angle_deg_u": 0.12, "rebound_angle_deg": 25.8, "rebound_angle_deg_u": 0.3,
        "speed_at_impact_mps": 1.46,
        "speed_at_impact_mps_u": 0.004, "restitution": None}


def paths() -> tuple[pd.DataFrame, pd.DataFrame]:
    t = np.linspace(0, 1, 21)
    x = np.where(t < 0.5, 1300 + 600 * t, 1600 + 500 * (t - 0.5))
    y = np.where(t < 0.5, 742 + 1000 * t, 1242 - 1000 * (t - 0.5))
    tracks = pd.DataFrame({"ball": "object", "t_s": t, "x_mm": x, "y_mm": y, "vx_mps": 0.6,
                           "vy_mps": np.where(t < 0.5, 1.0, -1.0), "state": np.where(t > 0.8, "bridged", "seen")})
    contacts = pd.DataFrame([{"kind": "cushion", "ball": "object", "other": "left", "t_s": 0.5, "x_mm": 1600.0,
                              "y_mm": 1242.0}])
    return contacts, tracks


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("standard", ["pool-9ft", "snooker-12ft", "carom-284"])
def test_a_diagram_is_to_scale_and_carries_the_angles(standard, upright):
    contacts, tracks = paths()
    figure = shot_figure(SHOT, contacts, tracks, table=standard_table(standard), upright=upright)
    (axes,) = figure.axes
    assert axes.get_aspect() == 1.0
    words = " | ".join(text.get_text() for text in axes.texts)
    assert "in 31.27 ± 0.12°" in words
    assert "out 25.8 ± 0.3°" in words


def test_an_angle_that_was_not_measured_is_not_drawn():
    contacts, tracks = paths()
    figure = shot_figure({**SHOT, "rebound_angle_deg": pd.NA}, contacts, tracks, table=standard_table())
    words = " | ".join(text.get_text() for text in figure.axes[0].texts)
    assert "out" not in words
    assert "not measured" in " | ".join(text.get_text() for text in figure.texts)


def test_a_shot_without_cushion_or_tracks_is_drawn_all_the_same(tmp_path):
    contacts, tracks = paths()
    write_diagram(tmp_path / "a.png", {"shot_id": "c-01", "rail": pd.NA}, contacts.iloc[:0], tracks.iloc[:0],
                  table=standard_table())
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("name", ["bänk 🎱-01", "$1 bet, $2 won-01", "a_{b}^$\\frac$-01", "<b>&-01"])
def test_a_clip_may_have_any_name(tmp_path, name):
    contacts, tracks = paths()
    write_diagram(tmp_path / "a.png", {**SHOT, "shot_id": name}, contacts, tracks, table=standard_table())
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(("value", "u", "words"), [
    (31.268, 0.117, "31.27 ± 0.12"), (25.83, 0.31, "25.8 ± 0.3"), (-12.4, 14.0, "-12 ± 14"),
    (0.0004, 0.00021, "0.0004 ± 0.0002"), (-0.02, 0.4, "0.0 ± 0.4"), (-0.06, 0.4, "-0.1 ± 0.4"),
    (5.0, None, "5 (± unknown)"),
])
def test_a_value_is_written_to_the_place_of_its_uncertainty(value, u, words):
    assert with_u(value, u) == words


def test_balls_have_colours_that_differ():
    assert len({ball_colour(name) for name in ("cue", "object", "ball-3", "ball-4", "ball-5")}) == 5
