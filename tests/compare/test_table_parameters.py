"""A table's own parameters where several conditions changed in one session: each by its own values of table.csv."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.comparison import TABLE, compare_conditions
from pipeline.compare.output import write_comparison
from pipeline.compare.settings import CompareSettings

NAME = "cushion_restitution"
EFFECTS = {"cloth": ("new", "worn", 0.03), "balls": ("clean", "polished", 0.01), "room": ("cold", "warm", -0.02)}


def _filmed(sessions):
    """Shots, and table.csv with a session's own value and one a level of what changed in it.

    sessions : for each the conditions that changed in it, and the levels of those that stayed
    """
    rng = np.random.default_rng(0)
    shots, rows = [], []
    for i, (changed, held) in enumerate(sessions):
        varied = {name: list(EFFECTS[name][:2]) for name in changed}
        shots.append(simulate_session(f"e{i}", rng=rng, truth=Truth(), fixed=held, varied=varied, repeats=2))
        own = 0.8 + sum(EFFECTS[name][2] * (level == EFFECTS[name][1]) for name, level in held.items())
        own += sum(EFFECTS[name][2] / 2 for name in changed)
        cells = {pd.NA: own}
        for name in changed:
            a, b, shift = EFFECTS[name]
            cells |= {f"{name} = {a}": own - shift / 2, f"{name} = {b}": own + shift / 2}
        rows += [
            {"session": f"e{i}", "quantity": NAME, "condition": c, "value": v + rng.normal(0, 0.001), "value_u": 0.001}
            for c, v in cells.items()
        ]
    return shots_table(pd.concat(shots, ignore_index=True)), pd.DataFrame(rows)


def _compared(sessions, *by):
    shots, table = _filmed(sessions)
    return compare_conditions(shots, parameters=table, settings=CompareSettings(responses=(NAME,), by=by))


@pytest.mark.parametrize("by", [("cloth", "balls"), ("balls", "cloth"), ()])
def test_conditions_that_changed_in_the_same_session_are_each_compared(by, tmp_path):
    both = _compared([(("cloth", "balls"), {})] * 4, *by)
    found = both.contrasts.set_index("factor")
    assert set(found.index) == {"cloth", "balls"}
    for name in found.index:
        alone = _compared([(("cloth", "balls"), {})] * 4, name).contrasts.iloc[0]
        assert found.loc[name, "raw_diff"] == pytest.approx(EFFECTS[name][2], abs=0.002)
        assert found.loc[name, ["raw_diff", "df", "raw_low"]].tolist() == alone[["raw_diff", "df", "raw_low"]].tolist()
    assert any("changed in the same session: each is compared by itself" in line for line in both.lines)
    assert not any("has no value for each level" in line for line in both.lines)
    assert len(both.answers) == 2
    page = write_comparison(tmp_path, both, contacts=pd.DataFrame(), tracks=pd.DataFrame())
    assert all(answer in page.with_name("answers.txt").read_text(encoding="utf-8") for answer in both.answers)


def test_sessions_that_changed_both_do_not_drop_out():
    sessions = [(("cloth", "balls"), {"room": level}) for level in ("cold", "warm")] * 2
    sessions += [(("balls",), {"cloth": cloth, "room": room}) for cloth in ("new", "worn") for room in ("cold", "warm")]
    found = _compared(sessions, "cloth", "balls", "room")
    table = found.contrasts[(found.contrasts["stratum"] == TABLE) & found.contrasts["main"]].set_index("factor")
    for name, (_, _, shift) in EFFECTS.items():
        assert table.loc[name, "raw_diff"] == pytest.approx(shift, abs=0.004)
    assert table["raw_n"].to_dict() == {"cloth": 12, "room": 12, "balls": 16}  # cloth: two values in four sessions
    assert not any("is empty" in line for line in found.lines)
    told = [line for line in found.lines if "same session" in line]
    assert told == [f"{TABLE}, {NAME}: cloth, balls changed in the same session: each is compared by itself, over the "
                    "others' levels as they were filmed."]


def test_conditions_that_changed_in_sessions_of_their_own_are_compared_together():
    sessions = [(("balls",), {"cloth": "new"}), (("cloth",), {"balls": "clean"})] * 3
    found = _compared(sessions, "cloth", "balls")
    assert set(found.contrasts["factor"]) == {"cloth", "balls"}
    assert not any("each is compared by itself" in line for line in found.lines)


def _one_reading_each(n):
    return _filmed([((), {"cloth": ("new", "worn")[i % 2], "balls": ("clean", "polished")[i // 2 % 2]})
                    for i in range(n)])


def test_a_reading_a_session_is_compared_from_session_to_session():
    """With equal uncertainties Student's or Welch's test on the readings as scipy gives it, the wider of the two."""
    shots, table = _one_reading_each(10)
    found = compare_conditions(shots, parameters=table, settings=CompareSettings(responses=(NAME,), by=("cloth",)))
    row = found.contrasts.iloc[0]
    value = table["value"].to_numpy()
    tests = [stats.ttest_ind(value[1::2], value[::2], equal_var=equal) for equal in (True, False)]
    inside, expected = max(((t.confidence_interval(0.95), t) for t in tests), key=lambda found: found[0].high)
    assert row["basis"] == "between sessions"
    assert row["df"] == pytest.approx(expected.df)
    assert [row["raw_diff"], row["raw_low"], row["raw_high"]] == pytest.approx(
        [value[1::2].mean() - value[::2].mean(), inside.low, inside.high], rel=1e-6)
    assert row["raw_p"] == pytest.approx(expected.pvalue)
    assert "(from session to session, 8 degrees of freedom)" in found.answers[0]
    assert not found.lines
    both = compare_conditions(shots, parameters=table, settings=CompareSettings(responses=(NAME,)))
    assert set(both.contrasts.loc[both.contrasts["main"], "factor"]) == {"cloth", "balls"}


def test_two_evenings_differ_by_as_much_as_their_readings_are_sure_of():
    shots, table = _one_reading_each(2)
    found = compare_conditions(shots, parameters=table, settings=CompareSettings(responses=(NAME,), by=("cloth",)))
    row = found.contrasts.iloc[0]
    assert row["basis"] == "not told apart"
    assert np.isinf([row["raw_low"], row["raw_high"]]).all()
    half = stats.norm.ppf(0.975) * 0.001 * np.sqrt(2)
    assert row["raw_here_low"] == pytest.approx(row["raw_diff"] - half)
    assert row["raw_here_high"] == pytest.approx(row["raw_diff"] + half)
    assert pd.isna(row["g"])
    assert "between these sessions" in found.answers[0]
    assert not any("nothing to judge" in line or "leave nothing" in line for line in found.lines)


def test_readings_without_uncertainties_leave_means_only():
    shots, table = _one_reading_each(2)
    found = compare_conditions(
        shots, parameters=table.drop(columns="value_u"), settings=CompareSettings(responses=(NAME,), by=("cloth",)))
    assert found.contrasts.empty
    assert any("2 values for 2 terms leave nothing to judge the scatter by" in line for line in found.lines)


def test_sessions_of_one_shot_each_are_the_shots_themselves():
    shots, _ = _filmed([((), {"cloth": ("new", "worn")[i % 2]}) for i in range(8)])
    shots = shots[shots["counted"]].groupby("session").head(1)
    settings = CompareSettings(responses=("rebound_settled_angle_deg",), by=("cloth",), adjust=())
    found = compare_conditions(shots, settings=settings).contrasts
    assert found["basis"].tolist() == ["between sessions"]
    assert 1 < found["df"].iloc[0] <= len(shots) - 2
