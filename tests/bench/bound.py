"""How near the noise of the found ball centres comes to the least that the pixels allow (Cramer-Rao).

The bound takes the noise that is left in the coded picture. H.264 smooths most of it away and puts errors of its own in
its place, which neighbouring pixels share: there the bound can't be reached. Without coding (variation
``lossless_noisy``) it can.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.capability import disc_bound_px
from tests.bench.score import ClipScore
from tests.bench.truth import ClipTruth, ball_frames, rolling_velocity, shot_measures

EDGE_BLUR_PX = 0.7  # lens, pixel and coding together; as a Gaussian
FRAMES = 6  # looked at for contrast and noise
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bound:
    """Noise of a ball's centre across its motion, px; the bound at its contrast and noise; both medians over balls."""

    noise_px: float
    bound_px: float
    contrast: float
    pixel_noise: float
    frames: int

    @property
    def ratio(self) -> float:
        return self.noise_px / self.bound_px


def detections_of(measured: Path, clip: str) -> pd.DataFrame | None:
    """The kept detections of a clip below an output folder."""
    for path in measured.glob(".work/*/detections.parquet"):
        if path.parent.name in (clip, Path(clip).stem):
            return pd.read_parquet(path)
    return None


def clip_bound(truth: ClipTruth, measured: Path) -> Bound | None:
    """Compare one clip's noise with its bound; None without detections or too few frames of a moving ball."""
    found = detections_of(measured, truth.clip.name)
    if found is None:
        return None
    noise, places = _noise(truth, found)
    if not len(noise) or not places:
        return None
    radius_px = _radius_px(truth)
    contrast, grain = _contrast(truth, places, radius_px)
    if not contrast or not grain:
        return None
    bound = disc_bound_px(radius_px=radius_px, contrast=contrast, noise=grain, edge_blur_px=EDGE_BLUR_PX)
    return Bound(float(np.median(noise)), bound, contrast, grain, sum(len(p) for p in places.values()))


def _radius_px(truth: ClipTruth) -> float:
    size = np.linalg.norm(truth.corners_px[1] - truth.corners_px[0]) / truth.table["length_mm"]
    return truth.radius_mm * float(size)


def _noise(truth: ClipTruth, found: pd.DataFrame) -> tuple[Array, dict[str, Array]]:
    """Per ball: noise across the motion from second differences of the error; and (N, 3) frame, x, y looked at."""
    out, places = [], {}
    frames = ball_frames(truth)
    nowhere = (math.nan, math.nan)
    picture = {
        b["label"]: np.array([place or nowhere for place in b["px"]], dtype=float) for b in truth.record["balls"]
    }
    for label, mine in frames[frames["moving"] & (frames["vis"] > 0.98)].groupby("label"):
        both = found.merge(mine, on="frame", suffixes=("", "_true"))
        both = both[np.hypot(both["x_mm"] - both["x_mm_true"], both["y_mm"] - both["y_mm_true"]) < 12]
        both = both.sort_values("frame").drop_duplicates("frame")
        index = both["frame"].to_numpy()
        if len(both) < 12:
            continue
        px = picture[str(label)]
        step = px[np.minimum(index + 1, len(px) - 1)] - px[np.maximum(index - 1, 0)]
        size = np.linalg.norm(step, axis=1, keepdims=True)
        across = np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(size, 1e-9)
        error = np.sum((both[["x_px", "y_px"]].to_numpy() - px[index]) * across, axis=1)
        good = (np.diff(index)[1:] == 1) & (np.diff(index)[:-1] == 1) & (size[1:-1, 0] > 0.5)
        second = (error[2:] - 2 * error[1:-1] + error[:-2])[good]
        if len(second) < 8:
            continue
        out.append(1.4826 * float(np.median(np.abs(second))) / math.sqrt(6))
        places[str(label)] = np.column_stack([index, px[index]])
    return np.array(out), places


