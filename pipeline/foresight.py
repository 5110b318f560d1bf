"""How well a shot's angles, speeds and spin will be known with this camera, before any shot is played.

Banks of three speeds are played in numbers and measured as clips are (`rehearsal.py`): what comes out are the
uncertainties that shots.csv would state, with all that they allow for: the median of a few draws of noise, as single
ones differ by chance, up to fourfold in the cue ball's roll.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property, partial, reduce
from typing import Literal

import numpy as np

from calibration.capability import blur_mm, picture_scale
from calibration.lens import lens_prior, read_lens
from calibration.model import LensPrior
from calibration.rehung import higher, straight_above
from calibration.store import Calibration
from pipeline.rehearsal import Rehearsed, rehearse
from pipeline.shutter import shutter_words
from pipeline.wanted import Wanted, within
from shared.equipment import TAPE_U_MM
from shared.settings import SessionSettings

SPEEDS_MPS = {"slow": 0.7, "medium": 1.5, "fast": 3.0}  # banked ball as it meets the cushion
MOST_BLUR = 1.5  # ball widths: of drawn clips, one with streaks of 83 mm was measured, two of 95 and 108 mm were not
WORTH_BLUR, GOOD_BLUR = 1 / 4, 1 / 8  # ball widths: a longer streak is worth a shorter shutter, that makes it so long
COMMON_RATES = (60.0, 120.0, 240.0)  # frames/s that cameras offer
HIGHER = 1.5  # times as high: how far the camera is moved up to see what that does
LEAST_TILT_DEG = 2.0  # nobody hangs a camera much straighter by eye; common practice, no source
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
        """Of what is told, what isn't known as well as wanted, or not at all."""
        return {name: u for name, u in self.told.items() if not u <= wanted.of(name)}

    def reaches(self, wanted: Wanted, names: Iterable[str]) -> bool:
        """Whether these are known as well as wanted."""
        return self.measured and not set(names) & set(self.beyond(wanted))

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
                told = f"can't be measured: a shutter of {shutter_words(self.shutter_s)} s smears the balls too far"
            elif self.lacking == "?":
                told = f"played in numbers it was not measured ({self.why})"
        else:
            told = ", ".join((
                f"incoming {within(self.incoming_angle_u_deg)} deg",
                f"rebound {within(self.rebound_angle_u_deg)} deg",
                f"settled {within(self.settled_angle_u_deg)} deg",
                f"speed at impact {within(self.impact_speed_u_percent)} %",
                f"rebound speed {within(self.rebound_speed_u_percent)} %", f"cut {within(self.cut_angle_u_deg)} deg",
                f"cue ball's roll {within(self.roll_ratio_u, 3)}",
            ))
        return f"{self.name} shot ({self.speed_mps:g} m/s at the cushion): {told}; {blur}."


@dataclass(frozen=True)
class Camera:
    """A camera over a table, and what it will film: what is foretold of shots before it, and before better ones."""

    calibration: Calibration
    settings: SessionSettings
    frame_rate: float
    noise_px: float
    _played: dict[tuple[float, int], Rehearsed] = field(default_factory=dict, init=False, repr=False, compare=False)

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

    def with_shutter(self, shutter_s: float) -> Camera:
        return replace(self, settings=replace(self.settings, camera=replace(self.settings.camera, shutter_s=shutter_s)))

    def with_rate(self, frame_rate: float) -> Camera:
        given = self.settings.camera.shutter_s
        more = replace(self, frame_rate=frame_rate)
        return more if given is None else more.with_shutter(min(given, 1 / frame_rate))

    def _rehearsed(self, speed: float, draws: int) -> list[Rehearsed]:
        """Once for each draw of noise."""
        return [self._draw(speed, seed) for seed in range(1, draws + 1)]

    def _draw(self, speed: float, seed: int) -> Rehearsed:
        if (speed, seed) not in self._played:
            self._played[speed, seed] = rehearse(self.calibration, self.settings, speed, noise_px=self.noise_px,
                                                 frame_rate=self.frame_rate, seed=seed)
        return self._played[speed, seed]

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

    @cached_property
    def remedies(self) -> dict[str, Camera]:
        """The same with a shorter shutter, more frames, a larger picture, sizes measured, from higher, straighter."""
        return {words: change(self) for words, change in self._changes.items()}

    def with_all(self, remedies: Iterable[str]) -> Camera:
        """The same with several of them."""
        return reduce(lambda camera, words: self._changes[words](camera), remedies, self)

    @cached_property
    def _changes(self) -> dict[str, Callable[[Camera], Camera]]:
        out: dict[str, Callable[[Camera], Camera]] = {}
        if self.smear_mm(max(SPEEDS_MPS.values())) > WORTH_BLUR * self.calibration.table.ball.diameter_mm:
            shutter_s = self.short_shutter_s
            out[f"a shutter of {shutter_words(shutter_s)} s"] = partial(Camera.with_shutter, shutter_s=shutter_s)
        faster = next((rate for rate in COMMON_RATES if rate > 1.3 * self.frame_rate), None)
        if faster is not None:
            out[f"{faster:g} frames/s"] = partial(Camera.with_rate, frame_rate=faster)
        out["a picture twice as large (in pixels each way)"] = Camera._larger
        if max(self.calibration.table.length_u_mm, self.calibration.table.width_u_mm) > TAPE_U_MM:
            out["the table measured with a tape"] = Camera._taped
        out[f"the camera {HIGHER:g} times as high (zoomed in to the same picture)"] = Camera._higher
        if picture_scale(self.calibration).tilt_deg > LEAST_TILT_DEG:
            out["the camera straight above the middle"] = Camera.straightened
        return out

    @property
    def lens(self) -> LensPrior | None:
        """What a lens file tells beforehand."""
        pose, lens = self.calibration.pose, self.settings.camera.lens
        return None if lens is None else lens_prior(read_lens(lens), (pose.width_px, pose.height_px))

    def straightened(self) -> Camera:
        return replace(self, calibration=straight_above(self.calibration, self.lens))

    def _higher(self) -> Camera:
        return replace(self, calibration=higher(self.calibration, HIGHER, self.lens))

    def _larger(self) -> Camera:
        """With pixels half as large and the same noise in each: the calibration is left as it is."""
        return replace(self, noise_px=self.noise_px / 2)

    def _taped(self) -> Camera:
        table = self.calibration.table
        taped = replace(table, length_u_mm=min(table.length_u_mm, TAPE_U_MM),
                        width_u_mm=min(table.width_u_mm, TAPE_U_MM))
        return replace(self, calibration=replace(self.calibration, table=taped))


def _mostly_measured(draws: list[Rehearsed]) -> bool:
    return sum(one.shot is not None for one in draws) > len(draws) / 2


def _stated(draw: Rehearsed, measure: str, of: str) -> float:
    """A measure's uncertainty, in percent ``of`` another if one is named; inf where the draw gives none."""
    u = math.nan if draw.shot is None else float(draw.shot[f"{measure}_u"])
    if draw.shot is None or math.isnan(u):
        return math.inf
    return u / (float(draw.shot[of]) / 100 if of else 1.0)
