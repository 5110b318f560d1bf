"""A measured session's CSVs: read alike by `pool`, `review`, `render` and the report, or refused in one line."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.command_group import app
from pipeline.compare.counting import counted_mask
from pipeline.contacts_file import read_contacts
from pipeline.measured_session import read_measured, read_shots
from pipeline.pool_read import read_session_tables
from pipeline.results import write_shots
from pipeline.review.write_back import write_back
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
    ("shots.csv", "verdict", "bogus", "line 2, column verdict holds 'bogus' where clean, mishit or unusable should be"),
    ("shots.csv", "review", "yes", "line 2, column review holds 'yes' where accept or reject should be"),
    ("contacts.csv", "kind", "cushon", "line 2, column kind holds 'cushon' where strike, ball, cushion, jaw,"),
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


def test_verdicts_and_decisions_may_have_capitals_and_spaces(session):
    """`Clean` had not counted, without a word."""
    place = session / "measured"
    path = place / "shots.csv"
    whole = read_shots(place)
    told = whole.assign(counted=None, verdict=whole["verdict"].str.capitalize() + " ", review="")
    told.loc[told.index[0], "review"] = " Accept"
    told.to_csv(path, index=False)
    for rows in (read_shots(place), read_session_tables(session).shots):
        assert list(rows["verdict"]) == list(whole["verdict"])
        assert rows["review"].iloc[0] == "accept"
        assert list(counted_mask(rows))[1:] == list(whole["counted"])[1:]
    rows = pd.read_csv(path).assign(notes="", reviewer="", reviewed_at="")
    rows.to_csv(path, index=False)
    assert write_back(place)
    assert list(read_shots(place)["counted"]) == list(whole["counted"])


def _cut(session, name, *, cells, row=-1):
    """The file up to where a row has so many cells, the last of them cut in half."""
    path = session / "measured" / name
    lines = path.read_text().splitlines()
    kept = lines[row].split(",")[:cells]
    kept[-1] = kept[-1][: len(kept[-1]) // 2]
    path.write_text("\n".join([*lines[: row % len(lines)], ",".join(kept)]))
    return session


@pytest.mark.parametrize(("name", "column"), [
    ("contacts.csv", "speed_out_mps"), ("contacts.csv", "kind"), ("shots.csv", "notes"), ("shots.csv", "miss_mm"),
])
def test_a_file_that_breaks_off_is_named_whoever_reads_it(session, name, column):
    """Half of a number had been taken for a measure, half of a word for a condition's level."""
    header = (session / "measured" / name).read_text().split("\n")[0].split(",")
    said = _refused(_cut(session, name, cells=header.index(column) + 1, row=3))
    assert said.startswith(f"{name}: breaks off in line 4, as where it was cut short")


def test_a_row_that_lost_a_comma_is_named_whoever_reads_it(session):
    _with(session, "contacts.csv", lambda rows: rows[2].pop(rows[0].index("y_mm")))
    assert _refused(session).startswith("contacts.csv: line 3 has 20 cells where the header has 21, as after a comma")


def test_empty_cells_that_a_spreadsheet_leaves_off_are_no_cut(session):
    """Some write no commas behind the last filled cell; others end no last line, but write all commas."""
    place = session / "measured"
    path = place / "shots.csv"
    write_shots(path, read_shots(place), ("cloth",))
    whole, rows = read_shots(place), path.read_text()
    path.write_text("\n".join(line.rstrip(",") for line in rows.splitlines()) + "\n")
    assert path.read_text().count(",") < rows.count(",")
    pd.testing.assert_frame_equal(read_shots(place), whole)
    path.write_text(rows.rstrip("\n"))
    pd.testing.assert_frame_equal(read_shots(place), whole)


def _without(*gone):
    def change(rows):
        rows[:] = [row for at, row in enumerate(rows) if at not in gone]
    return change


@pytest.mark.parametrize(("change", "who"), [
    (_without(*range(9, 17)), "2: monday-03, monday-04"),  # ends with a shot's last event
    (_without(3, 4), "1: monday-01"),
    (_without(2), "1: monday-01"),
    (_cell("shot_id", "nobody", row=3), "2: monday-01, nobody"),
    (lambda rows: rows.extend(rows[-4:]), "1: monday-04"),
    (lambda rows: rows.append(rows[5]), "1: monday-02"),
])
def test_shots_that_lack_events_are_named_whoever_reads_them(session, change, who):
    """The second cushion had been taken for the first one; a file cut between two rows, for a whole one."""
    said = _refused(_with(session, "contacts.csv", change))
    assert said.startswith(f"contacts.csv: not every event is in it once (shots: {who}), as where it was cut short")


@pytest.mark.parametrize("column", ["shot_id", "n", "kind", "ball"])
def test_a_contact_that_is_none_is_named_whoever_reads_it(session, column):
    said = _refused(_with(session, "contacts.csv", _cell(column, "", row=4)))
    assert said.startswith(f"contacts.csv: line 5 has no {column}")
    path = session / "measured" / "contacts.csv"
    pd.read_csv(path).drop(columns=column).to_csv(path, index=False)
    assert _refused(session).startswith(f"contacts.csv: columns {column} are missing")


def test_pooling_tells_of_contacts_without_a_shot_and_of_none(session):
    path = session / "measured" / "shots.csv"
    assert read_session_tables(session).notes == ()
    path.write_text("\n".join(path.read_text().split("\n")[:3]) + "\n")
    (note,) = read_session_tables(session).notes
    assert note.startswith("monday: contacts.csv has events of shots that shots.csv lacks (2: monday-03, monday-04)")
    (session / "measured" / "contacts.csv").unlink()
    (note,) = read_session_tables(session).notes
    assert note.startswith("monday: has no contacts.csv")


def test_two_shots_of_one_name_are_named(session):
    _with(session, "shots.csv", _cell("shot_id", "monday-04", row=3))
    with pytest.raises(SchemaError, match=r"contacts\.csv: not|shots\.csv: more than one shot is called monday-04"):
        read_session_tables(session)
