"""The table's fingerprint: what its cloth, balls and cushions did to the balls of a session, with uncertainty.

Each contact gives one value with its uncertainty; those of a group are joined by a random-effects mean (DerSimonian &
Laird 1986), which lets contacts differ by more than they are uncertain. Values outside the published band are flagged,
not hidden. Bands: Alciatore, FAQ "physics of pool and billiards", Colorado State Univ.; rigid cushions up to 2.5 m/s:
Mathavan, Jackson & Parkin, Proc. IMechE C 224 (2010); a pool ball weighs 156-170 g: WPA equipment specifications.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.conditions import DERIVED, are_readings, as_numbers, why_no_condition
from pipeline.few import between, student_factor
from pipeline.knowledge import LEAST_CUT_DEG, Shown
from pipeline.learning import TELLING, ClothAndBalls, pool_cue_mass, pool_friction, tells
from pipeline.physics import Friction
from pipeline.why_empty import NOTHING_FOLLOWED, why_empty
from shared.columns import FINGERPRINT
from shared.numbers import number_text
from shared.settings import FrictionSettings

Array = NDArray[np.float64]

BANDS = {
    "rolling_resistance": (0.005, 0.015),
    "sliding_friction": (0.15, 0.40),
    "ball_restitution": (0.92, 0.98),
    "ball_friction": (0.03, 0.08),
    "cushion_restitution": (0.6, 0.9),
    "cue_ball_mass": (156 / 170, 170 / 156),
}
_PUBLISHED = Friction()
_FITTED = FrictionSettings()
RIGID_UP_TO_MPS = 2.5
SPEED_EDGES_MPS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 4.0, 8.0)
ANGLE_EDGES_DEG = (0.0, 20.0, 40.0, 60.0, 90.0)
LEAST_ANGLE_DEG = 8.0  # closer to the normal the tangential speed is too small for a ratio
LEAST_SPEED_MPS = 0.15
USEFUL_U = 0.2  # a restitution or ratio less certain than this says nothing
USEFUL_FRICTION_U = 0.05
_SHOT_SAYS_NOTHING = "whose shots say nothing of it"
LEAST_SLOPE_CONTACTS, LEAST_SLOPE_RANGE_MPS = 4, 0.4  # for a straight line with an uncertainty of its own


@dataclass(frozen=True, kw_only=True)
class Joined:
    """A group's mean: its standard uncertainty, the scatter between contacts beyond their own u, how many."""

    value: float
    u: float
    scatter: float
    contacts: int


def join(values: Array, u: Array) -> Joined:
    """Random-effects mean of (N,) values with standard uncertainties ``u``.

    Where they scatter beyond these, the scatter is known from these few alone: the mean is as uncertain as they show
    (Hartung & Knapp 2001, from memory), never less than by the random effects, with Student's t for so few.
    """
    n = len(values)
    if n == 1:
        return Joined(value=float(values[0]), u=float(u[0]), scatter=math.nan, contacts=1)
    scatter2 = between(values, u**2)
    weight = 1 / (u**2 + scatter2)
    mean = float(np.sum(weight * values) / np.sum(weight))
    mean_u = 1 / math.sqrt(float(np.sum(weight)))
    if scatter2 > 0:
        shown = float(np.sum(weight * (values - mean) ** 2)) / (n - 1)
        mean_u *= math.sqrt(max(shown, 1.0)) * student_factor(n - 1)
    return Joined(value=mean, u=mean_u, scatter=math.sqrt(scatter2), contacts=n)


