"""How well a shot's angles, speeds and spin will be known with this camera, before any shot is played.

Banks of three speeds are played in numbers and measured as clips are (`rehearsal.py`): what comes out are the
uncertainties that shots.csv would state, with all that they allow for: the median of a few draws of noise, as single
ones differ by chance, up to fourfold in the cue ball's roll.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.capability import PictureScale, blur_mm, picture_scale
from calibration.store import Calibration
from pipeline.rehearsal import Rehearsed, rehearse, streak_noise_mm
from pipeline.shutter import possible_readout, speed_factor
from shared.equipment import TAPE_U_MM
from shared.settings import SessionSettings

#: noise of a ball's centre in one frame, px along an axis: what ordinary H.264 footage of a lit table gives
TYPICAL_NOISE_PX = 0.10
TYPICAL_READOUT_S, READOUT_SPEED_MPS = 0.015, 2.0  # common practice, no source
SPEEDS_MPS = {"slow": 0.7, "medium": 1.5, "fast": 3.0}  # banked ball as it meets the cushion
MOST_BLUR = 1.5  # ball widths: of drawn clips, one with streaks of 83 mm was measured, two of 95 and 108 mm were not
WORTH_BLUR, GOOD_BLUR = 1 / 4, 1 / 8  # ball widths: a longer streak is worth a shorter shutter, that makes it so long
COMMON_RATES = (60.0, 120.0, 240.0)  # frames/s that cameras offer
DRAWS, STEADY = 3, 1.2  # of noise, odd; most over least of them where one is as good
Lacking = Literal["", "frames", "shutter", "?"]


@dataclass(frozen=True, kw_only=True)
class ShotForecast:
    """One kind of shot: standard uncertainties of what will be known of it; nan where nothing will.

    Angles in degrees, speeds in percent, blur in mm. ``shutter_s``: as given, or taken for half the time between
    frames; ``lacking``: what would have to be other for it to be measured, "?" where that isn't known: ``why`` is then
    what was said of the bank played in numbers.
    """

    name: str
    speed_mps: float
    blur_mm: float | None
    shutter_s: float
    lacking: Lacking
    incoming_angle_u_deg: float
    rebound_angle_u_deg: float
    settled_angle_u_deg: float
    impact_speed_u_percent: float
    rebound_speed_u_percent: float
    cut_angle_u_deg: float
    roll_ratio_u: float
    why: str = ""
    unsteady: frozenset[str] = frozenset()  # of what is told, in what draws of noise differ by more than `STEADY`

    @property
    def told(self) -> dict[str, float]:
        """In words: angles in degrees and speeds in percent that are wanted to be known well."""
        return {
            "incoming": self.incoming_angle_u_deg, "rebound": self.rebound_angle_u_deg,
            "settled": self.settled_angle_u_deg, "speed at impact": self.impact_speed_u_percent,
            "rebound speed": self.rebound_speed_u_percent,
        }

    def beyond(self, wanted: Wanted) -> dict[str, float]:
        """Of what is told, what isn't known as well as wanted."""
        return {name: u for name, u in self.told.items()
                if u > (wanted.speed_percent if "speed" in name else wanted.angle_deg)}

    @property
    def measured(self) -> bool:
        return not self.lacking

    def line(self) -> str:
        """For people."""
        blur = "blur unknown (no shutter time given; half the time between frames is taken)"
        if self.blur_mm is not None:
            blur = f"blur {self.blur_mm:.1f} mm"
        if self.lacking:
            told = "too few frames to be measured"
            if self.lacking == "shutter":
                told = f"can't be measured: a shutter of {_shutter(self.shutter_s)} s smears the balls too far"
            elif self.lacking == "?":
                told = f"played in numbers it was not measured ({self.why})"
        else:
            told = ", ".join((
                f"incoming {_within(self.incoming_angle_u_deg)} deg",
                f"rebound {_within(self.rebound_angle_u_deg)} deg",
                f"settled {_within(self.settled_angle_u_deg)} deg",
                f"speed at impact {_within(self.impact_speed_u_percent)} %",
                f"rebound speed {_within(self.rebound_speed_u_percent)} %", f"cut {_within(self.cut_angle_u_deg)} deg",
                f"cue ball's roll {_within(self.roll_ratio_u, 3)}",
            ))
        return f"{self.name} shot ({self.speed_mps:g} m/s at the cushion): {told}; {blur}."


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Standard uncertainties that are good enough."""

    angle_deg: float = 0.10
    speed_percent: float = 0.4


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
            f"{self.rolling_shutter_percent:.1f} % too fast or too slow (its direction stays right); [camera] "
            "readout_s in session.toml corrects it."
        )
        return out + [f"Advice: {line}" for line in self.advice]


def describe_capability(
    calibration: Calibration,
    frame_rate: float,
    settings: SessionSettings | None = None,
    *,
    noise_px: float = TYPICAL_NOISE_PX,
    wanted: Wanted = Wanted(),
    rotation_deg: int = 0,
) -> Capability:
    """What this camera, at this frame rate and the settings' shutter time, will be able to measure.

    noise_px     : scatter of a resting ball's centre in one frame, along an axis
    rotation_deg : how far the picture was turned for display: the sensor reads its own lines
    """
    camera = _Camera(calibration, settings or SessionSettings(table=calibration.table), frame_rate, noise_px)
    scale = picture_scale(calibration)
    forecasts = tuple(camera.forecast(name) for name in SPEEDS_MPS)
    across, noise_mm = rotation_deg % 180 != 0, noise_px * scale.middle_mm_per_px
    streak_mm = float(streak_noise_mm(camera.smear_mm(forecasts[-1].speed_mps), calibration.table))
    readout_s = min(TYPICAL_READOUT_S, 1 / frame_rate)
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
        advice=tuple(_advice(camera, scale, forecasts, wanted)),
    )


@dataclass(frozen=True)
class _Camera:
    calibration: Calibration
    settings: SessionSettings
    frame_rate: float
    noise_px: float

    @property
    def shutter_s(self) -> float:
        """As given, or as it is taken."""
        return self.settings.camera.shutter_s or 0.5 / self.frame_rate

    @property
    def short_shutter_s(self) -> float:
        """With which a fast ball smears little, in a round number."""
        ball_mm = self.calibration.table.ball.diameter_mm
        return 1 / (10 * math.ceil(100 * max(SPEEDS_MPS.values()) / (GOOD_BLUR * ball_mm)))

    def smear_mm(self, speed_mps: float) -> float:
        return blur_mm(speed_mps, self.shutter_s)

    def with_shutter(self, shutter_s: float) -> _Camera:
        return replace(self, settings=replace(self.settings, camera=replace(self.settings.camera, shutter_s=shutter_s)))

    def with_rate(self, frame_rate: float) -> _Camera:
        given = self.settings.camera.shutter_s
        more = replace(self, frame_rate=frame_rate)
        return more if given is None else more.with_shutter(min(given, 1 / frame_rate))

    def _rehearsed(self, speed: float, draws: int) -> list[Rehearsed]:
        """Once for each draw of noise."""
        return [rehearse(self.calibration, self.settings, speed, noise_px=self.noise_px, frame_rate=self.frame_rate,
                         seed=seed) for seed in range(1, draws + 1)]

    def _measures(self, speed: float) -> bool:
        return _mostly_measured(self._rehearsed(speed, 1))

    def _lacking(self, speed: float) -> Lacking:
        """What would have to be other for a shot to be measured that isn't: it is tried."""
        if self.shutter_s > self.short_shutter_s and self.with_shutter(self.short_shutter_s)._measures(speed):
            return "shutter"
        most = max(COMMON_RATES)
        return "frames" if self.frame_rate < most and self.with_rate(most)._measures(speed) else "?"

    def forecast(self, name: str, draws: int = DRAWS) -> ShotForecast:
        speed, shutter_s = SPEEDS_MPS[name], self.settings.camera.shutter_s
        smeared = self.smear_mm(speed) > MOST_BLUR * self.calibration.table.ball.diameter_mm
        rehearsed = [] if smeared else self._rehearsed(speed, draws)
        measured = _mostly_measured(rehearsed)
        lacking: Lacking = "shutter" if smeared else "" if measured else self._lacking(speed)

        unsteady: set[str] = set()

        def u(measure: str, told: str = "", of: str = "") -> float:
            if not measured:
                return math.nan
            drawn = [_stated(one, measure, of) for one in rehearsed]
            if max(drawn) > STEADY * min(drawn):
                unsteady.add(told)
            middle = float(np.median(drawn))
            return middle if math.isfinite(middle) else math.nan

        forecast = ShotForecast(
            name=name,
            speed_mps=speed,
            blur_mm=None if shutter_s is None else blur_mm(speed, shutter_s),
            shutter_s=self.shutter_s,
            lacking=lacking,
            incoming_angle_u_deg=u("incoming_angle_deg", "incoming"),
            rebound_angle_u_deg=u("rebound_angle_deg", "rebound"),
            settled_angle_u_deg=u("rebound_settled_angle_deg", "settled"),
            impact_speed_u_percent=u("speed_at_impact_mps", "speed at impact", of="speed_at_impact_mps"),
            rebound_speed_u_percent=u("rebound_speed_mps", "rebound speed", of="rebound_speed_mps"),
            cut_angle_u_deg=u("cut_angle_deg"),
            roll_ratio_u=u("cue_roll_ratio"),
            why="" if measured else next((one.why for one in rehearsed if one.why), ""),
        )
        return replace(forecast, unsteady=frozenset(unsteady))

    def others(self) -> dict[str, _Camera]:
        """The same with a shorter shutter, with more frames, with a larger picture, with sizes measured."""
        out = {}
        if self.smear_mm(max(SPEEDS_MPS.values())) > WORTH_BLUR * self.calibration.table.ball.diameter_mm:
            out[f"a shutter of {_shutter(self.short_shutter_s)} s"] = self.with_shutter(self.short_shutter_s)
        for rate in [rate for rate in COMMON_RATES if rate > 1.3 * self.frame_rate][:1]:
            out[f"{rate:g} frames/s"] = self.with_rate(rate)
        out["a picture twice as large (in pixels each way)"] = replace(self, noise_px=self.noise_px / 2)
        table = self.calibration.table
        if max(table.length_u_mm, table.width_u_mm) > TAPE_U_MM:
            taped = replace(table, length_u_mm=min(table.length_u_mm, TAPE_U_MM),
                            width_u_mm=min(table.width_u_mm, TAPE_U_MM))
            measured = replace(self.calibration, table=taped)
            out["the table measured with a tape"] = replace(self, calibration=measured)
        return out


