"""The rendered evenings, their exact truth taken as measured: intervals against what the same hit does."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pandas as pd
import pytest

from pipeline.compare.comparison import compare_conditions
from shared.columns import SHOTS

EVENINGS = Path(__file__).parents[2] / "fixtures" / "evenings"
RESPONSES = {
    "rebound_settled_angle_deg": "settled_deg",
    "rebound_angle_deg": "rebound_deg",
    "restitution": "restitution",
}


@pytest.fixture(scope="module")
def comparison():
    rows = []
    for evening in ("eveningA", "eveningB"):
        takes = pd.read_csv(EVENINGS / evening / "takes.csv").set_index("clip")
        hits = json.loads((EVENINGS / evening / "truth_hits.json").read_text())
        for clip, take in takes.iterrows():
            truth = json.loads((EVENINGS / evening / f"{clip[:-4]}.truth.json").read_text())["shots"][0]
            first, hit = truth["first_cushion"], truth["ball_contact"]
            rows.append(
                {
                    "shot_id": f"{clip[:-4]}-01",
                    "session": evening,
                    "clip": clip,
                    "shot": 1,
                    **take.to_dict(),
                    "kind": "bank",
                    "banked_ball": "object",
                    "rail": first["cushion"],
                    "rail_sight": 8 * first["along_mm"] / 2540,
                    "incoming_angle_deg": first["incoming_deg"],
                    "rebound_angle_deg": first["rebound_deg"],
                    "rebound_settled_angle_deg": first["rebound_rolling_deg"],
                    "restitution": first["normal_ratio"],
                    "speed_at_impact_mps": first["speed_before_ms"],
                    "speed_at_impact_mps_u": 0.0,
                    "object_speed_mps": math.hypot(*hit["object_velocity_after_ms"]),
                    "object_speed_mps_u": 0.0,
                    "cue_roll_ratio": hit["roll_ratio"],
                    "cue_cross_ratio": hit["cross_roll_ratio"],
                    "verdict": "clean" if hits[clip] == "ok" else "mishit",
                    "reasons": None if hits[clip] == "ok" else hits[clip],
                    "counted": hits[clip] == "ok",
                }
            )
    shots = SHOTS.conform(pd.DataFrame(rows), extra=("cloth", "balls"))
    return compare_conditions(shots)


@pytest.mark.parametrize("name", RESPONSES)
def test_polish_is_read_inside_each_evening_and_its_interval_holds_the_truth(comparison, name):
    effects = json.loads((EVENINGS / "effects.json").read_text())
    key = RESPONSES[name]
    polish = {cloth: effects[f"{cloth}/polished"][key] - effects[f"{cloth}/clean"][key] for cloth in ("worn", "new")}
    rows = comparison.contrasts
    rows = rows[(rows["response"] == name) & (rows["factor"] == "balls")].set_index("at")
    assert (rows["basis"] == "within sessions").all()
    for at, truth in [("", sum(polish.values()) / 2), *((f"cloth {c}", polish[c]) for c in polish)]:
        assert rows.loc[at, "adjusted_low"] <= truth <= rows.loc[at, "adjusted_high"]


def test_cloth_is_one_evening_against_another(comparison):
    rows = comparison.contrasts[comparison.contrasts["factor"] == "cloth"]
    assert (rows["basis"] == "not told apart").all()
    assert comparison.warnings[0].startswith("cloth was filmed in one session a level")


def test_hits_made_badly_on_purpose_are_left_out(comparison):
    assert comparison.counts["counted"].sum() == 10
    assert "follow (1)" in set(comparison.counts["why_left_out"])