def fingerprint(
    contacts: pd.DataFrame, shots: pd.DataFrame, *, told: Mapping[str, ClothAndBalls] = MappingProxyType({}),
    by: Sequence[str] = (), prior: Friction = _PUBLISHED, fixed: FrictionSettings = _FITTED,
) -> pd.DataFrame:
    """table.csv: a row per quantity, and per range of speed or angle where there are contacts enough.

    Every quantity has a row of the whole session: where the shots don't tell it, value and u are empty and the note
    says why. A condition's level has an empty row only for what the whole session tells. Without shots no rows.

    contacts, shots : CONTACTS and SHOTS rows of one session
    told            : by shot_id, what each shot says of cloth and balls; its friction holds ``prior``
    by              : condition columns of ``shots`` that changed within the session; each level gets its own rows, but
                      not each reading of the room
    fixed           : friction that was not fitted but given: stands as given, without uncertainty
    returns         : FINGERPRINT rows
    """
    cushions, hits = cushion_values(contacts, shots), hit_values(shots, told)
    rows: list[dict[str, Any]] = []
    for condition, ids in [("", None), *levels_by(shots, by)] if len(shots) else []:
        own = [told[shot] for shot in sorted(told) if ids is None or shot in ids]
        part = _friction_rows(own, prior, condition, fixed) + _mass_rows(own, condition)
        part += _hit_rows(_of(hits, ids), condition)
        part += _cushion_rows(_of(cushions, ids), condition)
        known = {row["quantity"] for row in rows if math.isfinite(row["value"])}
        rows += [row for row in part if not condition or math.isfinite(row["value"]) or row["quantity"] in known]
    return FINGERPRINT.conform(pd.DataFrame(rows, columns=FINGERPRINT.names))


def _of(rows: pd.DataFrame, ids: set[str] | None) -> pd.DataFrame:
    return rows if ids is None else rows[rows["shot_id"].isin(ids)]


def levels_by(shots: pd.DataFrame, by: Sequence[str]) -> list[tuple[str, set[str]]]:
    """The levels that get rows of their own, as ``condition`` of FINGERPRINT names them, each with its shots' ids.

    shots, by : as in `fingerprint`
    """
    out = []
    for name in by:
        if name not in shots or shots[name].nunique(dropna=True) < 2:
            continue
        numbers = as_numbers(shots[name])
        if name in DERIVED or (numbers is not None and are_readings(numbers, shots)):
            continue  # the room as read: a row a reading would be noise
        if why_no_condition(shots[name]):
            continue
        for level, rows in shots.groupby(name, observed=True):
            text = number_text(level) if isinstance(level, float) else str(level)
            out.append((f"{name} = {text}", set(rows["shot_id"].astype(str))))
    return out


def cushion_values(contacts: pd.DataFrame, shots: pd.DataFrame) -> pd.DataFrame:
    """A row per cushion contact: shot_id, cushion, normal_mps, angle_deg, restitution, ratio, each with u, and
    restitution_why, ratio_why: why it is of no use, else "".

    The first cushion of a shot takes the shot's own restitution and ratio, whose uncertainty knows how speeds and
    angles hang together, and none where the shot has none; the others add them as if independent.
    """
    rows = contacts[contacts["kind"] == "cushion"]
    first = {(str(s["shot_id"]), round(float(s["rail_s"]), 4)): s for _, s in shots.iterrows() if pd.notna(s["rail_s"])}
    out = []
    for _, c in rows.iterrows():
        speed_in, speed_out = float(c["speed_in_mps"]), float(c["speed_out_mps"])
        a, b = math.radians(float(c["angle_in_deg"])), math.radians(float(c["angle_out_deg"]))
        normal = speed_in * math.cos(a)
        why = "of unknown speed" if math.isnan(speed_in + speed_out) else ""
        if speed_in < LEAST_SPEED_MPS or normal < LEAST_SPEED_MPS:
            why = f"slower than {LEAST_SPEED_MPS} m/s"
        if why:
            out.append(_no_contact(c, why))
            continue
        relative = math.hypot(float(c["speed_in_mps_u"]) / speed_in, float(c["speed_out_mps_u"]) / max(speed_out, 1e-6))
        ua, ub = math.radians(float(c["angle_in_deg_u"])), math.radians(float(c["angle_out_deg_u"]))
        e = speed_out * math.cos(b) / normal
        e_u = e * math.hypot(relative, math.hypot(math.tan(a) * ua, math.tan(b) * ub))
        ratio = ratio_u = math.nan
        steep = math.degrees(a) < LEAST_ANGLE_DEG
        along = f"within {LEAST_ANGLE_DEG:g}° of the normal" if steep else _SHOT_SAYS_NOTHING
        if math.degrees(a) >= LEAST_ANGLE_DEG:
            ratio = speed_out * math.sin(b) / (speed_in * math.sin(a))
            turn = math.hypot(ua / math.tan(a), ub * math.cos(b) / max(abs(math.sin(b)), 1e-3))
            ratio_u = abs(ratio) * math.hypot(relative, turn)
        shot = first.get((str(c["shot_id"]), round(float(c["t_s"]), 4)))
        if shot is not None:
            e, e_u = float(shot["restitution"]), float(shot["restitution_u"])
            if math.isfinite(ratio):
                ratio, ratio_u = float(shot["tangential_ratio"]), float(shot["tangential_ratio_u"])
        out.append(
            {
                "shot_id": str(c["shot_id"]),
                "cushion": str(c["other"]),
                "normal_mps": normal,
                "angle_deg": math.degrees(a),
                "restitution": e,
                "restitution_u": e_u,
                "ratio": ratio,
                "ratio_u": ratio_u,
                "restitution_why": _of_no_use(e_u, USEFUL_U),
                "ratio_why": _of_no_use(ratio_u, USEFUL_U, unknown=along),
            }
        )
    values = [f"{name}{of}" for name in ("restitution", "ratio") for of in ("", "_u", "_why")]
    return pd.DataFrame(out, columns=["shot_id", "cushion", "normal_mps", "angle_deg", *values])


