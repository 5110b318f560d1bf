"""How two balls answer each other, as a shot's frames alone show it: their restitution, and the friction between them.

A fit holds what is published of both, as much in every shot: it is taken out, so that many shots don't count it many
times. It drew the fit by as much as the fit's own covariance lets it, without what systematic effects add.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pipeline.knowledge import GRIP_U, LEAST_CUT_DEG, RESTITUTION, RESTITUTION_U, SLOW_MM_S, Shown
from pipeline.measured import cross, dot, slopes
from pipeline.motions import ShotMotion
from pipeline.paths import Path
from pipeline.physics import Array

GRIP = 1 / 7  # of the rubbing speed, as impulse over mass: it ends two equal balls' rubbing, and is the most there is
_TELLING = 0.5  # of what a fit is certain of, at most so much may be known beforehand: else it would say that
_LEAST_MEETING_MM_S = 50.0  # of slower ones a ratio says nothing


def contact_shown(motion: ShotMotion) -> tuple[Shown | None, Shown | None]:
    """Restitution and friction of the cue ball's first hit, their uncertainties with all that the line of centres and
    the balls' ways share.

    restitution : parting over meeting speed along the line of centres; None where the frames say little
    friction    : tangential over normal impulse, from the throw and the share of the rubbing that goes sideways, which
                  is the friction where the balls still slide on each other when they part, less where not, and below 0
                  where the throw goes against the rubbing; None for a hit too full to rub, or where the frames say
                  little
    Both None where the cue ball met no ball, or hardly touched it.
    """
    events = motion.layout.events
    hit = next((i for i, event in enumerate(events) if event.kind == "ball" and event.concerns("cue")), None)
    if hit is None:
        return None, None
    other = events[hit].other if events[hit].ball == "cue" else events[hit].ball

    def derive(path: Path) -> Mapping[str, Array]:
        (p, v, _), (q, w, _) = path.before["cue", hit], path.before[other, hit]
        (_, left, roll), struck = path.after["cue", hit], path.after[other, hit][1]
        along = (q - p) / np.linalg.norm(q - p, axis=1, keepdims=True)
        came = v - w
        speed = np.maximum(np.linalg.norm(came, axis=1), 1e-6)
        meeting, pressed = dot(came, along), dot(struck - w, along)
        throw = cross(along, struck - w) / np.maximum(pressed, 1e-6)
        cut = np.arctan2(-cross(along, came), meeting)
        return {
            "meeting": meeting,
            "cut": cut,
            "restitution": dot(struck - left, along) / np.maximum(meeting, 1e-6),
            "throw": throw,
            "friction": friction_between(throw, cut, dot(roll, came) / speed**2, cross(came, roll) / speed**2),
        }

    value = {name: float(at[0]) for name, at in derive(motion.path()).items()}
    if value["meeting"] < _LEAST_MEETING_MM_S:
        return None, None
    slope = slopes(motion, derive)
    told, asked = ("restitution", "throw"), ("restitution", "throw", "friction")
    by = np.array([slope[name] for name in asked])
    common = by @ motion.systematic @ by.T
    own = by @ motion.covariance @ by.T - common
    slow = 1 + SLOW_MM_S / value["meeting"]  # by which the fit takes both for less well known
    known = np.diag([1 / (RESTITUTION_U * slow) ** 2, 1 / (GRIP_U * slow) ** 2])
    share = np.diag(own[:2, :2]) * np.diag(known)
    alone = np.linalg.inv(own[:2, :2]) - known
    if (np.linalg.eigvalsh(alone) <= 0).any():
        return None, None
    # Without what was known of these two, each moves, and takes along whatever hangs together with it.
    alone = np.linalg.inv(alone)
    along = own[:, :2] @ np.linalg.inv(own[:2, :2])
    away = along @ alone @ known
    found = np.array([value[name] for name in asked]) + away @ (
        np.array([value[name] for name in told]) - (RESTITUTION, 0.0))
    further = np.eye(3) + np.pad(away, ((0, 0), (0, 1)))
    common_u = np.sqrt(np.diag(further @ common @ further.T))
    u = np.hypot(np.sqrt(np.diag(own + along @ (alone - own[:2, :2]) @ along.T)), common_u)
    restitution, _, friction = (Shown(*map(float, one)) for one in zip(found, u, common_u, strict=True))
    rubs = abs(math.degrees(value["cut"])) >= LEAST_CUT_DEG
    return restitution if share[0] < _TELLING else None, friction if rubs and share[1] < _TELLING else None


def friction_between(throw: Array, cut_rad: Array, roll: Array, cross_roll: Array) -> Array:
    """Tangential over normal impulse between the balls, (P,), where they rub along the cue ball's way across the line
    of centres and, by its roll about the axis across that line, up or down; friction opposes the whole, and only its
    sideways part throws the object ball.

    throw            : tangent of the angle from the line of centres to the object ball's way
    cut_rad          : from the cue ball's way to the line of centres
    roll, cross_roll : that the cue ball carries out of the contact, over its speed before it, along and across its way
    """
    across, along = np.maximum(np.abs(np.sin(cut_rad)), 1e-6), np.cos(cut_rad)
    after = roll * along + cross_roll * np.sin(cut_rad)  # along the line of centres, where friction takes roll away
    taken = 2.5 * np.minimum(np.abs(throw) * along / across, GRIP)  # of what there was; the impulse is about the speed
    sideways = -np.sign(cut_rad) * throw  # with the rubbing
    return np.asarray(sideways * np.hypot(across, after / (1 - taken)) / across)
