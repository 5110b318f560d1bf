"""Conditions and levels of any name: in sentences, tables and pictures."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.counting import COUNT_COLUMNS
from pipeline.compare.output import draw
from pipeline.compare.page import comparison_page
from pipeline.compare.pictures import interaction_picture
from pipeline.compare.settings import CompareSettings

ANGLE = CompareSettings(responses=("rebound_settled_angle_deg",))


def compared(varied):
    shots = simulate_session("a", rng=np.random.default_rng(3), truth=Truth(), fixed={}, varied=varied, repeats=6)
    return compare_conditions(shots_table(shots), settings=ANGLE)


def test_names_with_spaces_and_levels_with_commas_are_said_as_written():
    rows = compared({"cloth type": ["new", "worn"], "balls": ["clean", "dirty, waxed"]}).contrasts
    answers = " ".join(rows.loc[~rows["main"], "answer"])
    said = set(re.findall(r"balls, (with [a-z ]+):|type, (with [a-z, ]+):", answers))
    assert said == {("with new cloth type", ""), ("with worn cloth type", ""), ("", "with clean balls"),
                    ("", "with dirty, waxed balls")}


@pytest.mark.parametrize("names", [("shots", "n"), ("mean", "unusable"), ("mishit", "sd"), ("raw_mean", "unit")])
def test_a_condition_called_like_a_column_of_ours_keeps_a_column_of_its_own(names):
    usual = compared({"cloth": ["new", "worn"], "balls": ["clean", "waxed"]})
    named = compared({names[0]: ["new", "worn"], names[1]: ["clean", "waxed"]})
    assert (named.counts[list(COUNT_COLUMNS)].to_numpy() == usual.counts[list(COUNT_COLUMNS)].to_numpy()).all()
    for table, same in ((named.means, usual.means), (named.counts, usual.counts)):
        assert not table.columns.duplicated().any()
        columns = [name if name in table and set(table[name]) <= {"new", "worn", "clean", "waxed"}
                   else f"{name} (condition)" for name in names]
        pd.testing.assert_frame_equal(table.rename(columns=dict(zip(columns, ("cloth", "balls"), strict=True))), same)
    assert named.text().splitlines()[:3] == usual.text().splitlines()[:3]
    ours, drawn = (interaction_picture(c.means, c.factors, c.responses[0]).axes[0] for c in (usual, named))
    assert [tuple(line.get_ydata()) for line in ours.lines] == [tuple(line.get_ydata()) for line in drawn.lines]
    assert drawn.get_xlabel() == names[1]
    nothing = pd.DataFrame()
    assert "(condition)" in comparison_page(named, draw(named, nothing, nothing))
