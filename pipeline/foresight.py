"""How well a shot's angle and speed can be known with this camera, before any shot is played.

The Cramer-Rao bound of the same slide-then-roll motion that is fitted to the frames: no unbiased fit does better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.capability import PictureScale, blur_mm, picture_scale
from calibration.store import Calibration
from pipeline.physics import G_MM_S2, travel
from pipeline.shutter import speed_factor

Array = NDArray[np.float64]

#: noise of a ball's centre in one frame, px along an axis: what ordinary H.264 footage of a lit table gives
TYPICAL_NOISE_PX = 0.10
SLIDING, ROLLING = 0.2, 0.010  # published typical values (Alciatore, FAQ "physics of pool and billiards")
TYPICAL_READOUT_S, READOUT_SPEED_MPS = 0.015, 2.0  # common practice, no source
SPEEDS_MPS = {"slow": 0.7, "medium": 1.5, "fast": 3.0}  # banked ball as it meets the cushion


@dataclass(frozen=True, kw_only=True)
class Precision:
    """Standard uncertainties of the velocity at a contact, of the direction once sliding has ended; frames used."""

    angle_deg: float
    speed_percent: float
    settled_angle_deg: float
    frames: int


def contact_precision(
    velocity_mps: Array,
    rolling_mps: Array,
    *,
    noise_mm: float,
    frame_rate: float,
    window_s: float,
    friction: tuple[float, float] = (SLIDING, ROLLING),
    friction_known: bool = True,
) -> Precision:
    """What the frames of ``window_s`` seconds after a contact can tell of the velocity at that contact.

    velocity_mps, rolling_mps : (2,) velocity just after it, and the velocity at which the spin would roll; the first
    frame comes half a period after the contact. ``friction_known``: shared within a session, not fitted from this shot
    """
    count = max(int(window_s * frame_rate), 0)
    start = np.concatenate([np.zeros(2), 1000 * velocity_mps, 1000 * rolling_mps, friction])
    times: Array = np.asarray((np.arange(count) + 0.5) / frame_rate, dtype=np.float64)
    steps = np.array([1e-2, 1e-2, 0.5, 0.5, 0.5, 0.5, 1e-4, 1e-5])
    free = 6 if friction_known else 8
    if 2 * count < free + 2:
        return Precision(angle_deg=math.nan, speed_percent=math.nan, settled_angle_deg=math.nan, frames=count)

    def path(q: Array) -> Array:
        return travel(q[:2], q[2:4], q[4:6], times, q[6], q[7]).ravel()

    slope = np.column_stack(
        [(path(start + step) - path(start - step)) / (2 * step[i]) for i, step in enumerate(np.diag(steps)[:free])]
    )
    information = slope.T @ slope / noise_mm**2
    size = 1 / np.sqrt(np.maximum(np.diag(information), 1e-30))  # millimetres and frictions differ by orders: scaled
    scaled = np.linalg.pinv(information * size[:, None] * size, rcond=1e-13, hermitian=True)
    covariance = size[:, None] * scaled * size
    angle, percent = _polar_u(start[2:4], covariance[2:4, 2:4])
    settle = np.hstack([5 * np.eye(2), 2 * np.eye(2)]) / 7
    settled_angle, _ = _polar_u(settle @ start[2:6], settle @ covariance[2:6, 2:6] @ settle.T)
    return Precision(angle_deg=angle, speed_percent=percent, settled_angle_deg=settled_angle, frames=count)


def _polar_u(velocity: Array, covariance: Array) -> tuple[float, float]:
    """Standard uncertainty of a velocity's direction (deg) and of its size (percent)."""
    speed = float(np.linalg.norm(velocity))
    along = velocity / speed
    across = np.array([-along[1], along[0]])
    return (
        math.degrees(math.sqrt(float(across @ covariance @ across)) / speed),
        100 * math.sqrt(float(along @ covariance @ along)) / speed,
    )


def line_velocity_u(*, noise_mm: float, frame_rate: float, frames: int) -> float:
    """Standard uncertainty (mm/s) of the slope of a straight line through equally spaced frames; NaN below two."""
    if frames < 2:
        return math.nan
    return math.sqrt(12 * noise_mm**2 * frame_rate**2 / (frames * (frames**2 - 1)))