def _mostly_measured(draws: list[Rehearsed]) -> bool:
    return sum(one.shot is not None for one in draws) > len(draws) / 2


def _stated(draw: Rehearsed, measure: str, of: str) -> float:
    """A measure's uncertainty, in percent ``of`` another if one is named; inf where the draw gives none."""
    u = math.nan if draw.shot is None else float(draw.shot[f"{measure}_u"])
    if draw.shot is None or math.isnan(u):
        return math.inf
    return u / (float(draw.shot[of]) / 100 if of else 1.0)


def _advice(camera: _Camera, scale: PictureScale, forecasts: tuple[ShotForecast, ...], wanted: Wanted) -> list[str]:
    out = []
    odd_readout = possible_readout(camera.settings.camera.readout_s, 1 / camera.frame_rate)[1]
    if odd_readout:
        out.append(f"{odd_readout}.")
    fast, ball_mm = forecasts[-1], camera.calibration.table.ball.diameter_mm
    if fast.blur_mm is None:
        out.append("give the shutter time in session.toml ([camera] shutter_s) to learn how far fast balls will smear.")
    elif fast.blur_mm > WORTH_BLUR * ball_mm:
        shutter_s = camera.short_shutter_s
        out.append(
            f"a fast ball smears over {fast.blur_mm:.0f} mm; a shutter of {_shutter(shutter_s)} s brings that down to "
            f"{blur_mm(fast.speed_mps, shutter_s):.0f} mm; it needs more light on the table."
        )
    for forecast in forecasts:
        out += _remedies(camera, forecast, wanted)
    if scale.ball_px < 18:
        out.append(f"a ball is only {scale.ball_px:.0f} px wide: come closer, zoom in, or use a higher resolution.")
    if scale.tilt_deg > 12 or scale.unevenness > 1.35:
        out.append(
            "the far end of the table is much smaller than the near end: hang the camera straighter over the middle."
        )
    return out or ["none needed: this set-up reaches what is wanted at all three speeds."]