def _contrast(truth: ClipTruth, places: dict[str, Array], radius: float) -> tuple[float, float]:
    """(brightness difference of ball and cloth, pixel noise of the cloth beside it), medians, in steps of 255."""
    import av

    wanted: dict[int, list[Array]] = {}
    for rows in places.values():
        for row in rows[:: max(len(rows) // FRAMES, 1)]:
            wanted.setdefault(int(row[0]), []).append(row[1:])
    contrast, grain = [], []
    with av.open(str(truth.clip)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            for centre in wanted.get(index, []):
                luma = frame.to_ndarray(format="gray8").astype(float)
                x0, y0 = np.floor(centre - 2 * radius).astype(int)
                x1, y1 = np.ceil(centre + 2 * radius).astype(int) + 1
                if min(x0, y0) < 1 or x1 >= luma.shape[1] or y1 >= luma.shape[0]:
                    continue
                window = luma[y0:y1, x0:x1]
                ys, xs = np.mgrid[y0:y1, x0:x1]
                away = np.hypot(xs - centre[0], ys - centre[1]) / radius
                inner, ring = (away > 0.7) & (away < 0.9), (away > 1.25) & (away < 1.7)
                contrast.append(abs(float(np.median(window[inner]) - np.median(window[ring]))))
                smooth = (window[1:-1, :-2] + window[1:-1, 2:] + window[:-2, 1:-1] + window[2:, 1:-1]) / 4
                rest = (window[1:-1, 1:-1] - smooth)[ring[1:-1, 1:-1]]
                inside = rest[np.abs(rest) <= np.percentile(np.abs(rest), 95)]  # values are whole numbers: no median
                grain.append(1.147 * float(inside.std()) / math.sqrt(1.25))  # 1.147: a normal's tails cut at 95 %
    return (float(np.median(contrast)), float(np.median(grain))) if contrast else (0.0, 0.0)


def bound_lines(bounds: dict[str, Bound]) -> str:
    """A line per clip; the aim is within 2 of the bound."""
    out = [f"{'clip':<24}{'noise px':>9}{'bound px':>9}{'ratio':>7}{'contrast':>9}{'noise':>7}"]
    for name, b in bounds.items():
        out.append(
            f"{name[:23]:<24}{b.noise_px:>9.3f}{b.bound_px:>9.3f}{b.ratio:>7.1f}{b.contrast:>9.0f}{b.pixel_noise:>7.2f}"
        )
    if bounds:
        out.append(f"median ratio {np.median([b.ratio for b in bounds.values()]):.1f}")
    return "\n".join(out)


@dataclass(frozen=True)
class VelocityBound:
    """Errors of a rebound's angle (deg) and speed (%) and the least standard deviations that the frames allow."""

    name: str
    angle_error: float
    angle_bound: float
    speed_error: float
    speed_bound: float


def velocity_bounds(truth: ClipTruth, score: ClipScore, noise_px: float) -> list[VelocityBound]:
    """For each shot's first cushion: the fit's error against the bound of a slide-then-roll fit, friction known."""
    from pipeline.foresight import contact_precision

    mm_per_px = truth.radius_mm / _radius_px(truth)
    wanted = {"angle": "rebound_angle_deg", "speed": "rebound_speed_mps"}
    found = {key: score.errors[score.errors["measure"] == name] for key, name in wanted.items()}
    out = []
    for true_angle, angle_error, speed_error in zip(
        found["angle"]["true"], found["angle"]["error"], found["speed"]["error"], strict=False
    ):
        contact = _first_cushion(truth, float(true_angle))
        if contact is None:
            continue
        velocity, rolling, window_s = contact
        physics = truth.record["physics"]
        best = contact_precision(
            velocity, rolling, noise_mm=noise_px * mm_per_px, frame_rate=float(truth.record["camera"]["fps"]),
            window_s=window_s, friction=(physics["mu_s"], physics["mu_r"]),
        )  # fmt: skip
        if math.isfinite(best.angle_deg):
            out.append(VelocityBound(score.name, angle_error, best.angle_deg, 100 * speed_error, best.speed_percent))
    return out


def _first_cushion(truth: ClipTruth, angle_deg: float) -> tuple[Array, Array, float] | None:
    """Velocity and rolling velocity (m/s) after the contact with this rebound angle, and the time to the next event."""
    for shot, row in zip(truth.record["shots"], shot_measures(truth), strict=True):
        if abs(row.get("rebound_angle_deg", math.inf) - angle_deg) > 1e-9:
            continue
        ball = shot["measured_ball"]
        mine = [e for e in truth.record["events"] if ball in e["balls"] and e["t"] >= row["rail_s"] - 1e-6]
        end_s = mine[1]["t"] if len(mine) > 1 else float(truth.times_s[-1])
        after = mine[0]["after"][ball]
        rolling = rolling_velocity(np.asarray(after["omega"], dtype=float), truth.radius_mm)
        return np.asarray(after["v_mm_s"], dtype=float)[:2] / 1000, rolling / 1000, end_s - mine[0]["t"]
    return None


def velocity_lines(bounds: list[VelocityBound]) -> str:
    """How near the velocities just after a cushion come to the bound at the position noise reached; the aim is 2."""
    if not bounds:
        return ""
    angle = np.array([b.angle_error / b.angle_bound for b in bounds])
    speed = np.array([b.speed_error / b.speed_bound for b in bounds])
    return (
        f"velocity after the first cushion, {len(bounds)} shots: rms of error over bound "
        f"{np.sqrt((angle**2).mean()):.1f} for the angle, {np.sqrt((speed**2).mean()):.1f} for the speed "
        f"(median bound {np.median([b.angle_bound for b in bounds]):.3f} deg, "
        f"{np.median([b.speed_bound for b in bounds]):.3f} %)"
    )
