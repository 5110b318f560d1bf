"""The power that a plan promises between sessions is what `compare` finds: mis-hits by chance, covariates that cost."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.compare.model import fit_linear
from pipeline.plan import PlanSettings, make_plan
from pipeline.plan_between import power_of_sessions, sessions_needed
from pipeline.plan_power import power_between, typical_spread
from pipeline.plan_sheet import Sheet

SPREAD = typical_spread("miss_mm")
CLOTH = ("cloth", ("new", "worn"))
ROOM = ("room", ("dry", "moist"))
AIR = ("humidity_pct", ("40", "50", "60"))
BALLS = ("balls", ("clean", "polished"))


def _found(sheet, shift, *, columns, plays=500):
    """Share of simulated plays in which `compare`'s model saw the first hard condition's shift; ``columns``: its design
    beside the constant, of a shot's levels, the first column from 0 to 1. Five covariates that tell nothing."""
    rng = np.random.default_rng(4)
    hard = [dict(zip(dict(sheet.hard), c, strict=True)) for c in itertools.product(*dict(sheet.hard).values())]
    easy = [dict(zip(dict(sheet.easy), c, strict=True)) for c in itertools.product(*dict(sheet.easy).values())]
    shots = [
        (k, {**held, **turn}) for k, held in enumerate(hard * sheet.sessions) for turn in easy * sheet.repeats
    ]
    session = np.array([k for k, _ in shots])
    x = np.array([[1.0, *columns(levels)] for _, levels in shots])
    cell = np.unique([str(levels) for _, levels in shots], return_inverse=True)[1]
    seen = 0
    for _ in range(plays):
        kept = np.flatnonzero(rng.random(len(shots)) < SPREAD.kept_share)
        evening = rng.normal(0, SPREAD.session_sd, session.max() + 1)
        y = shift * x[:, 1] + evening[session] + rng.normal(0, SPREAD.shot_sd, len(shots))
        hits = rng.normal(size=(len(kept), 5))
        row = np.eye(x.shape[1] + 5)[1]
        fit = fit_linear(y[kept], np.hstack([x[kept], hits]), session=session[kept], cell=cell[kept], wider=True)
        seen += fit.estimate(row).p < 0.05
    return seen / plays


def _worn(levels):
    return [float(levels["cloth"] == "worn")]


def _with_room(levels):
    room = (levels["room"] == "moist") - 0.5
    return [*_worn(levels), room, room * (_worn(levels)[0] - 0.5)]


def _with_balls(levels):
    balls = (levels["balls"] == "polished") - 0.5
    return [*_worn(levels), balls, balls * (_worn(levels)[0] - 0.5)]


@pytest.mark.parametrize(
    ("sheet", "shift", "columns"),
    [
        (Sheet((), (CLOTH,), 3, 6), 45, _worn),  # as many shots as films, a quarter off, had promised 80 %
        (Sheet((), (CLOTH,), 5, 3), 60, _worn),
        (Sheet((), (CLOTH, ROOM), 5, 3), 40, _with_room),
        (Sheet((BALLS,), (CLOTH,), 2, 5), 40, _with_balls),
        (Sheet((), (("humidity_pct", ("40", "50", "60", "70", "80", "90")),), 5, 1), 60,
         lambda levels: [(float(levels["humidity_pct"]) - 40) / 50]),
    ],
    ids=["few shots", "few sessions", "two stay", "one stays, one changes", "readings"],
)  # fmt: skip
def test_the_power_promised_is_found(sheet, shift, columns):
    promised = power_of_sessions(sheet, shift, SPREAD)[sheet.hard[0][0]]
    assert _found(sheet, shift, columns=columns) == pytest.approx(promised, abs=0.055)  # chance: 2.5 sd and the draws'


def test_of_many_shots_it_is_that_of_the_t_test_on_session_means():
    bare = replace(SPREAD, mishit_share=0.0, growth=(1.0,))
    for repeats in (12, 60):  # played, and by the textbook
        got = power_of_sessions(Sheet((), (CLOTH,), repeats, 5), 30, bare)["cloth"]
        assert got == pytest.approx(power_between(5, repeats, 30, bare, df=8), abs=0.02)


def test_it_goes_on_smoothly_where_shots_are_no_longer_played():
    for hard, shift in (((CLOTH,), 25), ((AIR,), 30)):
        below, above = (
            min(power_of_sessions(Sheet((), hard, repeats, 20 // len(hard[0][1])), shift, SPREAD).values())
            for repeats in (19, 24)
        )
        assert below - 0.02 < above < below + 0.06


def test_as_many_sessions_are_planned_as_reach_the_power_and_no_more():
    sheet = Sheet((), (CLOTH,), 5, 1)
    needed = sessions_needed(sheet, 40, SPREAD, power=0.8)
    assert power_of_sessions(replace(sheet, sessions=needed), 40, SPREAD)["cloth"] >= 0.8
    assert power_of_sessions(replace(sheet, sessions=needed - 1), 40, SPREAD)["cloth"] < 0.8
    plan = make_plan(PlanSettings(patterns=(("a", "foot-right"),), hard=dict([CLOTH]), shift=40), SPREAD)
    assert plan.sessions_per_level == needed == 7  # 6, where every session kept as many shots
    assert sessions_needed(sheet, 1, SPREAD, power=0.8) == 0


def test_readings_of_one_session_each_are_judged_as_a_slope():
    air = ("humidity_pct", ("40", "50", "60"))
    assert Sheet((), (air,), 5, 1).sessions_to_spare == 1  # a straight line through three sessions
    assert Sheet((), (air,), 5, 2).sessions_to_spare == 3  # three levels
    assert power_of_sessions(Sheet((), (CLOTH,), 5, 1), 60, SPREAD) == {}


def test_the_same_plan_promises_the_same():
    from pipeline.plan_draws import drawn

    sheet = Sheet((), (CLOTH,), 4, 3)
    one = power_of_sessions(sheet, 60, SPREAD)
    drawn.cache_clear()
    assert power_of_sessions(sheet, 60, SPREAD) == one
