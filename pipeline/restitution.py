"""How two balls part over how they met along their line of centres, as a shot's frames alone show it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pipeline.knowledge import RESTITUTION, RESTITUTION_U, SLOW_MM_S, Restitution
from pipeline.measured import dot, evaluate, shared_u
from pipeline.motions import ShotMotion
from pipeline.paths import Path
from pipeline.physics import Array

_TELLING = 0.5  # of what a fit is certain of, at most so much may be known beforehand: else it would say that
_LEAST_MEETING_MM_S = 50.0  # of slower ones the ratio says nothing


def restitution_shown(motion: ShotMotion) -> Restitution | None:
    """Of the cue ball's first hit, its uncertainty with all that the line of centres and the balls' ways share.

    The fit holds what is published of it, as much in every shot: it is taken out, so that many shots don't count it
    many times. It drew the fit by as much as the fit's own uncertainty lets it, without what systematic effects add.

    returns : None where the cue ball met no ball, or hardly touched it, or the frames say little
    """
    events = motion.layout.events
    hit = next((i for i, event in enumerate(events) if event.kind == "ball" and event.concerns("cue")), None)
    if hit is None:
        return None
    other = events[hit].other if events[hit].ball == "cue" else events[hit].ball

    def derive(path: Path) -> Mapping[str, Array]:
        (p, v, _), (q, w, _) = path.before["cue", hit], path.before[other, hit]
        along = (q - p) / np.linalg.norm(q - p, axis=1, keepdims=True)
        meeting, parting = dot(v - w, along), dot(path.after[other, hit][1] - path.after["cue", hit][1], along)
        return {"meeting": meeting, "restitution": parting / np.maximum(meeting, 1e-6)}

    got = evaluate(motion, derive)
    meeting, found = got["meeting"], got["restitution"]
    if meeting.value < _LEAST_MEETING_MM_S:
        return None
    common = shared_u(motion, derive)["restitution"] ** 2
    own = found.u**2 - common
    known = own / (RESTITUTION_U * (1 + SLOW_MM_S / meeting.value)) ** 2  # its weight in the fit
    if not 0 < known < _TELLING:
        return None
    value = (found.value - known * RESTITUTION) / (1 - known)
    common_u = math.sqrt(common) / (1 - known)
    return Restitution(value, math.hypot(math.sqrt(own / (1 - known)), common_u), common_u)
