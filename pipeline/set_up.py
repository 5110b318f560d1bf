"""What a camera over a table will be able to measure, in words, and what to change where that isn't enough."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from calibration.capability import PictureScale, blur_mm, picture_scale
from calibration.store import Calibration
from pipeline.foresight import (
    DRAWS,
    SPEEDS_MPS,
    WORTH_BLUR,
    Camera,
    ShotForecast,
)
from pipeline.rehearsal import streak_noise_mm
from pipeline.shutter import possible_readout, possible_shutter, shutter_words, speed_factor, usual_readout_s
from pipeline.wanted import AS_USUAL, Wanted
from shared.settings import SessionSettings

#: noise of a ball's centre in one frame, px along an axis: what ordinary H.264 footage of a lit table gives
TYPICAL_NOISE_PX = 0.10
READOUT_SPEED_MPS = 2.0  # for which the effect of a read-out is told
GAIN = 0.95  # of an uncertainty: a remedy that leaves more than this is called no better


@dataclass(frozen=True, kw_only=True)
class Capability:
    """What a camera will be able to measure, and what to change.

    ``noise_mm``: of a ball's centre in one frame, ``fast_noise_mm`` along a fast ball's motion;
    ``rolling_shutter_percent``: what a phone's read-out does to speeds, ``read_across``: along the picture's width
    """

    scale: PictureScale
    frame_rate: float
    shutter_s: float | None
    noise_mm: float
    fast_noise_mm: float
    forecasts: tuple[ShotForecast, ...]
    readout_s: float  # a phone's, and no longer than a frame
    rolling_shutter_percent: float
    read_across: bool
    advice: tuple[str, ...]

    def lines(self) -> list[str]:
        """For people: a few lines of text."""
        s = self.scale
        out = [
            f"A pixel is {s.middle_mm_per_px:.2f} mm in the middle of the table ({s.finest_mm_per_px:.2f} to "
            f"{s.coarsest_mm_per_px:.2f} mm over it); a ball is {s.ball_px:.0f} px wide; the camera is tilted "
            f"{s.tilt_deg:.0f} deg.",
            f"A ball's centre should be known to about {self.noise_mm:.2f} mm in each frame "
            f"({self.frame_rate:g} frames/s), along a fast ball's motion to about {self.fast_noise_mm:.2f} mm.",
        ]
        out += [forecast.line() for forecast in self.forecasts]
        out.append(
            "Phones read a picture line by line, in 10 to 20 ms and never longer than a frame. At "
            f"{1000 * self.readout_s:.3g} ms a ball at {READOUT_SPEED_MPS:g} m/s "
            f"{'across' if self.read_across else 'down or up'} the picture seems "
            f"{self.rolling_shutter_percent:.1f} % too fast or too slow. Incoming and settled angles hold; "
            "the rebound angle, taken while the ball slides on a bent way, and the cue ball's roll do not. [camera] "
            "readout_s in session.toml corrects it."
        )
        return out + [f"Advice: {line}" for line in self.advice]


def describe_capability(
    calibration: Calibration,
    frame_rate: float,
    settings: SessionSettings | None = None,
    *,
    noise_px: float = TYPICAL_NOISE_PX,
    wanted: Wanted = AS_USUAL,
    rotation_deg: int = 0,
) -> Capability:
    """What this camera, at this frame rate and the settings' shutter time, will be able to measure.

    noise_px     : scatter of a resting ball's centre in one frame, along an axis
    rotation_deg : how far the picture was turned for display: the sensor reads its own lines
    """
    settings = settings or SessionSettings(table=calibration.table)
    shutter_s, odd_shutter = possible_shutter(settings.camera.shutter_s, [1 / frame_rate])
    settings = replace(settings, camera=replace(settings.camera, shutter_s=shutter_s))
    camera = Camera(calibration, settings, frame_rate, noise_px)
    scale = picture_scale(calibration)
    forecasts = tuple(camera.forecast(name) for name in SPEEDS_MPS)
    across, noise_mm = rotation_deg % 180 != 0, noise_px * scale.middle_mm_per_px
    streak_mm = float(streak_noise_mm(camera.smear_mm(forecasts[-1].speed_mps), calibration.table))
    readout_s = usual_readout_s(1 / frame_rate)
    readout = speed_factor(
        speed_mps=READOUT_SPEED_MPS,
        mm_per_px=scale.middle_mm_per_px,
        height_px=calibration.pose.width_px if across else calibration.pose.height_px,
        readout_s=readout_s,
    )
    return Capability(
        scale=scale,
        frame_rate=frame_rate,
        shutter_s=camera.settings.camera.shutter_s,
        noise_mm=noise_mm,
        fast_noise_mm=math.hypot(noise_mm, streak_mm),
        forecasts=forecasts,
        readout_s=readout_s,
        rolling_shutter_percent=100 * (readout - 1),
        read_across=across,
        advice=tuple(_advice(camera, scale, forecasts, wanted, odd_shutter)),
    )


def _advice(
    camera: Camera, scale: PictureScale, forecasts: tuple[ShotForecast, ...], wanted: Wanted, odd_shutter: str
) -> list[str]:
    out = []
    odd_readout = possible_readout(camera.settings.camera.readout_s, 1 / camera.frame_rate)[1]
    if odd_readout:
        out.append(f"{odd_readout}.")
    if odd_shutter:
        out.append(f"{odd_shutter}.")
    fast, ball_mm = forecasts[-1], camera.calibration.table.ball.diameter_mm
    if fast.blur_mm is None:
        out.append("give the shutter time in session.toml ([camera] shutter_s) to learn how far fast balls will smear.")
    elif fast.blur_mm > WORTH_BLUR * ball_mm:
        shutter_s = camera.short_shutter_s
        out.append(
            f"a fast ball smears over {fast.blur_mm:.0f} mm; a shutter of {shutter_words(shutter_s)} s brings that "
            f"down to {blur_mm(fast.speed_mps, shutter_s):.0f} mm; it needs more light on the table."
        )
    for forecast in forecasts:
        out += _remedies(camera, forecast, forecasts, wanted)
    if scale.ball_px < 18:
        out.append(f"a ball is only {scale.ball_px:.0f} px wide: come closer, zoom in, or use a higher resolution.")
    if scale.tilt_deg > 12 or scale.unevenness > 1.35:
        straight = picture_scale(camera.straightened().calibration)
        out.append(
            "the far end of the table is much smaller than the near end, and its balls are harder to find: hang the "
            "camera straighter over the middle; straight above it a pixel would be "
            f"{straight.finest_mm_per_px:.2f} to {straight.coarsest_mm_per_px:.2f} mm over the table."
        )
    return out or [f"none needed: this set-up reaches the {wanted.both} wanted at all three speeds."]


def _remedies(
    camera: Camera, forecast: ShotForecast, forecasts: tuple[ShotForecast, ...], wanted: Wanted
) -> list[str]:
    """What another shutter, more frames and so on would do for what isn't known as well as wanted."""
    if forecast.lacking == "shutter":
        return [f"a {forecast.name} shot can't be measured with a shutter of {shutter_words(forecast.shutter_s)} s: "
                f"film with {shutter_words(camera.short_shutter_s)} s, and more light."]
    if forecast.lacking == "?":
        return [f"a {forecast.name} shot played in numbers before this camera was not measured: film one and measure "
                "it before you rely on this set-up."]
    if not forecast.measured:
        return [f"a {forecast.name} shot leaves too few frames at {camera.frame_rate:g} frames/s: film with more."]
    beyond = forecast.beyond(wanted)
    if not beyond:
        return []
    name = forecast.name
    first = f"of a {name} shot not known to the {wanted.both} wanted: {', '.join(beyond)}."
    if set(beyond) <= {"rebound", "rebound speed"} and forecast.settled_angle_u_deg <= wanted.angle_deg:
        first += " Just after the cushion such a ball slides only briefly: compare settled angles."
    out, draws = [first], DRAWS if forecast.unsteady & set(beyond) else 1
    now = camera.forecast(name, draws).told  # in the same draws of noise
    helping, idle, enough = [], [], False
    for words, other in camera.remedies.items():
        then = other.forecast(name, draws)
        if not any(then.told[one] < GAIN * now[one] or math.isnan(now[one]) for one in beyond if then.measured):
            idle.append(words)
            continue
        helping.append(words)
        reached = then.reaches(wanted, beyond)
        enough = enough or reached
        out.append(f"{name} shot with {words}: {wanted.words(_of(then, beyond))}{'; that is enough' * reached}.")
    if idle:
        out.append(f"{name} shot: hardly any better, if at all, with {', with '.join(idle)}.")
    return out if enough else [*out, _none_reaches(camera, forecast, forecasts, wanted, helping, draws)]


