"""How near the noise of the found ball centres comes to the least that the pixels allow (Cramer-Rao).

The closed form takes independent pixel noise of the size that plain cloth shows. H.264 smooths most of that away and
puts errors of its own in its place, at the edges of what moves, which neighbouring pixels share: there that bound can't
be reached; without coding (variation ``lossless_noisy``) it can. So the noise is also held against the least that the
coded pictures allow with what they really hold at the outline: ``picture_noise``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.capability import disc_bound_px
from tests.bench.picture_noise import outline_noise_px
from tests.bench.score import ClipScore
from tests.bench.truth import ClipTruth, ball_frames, rolling_velocity, shot_measures
from tests.bench.velocity_bound import Precision, contact_precision

EDGE_BLUR_PX = 0.7  # lens, pixel and coding together; as a Gaussian
FRAMES = 6  # looked at for contrast and noise
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bound:
    """Noise of ball centres across their motion, px, by ball; the bound at their contrast and noise; and what the coded
    pictures hold, by ball.
    """

    noise: dict[str, float]
    bound_px: float
    contrast: float
    pixel_noise: float
    outline: dict[str, float]

    @property
    def noise_px(self) -> float:
        return float(np.median(list(self.noise.values())))

    @property
    def ratio(self) -> float:
        return self.noise_px / self.bound_px

    @property
    def ratios(self) -> dict[str, float]:
        """By ball: the noise over that of a match to the ball's own outline in the coded pictures."""
        return {ball: self.noise[ball] / held for ball, held in self.outline.items()}


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
    if not noise:
        return None
    radius_px = _radius_px(truth)
    contrast, grain = _contrast(truth, places, radius_px)
    if not contrast or not grain:
        return None
    bound = disc_bound_px(radius_px=radius_px, contrast=contrast, noise=grain, edge_blur_px=EDGE_BLUR_PX)
    return Bound(noise, bound, contrast, grain, outline_noise_px(truth.clip, places, radius_px))


def _radius_px(truth: ClipTruth) -> float:
    size = np.linalg.norm(truth.corners_px[1] - truth.corners_px[0]) / truth.table["length_mm"]
    return truth.radius_mm * float(size)


def _noise(truth: ClipTruth, found: pd.DataFrame) -> tuple[dict[str, float], dict[str, Array]]:
    """Per ball: noise across the motion from second differences of the error; and (N, 3) frame, x, y looked at."""
    out, places = {}, {}
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
        out[str(label)] = 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6)
        places[str(label)] = np.column_stack([index, px[index]])
    return out, places


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
    out = [f"{'clip':<24}{'noise px':>9}{'bound px':>9}{'ratio':>7}{'contrast':>9}{'noise':>7}  over the pictures' own"]
    for name, b in bounds.items():
        held = "  ".join(f"{ball} {ratio:.1f}" for ball, ratio in b.ratios.items())
        out.append(
            f"{name[:23]:<24}{b.noise_px:>9.3f}{b.bound_px:>9.3f}{b.ratio:>7.1f}{b.contrast:>9.0f}"
            f"{b.pixel_noise:>7.2f}  {held}"
        )
    if bounds:
        plain = np.median([b.ratio for b in bounds.values()])
        out.append(f"median ratio to the bound for noise as on plain cloth {plain:.1f}")
        every = [ratio for b in bounds.values() for ratio in b.ratios.values()]
        if every:
            out.append(
                f"median ratio to what the coded pictures hold at the outline {np.median(every):.1f}, "
                f"{np.mean(np.array(every) < 2):.0%} of {len(every)} balls below 2, worst {max(every):.1f}"
            )
    return "\n".join(out)


@dataclass(frozen=True)
class VelocityBound:
    """Errors of a rebound's angle (deg) and speed (%) and the least standard deviations that the frames allow, with
    friction known, and with friction fitted from this ball's way alone.
    """

    name: str
    angle_error: float
    speed_error: float
    known: Precision
    fitted: Precision


def velocity_bounds(truth: ClipTruth, score: ClipScore, bound: Bound) -> list[VelocityBound]:
    """For each shot's first cushion: the fit's error against the bound of a slide-then-roll fit, at the noise with
    which this ball's centres were found.
    """
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
        ball, velocity, rolling, window_s = contact
        physics = truth.record["physics"]
        known, fitted = (
            contact_precision(
                velocity, rolling, noise_mm=bound.noise.get(ball, bound.noise_px) * mm_per_px,
                frame_rate=float(truth.record["camera"]["fps"]), window_s=window_s,
                friction=(physics["mu_s"], physics["mu_r"]), friction_known=is_known,
            )
            for is_known in (True, False)
        )  # fmt: skip
        if math.isfinite(known.angle_deg) and math.isfinite(fitted.angle_deg):
            out.append(VelocityBound(score.name, angle_error, 100 * speed_error, known, fitted))
    return out


def _first_cushion(truth: ClipTruth, angle_deg: float) -> tuple[str, Array, Array, float] | None:
    """The ball; its velocity and rolling velocity (m/s) after the contact with this rebound angle; and the time to the
    next event.
    """
    for shot, row in zip(truth.record["shots"], shot_measures(truth), strict=True):
        if abs(row.get("rebound_angle_deg", math.inf) - angle_deg) > 1e-9:
            continue
        ball = shot["measured_ball"]
        mine = [e for e in truth.record["events"] if ball in e["balls"] and e["t"] >= row["rail_s"] - 1e-6]
        end_s = mine[1]["t"] if len(mine) > 1 else float(truth.times_s[-1])
        after = mine[0]["after"][ball]
        rolling = rolling_velocity(np.asarray(after["omega"], dtype=float), truth.radius_mm)
        velocity = np.asarray(after["v_mm_s"], dtype=float)[:2]
        return str(ball), velocity / 1000, rolling / 1000, end_s - mine[0]["t"]
    return None


def velocity_lines(bounds: list[VelocityBound]) -> str:
    """How near the velocities just after a cushion come to the bound at the position noise reached; the aim is 2."""
    if not bounds:
        return ""
    out = [f"velocity after the first cushion, {len(bounds)} shots: error over bound, rms (median bound)"]
    for words, which in (("friction known", "known"), ("friction fitted too", "fitted")):
        angle = np.array([getattr(b, which).angle_deg for b in bounds])
        speed = np.array([getattr(b, which).speed_percent for b in bounds])
        over_angle = np.array([b.angle_error for b in bounds]) / angle
        over_speed = np.array([b.speed_error for b in bounds]) / speed
        out.append(
            f"  {words:<20} angle {np.sqrt((over_angle**2).mean()):.1f} ({np.median(angle):.3f} deg), "
            f"speed {np.sqrt((over_speed**2).mean()):.1f} ({np.median(speed):.3f} %)"
        )
    return "\n".join(out)
