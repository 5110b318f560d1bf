"""Bank and kick patterns: a small TOML file each, and the banked ball's departure against the pattern's line.

A session keeps its patterns in ``patterns/NAME.toml``. Places are in sights, from the nose lines: along the table 0 to
8, across it 0 to 4. A shot without a declared pattern is matched to one of the session's own patterns by where the
balls lay and where the banked ball set off, never by where it ended; else it is left blank.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from math import atan2, degrees, sqrt
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.consequence import throw_deg
from pipeline.tolerances import wanted_roll
from pipeline.unread import PATTERN_FOLDER
from shared.equipment import POCKETS, Cushion, Table, pocket_name
from shared.errors import SettingsError
from shared.names import same_name

PLACING_TOLERANCE_MM = 60.0  # about a ball: people put balls back to a few millimetres, a pattern's file is rounder
LINE_TOLERANCE_DEG = 8.0
DEFAULT_SPEED_MPS = 2.2  # where a pattern does not say: only for the throw of its cut

Place = Annotated[tuple[float, float], Field(description="[along 0-8, across 0-4] in sights")]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Aim(_Strict):
    """Where on which cushion the banked ball should meet it."""

    cushion: Cushion
    sight: float


class Pattern(_Strict):
    """One pattern as its file says it.

    ``speed_mps``: the cue ball's at the hit (bank) or the strike (kick), of shots whose declared class is
    ``speed_class`` or blank; of every class where that is blank.
    """

    name: str
    title: str = ""
    kind: Literal["bank", "kick"]
    cue: Place
    object: Place | None = None
    aim: Aim
    cushions: tuple[Cushion, ...] = ()
    target: str = ""
    spin: float | str = "stun"
    side_ratio: float = 0.0
    speed_mps: float | None = Field(default=None, gt=0)
    speed_class: str = ""

    def place_mm(self, ball: Literal["cue", "object"], table: Table) -> NDArray[np.float64] | None:
        """(2,) where a ball lies, table frame."""
        sights = self.cue if ball == "cue" else self.object
        return None if sights is None else np.array([sights[0] * table.length_mm / 8, sights[1] * table.width_mm / 4])

    def line(self, table: Table) -> tuple[NDArray[np.float64], float]:
        """The banked ball's intended line: start (2,) mm and direction, degrees from +x."""
        start = self.place_mm("object" if self.kind == "bank" else "cue", table)
        assert start is not None  # read_pattern refuses a bank without an object ball
        towards = _aim_point(self.aim, table) - start
        return start, degrees(atan2(towards[1], towards[0]))

    def cut_deg(self, table: Table) -> float | None:
        """Cut angle of the wanted hit, + when the object ball leaves to the left; None for a kick.

        The line of centres is turned against the throw, as a player does, so that the ball leaves along the line.
        """
        cue = self.place_mm("cue", table)
        if self.kind == "kick" or cue is None:
            return None
        start, heading = self.line(table)
        roll, _ = wanted_roll(self.spin)
        cut = throw = 0.0
        for _ in range(20):  # converges within a few: throw changes by a seventh of the cut at most
            centres = np.radians(heading - throw)
            path = start - table.ball.diameter_mm * np.array([np.cos(centres), np.sin(centres)]) - cue
            cut = _turn(heading - throw - degrees(atan2(path[1], path[0])))
            throw = throw_deg(cut, speed_mps=self.speed_mps or DEFAULT_SPEED_MPS, roll_ratio=roll,
                              side_ratio=self.side_ratio)
        return cut


def read_pattern(path: Path) -> Pattern:
    """A pattern from its file. Raises SettingsError in one line naming the file and the key."""
    try:
        pattern = Pattern.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as a pattern: {error}.") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        known = ", ".join(Pattern.model_fields)
        raise SettingsError(f"{path}: {key}: {first['msg']}. A pattern may hold {known}.") from error
    if pattern.kind == "bank" and pattern.object is None:
        raise SettingsError(f"{path}: a bank needs `object = [along, across]`, where the object ball lies.")
    for place in (pattern.cue, pattern.object):
        if place is not None and not (0 < place[0] < 8 and 0 < place[1] < 4):
            raise SettingsError(f"{path}: {list(place)} is not on the table; along is 0 to 8 sights, across 0 to 4.")
    most = 4 if pattern.aim.cushion in ("head", "foot") else 8
    if not 0 < pattern.aim.sight < most:
        raise SettingsError(f"{path}: aim: sight = {pattern.aim.sight:g}; along the {pattern.aim.cushion} cushion "
                            f"sights run from 0 to {most}.")
    try:
        wanted_roll(pattern.spin)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from error
    target = pocket_name(pattern.target) if pattern.target else ""
    if target is None:
        raise SettingsError(f"{path}: target = {pattern.target!r} is no pocket; use one of {', '.join(POCKETS)}.")
    return pattern.model_copy(update={"target": target})


def read_patterns(session_dir: Path) -> dict[str, Pattern]:
    """All of a session's patterns by name; none if it has no ``patterns/`` folder."""
    found: dict[str, Pattern] = {}
    for path in sorted((session_dir / PATTERN_FOLDER).glob("*.toml")):
        pattern = read_pattern(path)
        if pattern_named(pattern.name, found):
            raise SettingsError(f"{path}: pattern {pattern.name!r} stands in another file too; rename one.")
        found[pattern.name] = pattern
    return found


def pattern_named(name: str, patterns: Mapping[str, Pattern]) -> Pattern | None:
    """The pattern that a person means by a name: capitals, spaces, hyphens and underscores make no other one."""
    if name in patterns:
        return patterns[name]
    return next((patterns[known] for known in patterns if same_name(known) == same_name(name)), None)