def _no_contact(contact: pd.Series, why: str) -> dict[str, Any]:
    return {"shot_id": str(contact["shot_id"]), "cushion": str(contact["other"]), "restitution_why": why,
            "ratio_why": why}


def _of_no_use(u: float, useful_u: float, *, unknown: str = _SHOT_SAYS_NOTHING) -> str:
    """Why a value with this uncertainty, nan where there is none, says nothing; "" where it says something."""
    if math.isnan(u):
        return unknown
    return "" if u < useful_u else f"uncertain by {useful_u} or more"


def hit_values(shots: pd.DataFrame, told: Mapping[str, ClothAndBalls]) -> pd.DataFrame:
    """A row per cue ball on object ball contact: shot_id, closing_mps, cut_deg, restitution, friction, with their u.

    And restitution_why, friction_why: why it is of no use, else "".

    restitution, friction : as the shot itself says (``told`` by shot_id), empty where it doesn't; see
    `ball_contact.contact_shown`. Of the friction nothing where the cue ball's roll isn't known.
    """
    out = []
    for _, s in shots.iterrows():
        if s[["cue_impact_speed_mps", "cut_angle_deg", "throw_deg"]].isna().any():
            continue
        cut = math.radians(float(s["cut_angle_deg"]))
        closing = float(s["cue_impact_speed_mps"]) * math.cos(cut)
        own = told.get(str(s["shot_id"]))
        restitution, friction = (None, None) if own is None else (own.restitution, own.ball_friction)
        why = {"restitution": "", "friction": ""}
        if s[["cue_roll_ratio", "cue_cross_ratio"]].isna().any():
            friction, why["friction"] = None, "of unknown roll"
        if abs(math.degrees(cut)) < LEAST_CUT_DEG:
            why["friction"] = f"too full to rub (cut below {LEAST_CUT_DEG:g}°)"
        if closing < LEAST_SPEED_MPS:
            restitution = friction = None
            why = dict.fromkeys(why, f"slower than {LEAST_SPEED_MPS} m/s")
        row = {"shot_id": str(s["shot_id"]), "closing_mps": closing, "cut_deg": abs(math.degrees(cut))}
        for name, shown in (("restitution", restitution), ("friction", friction)):
            one = Shown(math.nan, math.nan, math.nan) if shown is None else shown
            useful_u = USEFUL_U if name == "restitution" else USEFUL_FRICTION_U
            because = _of_no_use(one.u, useful_u, unknown=why[name] or "that show less of it than is published")
            row |= {name: one.value, f"{name}_u": one.u, f"{name}_common_u": one.common_u, f"{name}_why": because}
        out.append(row)
    values = [f"{name}{of}" for name in ("restitution", "friction") for of in ("", "_u", "_common_u", "_why")]
    return pd.DataFrame(out, columns=["shot_id", "closing_mps", "cut_deg", *values])


