"""What is known of a shot before any frame is seen: sizes, published bands, nearly equal masses.

It holds what few frames cannot tell, with an uncertainty that is stated and finite: `pipeline.compiled_knowledge` makes
residuals of the fit of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.physics import Friction
from shared.equipment import Table
from shared.settings import SessionSettings

NOSE_U_MM = 0.4  # how well the nose line and the ball fit the ideal contact distance
TOUCH_U_MM = 0.2  # the same for two balls: sizes and roundness
MASS_U = 0.012  # equal masses: two balls of a set, k=1; of the impulse, so along the line of centres
SET_U = 0.003  # one ball's mass among a set's: a carom set lies within 2 g of 210 g (UMB, from memory)
ACROSS_U = 0.001  # across it, of the closing speed: what is left of all else
CLOTH_TAKES = 0.08  # of the change of roll, where one ball presses the other on the cloth: see `compiled_knowledge`
RESTITUTION, RESTITUTION_U = 0.95, 0.03  # ball on ball: published band 0.92-0.98 (Alciatore FAQ)
GRIP_U = 0.05  # tangential over normal impulse between balls: published band of friction 0.03-0.08
SPIN_GRIP = 2.5 * GRIP_U  # the most that friction can change a rolling velocity, over the closing speed
LEAST_CUT_DEG = 10.0  # fuller hits hardly rub sideways
STROKE_ROLL, STROKE_ROLL_U = 0.2, 0.7  # of the speed: draw or follow up to the miscue limit
STROKE_ACROSS_U = 0.06  # the same across: a cue hits near the centre line
FASTEST_MM_S, FASTEST_U = 12e3, 2e3  # of a struck ball: hard breaks reach 13 m/s (common practice, no source)
SLOW_MM_S = 20.0  # added to a speed of which an uncertainty is a share: of slow balls all else counts for more
TOWARDS_U = 0.02  # of the speed: balls that meet come towards each other, and don't touch from behind
ORDER_U_S = 2e-4  # far below a frame: no contact before the one that led to it
CUSHION_OUT, CUSHION_OUT_U = 0.78, 0.15  # horizontal restitution: published band 0.6-0.9


@dataclass(frozen=True)
class CueMass:
    """The cue ball's mass over that of the ball it hits, with its standard uncertainty. Default: any two of a set."""

    ratio: float = 1.0
    u: float = MASS_U
    common_u: float = 0.0  # of these, what other shots before the same camera share


ANY_TWO = CueMass()


def prior_friction(settings: SessionSettings) -> Friction:
    """What is known before any path is seen: the published band, or what session.toml fixes (to a ten-thousandth)."""
    fixed = settings.friction
    given = {"sliding": fixed.sliding, "rolling": fixed.rolling}
    known = {name: value for name, value in given.items() if value is not None}
    return replace(Friction(), **known, **{f"{name}_u": 1e-4 * value for name, value in known.items()})


@dataclass(frozen=True)
class Shown:
    """What one shot's frames alone show of how two balls answer each other, with its standard uncertainty."""

    value: float
    u: float
    common_u: float = 0.0  # of these, what other shots before the same camera share


@dataclass(frozen=True)
class Knowledge:
    """What is known before any frame is seen: sizes, friction, masses, and how much the contacts may be trusted."""

    table: Table
    friction: Friction
    cue_mass: CueMass = ANY_TWO