@dataclass(frozen=True, kw_only=True)
class ShotForecast:
    """One kind of shot: what will be known of it. Angles in degrees, speeds in percent, blur in mm."""

    name: str
    speed_mps: float
    blur_mm: float | None
    incoming_angle_u_deg: float
    rebound_angle_u_deg: float
    settled_angle_u_deg: float
    rebound_speed_u_percent: float
    frames_after: int


@dataclass(frozen=True, kw_only=True)
class Capability:
    """What a camera will be able to measure, and what to change.

    ``noise_mm``: of a ball's centre in one frame; ``rolling_shutter_percent``: what a phone's read-out does to speeds
    """

    scale: PictureScale
    frame_rate: float
    shutter_s: float | None
    noise_mm: float
    forecasts: tuple[ShotForecast, ...]
    rolling_shutter_percent: float
    advice: tuple[str, ...]

    def lines(self) -> list[str]:
        """For people: a few lines of text."""
        s = self.scale
        out = [
            f"A pixel is {s.middle_mm_per_px:.2f} mm in the middle of the table ({s.finest_mm_per_px:.2f} to "
            f"{s.coarsest_mm_per_px:.2f} mm over it); a ball is {s.ball_px:.0f} px wide; the camera is tilted "
            f"{s.tilt_deg:.0f} deg.",
            f"A ball's centre should be known to about {self.noise_mm:.2f} mm in each frame "
            f"({self.frame_rate:g} frames/s).",
        ]
        for f in self.forecasts:
            blur = "blur unknown (no shutter time given)" if f.blur_mm is None else f"blur {f.blur_mm:.1f} mm"
            angle = (
                "too few frames"
                if math.isnan(f.rebound_angle_u_deg)
                else (
                    f"incoming +-{f.incoming_angle_u_deg:.2f} deg, rebound +-{f.rebound_angle_u_deg:.2f} deg, "
                    f"settled +-{f.settled_angle_u_deg:.2f} deg, "
                    f"rebound speed +-{f.rebound_speed_u_percent:.2f} %"
                )
            )
            out.append(
                f"{f.name} shot ({f.speed_mps:g} m/s at the cushion): {angle}; {f.frames_after} frames after; {blur}."
            )
        out.append(
            f"Phones read a picture line by line, in 10 to 20 ms. At {1000 * TYPICAL_READOUT_S:g} ms a ball at "
            f"{READOUT_SPEED_MPS:g} m/s down or up the picture seems {self.rolling_shutter_percent:.1f} % too fast or "
            "too slow (its direction stays right); [camera] readout_s in session.toml corrects it."
        )
        return out + [f"Advice: {line}" for line in self.advice]


def describe_capability(
    calibration: Calibration,
    frame_rate: float,
    shutter_s: float | None = None,
    *,
    noise_px: float = TYPICAL_NOISE_PX,
    wanted_angle_deg: float = 0.10,
    wanted_speed_percent: float = 0.4,
) -> Capability:
    """What this camera, at this frame rate and shutter time, will be able to measure.

    noise_px : scatter of a ball's centre in one frame, along an axis; measured from a clip where there is one
    """
    scale = picture_scale(calibration)
    noise_mm = noise_px * scale.middle_mm_per_px
    forecasts = tuple(
        _forecast(name, speed, calibration, noise_mm, frame_rate, shutter_s) for name, speed in SPEEDS_MPS.items()
    )
    readout = speed_factor(
        speed_mps=READOUT_SPEED_MPS,
        mm_per_px=scale.middle_mm_per_px,
        height_px=calibration.pose.height_px,
        readout_s=TYPICAL_READOUT_S,
    )
    advice = _advice(
        scale,
        forecasts,
        frame_rate,
        shutter_s,
        calibration.table.ball.diameter_mm,
        wanted_angle_deg,
        wanted_speed_percent,
    )
    return Capability(
        scale=scale,
        frame_rate=frame_rate,
        shutter_s=shutter_s,
        noise_mm=noise_mm,
        forecasts=forecasts,
        rolling_shutter_percent=100 * (readout - 1),
        advice=tuple(advice),
    )