def _mass_rows(own: Sequence[ClothAndBalls], condition: str) -> list[dict[str, Any]]:
    masses = [one.cue_mass for one in own if one.cue_mass is not None]
    told = [mass for mass in masses if tells(mass)]
    note = "the cue ball's mass over that of the balls it hit; contacts = shots"
    if not told:
        why = "they leave it hardly better known than that of any two balls of a set"
        if not masses:
            why = "in none was the cue ball seen to drive another ball" if own else NOTHING_FOLLOWED
        note = f"not told by these shots: {why}; {note}"
        return [_row("cue_ball_mass", _nothing(0), condition=condition, note=note)]
    mass = pool_cue_mass(told)
    joined = Joined(value=mass.ratio, u=mass.u, scatter=math.nan, contacts=len(told))
    return [_row("cue_ball_mass", joined, condition=condition, note=note)]


def _nothing(contacts: int) -> Joined:
    return Joined(value=math.nan, u=math.nan, scatter=math.nan, contacts=contacts)


def _friction_rows(
    own: Sequence[ClothAndBalls], prior: Friction, condition: str, fixed: FrictionSettings
) -> list[dict[str, Any]]:
    friction = pool_friction([one.friction for one in own], prior)
    values = {
        "rolling_resistance": (friction.rolling, friction.rolling_u, prior.rolling_u, fixed.rolling),
        "sliding_friction": (friction.sliding, friction.sliding_u, prior.sliding_u, fixed.sliding),
    }
    rows = []
    for name, (value, u, known_u, given) in values.items():
        note = "fitted to all paths; contacts = shots"
        joined = Joined(value=value, u=u, scatter=math.nan, contacts=len(own))
        if given is not None:
            note = "fixed in session.toml, not fitted; contacts = shots"
            joined = replace(joined, value=given, u=math.nan)
        elif u > TELLING * known_u:
            why = "they leave it hardly better known than is published" if own else NOTHING_FOLLOWED
            note = f"not told by these paths: {why}; {note}"
            joined = _nothing(len(own))
        rows.append(_row(name, joined, condition=condition, note=note))
    return rows


def _hit_rows(hits: pd.DataFrame, condition: str) -> list[dict[str, Any]]:
    rubbed = "tangential over normal impulse, without side spin: the friction, or less where the balls gripped"
    out = []
    for name, note in (("restitution", ""), ("friction", rubbed)):
        usable = hits[hits[f"{name}_why"] == ""]
        if not len(usable):
            why = why_empty(hits[f"{name}_why"], "hits of the cue ball on a ball")
            out.append(_row(f"ball_{name}", _nothing(0), condition=condition, note=why))
        else:
            u, common = (usable[f"{name}{of}"].to_numpy(float) for of in ("_u", "_common_u"))
            joined = join(usable[name].to_numpy(float), np.sqrt(u**2 - common**2))
            joined = replace(joined, u=math.hypot(joined.u, float(common.mean())))  # which no mean makes smaller
            out.append(_row(f"ball_{name}", joined, condition=condition, note=note))
    return out


