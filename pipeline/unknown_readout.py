"""A read-out time that nobody gave: what a phone's would change in speeds.

It is said; nothing is corrected by it and no uncertainty widened: shots of one kind would all be off alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from calibration.store import Calibration
from pipeline.shutter import read_offset_s
from shared.columns import join_notes

if TYPE_CHECKING:
    from pipeline.learning import ClothAndBalls
    from pipeline.motions import ShotMotion
    from pipeline.physics import Array
    from pipeline.shots import MeasuredShot


def changes_by_readout(
    shot: MeasuredShot, calibration: Calibration, known: ClothAndBalls, *, rotation_deg: int, readout_s: float
) -> dict[str, float]:
    """What a read-out time would change in a shot that was measured without one, by fitting it again from where it is.

    known        : of cloth and balls when the shot was measured
    rotation_deg : how far the picture was turned clockwise for display
    returns      : by speed and ratio of speeds of a SHOTS row, in shares of it
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
        values.append(_speeds(motion, fitted.theta, shot.launch.banked_ball))
    return {name: values[1][name] / value - 1 for name, value in values[0].items() if value}


def _speeds(motion: ShotMotion, theta: Array, banked: str) -> dict[str, float]:
    """Speeds of a SHOTS row and their ratios at a motion's parameters (n,)."""
    from pipeline.launch import first_ball_contact
    from pipeline.paths import Path, inward_normal

    path, events = Path(motion.layout, theta), motion.layout.events

    def before(ball: str, i: int) -> Array:
        return np.asarray(path.before[ball, i][1][0])

    def after(ball: str, i: int) -> Array:
        return np.asarray(path.after[ball, i][1][0])

    strike = next(i for i, event in enumerate(events) if event.kind == "strike")
    found: dict[str, Array] = {"cue_speed_mps": after("cue", strike)}
    hit = first_ball_contact(events)
    if hit is not None:
        struck = events[hit].other if events[hit].ball == "cue" else events[hit].ball
        found |= {"cue_impact_speed_mps": before("cue", hit), "object_speed_mps": after(struck, hit)}
    cushion = next((i for i in motion.layout.chain.get(banked, ()) if events[i].kind == "cushion"), None)
    ratios: dict[str, float] = {}
    if cushion is not None:
        coming, going = before(banked, cushion), after(banked, cushion)
        found |= {"speed_at_impact_mps": coming, "rebound_speed_mps": going}
        n = inward_normal(events[cushion].other)
        t = np.array([-n[1], n[0]])
        over = {"restitution": (going @ n, -(coming @ n)), "tangential_ratio": (going @ t, coming @ t)}
        ratios = {name: float(out / into) for name, (out, into) in over.items() if into}
    return {name: float(np.hypot(*velocity)) / 1000 for name, velocity in found.items()} | ratios


def say_what_a_readout_changes(
    shots: pd.DataFrame, foretold: Mapping[str, Mapping[str, Any]]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """For a session without ``readout_s``: the shots with a note where a usual read-out would change a speed, or a
    ratio of speeds, by more than its uncertainty; and a line on the whole session, none where no speed was measured.

    shots    : SHOTS rows
    foretold : by clip, ``readout_s`` and ``shots``: `changes_by_readout` by shot number, as text
    """
    notes: list[str] = []
    largest, longest, told = 0.0, 0.0, 0
    for record in shots.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        clip = foretold.get(str(row["clip"]), {})
        readout_s = float(clip.get("readout_s", 0.0))
        changes = {name: float(change) for name, change in clip.get("shots", {}).get(str(row["shot"]), {}).items()
                   if not pd.isna(row[name]) and not pd.isna(row[f"{name}_u"]) and math.isfinite(change)}
        beyond = [f"{name} {100 * change:+.2g} %" for name, change in changes.items()
                  if abs(change * float(row[name])) > float(row[f"{name}_u"])]
        notes.append(f"readout_s not given: one of {1000 * readout_s:.3g} ms would change beyond their uncertainty: "
                     f"{', '.join(beyond)}" if beyond else "")
        speeds = [abs(change) for name, change in changes.items() if name.endswith("_mps")]
        told += bool(speeds)
        if speeds:
            largest, longest = max(largest, *speeds), max(longest, readout_s)
    if not told:
        return shots, ()
    many = sum(map(bool, notes))
    where = f"in {many} of {told} shots by more than is stated (see their notes)" if many else (
        "in no shot by more than is stated")
    line = (f"no [camera] readout_s in session.toml: if this camera reads a picture line by line in "
            f"{1000 * longest:.3g} ms (phones: 10 to 20; common practice, no source), speeds are up to "
            f"{100 * largest:.2g} % and times up to {500 * longest:.2g} ms off, {where}. README, \"How to film\", says "
            "how to find it; readout_s = 0 says that it is negligible, and ends this line.")
    return shots.assign(notes=join_notes(shots["notes"], notes)), (line,)
