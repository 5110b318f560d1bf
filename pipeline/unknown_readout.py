"""A read-out time that nobody gave, or none that can be: what a phone's would change in speeds, angles and spin.

Where a ball rolls, its line stays where it is. Where it slides on a bent way, as off a cushion, how bent that is goes
by its speed: directions and spin there are off with the speed.

It is said; nothing is corrected by it and no uncertainty widened: shots of one kind would all be off alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calibration.store import Calibration
from pipeline.shutter import read_offset_s
from shared.columns import SHOTS, join_notes

if TYPE_CHECKING:
    from pipeline.learning import ClothAndBalls
    from pipeline.physics import Array
    from pipeline.shots import MeasuredShot
    from shared.equipment import Table

OF_THE_TABLE = "may be off by more than stated, as the shots are (see their notes)"
_UNITS = {column.name: column.unit for column in SHOTS.columns}


def changes_by_readout(
    shot: MeasuredShot, calibration: Calibration, known: ClothAndBalls, *, rotation_deg: int, readout_s: float
) -> dict[str, float]:
    """What a read-out time would change in a shot that was measured without one, by fitting it again from where it is.

    known        : of cloth and balls when the shot was measured
    rotation_deg : how far the picture was turned clockwise for display
    returns      : by measure of a SHOTS row that hangs on the motion, in the measure's unit
    """
    from pipeline.knowledge import ANY_TWO
    from pipeline.shot_fit import fit_shot

    motion, pose = shot.motion, calibration.pose
    values = []
    for lasting_s in (0.0, readout_s):  # both fitted alike, so that only the read-out differs
        seen = []
        for one in motion.seen.values():
            x, y = pose.to_image(np.column_stack([one.xy_mm, np.full(len(one.t_s), motion.radius_mm)])).T
            late_s = read_offset_s(x, y, width_px=pose.width_px, height_px=pose.height_px, rotation_deg=rotation_deg,
                                   readout_s=lasting_s)
            seen.append(replace(one, t_s=one.t_s + late_s))
        fitted = fit_shot(seen, motion.events, table=calibration.table, friction=known.friction,
                          cue_mass=known.cue_mass or ANY_TWO, start=motion.theta)
        values.append(_measures(shot, fitted.theta, calibration.table))
    without, with_it = values
    return {name: with_it[name] - value for name, value in without.items() if name in with_it}


def _measures(shot: MeasuredShot, theta: Array, table: Table) -> dict[str, float]:
    """What would be measured of the shot at these parameters (n,) of its motion."""
    from pipeline.shots import launch_and_rebound

    followed = replace(shot.followed, motion=replace(shot.motion, theta=theta))
    launch, rebound = launch_and_rebound(followed, table, shot.target)
    got = launch.measures() | rebound.measures()
    return {name: one.value for name, one in got.items() if f"{name}_u" in SHOTS.dtypes}


def say_what_a_readout_changes(
    shots: pd.DataFrame, foretold: Mapping[str, Mapping[str, Any]], *, given_s: float | None = None
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """For clips measured without ``readout_s``: the shots with a note where a usual read-out would change a measure by
    more than its uncertainty; and a line on the whole session, none where no speed was measured.

    shots    : SHOTS rows
    foretold : by clip that was measured so, ``readout_s`` and ``shots``: `changes_by_readout` by shot number, as text
    given_s  : the session's read-out time, longer than a frame of these clips; None: it gives none
    """
    notes: list[str] = []
    speeds, longest, told = 0.0, 0.0, 0
    clips: set[str] = set()
    angles: dict[str, float] = {}  # those that would change by more than their uncertainty
    for record in shots.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        clip = foretold.get(str(row["clip"]), {})
        readout_s = float(clip.get("readout_s", 0.0))
        changes = {name: float(change) for name, change in clip.get("shots", {}).get(str(row["shot"]), {}).items()
                   if not pd.isna(row[name]) and not pd.isna(row[f"{name}_u"]) and math.isfinite(change)}
        beyond = [_words(name, change, float(row[name])) for name, change in changes.items()
                  if abs(change) > float(row[f"{name}_u"])]
        notes.append(f"{_lacks(given_s)}: one of {1000 * readout_s:.3g} ms would change beyond their uncertainty: "
                     f"{', '.join(beyond)}" if beyond else "")
        shares = [abs(change / float(row[name])) for name, change in changes.items() if _is_speed(name) and row[name]]
        for name, change in changes.items():
            if _UNITS[name] == "deg" and abs(change) > float(row[f"{name}_u"]):
                angles[name] = max(angles.get(name, 0.0), abs(change))
        told += bool(shares)
        if shares:
            speeds, longest = max(speeds, *shares), max(longest, readout_s)
            clips.add(str(row["clip"]))
    if not told:
        return shots, ()
    many = sum(map(bool, notes))
    where = f"in {many} of {told} shots by more than is stated (see their notes)" if many else (
        "in no shot by more than is stated")
    turned = "".join(f", {name} up to {angle:.2g} deg" for name, angle in angles.items())
    clips_of = "1 clip" if len(clips) == 1 else f"{len(clips)} clips"
    lacks = "no [camera] readout_s in session.toml" if given_s is None else (
        f"[camera] readout_s in session.toml is longer than a frame of {clips_of}, and not used there")
    line = (f"{lacks}: if this camera reads a picture line by line in "
            f"{1000 * longest:.3g} ms (phones: 10 to 20; common practice, no source), speeds are up to "
            f"{100 * speeds:.2g} %{turned} and times up to {500 * longest:.2g} ms off, {where}; what table.csv says of "
            "cloth, balls and cushions is off with them. README, \"How to film\", says how to find it; readout_s = 0 "
            "says that it is negligible, and ends this line.")
    return shots.assign(notes=join_notes(shots["notes"], notes)), (line,)


def say_it_of_the_table(
    table: pd.DataFrame, levels: Sequence[str], *, given_s: float | None = None
) -> pd.DataFrame:
    """FINGERPRINT rows with a note where there is an uncertain value: it is off with the shots it comes from.

    levels  : the conditions' levels, as the rows name them, with a shot measured without it; the whole session has one
    given_s : as in `say_what_a_readout_changes`
    """
    off = table["condition"].isna() | table["condition"].isin(["", *levels])
    uncertain = off & table["value"].notna() & table["value_u"].notna()
    words = f"{_lacks(given_s)}: {OF_THE_TABLE}"
    return table.assign(note=join_notes(table["note"], [words if one else "" for one in uncertain]))


def _lacks(given_s: float | None) -> str:
    return "readout_s not given" if given_s is None else "readout_s not used"


def _is_speed(name: str) -> bool:
    return _UNITS[name] == "m/s"


def _words(name: str, change: float, value: float) -> str:
    """A speed's change in percent, another measure's in its unit."""
    if _is_speed(name) and value:
        return f"{name} {100 * change / value:+.2g} %"
    return f"{name} {change:+.2g} {_UNITS[name]}".rstrip()
