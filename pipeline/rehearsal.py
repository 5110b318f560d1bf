"""A bank played in numbers before a camera and measured as a clip would be: what `measure` will be able to say.

The object ball lies on the table's middle and is hit full by a cue ball that slides without spin; it runs to the left
cushion, 30 degrees from its normal, and back across the table. Motion in closed form (`physics.state_after`), the hit
and the cushion as in `consequence`; noise is normal and independent from frame to frame, as large as is stated, and
along the motion as the exposure's smear makes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from calibration.store import Calibration
from pipeline.consequence import BALL_RESTITUTION, off_left_cushion
from pipeline.detect_edges import streak_u
from pipeline.detect_outline import BallPicture
from pipeline.knowledge import prior_friction
from pipeline.noise_scale import LEAST_NOISE
from pipeline.physics import G_MM_S2, Friction, rest_time, state_after
from pipeline.shots import measure_shots
from shared.columns import DETECTIONS, why_lost
from shared.equipment import Table
from shared.settings import SessionSettings

Array = NDArray[np.float64]

DIRECTION_DEG = 30.0  # of the way to the cushion, from its normal
RUN_MM = 400.0  # of the cue ball to the hit; on a small table from two ball radii off the cushion
STILL_S = 0.5  # filmed before the strike
LONGEST_S = 5.0
TYPICAL = Friction()
STREAK_NOISE = 0.075  # of a streak's length, times the length in balls: drawn clips, 1/250 to 1/30 s, up to 6 m/s
_STEP_S = 1e-3


@dataclass(frozen=True, eq=False)
class _Stretch:
    """A ball from one event to the next: its place, velocity and rolling velocity at ``since_s`` (mm, mm/s)."""

    since_s: float
    place: Array
    velocity: Array
    rolling: Array

    def at(self, t_s: Array, friction: Friction) -> tuple[Array, Array, Array]:
        return state_after(self.place, self.velocity, self.rolling, t_s - self.since_s, friction.sliding,
                           friction.rolling)

    def rests_s(self, friction: Friction) -> float:
        return self.since_s + float(rest_time(self.velocity, self.rolling, friction.sliding, friction.rolling))


@dataclass(frozen=True, eq=False)
class Bank:
    """Stretches of both balls in order, and when all is over: the object ball is at a second cushion, or rests."""

    cue: tuple[_Stretch, ...]
    object: tuple[_Stretch, ...]
    end_s: float
    friction: Friction

    def places(self, ball: tuple[_Stretch, ...], t_s: Array) -> Array:
        """(N, 2) mm."""
        out = np.repeat(ball[0].place[None], len(t_s), axis=0)
        for stretch in ball:
            later = t_s >= stretch.since_s
            out[later] = stretch.at(t_s[later], self.friction)[0]
        return out


@lru_cache(maxsize=16)  # the same one is played before several cameras, in several draws of noise
def bank(table: Table, speed_mps: float, friction: Friction = TYPICAL) -> Bank:
    """The bank whose object ball meets the cushion at this speed."""
    heading = math.radians(90 - DIRECTION_DEG)
    ahead = np.array([math.cos(heading), math.sin(heading)])
    middle = np.array([table.length_mm, table.width_mm]) / 2
    wall = table.width_mm - table.contact_distance_mm(table.ball.radius_mm)
    still = np.zeros(2)

    def run(away: float) -> tuple[float, Array, Array, Array]:
        return _until(_Stretch(0.0, middle, away * ahead, still), friction, wall)

    slow, fast = 1000 * speed_mps, 3000 * speed_mps + 1500
    for _ in range(60):  # bisection: the faster it leaves, the faster it arrives
        away = (slow + fast) / 2
        took, _, velocity, _ = run(away)
        if not math.isfinite(took) or np.hypot(*velocity) < 1000 * speed_mps:
            slow = away
        else:
            fast = away
    took, there, velocity, rolling = run(fast)
    meets = 2 * fast / (1 + BALL_RESTITUTION)
    brake, gap = friction.sliding * G_MM_S2, 2 * table.ball.radius_mm
    contact = middle - gap * ahead
    run_mm = min(RUN_MM, float(contact[1] - gap) / math.sin(heading))
    slid = (math.sqrt(meets**2 + 2 * brake * run_mm) - meets) / brake
    hit_s = STILL_S + slid
    cue = (
        _Stretch(STILL_S, contact - run_mm * ahead, (meets + brake * slid) * ahead, -2.5 * brake * slid * ahead),
        _Stretch(hit_s, contact, (meets - fast) * ahead, still),
    )
    back, rolls = off_left_cushion(velocity / 1000, rolling / 1000, 0.0,
                                   nose=table.nose_height_mm / table.ball.radius_mm - 1)
    home = _Stretch(hit_s + took, there, 1000 * back, 1000 * rolls)
    across, *_ = _until(home, friction, table.width_mm - wall)
    along, *_ = _until(home, friction, table.length_mm - (table.width_mm - wall), axis=0)
    end = min(across, along, home.rests_s(friction) + 0.3, STILL_S + LONGEST_S)
    return Bank(cue, (_Stretch(hit_s, middle, fast * ahead, still), home), end, friction)


def _until(stretch: _Stretch, friction: Friction, line_mm: float, axis: int = 1) -> tuple[float, Array, Array, Array]:
    """When (s; inf if never), where and how fast it gets to a line along the table, or (axis 0) across it."""
    t_s = np.arange(stretch.since_s, stretch.rests_s(friction), _STEP_S)
    way = stretch.at(t_s, friction)[0][:, axis]
    beyond = np.flatnonzero((way - line_mm) * np.sign(line_mm - stretch.place[axis]) >= 0)
    if not len(beyond):
        last = stretch.at(t_s[-1:], friction)
        return math.inf, last[0][0], last[1][0], last[2][0]
    k = max(int(beyond[0]), 1)
    part = (line_mm - way[k - 1]) / (way[k] - way[k - 1])
    when = t_s[k - 1] + part * _STEP_S
    there = stretch.at(np.array([when]), friction)
    return float(when), there[0][0], there[1][0], there[2][0]


def detections(
    played: Bank, calibration: Calibration, *, noise_px: float, frame_rate: float, shutter_s: float, seed: int = 1
) -> pd.DataFrame:
    """DETECTIONS of the bank as this camera would give them."""
    rng = np.random.default_rng(seed)
    t_s: Array = np.asarray((np.arange(int(played.end_s * frame_rate)) + rng.uniform(0, 1)) / frame_rate, dtype=float)
    picture = BallPicture(calibration.pose, calibration.table.ball.radius_mm)
    parts = []
    for ball, white in ((played.cue, True), (played.object, False)):
        true = played.places(ball, t_s)
        to_px = picture.jacobian(true)
        ends = [played.places(ball, t_s + part * shutter_s) for part in (0.5, -0.5)]
        length = np.linalg.norm(ends[0] - ends[1], axis=1)
        blur = np.einsum("nij,nj->ni", to_px, ends[0] - ends[1])
        scatter = streak_noise_mm(length, calibration.table)
        ahead = np.einsum("nij,nj->ni", to_px, _unit(ends[0] - ends[1]))
        px = picture.centres(true) + rng.normal(0, noise_px, true.shape)
        px += (scatter * rng.normal(0, 1, len(t_s)))[:, None] * ahead
        xy = calibration.pose.to_table(px, picture.radius_mm)
        stated = LEAST_NOISE * streak_u(length, 2 * picture.radius_mm)
        streak = blur * (stated / np.maximum(length, 1e-9))[:, None]
        from_px = np.linalg.inv(to_px)
        cov_px = noise_px**2 * np.eye(2) + streak[:, :, None] * streak[:, None, :]
        cov = from_px @ cov_px @ np.swapaxes(from_px, 1, 2)
        u = np.sqrt(np.einsum("nii->ni", cov))
        looks = (210.0, 0.0, 0.0, 0.95) if white else (120.0, -50.0, 15.0, 0.02)
        parts.append(np.column_stack([
            np.arange(len(t_s)), t_s, px, xy, u, cov[:, 0, 1] / (u[:, 0] * u[:, 1]), blur, np.ones((len(t_s), 2)),
            np.tile(looks, (len(t_s), 1)),
        ]))
    rows = pd.DataFrame(np.concatenate(parts), columns=DETECTIONS.names)
    return DETECTIONS.conform(rows.sort_values(["frame", "white_share"], ignore_index=True))


def streak_noise_mm(blur_mm: ArrayLike, table: Table) -> Array:
    """Scatter of a ball's place along its motion, from frame to frame, that its smear during the exposure makes.

    It grows with the square of the smear: the longer, the fainter the two ends that tell the place along it.
    """
    length = np.asarray(blur_mm, dtype=float)
    return np.asarray(STREAK_NOISE * length**2 / table.ball.diameter_mm)


def _unit(v: Array) -> Array:
    return np.asarray(v / np.maximum(np.linalg.norm(v, axis=1, keepdims=True), 1e-9))


@dataclass(frozen=True, eq=False)
class Rehearsed:
    """The SHOTS row that a bank would get; None where its rebound would not be measured, and ``why``."""

    shot: pd.Series | None
    why: str = ""


def rehearse(
    calibration: Calibration, settings: SessionSettings, speed_mps: float, *, noise_px: float, frame_rate: float,
    seed: int = 1,
) -> Rehearsed:
    """Such a bank before this camera, on the cloth that the settings fix or else a typical one; one draw of noise."""
    shutter_s = settings.camera.shutter_s or 0.5 / frame_rate
    played = bank(calibration.table, speed_mps, prior_friction(settings))
    rows = detections(played, calibration, noise_px=noise_px, frame_rate=frame_rate, shutter_s=shutter_s, seed=seed)
    measured = measure_shots(rows, calibration=calibration, settings=settings, clip="rehearsal")
    if len(measured.shots) != 1:
        return Rehearsed(None, "; ".join(measured.notes) or f"it was taken for {len(measured.shots)} shots")
    shot = measured.shots.iloc[0]
    if float(shot["rebound_angle_deg_u"]) > 0:
        return Rehearsed(shot)
    return Rehearsed(None, why_lost(shot["notes"]) or "the object ball's rebound did not show")
