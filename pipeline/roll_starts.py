"""Other beginnings for a fit in which the cue ball came to what it met first, and left a hit, with another roll.

A path shows a slip only by its square: a ball that slid a little at first and one that had a little too much spin leave
nearly the same track, and at no slip at all the cost has no slope. A descent that got to the wrong side, or to none,
therefore stays there. These beginnings keep what the frames tell in any case (where the ball was struck and where it
met something, its mean velocity in between, the velocity with which it rolls in the end) and differ in the slip.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.paths import Layout, Path
from pipeline.physics import G_MM_S2, Array, Friction, settled_velocity, slide_delay

SLIDING = (-0.3, 0.0, 0.4, 0.8)  # roll over speed at the end of a ball that slides all the way there
ROLLING = (0.15, 0.4, -0.15)  # slip over speed at the strike of a ball that rolls when it gets there
LEAST_SPEED_MM_S = 100.0


def roll_starts(layout: Layout, theta: Array, friction: Friction) -> list[Array]:
    """Parameter vectors to descend from: the cue ball's stretch from the strike to what it meets first, and the one
    after a hit. What a cushion does to the roll is not known, so the stretch after one stays.

    friction : as known beforehand; that of a fit which went astray is astray, too
    """
    chain = layout.chain.get("cue", [])
    if len(chain) < 2 or layout.events[chain[0]].kind != "strike":
        return []
    strike, met = chain[:2]
    path = Path(layout, theta)
    way = path.before["cue", met][0][0] - path.after["cue", strike][0][0]
    long = float(np.hypot(*way))
    lasts = float(path.time(met)[0] - path.time(strike)[0])
    if lasts <= 0 or long / lasts < LEAST_SPEED_MM_S:
        return []
    along = way / long
    theta = theta.copy()
    theta[:2] = math.log(friction.sliding), math.log(friction.rolling)
    pull = friction.sliding * G_MM_S2
    out = []
    for ratio in SLIDING:
        end = long / lasts - 0.5 * pull * lasts  # sliding takes speed evenly from the mean before to the mean after
        if end > LEAST_SPEED_MM_S:
            struck = ((end + pull * lasts) * along, (ratio * end - 2.5 * pull * lasts) * along)
            out.append(_begun(layout, theta, strike, met, struck, ratio * end * along))
    for share in ROLLING:
        slip = share * long / lasts
        gained = slip * (2 * abs(slip) / (7 * pull)) / 7  # on the line of rolling, while it slides
        end = (long - gained) / lasts
        struck = ((end + slip * 2 / 7) * along, (end - slip * 5 / 7) * along)
        out.append(_begun(layout, theta, strike, met, struck, end * along))
    return out


def _begun(
    layout: Layout, theta: Array, strike: int, met: int, struck: tuple[Array, Array], brought: Array
) -> Array:
    """``theta`` with this velocity and rolling velocity at the strike, and the roll ``brought`` out of a hit."""
    out = theta.copy()
    real_s = float(Path(layout, theta).time(strike)[0])
    at = layout.leg["cue", strike]
    out[at : at + 2], out[at + 2 : at + 4] = struck
    delay = slide_delay(struck[0][None], struck[1][None], math.exp(theta[0]))
    out[layout.times + strike] = real_s - float(delay[0])
    if layout.events[met].kind == "ball":
        _, v, roll = Path(layout, theta).after["cue", met]
        at = layout.leg["cue", met]
        out[at : at + 2], out[at + 2 : at + 4] = (7 * settled_velocity(v, roll)[0] - 2 * brought) / 5, brought
    return out