def _none_reaches(
    camera: Camera, forecast: ShotForecast, forecasts: tuple[ShotForecast, ...], wanted: Wanted, helping: list[str],
    draws: int,
) -> str:
    """That no single remedy is enough, and what is: several together, the settled angle, shots of another speed."""
    beyond, name = forecast.beyond(wanted), forecast.name
    said = f"{name} shot: none of these alone reaches what is wanted"
    if len(helping) > 1:
        then = camera.with_all(helping).forecast(name, draws)
        said += f"; all that help together {'do' if then.reaches(wanted, beyond) else 'do not, either'}"
        said += f" ({wanted.words(_of(then, beyond))})"
    does = []
    if "rebound" in beyond and forecast.reaches(wanted, ["settled"]):
        does.append(f"in place of the rebound angle, its settled one ({wanted.words(_of(forecast, ['settled']))})")
    does += [f"a {other.name} shot ({wanted.words(_of(other, beyond))})" for other in forecasts
             if other.reaches(wanted, beyond)]
    if does:
        return f"{said}. What does, with the camera as it is: {'; '.join(does)}."
    return f"{said}, nor does a shot of another speed: reckon with what is foretold."


def _of(forecast: ShotForecast, names: Iterable[str]) -> dict[str, float]:
    return {name: forecast.told[name] for name in names}
