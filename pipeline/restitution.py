"""How two balls part over how they met along their line of centres, as a shot's frames show it."""

from __future__ import annotations

import numpy as np

from pipeline.knowledge import RESTITUTION_U, Restitution
from pipeline.measured import dot, evaluate
from pipeline.motions import ShotMotion
from pipeline.paths import Path
from pipeline.physics import Array

_TELLING = 0.7  # of what is known beforehand: a fit less certain would say that, not what the frames show
_LEAST_MEETING_MM_S = 50.0  # of slower ones the ratio says nothing


def restitution_shown(motion: ShotMotion) -> Restitution | None:
    """Of the cue ball's first hit, its uncertainty with all that the line of centres and the balls' ways share.

    returns : None where the cue ball met no ball, or hardly touched it, or the frames say little
    """
    events = motion.layout.events
    hit = next((i for i, event in enumerate(events) if event.kind == "ball" and event.concerns("cue")), None)
    if hit is None:
        return None
    other = events[hit].other if events[hit].ball == "cue" else events[hit].ball

    def derive(path: Path) -> dict[str, Array]:
        (p, v, _), (q, w, _) = path.before["cue", hit], path.before[other, hit]
        along = (q - p) / np.linalg.norm(q - p, axis=1, keepdims=True)
        meeting, parting = dot(v - w, along), dot(path.after[other, hit][1] - path.after["cue", hit][1], along)
        return {"meeting": meeting, "restitution": parting / np.maximum(meeting, 1e-6)}

    got = evaluate(motion, derive)
    meeting, found = got["meeting"], got["restitution"]
    if meeting.value < _LEAST_MEETING_MM_S or not found.u < _TELLING * RESTITUTION_U:
        return None
    return Restitution(found.value, found.u)
