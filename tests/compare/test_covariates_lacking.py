"""A covariate that a condition or an evening lacks costs no difference: it is left out, with where it lacks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.conditions import Factor
from pipeline.compare.contrasts import Fits, contrast_table
from pipeline.compare.design import Design
from pipeline.compare.in_short import in_short
from pipeline.compare.model import fit_linear
from pipeline.compare.sessions import Sessions
from pipeline.compare.settings import CompareSettings
from pipeline.compare.subspace import subspace

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))
TRUTH = Truth(effects={"cloth": {"worn": 1.0}}, mishit_share=0.0)
INCOMING = "incoming_angle_deg"


def filmed(*, seed=3, truth=TRUTH, repeats=8, **varied):
    return simulate_session("mon", rng=np.random.default_rng(seed), truth=truth, fixed={}, varied=varied,
                            repeats=repeats)


def compared(shots, settings=ANGLE):
    return compare_conditions(shots_table(shots), contacts=contacts_of(shots), settings=settings)


def mains(found):
    return found.contrasts[found.contrasts["main"].astype(bool)]


def why(found, covariate=INCOMING):
    return found.covariates.set_index("covariate")["why"][covariate]


def test_a_combination_without_a_covariate_is_compared_and_named():
    shots = filmed(cloth=("new", "worn", "old"), balls=("clean", "polished"))
    shots.loc[(shots["cloth"] == "old") & (shots["balls"] == "polished"), INCOMING] = np.nan
    assert shots[INCOMING].notna().mean() > 0.8
    found = compared(shots, replace(ANGLE, by=("cloth", "balls")))
    rows = mains(found)
    assert (rows["used"] == "adjusted").all()  # for the others
    assert np.isfinite(rows["adjusted_low"]).all()
    assert (rows["adjusted_n"] == len(shots)).all()
    assert why(found) == "measured in none of the 8 shots at cloth old, balls polished"
    assert all("changed together" not in line for line in found.warnings)
    assert all("can't be estimated" not in text for text in found.answers)
    assert len(in_short(found.contrasts, found.responses, found.settings)) == len(rows) == 4


def test_covariates_that_lack_at_a_level_each_leave_the_raw_differences():
    shots = filmed(cloth=tuple("abcdef"))
    lacks = {"f": INCOMING, "e": "speed_at_impact_mps", "d": "cue_roll_ratio", "c": "cue_cross_ratio"}
    for level, covariate in lacks.items():
        shots.loc[shots["cloth"] == level, covariate] = np.nan
    found = compared(shots)
    rows = mains(found)
    assert len(rows) == 15
    assert (rows["used"] == "raw").all()
    assert np.isfinite(rows["raw_low"]).all()
    for level, covariate in lacks.items():
        assert why(found, covariate) == f"measured in none of the 8 shots at cloth {level}"
        assert why(found, covariate) in rows["not_adjusted"].iloc[0]
    assert len(in_short(found.contrasts, found.responses, found.settings)) == 15


def test_an_evening_without_a_covariate_stays_an_evening():
    rng = np.random.default_rng(3)
    evenings = (("s0", "new", 20), ("s1", "worn", 20), ("s2", "worn", 8))
    shots = pd.concat(
        [simulate_session(name, rng=rng, truth=replace(TRUTH, session_sd=0.3), fixed={"cloth": cloth}, varied={},
                          repeats=n) for name, cloth, n in evenings],
        ignore_index=True,
    )
    shots.loc[shots["session"] == "s2", INCOMING] = np.nan
    found = compared(shots)
    row = mains(found).iloc[0]
    assert (row["basis"], row["df"], row["used"]) == ("between sessions", 1, "adjusted")
    assert why(found) == "measured in none of the 8 shots of session s2"
    assert not any("one session a level" in line for line in found.warnings)


@pytest.mark.parametrize("repeats", [4, 8])
def test_a_covariate_that_single_shots_lack_is_adjusted_for(repeats):
    shots = filmed(cloth=("new", "worn"), repeats=repeats)
    shots.loc[0, INCOMING] = np.nan
    found = compared(shots)
    row = mains(found).iloc[0]
    assert (row["used"], row["adjusted_n"], row["raw_n"]) == ("adjusted", 2 * repeats - 1, 2 * repeats)
    assert found.covariates.set_index("covariate").loc[INCOMING, "used"]


def test_the_less_important_covariate_goes_where_too_few_shots_have_both():
    shots = filmed(cloth=("new", "worn"), repeats=10)
    shots.loc[[0, 1, 2], INCOMING] = np.nan
    shots.loc[[3, 4, 5], "speed_at_impact_mps"] = np.nan
    found = compared(shots)
    used = found.covariates.set_index("covariate")["used"]
    assert used[INCOMING]
    assert not used["speed_at_impact_mps"]
    assert why(found, "speed_at_impact_mps") == "measured together with incoming angle in only 14 of 20 shots"
    assert mains(found)["adjusted_n"].iloc[0] == 17


def test_what_adjusting_changed_is_told_from_the_shots_that_are_adjusted():
    shots = filmed(cloth=("new", "worn"))
    worn = shots["cloth"] == "worn"
    shots[INCOMING] += 1.5 * worn  # worn cloth's balls came flatter, and settle longer for it
    shots["rebound_settled_angle_deg"] += 1.65 * worn
    odd = int(np.flatnonzero(worn)[0])
    shots.loc[odd, INCOMING] = np.nan
    shots.loc[odd, "rebound_settled_angle_deg"] += 6.0  # moves all shots' difference by 0.75
    row = mains(compared(shots)).iloc[0]
    without = mains(compared(shots.drop(index=odd).reset_index(drop=True))).iloc[0]
    assert row["used"] == "adjusted"
    assert row["raw_same_shots"] == pytest.approx(without["raw_diff"], abs=1e-9)
    assert row["raw_diff"] > row["raw_same_shots"] + 0.5
    assert f"Unadjusted, of the same shots, it is {row['raw_same_shots']:.2f}° longer." in row["answer"]
    assert f"Unadjusted it is {without['raw_diff']:.2f}° longer." in without["answer"]
    assert without["raw_same_shots"] == without["raw_diff"]


def test_a_difference_that_adjusting_would_lose_stays_raw_and_says_so():
    rng = np.random.default_rng(1)
    level = pd.Series(["a", "b", "c"] * 8)
    y = rng.normal(0, 1, 24) + (level == "b")
    design = Design((Factor("cloth", ("a", "b", "c")),), interactions=False)
    wide = replace(design, n_covariates=1)

    def fit(of, covariate, shots):
        one = pd.Categorical([""] * int(shots.sum()))
        return fit_linear(y[shots], of.matrix({"cloth": level[shots]}, one, covariate[shots]), wider=True)

    every, some = np.ones(24, dtype=bool), (level != "c").to_numpy()
    none, covariate = np.zeros((24, 0)), rng.normal(0, 1, (24, 1))
    raw = fit(design, none, every)
    table = contrast_table(
        Fits(raw, fit(wide, covariate, some), fit(design, none, some), None, design, wide),
        bound=2.0, skewed=True, not_adjusted="", settings=ANGLE,
    ).set_index(["a", "b"])
    assert table["used"].to_dict() == {("a", "b"): "adjusted", ("a", "c"): "raw", ("b", "c"): "raw"}
    lost = table.loc[("a", "c")]
    assert lost["basis"] == "within sessions"
    assert lost["adjusted_n"] == 0
    assert lost["not_adjusted"].startswith("Not adjusted: ")
    assert lost["raw_low"] < lost["raw_diff"] < lost["raw_high"]
    assert lost["g_low"] < lost["g"] < lost["g_high"]
    assert lost["boot_low"] < lost["raw_diff"] < lost["boot_high"]
    assert table.loc[("a", "b"), "not_adjusted"] == ""


@pytest.mark.parametrize("inside", [False, True])
def test_rows_that_stand_for_several_are_as_good_as_these(inside):
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(9), rng.normal(size=(9, 2))])
    session, times = np.repeat([0, 1, 2], 3), np.array([1, 4, 2, 3, 1, 1, 2, 5, 1])
    once = subspace(x, Sessions(session, 3) if inside else None, times=times.astype(float))
    again = np.repeat(np.arange(9), times)
    every = subspace(x[again], Sessions(session[again], 3) if inside else None)
    assert once.rank == every.rank
    c = np.array([0.0, 1.0, -0.5])
    assert np.sum(once.on_basis(c) ** 2) == pytest.approx(np.sum(every.on_basis(c) ** 2), rel=1e-9)
    assert once.holds(np.array([1.0, 0.0, 0.0])) == every.holds(np.array([1.0, 0.0, 0.0])) == (not inside)
