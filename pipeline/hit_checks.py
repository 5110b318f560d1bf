"""The checks of a hit: each sets one deviation against a tolerance and against its own uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pipeline.consequence import drift_deg, throw_deg
from pipeline.hit import Hit, Measured
from pipeline.tolerances import Tolerances

State = Literal["within", "beyond", "uncertain-within", "uncertain-beyond", "cannot-tell"]


@dataclass(frozen=True, kw_only=True)
class Intention:
    """What was wanted. ``cut_deg`` or ``speed_mps`` None: not known. ``cut_from``, ``speed_from``: who says so."""

    roll_ratio: float = 0.0
    roll_tolerance: float | None = None
    stroke: str = "stun"
    side_ratio: float = 0.0
    throw_offset_deg: float = 0.0  # of the line of centres, common to a pattern's shots: the camera's, not the hit's
    throw_u_deg: float | None = None  # from the scatter over the pattern's shots, once that offset is taken off
    cut_deg: float | None = None
    cut_from: str = ""
    speed_mps: float | None = None
    speed_from: str = ""


@dataclass(frozen=True)
class Check:
    """One thing looked at: value, wanted value and tolerance in the measure's unit, and what came of it."""

    name: str  # roll, drift, cross, cut, side, throw, speed or aim
    measured: Measured
    wanted: float
    tolerance: float
    state: State
    words: str  # the reason, should it be one

    @property
    def doubt(self) -> str:
        """In words, that the measurement cannot tell."""
        name, unit = _NAMES[self.name]
        vague = ", its uncertainty being larger than that" if self.state == "cannot-tell" else ""
        return (f"{name} {_show(self.measured, 2)}{unit} may or may not be within {self.tolerance:.2f}{unit} "
                f"of the wanted {self.wanted:z.2f}{unit}{vague}")


_NAMES = {"roll": ("roll ratio", ""), "drift": ("drift", "°"), "cross": ("cross ratio", ""), "cut": ("cut", "°"),
          "side": ("side ratio", ""), "throw": ("throw", "°"), "speed": ("speed", " m/s"), "aim": ("aim", "°")}


def check_hit(hit: Hit, *, intended: Intention, tolerances: Tolerances, radius_mm: float) -> tuple[Check, ...]:
    """Every check that the measures of this hit allow."""
    bank = hit.kind != "kick"
    found = [
        _roll(hit, intended, tolerances) if bank else None,
        _cross(hit, tolerances) if bank else None,
        _cut(hit, intended, tolerances) if bank else None,
        _side(hit, intended, tolerances, radius_mm),
        _throw(hit, intended, tolerances) if bank else None,
        _speed(hit, intended, tolerances),
        _aim(hit, tolerances),
    ]
    return tuple(check for check in found if check is not None)


def state_of(deviation: float, u: float, tolerance: float, k: float) -> State:
    """Beyond or within with confidence k u; else by the best estimate; nothing if u is larger than the tolerance."""
    if deviation - k * u > tolerance:
        return "beyond"
    if deviation + k * u <= tolerance:
        return "within"
    if u > tolerance:
        return "cannot-tell"
    return "uncertain-beyond" if deviation > tolerance else "uncertain-within"


def _check(
    name: str, measured: Measured, wanted: float, tolerance: float, words: str, tolerances: Tolerances
) -> Check:
    state = state_of(abs(measured.value - wanted), measured.u, tolerance, tolerances.confidence_k)
    return Check(name, measured, wanted, tolerance, state, words)


def _roll(hit: Hit, intended: Intention, tolerances: Tolerances) -> Check | None:
    roll, drift, cut = hit.cue_roll_ratio, hit.cue_drift_deg, hit.cut_angle_deg
    wanted, allowed = intended.roll_ratio, intended.roll_tolerance or tolerances.roll_ratio
    if roll is not None:
        words = (f"{_stroke(roll.value - wanted, intended)}: cue ball's roll ratio {_show(roll, 2)}, "
                 f"wanted {wanted:z.2f} ({intended.stroke}) within {allowed:.2f}")
        return _check("roll", roll, wanted, allowed, words, tolerances)
    if drift is None or cut is None:
        return None
    # the drift tells the roll of a cut hit when nothing else does
    angle = drift_deg(cut.value, wanted)
    span = abs(drift_deg(cut.value, wanted + allowed) - angle)
    words = (f"{_stroke(drift.value - angle, intended)}: cue ball left {_show(drift, 0)}° from the tangent line, "
             f"wanted {angle:z.0f}° ({intended.stroke}) within {span:.0f}°")
    return _check("drift", drift, angle, span, words, tolerances)


def _cross(hit: Hit, tolerances: Tolerances) -> Check | None:
    cross = hit.cue_cross_ratio
    if cross is None:
        return None
    words = (f"sideways: cue ball went off to the {_hand(cross.value)}, cross ratio {_show(cross, 2)}, "
             f"wanted 0 within {tolerances.cross_ratio:.2f}")
    return _check("cross", cross, 0.0, tolerances.cross_ratio, words, tolerances)


def wanted_cut(hit: Hit, intended: Intention, tolerances: Tolerances) -> tuple[float | None, str]:
    """The cut that was meant. Undeclared and near full: full. Undeclared and clearly cut: not known."""
    if intended.cut_deg is not None:
        return intended.cut_deg, intended.cut_from
    if hit.cut_angle_deg is not None and abs(hit.cut_angle_deg.value) <= tolerances.full_hit_deg:
        return 0.0, "full, as no cut was declared"
    return None, ""