def _cushion_rows(values: pd.DataFrame, condition: str) -> list[dict[str, Any]]:
    out = []
    for quantity, name in (("cushion_restitution", "restitution"), ("cushion_tangential_ratio", "ratio")):
        usable = values[values[f"{name}_why"] == ""]
        why = "" if len(usable) else why_empty(values[f"{name}_why"], "contacts with cushions")
        out.append(_row(quantity, _joined(usable, name), condition=condition, note=why))
        if condition:
            continue
        for low, high in itertools.pairwise(SPEED_EDGES_MPS):
            part = usable[(usable["normal_mps"] >= low) & (usable["normal_mps"] < high)]
            if len(part):
                note = "faster than the rigid-cushion picture holds" if low >= RIGID_UP_TO_MPS else ""
                out.append(_row(quantity, _joined(part, name), speeds=(low, high), note=note))
        for low, high in itertools.pairwise(ANGLE_EDGES_DEG):
            part = usable[(usable["angle_deg"] >= low) & (usable["angle_deg"] < high)]
            if len(part):
                out.append(_row(quantity, _joined(part, name), angles=(low, high)))
        for cushion, part in usable.groupby("cushion"):
            out.append(_row(quantity, _joined(part, name), cushion=str(cushion)))
        out.append(_slope_row(quantity, usable, name))
    return out


def _joined(rows: pd.DataFrame, name: str) -> Joined:
    if not len(rows):
        return _nothing(0)
    return join(rows[name].to_numpy(float), rows[f"{name}_u"].to_numpy(float))


def _slope_row(quantity: str, rows: pd.DataFrame, name: str) -> dict[str, Any]:
    """Empty without range or contacts."""
    note, slope = "change per m/s of normal speed, straight line", _nothing(0)
    if len(rows) < LEAST_SLOPE_CONTACTS:
        note = f"not told by these shots: usable contacts: {len(rows)} of {LEAST_SLOPE_CONTACTS} needed; {note}"
    elif np.ptp(rows["normal_mps"]) < LEAST_SLOPE_RANGE_MPS:
        note = f"not told by these shots: normal speeds within {LEAST_SLOPE_RANGE_MPS} m/s of each other; {note}"
    else:
        slope = slope_per_mps(rows, name)
    return _row(f"{quantity}_per_mps", slope, note=note)


def slope_per_mps(rows: pd.DataFrame, name: str) -> Joined:
    """Weighted straight line against normal speed, of ``LEAST_SLOPE_CONTACTS`` or more.

    Widened by the scatter about the line (that about the mean would hold the slope itself), as in `join`.
    """
    speed = rows["normal_mps"].to_numpy(float)
    value, u = rows[name].to_numpy(float), rows[f"{name}_u"].to_numpy(float)
    design = np.column_stack([np.ones(len(speed)), speed - speed.mean()])
    scatter2 = between(value, u**2, design)
    weight = 1 / (u**2 + scatter2)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    fit = covariance @ design.T @ (weight * value)
    birge = float(np.sum(weight * (value - design @ fit) ** 2)) / (len(speed) - 2)
    return Joined(
        value=float(fit[1]),
        u=math.sqrt(float(covariance[1, 1]) * max(birge, 1.0)) * (student_factor(len(rows) - 2) if scatter2 else 1.0),
        scatter=math.nan,
        contacts=len(rows),
    )


def _row(
    quantity: str,
    joined: Joined,
    *,
    condition: str = "",
    cushion: str = "",
    speeds: tuple[float, float] = (math.nan, math.nan),
    angles: tuple[float, float] = (math.nan, math.nan),
    note: str = "",
) -> dict[str, Any]:
    low, high = BANDS.get(quantity, (math.nan, math.nan))
    flag = ""
    too_low = joined.value < low and quantity != "ball_friction"  # a low one may only mean that the balls gripped
    if too_low or joined.value > high:
        beyond = low - joined.value if joined.value < low else joined.value - high
        flag = "outside the published band"
        if beyond <= 2 * joined.u:  # never where a value was given, and has none
            flag += ", within 2 u of it"
    return {
        "quantity": quantity,
        "condition": condition or None,
        "cushion": cushion or None,
        "speed_from_mps": speeds[0],
        "speed_to_mps": speeds[1],
        "angle_from_deg": angles[0],
        "angle_to_deg": angles[1],
        "value": joined.value,
        "value_u": joined.u,
        "scatter": joined.scatter,
        "contacts": joined.contacts,
        "published_low": low,
        "published_high": high,
        "flag": flag or None,
        "note": note or None,
    }
