"""What may be compared: each response's unit, words for more and less, and where its values stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.compare.covariates import ANGLE_COVARIATES, SPEED_COVARIATES
from shared.columns import IMPACT_ROLL, SHOTS, SPEED_KEPT
from shared.errors import SettingsError


@dataclass(frozen=True)
class Response:
    """``more``/``less``: the player's words for a larger and a smaller value; ``digits`` after the point."""

    name: str
    label: str
    unit: str
    more: str
    less: str
    digits: int
    is_angle: bool = False
    is_miss: bool = False
    hint: str = ""  # of the two words, on an axis
    verb: str = ""  # "lands 38 mm shorter"; empty: the label stands in front instead


_KNOWN = (
    Response(
        "rebound_angle_deg",
        "rebound angle",
        "°",
        "longer",
        "shorter",
        2,
        is_angle=True,
        hint="longer is flatter",
        verb="leaves the cushion",
    ),
    Response(
        "rebound_settled_angle_deg",
        "settled angle",
        "°",
        "longer",
        "shorter",
        2,
        is_angle=True,
        hint="longer is flatter",
        verb="settles",
    ),
    Response("miss_mm", "where it arrives", "mm", "longer", "shorter", 0, is_miss=True, verb="lands"),
    Response("restitution", "restitution", "", "livelier", "deader", 3),
    Response("tangential_ratio", "tangential ratio", "", "higher", "lower", 3),
    Response("rebound_speed_mps", "rebound speed", "m/s", "faster", "slower", 3),
)
_EVENT_NUMBERS = ("n", "speed_in_mps", "speed_in_mps_u", "speed_out_mps", "speed_out_mps_u")
DEFAULT_RESPONSES = ("miss_mm", "rebound_settled_angle_deg", "rebound_angle_deg", "restitution")


def response(name: str, shots: pd.DataFrame, *, also: Sequence[str] = ()) -> Response:
    """The response by its column's name. Raises SettingsError for a column that holds no measure.

    also : other responses to offer in that message
    """
    for known in _KNOWN:
        if known.name == name:
            return known
    if name.startswith(SPEED_KEPT):
        nth = name.removeprefix(SPEED_KEPT)
        return Response(name, f"share of speed kept after cushion {nth}", "", "more", "less", 3)
    columns = {c.name: c for c in SHOTS.columns}
    if name in columns and columns[name].kind == "number":
        return Response(name, name.replace("_", " "), columns[name].unit, "higher", "lower", 3)
    if name in shots and pd.api.types.is_numeric_dtype(shots[name]):
        return Response(name, name.replace("_", " "), "", "higher", "lower", 3)
    kept = sorted(str(c) for c in shots.columns if str(c).startswith(SPEED_KEPT) and not str(c).endswith("_u"))
    measured = [*(c.name for c in SHOTS.columns if c.uncertain), *kept, *also]
    raise SettingsError(f"response {name!r} is not measured; choose from: {', '.join(measured)}.")


def in_words_of(row: pd.Series, known: Response) -> Response:
    """The response in the words of this row of the contrasts: which of two angles lands longer isn't known of every
    pattern.
    """
    more, less = str(row["more"]), str(row["less"])
    return known if (more, less) == (known.more, known.less) else replace(known, more=more, less=less, hint="")


def check_covariates(names: Sequence[str], shots: pd.DataFrame) -> None:
    """Raises SettingsError for a name that is no measure of a shot."""
    measures = [c.name for c in SHOTS.columns if c.kind == "number" and c.name in shots]
    own = [str(c) for c in shots if str(c).startswith((SPEED_KEPT, IMPACT_ROLL)) and not str(c).endswith("_u")]
    for name in names:
        known = any(c.name == name and c.kind == "number" for c in SHOTS.expanded) or name == IMPACT_ROLL
        numbers = name in shots and pd.api.types.is_numeric_dtype(shots[name])
        if not (known or numbers):
            raise SettingsError(
                f"covariate {name!r} is no measure of a shot; choose from: {', '.join([*measures, *own])}; or none."
            )


def usual_covariates(response: Response) -> tuple[str, ...]:
    """What is adjusted for unless told otherwise, the most important first."""
    return ANGLE_COVARIATES if response.is_angle or response.is_miss else SPEED_COVARIATES


def add_impact_roll(shots: pd.DataFrame) -> pd.DataFrame:
    """Shots with impact_roll_ratio and its _u: 0 sliding without spin, 1 rolling, as the banked ball meets the cushion.

    An object ball sets out without roll; sliding friction takes v0 - v from its speed and gives it 5/2 (v0 - v) of
    rolling speed until it rolls at 5/7 v0 (Coriolis 1835). Only for banks: a cue ball's spin at the start isn't known.
    """
    needed = ("object_speed_mps", "object_speed_mps_u", "speed_at_impact_mps", "speed_at_impact_mps_u", "kind")
    if any(c not in shots for c in needed):
        return shots
    v0, v0_u, v, v_u = (pd.to_numeric(shots[c]).astype(float) for c in needed[:4])
    usable = (shots["kind"].astype("string").fillna("") == "bank") & (v > 0)
    ratio = (2.5 * (v0 - v) / v).where(usable)
    ratio_u = (2.5 / v * (v0_u**2 + (v0 / v * v_u) ** 2) ** 0.5).where(usable)
    return shots.assign(**{IMPACT_ROLL: ratio.clip(0.0, 1.0), f"{IMPACT_ROLL}_u": ratio_u})


def add_speed_kept(shots: pd.DataFrame, contacts: pd.DataFrame) -> pd.DataFrame:
    """Shots with speed_kept_1, _2 ... and their _u: the banked ball's speed after its nth cushion over that before its
    first one. Columns that no shot reaches are left out."""
    if contacts.empty or shots.empty:
        return shots
    keys = [k for k in ("session", "shot_id") if k in contacts and k in shots]
    events = contacts.loc[contacts["kind"] == "cushion", [*keys, "ball", *_EVENT_NUMBERS]].reset_index(drop=True)
    banked = shots[[*keys, "banked_ball"]].rename(columns={"banked_ball": "ball"}).assign(row=np.arange(len(shots)))
    met = events[[*keys, "ball"]].assign(place=np.arange(len(events))).merge(banked, on=[*keys, "ball"])
    if met.empty:
        return shots
    rows, numbers = met["row"].to_numpy(), events[list(_EVENT_NUMBERS)].to_numpy(dtype=float, na_value=np.nan)
    numbers = numbers[met["place"].to_numpy()]
    order = np.lexsort((numbers[:, 0], rows))
    rows, numbers = rows[order], numbers[order]
    firsts = np.flatnonzero(np.diff(rows, prepend=-1))
    own_first = np.repeat(firsts, np.diff(firsts, append=len(rows)))
    nth = np.arange(len(rows)) - own_first + 1
    v0, u0 = numbers[own_first, 1], numbers[own_first, 2]
    v, u = numbers[:, 3], numbers[:, 4]
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.where(v0 > 0, v / v0, np.nan)
        # two independent readings of speed
        kept_u = kept * ((u / v) ** 2 + (u0 / v0) ** 2) ** 0.5
    more: dict[str, NDArray[np.float64]] = {}
    for n in range(1, int(nth.max()) + 1):
        mine = nth == n
        if np.isfinite(kept[mine]).sum() >= 2:
            for name, values in ((f"{SPEED_KEPT}{n}", kept), (f"{SPEED_KEPT}{n}_u", kept_u)):
                more[name] = np.full(len(shots), np.nan)
                more[name][rows[mine]] = values[mine]
    return shots.assign(**more)
