"""The two evenings of the fixtures: hits struck badly on purpose are flagged with the right reason, the others kept."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.judging import judge_shots
from shared.columns import SHOTS
from shared.settings import SessionSettings

EVENINGS = Path(__file__).parents[2] / "fixtures" / "evenings"
U = {"cut_angle_deg": 0.2, "throw_deg": 0.2, "cue_roll_ratio": 0.03, "cue_cross_ratio": 0.02,
     "cue_impact_speed_mps": 0.01}  # about what 60 frames/s at 720p give


def hits(evening: str) -> tuple[pd.DataFrame, list[str]]:
    """Exact measures of every hit of an evening, as rows of shots, and what was wrong with each."""
    said = json.loads((EVENINGS / evening / "truth_hits.json").read_text())
    rows = []
    for clip in said:
        shot = json.loads((EVENINGS / evening / clip.replace(".mp4", ".truth.json")).read_text())["shots"][0]
        hit = shot["ball_contact"]
        spin = np.array(hit["cue_omega_after"])
        direction = np.array(hit["object_pos_mm"]) - np.array(hit["cue_pos_mm"])
        direction = direction / np.hypot(*direction)
        rolling = np.array([spin[1], -spin[0]]) * 28.575e-3
        rows.append({
            "shot_id": clip, "clip": clip, "kind": "bank", "banked_ball": "object", "pattern": shot["pattern"],
            "frames_seen": 1.0, "residual_mm": 0.3, "calibration_rms_px": 0.2,
            "object_speed_mps": float(np.hypot(*hit["object_velocity_after_ms"])), "object_speed_mps_u": 0.01,
            "cut_angle_deg": hit["cut_deg"] * hit["cut_sign"], "throw_deg": hit["throw_deg"],
            "cue_roll_ratio": float(rolling @ direction) / hit["cue_speed_ms"],
            "cue_cross_ratio": float(rolling @ [-direction[1], direction[0]]) / hit["cue_speed_ms"],
            "cue_impact_speed_mps": hit["cue_speed_ms"], **{f"{name}_u": u for name, u in U.items()},
        })
    return SHOTS.conform(pd.DataFrame(rows)), list(said.values())


@pytest.mark.parametrize("evening", ["eveningA", "eveningB"])
def test_each_hit_gets_the_verdict_it_deserves(evening):
    shots, said = hits(evening)
    judged = judge_shots(shots, SessionSettings())
    assert judged["verdict"].tolist() == ["clean" if word == "ok" else "mishit" for word in said]
    for word, reasons in zip(said, judged["reasons"], strict=True):
        if word != "ok":
            assert word in reasons


@pytest.mark.parametrize("evening", ["eveningA", "eveningB"])
def test_measuring_noise_seldom_changes_it(evening):
    exact, said = hits(evening)
    wanted = ["clean" if word == "ok" else "mishit" for word in said]
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(25):
        noisy = exact.copy()
        for name, u in U.items():
            noisy[name] += rng.normal(0, u, len(noisy))
        wrong += sum(a != b for a, b in zip(judge_shots(noisy, SessionSettings())["verdict"], wanted, strict=True))
    assert wrong <= 0.03 * 25 * len(said)


def test_a_single_clip_is_judged_without_its_evening():
    """No other shots of the pattern to compare with: stun and full are taken as wanted."""
    for evening in ("eveningA", "eveningB"):
        shots, said = hits(evening)
        for i, word in enumerate(said):
            one = judge_shots(shots.iloc[[i]].reset_index(drop=True), SessionSettings())
            assert one.loc[0, "verdict"] == ("clean" if word == "ok" else "mishit")
