"""Shots without pictures: exact paths with known noise, measured by the same code. Hundreds of shots in minutes.

Tells whether the fits find what was put in, and whether their uncertainties are honest when the noise is as stated.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from fixtures.synthetic import Filming, Scene, Surface, bank_shot, overhead_camera
from fixtures.synthetic.clip import frame_times
from fixtures.synthetic.truth import truth_record
from pipeline.knowledge import MASS_U
from shared.columns import DETECTIONS
from shared.equipment import standard_table
from tests.bench.score import ClipScore, score_clip
from tests.bench.truth import ClipTruth, ball_frames

NOISE_MM = 0.15


def random_shot(rng: np.random.Generator, number: int, frame_rate: float) -> ClipTruth:
    """One bank with random speed, place, direction, cut, spin and cloth; the balls' masses differ as those of a set."""
    table = standard_table()
    surface = Surface(
        sliding=rng.uniform(0.16, 0.24), rolling=rng.uniform(0.007, 0.013), ball_restitution=rng.uniform(0.93, 0.97),
        ball_friction=rng.uniform(0.03, 0.08), cushion_restitution=rng.uniform(0.75, 0.88),
        cushion_friction=rng.uniform(0.1, 0.2), cue_weight=float(rng.normal(1.0, MASS_U)),
    )  # fmt: skip
    play = bank_shot(
        table, surface=surface, speed_mps=rng.uniform(1.4, 3.2), roll_ratio=rng.uniform(-0.6, 0.9),
        side_rad_s=rng.uniform(-15, 15), cut_deg=rng.uniform(-12, 12), direction_deg=rng.uniform(50, 80),
        object_share=(rng.uniform(0.35, 0.55), rng.uniform(0.35, 0.6)), run_mm=rng.uniform(250, 420), until_s=3.4,
    )  # fmt: skip
    filming = Filming(seconds=3.2, frame_rate=frame_rate)
    scene = Scene(table=table, camera=overhead_camera(table))
    times = frame_times(filming)
    record = truth_record(f"sim_{number:03d}", scene, play, filming, times, about="", target=None)
    path = Path(f"sim_{number:03d}.mp4")
    return ClipTruth(path.with_suffix(".truth.json"), path, json.loads(json.dumps(record)))


def detections(truth: ClipTruth, rng: np.random.Generator, noise_mm: float) -> pd.DataFrame:
    """DETECTIONS with independent normal noise in every frame, as large as they say."""
    frames = ball_frames(truth)
    white = (frames["label"] == "cue").to_numpy()
    n = len(frames)
    out = frames[["frame", "t_s"]].assign(
        x_px=0.0, y_px=0.0, x_mm=frames["x_mm"] + rng.normal(0, noise_mm, n),
        y_mm=frames["y_mm"] + rng.normal(0, noise_mm, n), x_u_mm=noise_mm, y_u_mm=noise_mm, xy_r=0.0, blur_x_px=0.0,
        blur_y_px=0.0, outline_share=1.0, clear_share=1.0, luma=np.where(white, 210.0, 120.0),
        cb=np.where(white, 0.0, -50.0), cr=np.where(white, 0.0, 15.0), white_share=np.where(white, 0.95, 0.02),
    )  # fmt: skip
    return DETECTIONS.conform(out.sort_values(["frame", "x_mm"]).reset_index(drop=True))


def score_simulated(
    shots: int, *, frame_rate: float = 60.0, noise_mm: float = NOISE_MM, seed: int = 1
) -> list[ClipScore]:
    """Measure and score that many random shots."""
    from calibration.store import Calibration
    from pipeline.shots import measure_shots
    from shared.settings import CameraSettings, SessionSettings

    rng = np.random.default_rng(seed)
    table = standard_table()
    camera = overhead_camera(table)
    settings = SessionSettings(table=table, camera=CameraSettings(shutter_s=0.001))
    out = []
    for number in range(shots):
        truth = random_shot(rng, number, frame_rate)
        calibration = Calibration(truth.clip.name, camera, table, 0.0, "exact")
        found = measure_shots(detections(truth, rng, noise_mm), calibration=calibration, settings=settings,
                              clip=truth.clip.name)  # fmt: skip
        with tempfile.TemporaryDirectory() as folder:
            base = Path(folder)
            found.shots.to_csv(base / "shots.csv", index=False)
            found.contacts.to_csv(base / "contacts.csv", index=False)
            found.tracks.assign(clip=truth.clip.name).to_parquet(base / "tracks.parquet")
            out.append(score_clip(truth, base))
    return out