def _forecast(
    name: str, speed: float, calibration: Calibration, noise_mm: float, frame_rate: float, shutter_s: float | None
) -> ShotForecast:
    """A rolling ball met at 30 degrees from the normal across the table, free until the opposite cushion.

    The ratios after the cushion are those of our simulation after published physics for such a ball.
    """
    along, normal = speed * math.sin(math.radians(30)), speed * math.cos(math.radians(30))
    after = np.array([0.70 * along, 0.85 * normal])
    rolling = np.array([0.78 * along, -0.25 * normal])
    settled = float(np.linalg.norm((5 * after + 2 * rolling) / 7))
    width = calibration.table.width_mm / 1000
    until_rest = 1000 * settled / (ROLLING * G_MM_S2)
    window = min(width / float(after[1]), until_rest)
    found = contact_precision(after, rolling, noise_mm=noise_mm, frame_rate=frame_rate, window_s=window)
    before = int(0.5 * width / normal * frame_rate)
    incoming = math.degrees(line_velocity_u(noise_mm=noise_mm, frame_rate=frame_rate, frames=before) / (1000 * speed))
    return ShotForecast(
        name=name,
        speed_mps=speed,
        blur_mm=None if shutter_s is None else blur_mm(speed, shutter_s),
        incoming_angle_u_deg=incoming,
        rebound_angle_u_deg=found.angle_deg,
        settled_angle_u_deg=found.settled_angle_deg,
        rebound_speed_u_percent=found.speed_percent,
        frames_after=found.frames,
    )


def _advice(
    scale: PictureScale,
    forecasts: tuple[ShotForecast, ...],
    frame_rate: float,
    shutter_s: float | None,
    ball_mm: float,
    wanted_deg: float,
    wanted_percent: float,
) -> list[str]:
    out = []
    fast = forecasts[-1]
    if shutter_s is not None and fast.blur_mm is not None and fast.blur_mm > ball_mm / 4:
        wanted = ball_mm / 8 / (1000 * fast.speed_mps)
        out.append(
            f"a fast ball smears over {fast.blur_mm:.0f} mm; a shutter of 1/{1 / wanted:.0f} s would halve its "
            "outline's loss; that needs more light on the table."
        )
    if shutter_s is None:
        out.append("give the shutter time in session.toml ([camera] shutter_s) to learn how far fast balls will smear.")
    for f in forecasts:
        out += _more_frames(f, frame_rate, wanted_deg, wanted_percent)
    if scale.ball_px < 18:
        out.append(f"a ball is only {scale.ball_px:.0f} px wide: come closer, zoom in, or use a higher resolution.")
    if scale.tilt_deg > 12 or scale.unevenness > 1.35:
        out.append(
            "the far end of the table is much smaller than the near end: hang the camera straighter over the middle."
        )
    return out or ["none needed: this set-up reaches what is wanted at all three speeds."]


def _more_frames(f: ShotForecast, frame_rate: float, wanted_deg: float, wanted_percent: float) -> list[str]:
    """What a shot would need: frames and pixels both help as their square root and in proportion."""
    lines = max(f.settled_angle_u_deg, f.incoming_angle_u_deg) / wanted_deg
    contact = max(f.rebound_angle_u_deg / wanted_deg, f.rebound_speed_u_percent / wanted_percent)
    if math.isnan(contact):
        return [f"a {f.name} shot leaves too few frames at {frame_rate:g} frames/s: film with more."]
    need = (
        f"it takes about {math.ceil(frame_rate * contact**2 / 10) * 10} frames/s, or {contact:.1f} times the picture "
        f"size in pixels, for +-{wanted_deg:g} deg and +-{wanted_percent:g} %"
    )
    if contact <= 1 and lines <= 1:
        return []
    if lines <= 1:
        return [
            f"just after the cushion a {f.name} shot slides only briefly, so its rebound angle there stays uncertain: "
            f"compare settled angles, or note that {need}."
        ]
    return [f"for a {f.name} shot {need}."]
