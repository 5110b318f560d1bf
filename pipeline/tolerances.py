"""How far a hit may be off, and how well it must have been seen. Derived from the table; `[tolerances]` overrides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import atan, degrees, isfinite
from types import MappingProxyType

from pipeline.consequence import BALL_RESTITUTION, opening_mm, sensitivity
from pipeline.speed_classes import class_of_key, class_speeds
from shared.equipment import Table
from shared.errors import SettingsError

#: roll ratio wanted by a word, and how far either side of it still is that stroke, for a whole pocket's opening; common
#: practice, no source
STROKES: dict[str, tuple[float, float | None]] = {
    "stun": (0.0, None),  # None: the tolerance derived from the table
    "follow": (0.75, 0.35),
    "roll": (1.0, 0.25),
    "draw": (-0.75, 0.35),
}


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """Largest deviation of a clean hit, each from what was wanted, and the least quality of tracking."""

    pocket_share: float  # of the pocket's opening that one deviation may cost at the pocket
    roll_ratio: float
    cross_ratio: float
    side_ratio: float  # R w_z / speed
    throw_deg: float  # beyond what the cut explains
    cut_deg: float
    aim_deg: float
    speed_share: float = 0.25  # of the wanted speed: about one class to the next; common practice, no source
    full_hit_deg: float = 10.0  # a hit this near to full counts as meant to be full when no cut was declared
    confidence_k: float = 1.645  # 95 % one-sided
    min_frames_seen: float = 0.6
    max_residual_mm: float = 2.0  # twice the published accuracy of tracking (1 mm: Mathavan et al. 2009)
    max_calibration_rms_px: float = 4.0


#: keys of `[tolerances]` that are not tolerances but say what was wanted when no pattern does
WANTED_KEYS = ("wanted_spin", "wanted_cut_deg")
NUMBER_KEYS = tuple(field.name for field in fields(Tolerances))


def derive_tolerances(table: Table, *, pocket_share: float = 1.0) -> Tolerances:
    """The deviations that each move the reference bank by ``pocket_share`` of a pocket's opening on this table."""
    allowed_mm = pocket_share * opening_mm(table)
    slope = sensitivity(table)
    side = allowed_mm / slope.side_ratio
    aim = allowed_mm / slope.aim_deg
    roll = allowed_mm / slope.roll_ratio
    return Tolerances(
        pocket_share=pocket_share,
        roll_ratio=roll,
        cross_ratio=roll,  # the same slip of the cue, sideways
        side_ratio=side,
        throw_deg=degrees(atan(2 * side / (7 * (1 + BALL_RESTITUTION)))),  # the throw of that side while balls grip
        cut_deg=aim,  # a hit off by this sends the object ball off by this
        aim_deg=aim,
    )


def read_tolerances(table: Table, given: Mapping[str, float | str]) -> Tolerances:
    """The derived tolerances with a session's own in their place. Raises SettingsError for a key or value of no use."""
    for key, value in given.items():
        if key == "wanted_spin":
            wanted_roll(value)
            continue
        if key == "wanted_cut_deg":
            _finite(key, value)
            continue
        if key not in NUMBER_KEYS and not class_of_key(key):
            raise SettingsError(
                f"[tolerances]: {key!r} is not known; use {', '.join(NUMBER_KEYS + WANTED_KEYS)} or speed_CLASS_mps."
            )
        if not _finite(key, value) > 0:
            raise SettingsError(f"[tolerances]: {key} = {value!r} must be a number above 0.")
    class_speeds(given)
    base = derive_tolerances(table, pocket_share=float(given.get("pocket_share", 1.0)))
    own = {key: float(given[key]) for key in NUMBER_KEYS if key in given}
    return Tolerances(**{**{field.name: getattr(base, field.name) for field in fields(base)}, **own})


def _finite(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        raise SettingsError(f"[tolerances]: {key} = {value!r} must be a number, without quotes.")
    return float(value)


def wanted_roll(
    spin: float | str, given: Mapping[str, float | str] = MappingProxyType({})
) -> tuple[float, float | None]:
    """A stroke's word, or a roll ratio as a number -> (roll ratio, its own tolerance, None: `Tolerances.roll_ratio`).

    given : `[tolerances]`: its roll_ratio goes before a stroke's own, which grows and shrinks with its pocket_share
    """
    if isinstance(spin, str):
        if spin not in STROKES:
            raise SettingsError(f"spin {spin!r} is not known; use {', '.join(STROKES)} or a roll ratio such as 0.3.")
        roll, own = STROKES[spin]
        if own is None or "roll_ratio" in given:
            return roll, None
        return roll, own * float(given.get("pocket_share", 1.0))
    return _finite("wanted_spin", spin), None
