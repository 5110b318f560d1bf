"""Compiled functions of the fit loaded (or compiled, for the first time on a machine) before they are needed.

Importing this module does it: a fork server imports it once for all its workers, `make` once for all later runs.
"""

from __future__ import annotations

import numpy as np

from pipeline import compiled_place
from pipeline.descent import descend, slides_to_end
from pipeline.knowledge import Knowledge
from pipeline.motion_problem import MotionProblem
from pipeline.paths import Layout, MotionEvent, Seen
from pipeline.physics import Friction
from shared.equipment import standard_table


def _call_each() -> None:
    """A ball that is struck, seen three times."""
    t = np.array([0.0, 0.1, 0.2])
    seen = Seen("cue", t, np.outer(1000 * t, [1.0, 0.0]), np.repeat(np.eye(2)[None], 3, axis=0), np.zeros((3, 2, 1)))
    layout = Layout(["cue"], [MotionEvent("strike", 0.0, "cue")])
    problem = MotionProblem(layout, {"cue": seen}, Knowledge(standard_table(), Friction()))
    theta = np.array([np.log(0.2), np.log(0.01), 0.0, 0.0, 0.0, 1000.0, 0.0, 1000.0, 0.0])
    descend(problem, theta, 1)
    slides_to_end(problem, theta)
    problem.cost(theta)
    problem.normal_equations(theta)
    problem.slopes(theta)


_call_each()
compiled_place.mark_complete()

if __name__ == "__main__":
    print("Compiled: the functions that every measurement needs.")
