"""Simulated evenings for the comparison's tests."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions


def evenings(n=4, *, seed=3, repeats=6, speeds=("medium",), held=None, **truth):
    """(shots, contacts): n evenings, worn and new cloth in turn, clean and polished balls inside each."""
    rng = np.random.default_rng(seed)
    known = Truth(effects={"balls": {"polished": 1.0}, "cloth": {"new": -1.5}}, **truth)
    parts = [
        simulate_session(
            f"e{i}",
            rng=rng,
            truth=known,
            fixed={"cloth": ("worn", "new")[i % 2], **(held(i) if held else {})},
            varied={"balls": ["clean", "polished"]},
            repeats=repeats,
            speed_class=speed,
        )
        for i in range(n)
        for speed in speeds
    ]
    for part, speed in zip(parts, list(speeds) * n, strict=True):
        part["shot_id"] = part["shot_id"] + f"-{speed}"
    contacts = pd.concat([contacts_of(p).assign(session=p["session"].iloc[0]) for p in parts], ignore_index=True)
    return shots_table(pd.concat(parts, ignore_index=True)), contacts


@pytest.fixture(scope="session")
def four_evenings():
    return evenings(4, session_sd=0.2)


@pytest.fixture(scope="session")
def two_evenings():
    return evenings(2, session_sd=0.3)


@pytest.fixture(scope="session")
def compared(four_evenings):
    """All usual responses over four evenings."""
    return compare_conditions(four_evenings[0], contacts=four_evenings[1])
