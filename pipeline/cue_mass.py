"""The cue ball's mass over that of the ball it hits first, as a shot's fitted motion shows it.

Along the line of centres what one ball loses of momentum the other gains (Newton's third law); the cloth takes nothing
worth naming in that short time.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.knowledge import CueMass
from pipeline.paths import Layout, Path
from pipeline.physics import Array

_LEAST_CHANGE_MM_S = 50.0  # of velocity: the ratio of smaller ones says nothing, and may have either sign


def cue_mass_shown(layout: Layout, theta: Array, covariance: Array, systematic: Array) -> CueMass | None:
    """What a fit says of it, which holds what was known before.

    theta, covariance : (n,), (n, n) the fitted parameters ; systematic : (n, n) the part of it that other shots share
    returns           : None where the cue ball met no ball, or hardly touched it
    """
    hit = next((i for i, event in enumerate(layout.events) if event.kind == "ball" and event.concerns("cue")), None)
    if hit is None:
        return None
    event = layout.events[hit]
    balls = ("cue", event.other if event.ball == "cue" else event.ball)
    columns = np.unique(np.concatenate([layout.columns(ball) for ball in balls]))
    steps = layout.steps[columns]
    batch = np.repeat(theta[None], 1 + len(columns), axis=0)
    batch[np.arange(1, len(batch)), columns] += steps
    path = Path(layout, batch, balls)
    (met, v, _), (met_other, v_other, _) = (path.before[ball, hit] for ball in balls)
    (_, w, _), (_, w_other, _) = (path.after[ball, hit] for ball in balls)
    along = met_other - met
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    lost, gained = ((v - w) * along).sum(axis=1), ((w_other - v_other) * along).sum(axis=1)
    if min(lost[0], gained[0]) < _LEAST_CHANGE_MM_S:
        return None
    ratio = gained / lost
    slope = (ratio[1:] - ratio[0]) / steps
    u, common = (math.sqrt(max(float(slope @ c[np.ix_(columns, columns)] @ slope), 0.0))
                 for c in (covariance, systematic))
    return CueMass(float(ratio[0]), u, common)
