"""What a plan films of one pattern and speed, and the part of `compare`'s design that its sessions make up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

Conditions = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Sheet:
    """What is filmed of one pattern and speed: ``repeats`` shots of each combination of ``easy`` levels in each of
    ``sessions`` sessions with each combination of ``hard`` levels; conditions as (name, levels)."""

    easy: Conditions
    hard: Conditions
    repeats: int
    sessions: int

    @property
    def combinations(self) -> int:
        """Of easy levels: shots a block."""
        return math.prod(len(levels) for _, levels in self.easy)

    @property
    def evenings(self) -> int:
        """Sessions of all combinations of hard levels."""
        return self.sessions * math.prod(len(levels) for _, levels in self.hard)

    @property
    def shots_a_session(self) -> int:
        """Filmed, not counted."""
        return self.repeats * self.combinations

    @property
    def shots(self) -> int:
        """Filmed in all sessions."""
        return self.evenings * self.shots_a_session

    @property
    def sessions_to_spare(self) -> int:
        """Degrees of freedom of the scatter of sessions, less what the hard conditions take, as `compare` takes it:
        their effects, and how they act together in pairs where that leaves anything."""
        return self.evenings - _of_sessions(self.hard, self.sessions)[0] if self.hard else 0

    def variance_between(self, name: str) -> float:
        """Of the difference that hard condition ``name`` makes, if that of a session's mean is 1."""
        return _of_sessions(self.hard, self.sessions)[1][name]

    def table(self) -> pd.DataFrame:
        """A row a shot: session and conditions."""
        conditions = {**dict(self.hard), **dict(self.easy)}
        rows = pd.MultiIndex.from_product([range(self.sessions), *conditions.values(), range(self.repeats)])
        out = rows.to_frame(index=False).set_axis(["round", *conditions, "block"], axis=1)
        held = ["round", *dict(self.hard)]
        return out.assign(session=out.groupby(held, sort=False).ngroup().astype(str))


@lru_cache(maxsize=256)
def _of_sessions(hard: Conditions, sessions: int) -> tuple[int, Mapping[str, float]]:
    """Coefficients of `compare`'s design on the sessions' means; each condition's variance, as ``variance_between``."""
    rounds = min(sessions, 2)  # of more nothing is new; of one, numbers may be a slope
    found = _crossed(hard, rounds, True)
    if found[0] >= sessions * math.prod(len(levels) for _, levels in hard):
        found = _crossed(hard, rounds, False)
    return found[0], {name: variance * rounds / sessions for name, variance in found[1].items()}


@lru_cache(maxsize=64)
def _crossed(hard: Conditions, sessions: int, together: bool) -> tuple[int, Mapping[str, float]]:
    """The same of few sessions a combination, with conditions that act ``together`` in pairs, or add up."""
    from pipeline.compare.conditions import read_factor
    from pipeline.compare.design import Design
    from pipeline.compare.labels import numbered

    shots = 3  # a session: of fewer, numbers would be taken for readings
    table = Sheet((), hard, shots, sessions).table()
    read = {name: read_factor(table, name) for name, _ in hard}
    design = Design(tuple(f for f, _ in read.values()), interactions=together and len(hard) > 1)
    strata = numbered(np.zeros(len(table), dtype=np.intp), [""])
    x = design.matrix({name: column for name, (_, column) in read.items()}, strata, np.zeros((len(table), 0)))[::shots]
    cov = np.linalg.pinv(x.T @ x)
    rows = {c.factor: np.array(c.row) for c in reversed(design.contrasts()) if c.main}
    return int(np.linalg.matrix_rank(x)), {name: float(row @ cov @ row) for name, row in rows.items()}