def _cut(hit: Hit, intended: Intention, tolerances: Tolerances) -> Check | None:
    cut, (wanted, who) = hit.cut_angle_deg, wanted_cut(hit, intended, tolerances)
    if cut is None or wanted is None:
        return None
    if abs(wanted) < tolerances.cut_deg:
        how = f"not full: object ball cut to the {_hand(cut.value)}"
    else:
        how = _fullness(cut, wanted, tolerances.confidence_k)
    words = f"{how}: cut {_show(cut, 1)}°, wanted {wanted:z.1f}° ({who}) within {tolerances.cut_deg:.1f}°"
    return _check("cut", cut, wanted, tolerances.cut_deg, words, tolerances)


def cut_not_judged(hit: Hit) -> str:
    """Why nothing was held against the fullness of a bank without a check of its cut."""
    if hit.cut_angle_deg is None:
        return "a hit too thick or too thin would not show: the cut was not measured"
    return (f"cut not judged: {_show(hit.cut_angle_deg, 1)}°, too far from full to be meant so, and no other cut was "
            "declared (wanted_cut_deg in session.toml, or a pattern)")


def _fullness(cut: Measured, wanted: float, k: float) -> str:
    """How a hit differs from a wanted cut; one beyond full is on the wrong side where that is more than noise."""
    if cut.value * wanted < 0 and abs(cut.value) > k * cut.u:
        return "wrong side"
    return "thin hit" if abs(cut.value) > abs(wanted) else "thick hit"


def _side(hit: Hit, intended: Intention, tolerances: Tolerances, radius_mm: float) -> Check | None:
    """Side spin by the marks on the ball."""
    spin, speed = hit.cue_side_spin_rps, hit.cue_speed_mps if hit.kind == "kick" else hit.cue_impact_speed_mps
    if spin is None or speed is None or speed.value <= 0:
        return None
    per_rps = 2 * math.pi * radius_mm / 1000 / speed.value
    side = Measured(spin.value * per_rps, spin.u * per_rps)
    words = (f"side: {_show(spin, 1)} turns/s about the vertical, side ratio {side.value:+z.2f}, "
             f"wanted {intended.side_ratio:z.2f} within {tolerances.side_ratio:.2f}")
    return _check("side", side, intended.side_ratio, tolerances.side_ratio, words, tolerances)


def _throw(hit: Hit, intended: Intention, tolerances: Tolerances) -> Check | None:
    """Side spin by the throw that the wanted cut does not explain."""
    throw, speed, cut = hit.throw_deg, hit.cue_impact_speed_mps, hit.cut_angle_deg
    if throw is None or speed is None or speed.value <= 0:
        return None
    wanted, _ = wanted_cut(hit, intended, tolerances)
    if wanted is None:
        wanted = cut.value if cut else 0.0
    roll = hit.cue_roll_ratio.value if hit.cue_roll_ratio else intended.roll_ratio
    expected = throw_deg(wanted, speed_mps=speed.value, roll_ratio=roll, side_ratio=intended.side_ratio)
    expected += intended.throw_offset_deg
    if intended.throw_u_deg is not None:
        throw = Measured(throw.value, min(throw.u, intended.throw_u_deg))
    words = (f"side: object ball thrown {_show(throw, 1, unsigned=True)}° to the {_hand(throw.value)} of the line of "
             f"centres, as by {'right' if throw.value > expected else 'left'} side; the wanted hit explains "
             f"{expected:+z.1f}° within {tolerances.throw_deg:.1f}°")
    return _check("throw", throw, expected, tolerances.throw_deg, words, tolerances)


def _speed(hit: Hit, intended: Intention, tolerances: Tolerances) -> Check | None:
    kick = hit.kind == "kick"
    speed, wanted = hit.cue_speed_mps if kick else hit.cue_impact_speed_mps, intended.speed_mps
    if speed is None or wanted is None:
        return None
    words = (f"{'hard' if speed.value > wanted else 'soft'}: {_show(speed, 2)} m/s at the "
             f"{'strike' if kick else 'hit'}, wanted {wanted:.2f} m/s within {100 * tolerances.speed_share:.0f} % "
             f"({intended.speed_from})")
    return _check("speed", speed, wanted, tolerances.speed_share * wanted, words, tolerances)


def _aim(hit: Hit, tolerances: Tolerances) -> Check | None:
    aim = hit.aim_error_deg
    if aim is None:
        return None
    words = (f"aim: left {_show(aim, 1, unsigned=True)}° to the {_hand(aim.value)} of the pattern's line, "
             f"wanted within {tolerances.aim_deg:.1f}°")
    return _check("aim", aim, 0.0, tolerances.aim_deg, words, tolerances)


def _stroke(excess: float, intended: Intention) -> str:
    more, less = ("follow", "draw") if intended.stroke == "stun" else ("too much follow", "too little follow")
    if intended.roll_ratio < 0:
        more, less = "too little draw", "too much draw"
    return more if excess > 0 else less


def _hand(value: float) -> str:
    return "left" if value > 0 else "right"


def _show(measured: Measured, decimals: int, *, unsigned: bool = False) -> str:
    value = abs(measured.value) if unsigned else measured.value
    if 0 < measured.u < 0.5 * 10.0**-decimals:  # never "± 0.00"
        decimals = math.ceil(-math.log10(measured.u))
    return f"{value:z.{decimals}f} ± {measured.u:.{decimals}f}"
