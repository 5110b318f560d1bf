"""Frames that a caller brings to `reboundry.compare` and `reboundry.plan`: cells understood, or named in one line."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest

import reboundry
from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.pilot import pilot_spread
from shared.columns import CONTACTS, FINGERPRINT
from shared.errors import SettingsError


@pytest.fixture(scope="module")
def shots():
    rng = np.random.default_rng(0)
    truth = Truth(effects={"balls": {"polished": 1.5}}, session_sd=0.2)
    parts = [
        simulate_session(f"e{i}", rng=rng, truth=truth, fixed={}, varied={"balls": ["clean", "polished"]}, repeats=3)
        for i in range(2)
    ]
    return shots_table(pd.concat(parts, ignore_index=True))


def _compare(shots, **more):
    return reboundry.compare(shots, by="balls", responses="miss_mm", **more)


def _plan(shots, **more):
    return reboundry.plan({"long-side-bank": "foot-right"}, easy={"balls": "x,y"}, shift=60.0, pilot=shots, **more)


def _with(shots, column, row, cell):
    cells = shots[column].astype("object")
    cells.iloc[row] = cell
    return shots.assign(**{column: cells})


@pytest.mark.parametrize("use", [_compare, _plan])
@pytest.mark.parametrize(("column", "cell", "said"), [
    ("miss_mm", "41,8", "holds '41,8' where a whole number should be or a number with a point"),
    ("incoming_angle_deg", "far", "holds 'far'"),
    ("miss_mm", 1.45e302, "holds 1.45e+302, which no measure comes near"),
    ("miss_mm_u", "-inf", "holds -inf, which no measure comes near"),
    ("counted", "WAHR", "holds 'WAHR'; write true or false, or leave it empty"),
    ("verdict", "bogus", "holds 'bogus' where clean, mishit or unusable should be"),
    ("review", "Yes", "holds 'Yes' where accept or reject should be"),
    ("counted", 2, "holds '2'; write true or false, or leave it empty"),
])
def test_a_cell_that_is_not_understood_is_named(shots, use, column, cell, said):
    odd = _with(shots, column, 4, cell)
    with pytest.raises(SettingsError) as told:
        use(odd)
    assert str(told.value).startswith(f"shots: column {column} of shot {shots['shot_id'][4]} {said}")
    with pytest.raises(SettingsError, match=f"column {column} in row 5 holds"):
        use(odd.drop(columns="shot_id"))


def test_texts_are_taken_as_what_they_say(shots):
    words = shots["counted"].map({True: "Yes", False: "no"}).astype("object")
    numbers = shots[["miss_mm", "miss_mm_u", "incoming_angle_deg"]]
    as_texts = shots.assign(counted=words, **numbers.map("{:.17g}".format).astype("object"))
    assert _compare(as_texts).text() == _compare(shots).text()
    assert _plan(as_texts).lines == _plan(shots).lines
    ones = shots.assign(counted=shots["counted"].astype(float))
    assert _compare(ones).text() == _compare(shots).text()


def test_a_frame_without_counted_goes_by_its_verdicts(shots):
    assert not shots["counted"].all()
    for use, said in ((_compare, lambda c: c.text()), (_plan, lambda p: p.lines)):
        assert said(use(shots.drop(columns="counted"))) == said(use(shots))
        with pytest.raises(SettingsError, match="neither a column counted nor verdict"):
            use(shots.drop(columns=["counted", "verdict"]))
        with pytest.raises(SettingsError, match="shots: list where a DataFrame should be"):
            use([1, 2])
    assert "in 1 session(s)" in _plan(shots.drop(columns="session")).lines[0]


def test_a_verdict_may_have_capitals_and_spaces(shots):
    words = shots.assign(verdict=" " + shots["verdict"].str.capitalize()).drop(columns="counted")
    assert _compare(words).text() == _compare(shots).text()
    assert _plan(words).lines == _plan(shots).lines


def test_contacts_and_table_parameters_are_looked_at_too(shots):
    contacts = CONTACTS.conform(pd.DataFrame({"shot_id": shots["shot_id"], "speed_in_mps": 1.5}))
    odd = _with(contacts, "speed_in_mps", 2, "1,5")
    for use in (_compare, _plan):
        with pytest.raises(SettingsError, match=r"contacts: column speed_in_mps of shot .* holds '1,5'"):
            use(shots, contacts=odd)
    rows = FINGERPRINT.conform(pd.DataFrame({"quantity": ["rolling_resistance"], "value": [1e300], "value_u": [0.1]}))
    with pytest.raises(SettingsError, match=r"parameters: column value in row 1 holds 1e\+300"):
        compare_conditions(shots, parameters=rows.assign(session="e0"))


def _as_read_from_csv(frame):
    return pd.read_csv(io.StringIO(frame.to_csv(index=False)))


@pytest.fixture(scope="module")
def evenings():
    """(shots, contacts) of evenings that are called by their dates."""
    rng = np.random.default_rng(3)
    varied = {"balls": ["clean", "polished"]}
    parts = [simulate_session(name, rng=rng, truth=Truth(), fixed={}, varied=varied, repeats=4)
             for name in ("20260105", "20260106")]
    contacts = pd.concat([contacts_of(part).assign(session=part["session"].iloc[0]) for part in parts])
    return shots_table(pd.concat(parts, ignore_index=True)), contacts.reset_index(drop=True)


def _kept(shots, contacts):
    return reboundry.compare(shots, contacts=contacts, by="balls", responses="speed_kept_1").text()


def test_sessions_called_by_numbers_are_joined_however_pandas_reads_them(evenings):
    shots, contacts = evenings
    as_csv = _as_read_from_csv(shots), _as_read_from_csv(contacts)
    assert as_csv[0]["session"].dtype == as_csv[1]["session"].dtype == "int64"
    with_gap = _as_read_from_csv(pd.concat([contacts, contacts.iloc[:1].assign(session=None)]))
    assert with_gap["session"].dtype == "float64"
    said = _kept(shots, contacts)
    assert "speed" in said
    for given in (as_csv, (shots, as_csv[1]), (as_csv[0], contacts), (shots, with_gap)):
        assert _kept(*given) == said
    assert pilot_spread(as_csv[0], "speed_kept_1", contacts=as_csv[1]).shot_sd == pytest.approx(
        pilot_spread(shots, "speed_kept_1", contacts=contacts).shot_sd)


@pytest.mark.parametrize("column", ["shot_id", "kind", "ball", "n", "speed_in_mps"])
def test_contacts_that_lack_a_column_are_named(evenings, column):
    with pytest.raises(SettingsError, match=f"^contacts: columns {column} are missing; give the contacts of"):
        _kept(evenings[0], evenings[1].drop(columns=column))
    assert _compare(evenings[0], contacts=pd.DataFrame()).text() == _compare(evenings[0]).text()


@pytest.mark.parametrize("column", ["balls", "miss_mm"])
def test_a_column_that_is_there_twice_is_named(shots, column):
    for use in (_compare, _plan):
        with pytest.raises(SettingsError, match=f"^shots: more than one column is called {column}; give each column"):
            use(pd.concat([shots, shots[[column]]], axis=1))


def test_columns_may_have_numbers_for_names(shots):
    assert _compare(shots.assign(x=1.0).rename(columns={"x": 1})).text() == _compare(shots).text()


def test_a_shot_or_event_that_is_there_twice_is_named(shots, evenings):
    for use in (_compare, _plan):
        with pytest.raises(SettingsError, match=r"^shots: e0-01 of e0 is there more than once; give each once\.$"):
            use(pd.concat([shots, shots], ignore_index=True))
    with pytest.raises(SettingsError, match=r"^contacts: n 1 of 20260105-01 of 20260105 is there more than once"):
        _kept(evenings[0], pd.concat([evenings[1], evenings[1]]))
    alone = shots[shots["session"] == "e0"].drop(columns="session")
    with pytest.raises(SettingsError, match="once, or a column session that tells them apart"):
        _compare(pd.concat([alone, alone]))


@pytest.mark.parametrize("index", [["session", "shot_id"], ["session"], ["counted", "session", "miss_mm"]])
def test_columns_of_ours_may_be_the_index(shots, evenings, index):
    assert _compare(shots.set_index(index)).text() == _compare(shots).text()
    assert _plan(shots.set_index(index)).lines == _plan(shots).lines
    with pytest.raises(SettingsError, match=r"^shots: e0-01 of e0 is there more than once; give each once\.$"):
        _compare(pd.concat([shots, shots]).set_index(index))
    both = evenings[0].set_index(["session", "shot_id"]), evenings[1].set_index(["session", "shot_id", "n"])
    assert _kept(*both) == _kept(*evenings)


def test_an_index_of_its_own_stays_one(shots):
    for named in ("row", "session"):  # the column session is there besides
        assert _compare(shots.rename_axis(named)).text() == _compare(shots).text()
    twice = shots.set_index(pd.MultiIndex.from_frame(shots[["session", "session"]])).drop(columns="session")
    with pytest.raises(SettingsError, match=r"^shots: more than one column is called session; give each column"):
        _compare(twice)
