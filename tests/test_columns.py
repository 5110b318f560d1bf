"""Rows brought to a table's schema."""

from __future__ import annotations

import pandas as pd
import pytest

from shared.columns import CONTACTS, SHOTS
from shared.errors import SchemaError


def test_rows_get_every_column_in_order_with_the_declared_type():
    given = pd.DataFrame({"kind": ["cushion", None], "shot_id": ["a-01", "a-01"], "t_s": [1, 2]}, index=[5, 7])
    got = CONTACTS.conform(given)
    assert list(got.columns) == CONTACTS.names
    assert {name: str(got[name].dtype) for name in got} == CONTACTS.dtypes
    assert got["t_s"].tolist() == [1.0, 2.0]
    assert got["kind"].isna().tolist() == [False, True]
    assert got["speed_in_mps"].isna().all()
    assert list(got.index) == [0, 1]


def test_rows_that_conform_pass_as_they_are():
    once = CONTACTS.conform(pd.DataFrame({"shot_id": ["a-01"], "t_s": [0.5]}))
    pd.testing.assert_frame_equal(CONTACTS.conform(once), once)


def test_extra_columns_stay_at_the_end_and_unknown_ones_are_refused():
    given = pd.DataFrame({"room": ["hall"], "shot_id": ["a-01"]})
    assert list(SHOTS.conform(given, extra=("room",)).columns) == [*SHOTS.names, "room"]
    with pytest.raises(SchemaError, match="room"):
        SHOTS.conform(given)