@dataclass(frozen=True)
class Departure:
    """How the balls lay and how the banked ball set off, up to its first cushion or ball and no further."""

    cue_mm: NDArray[np.float64] | None
    banked_mm: NDArray[np.float64]  # where the line starts
    heading_deg: float
    heading_u_deg: float


def departure_of(shot: Mapping[str, object], tracks: pd.DataFrame, contacts: pd.DataFrame) -> Departure | None:
    """Fit the banked ball's track between its start and the first cushion or ball that it meets with a line.

    shot     : a SHOTS row; shot_id, kind, banked_ball are used
    tracks   : TRACKS rows; contacts : CONTACTS rows, of any shots
    returns  : None where the ball was seen fewer than three times on its way, or there was no contact
    """
    shot_id, kind, ball = shot["shot_id"], shot["kind"], shot["banked_ball"]
    if not isinstance(ball, str) or not ball:
        return None
    events = contacts[contacts["shot_id"] == shot_id].sort_values("t_s")
    start = events[events["kind"] == ("strike" if kind == "kick" else "ball")].head(1)
    ends = (events["ball"] == ball) & events["kind"].isin(["cushion", "jaw", "pocket", "rest"])
    met = (events["kind"] == "ball") & ((events["ball"] == ball) | (events["other"] == ball))
    mine = events[ends | (met & ~events.index.isin(start.index))]
    if start.empty or mine.empty:
        return None
    begin_s, end_s = float(start["t_s"].iloc[0]), float(mine["t_s"].iloc[0])
    own = tracks[tracks["shot_id"] == shot_id]
    path = own[(own["ball"] == ball) & (own["t_s"] > begin_s) & (own["t_s"] < end_s) & (own["state"] == "seen")]
    if len(path) < 3:
        return None
    heading, u = _line(path)
    cue = _struck_at(events)
    lay = cue if kind == "kick" else _lay(own[own["ball"] == ball], begin_s, end_s)
    if lay is None:
        return None
    return Departure(cue, lay, heading, u)


def _struck_at(events: pd.DataFrame) -> NDArray[np.float64] | None:
    """Where the cue ball lay: a shot's tracks begin when it has left."""
    strike = events.loc[events["kind"] == "strike", ["x_mm", "y_mm"]].head(1).dropna()
    return None if strike.empty else strike.to_numpy(float)[0]


def _lay(seen: pd.DataFrame, begin_s: float, end_s: float) -> NDArray[np.float64]:
    """Where a ball lay when it was hit: as last seen before that, or else where its way from there leads back to."""
    before = seen[seen["t_s"] <= begin_s]
    if len(before):
        return np.asarray(before[["x_mm", "y_mm"]].iloc[-1], dtype=float)
    way = seen[(seen["t_s"] < end_s) & (seen["state"] == "seen")].head(5)
    line = np.polyfit(way["t_s"].to_numpy(float) - begin_s, way[["x_mm", "y_mm"]].to_numpy(float), 1)
    return np.asarray(line[1])


def aim_error(departure: Departure, pattern: Pattern, table: Table) -> tuple[float, float]:
    """Departure minus the pattern's line, degrees, + left; with its standard uncertainty (the track's)."""
    _, heading = pattern.line(table)
    return _turn(departure.heading_deg - heading), departure.heading_u_deg


def match_pattern(departure: Departure, patterns: Mapping[str, Pattern], kind: str, table: Table) -> str | None:
    """The name of the pattern whose balls lie nearest, if within about a ball and set off within a few degrees."""
    best: tuple[float, str] | None = None
    for name, pattern in patterns.items():
        if pattern.kind != kind:
            continue
        start, _ = pattern.line(table)
        away = float(np.hypot(*(departure.banked_mm - start)))
        cue = pattern.place_mm("cue", table)
        if departure.cue_mm is not None and cue is not None:
            away = max(away, float(np.hypot(*(departure.cue_mm - cue))))
        off, _ = aim_error(departure, pattern, table)
        if away <= PLACING_TOLERANCE_MM and abs(off) <= LINE_TOLERANCE_DEG and (best is None or away < best[0]):
            best = (away, name)
    return best[1] if best else None


def _aim_point(aim: Aim, table: Table) -> NDArray[np.float64]:
    """Where the ball's centre is when it touches the cushion at the sight."""
    off = table.contact_distance_mm(table.ball.radius_mm)
    if aim.cushion in ("left", "right"):
        return np.array([aim.sight * table.length_mm / 8, off if aim.cushion == "right" else table.width_mm - off])
    return np.array([off if aim.cushion == "head" else table.length_mm - off, aim.sight * table.width_mm / 4])


def _line(path: pd.DataFrame) -> tuple[float, float]:
    """Direction (deg from +x, along the motion) of a straight track, and its u."""
    xy = path[["x_mm", "y_mm"]].to_numpy(float)
    middle = xy.mean(axis=0)
    _, sizes, axes = np.linalg.svd(xy - middle, full_matrices=False)
    along = axes[0] if axes[0] @ (xy[-1] - xy[0]) > 0 else -axes[0]
    scatter = sizes[1] / sqrt(max(len(xy) - 2, 1))
    stated = float(np.sqrt(np.mean(path[["x_u_mm", "y_u_mm"]].to_numpy(float) ** 2)))
    u = degrees(max(scatter, stated) / max(float(sizes[0]), 1e-9))
    return degrees(atan2(along[1], along[0])), u


def _turn(angle_deg: float) -> float:
    """Into (-180, 180]."""
    return -((-angle_deg + 180) % 360 - 180)