def _remedies(camera: _Camera, forecast: ShotForecast, wanted: Wanted) -> list[str]:
    """What another shutter, more frames and more pixels would do for what isn't known as well as wanted."""
    if forecast.lacking == "shutter":
        return [f"a {forecast.name} shot can't be measured with a shutter of {_shutter(forecast.shutter_s)} s: film "
                f"with {_shutter(camera.short_shutter_s)} s, and more light."]
    if forecast.lacking == "?":
        return [f"a {forecast.name} shot played in numbers before this camera was not measured: film one and measure "
                "it before you rely on this set-up."]
    if not forecast.measured:
        return [f"a {forecast.name} shot leaves too few frames at {camera.frame_rate:g} frames/s: film with more."]
    beyond = forecast.beyond(wanted)
    if not beyond:
        return []
    first = (f"of a {forecast.name} shot not known to the +-{wanted.angle_deg:g} deg and +-{wanted.speed_percent:g} % "
             f"wanted: {', '.join(beyond)}.")
    if set(beyond) <= {"rebound", "rebound speed"} and forecast.settled_angle_u_deg <= wanted.angle_deg:
        first += " Just after the cushion such a ball slides only briefly: compare settled angles."
    out, draws = [first], DRAWS if forecast.unsteady & set(beyond) else 1
    for words, other in camera.others().items():
        better = other.forecast(forecast.name, draws).told
        left = (f"{name} {_within(better[name])} {'%' if 'speed' in name else 'deg'}" for name in beyond)
        out.append(f"{forecast.name} shot with {words}: {', '.join(left)}.")
    return out


def _shutter(seconds: float) -> str:
    return f"1/{1 / seconds:.0f}" if seconds < 0.5 else f"{seconds:g}"


def _within(u: float, digits: int = 2) -> str:
    return "+-?" if math.isnan(u) else f"+-{u:.{digits}f}"
