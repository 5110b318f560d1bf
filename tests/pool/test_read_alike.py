"""A measured session's CSVs: read alike by `pool`, `review`, `render` and the report, or refused in one line."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.command_group import app
from pipeline.contacts_file import read_contacts
from pipeline.measured_session import read_measured, read_shots
from pipeline.pool_read import read_session_tables
from shared.errors import SchemaError


@pytest.fixture
def session(tmp_path):
    shots = simulate_session("monday", rng=np.random.default_rng(1), truth=Truth(), fixed={},
                             varied={"cloth": ("new", "worn")}, repeats=2)
    return write_session(tmp_path / "monday", shots)


def _with(session, name, change):
    """Rows as lists of cells, header first, changed and written back."""
    path = session / "measured" / name
    rows = list(csv.reader(path.read_text().splitlines()))
    change(rows)
    with path.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
    return session


def _cell(column, cell, row=1):
    def change(rows):
        rows[row][rows[0].index(column)] = cell
    return change


def _refused(session):
    """What `pool` says of a session, after all the others that read one said the same."""
    said = set()
    for read in (read_session_tables, read_measured):
        with pytest.raises(SchemaError) as told:
            read(session)
        said.add(str(told.value))
    (line,) = said
    assert "\n" not in line
    for command in (["review", str(session), "--no-browser"], ["render", str(session)]):
        ran = CliRunner().invoke(app, command)
        assert str(ran.exception) == line, command
    return line.removeprefix(f"{session / 'measured'}/")


@pytest.mark.parametrize(("name", "column", "cell", "said"), [
    ("shots.csv", "shot", "1.5", "line 2, column shot holds 1.5 where a whole number should be"),
    ("contacts.csv", "n", "2.25", "line 2, column n holds 2.25 where a whole number should be"),
    ("shots.csv", "miss_mm", "12,5", "line 2, column miss_mm holds '12,5' where a whole number should be or a number"),
    ("shots.csv", "miss_mm", "1e400", "line 2, column miss_mm holds inf, which no measure comes near"),
    ("contacts.csv", "speed_in_mps", "fast", "line 2, column speed_in_mps holds 'fast' where a whole number"),
    ("shots.csv", "counted", "WAHR", "line 2, column counted holds 'WAHR'; write true or false"),
])
def test_a_cell_of_no_use_is_named_with_its_line_whoever_reads_it(session, name, column, cell, said):
    assert _refused(_with(session, name, _cell(column, cell))).startswith(f"{name}: {said}")


@pytest.mark.parametrize("name", ["shots.csv", "contacts.csv"])
def test_other_separators_are_named_whoever_reads_them(session, name):
    path = session / "measured" / name
    path.write_text(path.read_text().replace(",", ";"))
    assert _refused(session).startswith(f"{name}: its columns are separated by semicolons")


def test_a_column_that_contacts_do_not_have_is_named_with_its_file(session):
    path = session / "measured" / "contacts.csv"
    pd.read_csv(path).assign(colour="red").to_csv(path, index=False)
    assert _refused(session).startswith("contacts.csv: contacts: columns colour are not in its schema.")


def test_nan_in_a_measure_is_an_empty_cell(session):
    _with(_with(session, "shots.csv", _cell("miss_mm", "nan")), "contacts.csv", _cell("sight", "NaN"))
    place = session / "measured"
    pooled = read_session_tables(session)
    for shots, contacts in ((pooled.shots, pooled.contacts), (read_shots(place), read_contacts(place))):
        assert np.isnan(shots["miss_mm"].iloc[0])
        assert np.isnan(contacts["sight"].iloc[0])
