"""Sessions in, one dataset out: nothing twice, nothing lost, again without redoing, readable by pandas and DuckDB."""

from __future__ import annotations

import json
import re
import shlex
import shutil

import duckdb
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from fixtures.simulated_sessions import Truth, simulate_session, write_session
from pipeline.command_group import app
from pipeline.compare.conditions import condition_columns, find_column
from pipeline.compare.dataset import compare_dataset
from pipeline.compare.settings import CompareSettings
from pipeline.earlier_results import leave_earlier
from pipeline.measured_session import read_measured, read_shots
from pipeline.pilot import pilot_spread
from pipeline.pool import pool_sessions
from pipeline.pool_dataset import changed_sessions, read_partitions, read_pool
from pipeline.pool_read import read_session_tables
from pipeline.review.write_back import write_back
from pipeline.review_file import Review, append_reviews, now
from shared.columns import FINGERPRINT, SHOTS
from shared.errors import SchemaError, SettingsError
from shared.files import tool_version


def _session(root, name, *, seed=1, version=None, **fixed):
    shots = simulate_session(
        name,
        rng=np.random.default_rng(seed),
        truth=Truth(),
        fixed=fixed,
        varied={"balls": ["clean", "polished"]},
        repeats=3,
    )
    return write_session(root / name, shots, version=version or tool_version())


@pytest.fixture
def three(tmp_path):
    return [
        _session(tmp_path, "evening-1", seed=1, cloth="worn", temperature_c=20.0, humidity_pct=50.0),
        _session(tmp_path, "evening-2", seed=2, cloth="new", temperature_c=30.0, humidity_pct=70.0),
        _session(tmp_path, "evening-3", seed=3, cloth="new"),
    ]


def test_comparing_a_session_says_how_to_make_a_dataset_of_it(three, tmp_path, monkeypatch):
    """By commands that work as they are printed, also where a folder's name holds a space."""
    session = three[0].rename(tmp_path / "evening 1")
    monkeypatch.chdir(tmp_path)
    for given in (session, session / "measured"):
        ran = CliRunner().invoke(app, ["compare", str(given)])
        said = str(ran.exception or ran.output)
        for command in re.findall(r"`reboundry ([^`]+)`", said):
            assert CliRunner().invoke(app, shlex.split(command)).exit_code == 0, said
        assert said.count("`reboundry") == 2
        shutil.rmtree("dataset")


def test_dataset_reads_back_as_one_table(three, tmp_path):
    report = pool_sessions(three, tmp_path / "d")
    shots, contacts = read_pool(tmp_path / "d")
    assert len(shots) == 18
    assert shots["shot_key"].is_unique
    assert set(SHOTS.names) <= set(shots.columns)
    assert len(contacts) == 4 * 18
    assert report.lines == ()
    by_pandas = pd.read_parquet(tmp_path / "d" / "shots")
    assert len(by_pandas) == 18
    as_csv = pd.read_csv(tmp_path / "d" / "shots.csv")
    assert np.allclose(
        as_csv["rebound_settled_angle_deg"].sort_values(), shots["rebound_settled_angle_deg"].sort_values()
    )
    at = list(shots.columns)
    assert at.index("target") < at.index("cloth") < at.index("kind")  # conditions in their place


def test_duckdb_opens_it(three, tmp_path):
    pool_sessions(three, tmp_path / "d")
    pattern = str(tmp_path / "d" / "shots" / "*" / "*.parquet")
    rows = duckdb.sql(
        f"select session, count(*) n from read_parquet('{pattern}', hive_partitioning = true) group by 1 order by 1"
    ).fetchall()
    assert rows == [("evening-1", 6), ("evening-2", 6), ("evening-3", 6)]


def test_sessions_named_with_digits_keep_their_names_and_are_drawn(tmp_path):
    names = ["0105", "105", "07", "7"]
    places = [_session(tmp_path, name, seed=n, cloth="worn" if n % 2 else "new") for n, name in enumerate(names)]
    pool_sessions(places, tmp_path / "d")
    shots, contacts = read_pool(tmp_path / "d", contact_columns=("session", "shot_id"))
    assert sorted(shots["session"].unique()) == sorted(contacts["session"].unique()) == sorted(names)
    settings = CompareSettings(responses=("miss_mm",), by=("cloth",))
    comparison, page = compare_dataset(tmp_path / "d", tmp_path / "c", settings=settings)
    assert set(comparison.contrasts["basis"]) == {"between sessions"}
    assert any("table" in picture.name for picture in (page.parent / "pictures").iterdir())


def _without_shots(place):
    """As measured again with nothing found in the same clips."""
    for name in ("shots", "contacts"):
        table = place / "measured" / f"{name}.csv"
        pd.read_csv(table, nrows=0).to_csv(table, index=False)
    return place


def test_a_session_without_shots_is_said_and_leaves_none_of_its_old_ones(tmp_path):
    place, out = _session(tmp_path, "e", cloth="worn"), tmp_path / "d"
    _levels(place, "cloth = worn")
    pool_sessions([place], out)
    _levels(_without_shots(place))
    said = f"e: has no shots, so none of it can be compared; report.html and log.jsonl in {place / 'measured'} say what"
    for _ in ("changed", "unchanged"):
        report = pool_sessions([place], out)
        assert [line for line in report.lines if line.startswith(said)] == list(report.lines)
        assert len(report.lines) == 1
        assert report.shots.empty
        assert report.sessions[["session", "shots", "counted"]].to_numpy().tolist() == [["e", 0, 0]]
    assert [path for name in ("shots", "contacts", "table") for path in (out / name).glob("session=*")] == []
    assert pd.read_csv(out / "shots.csv").empty
    assert not (out / "contacts.csv").exists()
    assert not (out / "table.csv").exists()
    with pytest.raises(SettingsError, match="no shots to compare"):
        compare_dataset(out, tmp_path / "c")
    with pytest.raises(SettingsError, match="too few counted shots"):
        pilot_spread(read_pool(out)[0], "miss_mm")
    assert len(pool_sessions([_session(tmp_path, "f", seed=2)], out).shots) == 6


def test_a_first_session_without_shots_makes_no_traceback(tmp_path):
    ran = CliRunner().invoke(app, ["pool", str(_without_shots(_session(tmp_path, "e"))), "--out", str(tmp_path / "d")])
    assert ran.exit_code == 0, ran.exception
    assert "e: has no shots" in ran.output


def test_climate_is_worked_out(three, tmp_path):
    shots = pool_sessions(three, tmp_path / "d").shots.set_index("session")
    # closed form of WMO-No. 8 Annex 4.B: 20 degC 50 %; 30 degC 70 %
    assert shots.loc["evening-1", "dew_point_c"].iloc[0] == pytest.approx(9.2552, abs=1e-3)
    assert shots.loc["evening-2", "absolute_humidity_gm3"].iloc[0] == pytest.approx(21.1826, abs=1e-3)
    assert shots.loc["evening-1", "vapour_pressure_hpa"].iloc[0] == pytest.approx(11.66298, abs=1e-4)
    assert shots.loc["evening-3", "dew_point_c"].isna().all()


def test_pooling_again_redoes_only_what_changed(three, tmp_path):
    out = tmp_path / "d"
    first = pool_sessions(three[:2], out)
    assert first.added == ("evening-1", "evening-2")
    old = out / "shots" / "session=evening-1" / "shots.parquet"
    before = old.stat().st_mtime_ns
    log = (three[1] / "measured" / "log.jsonl").read_bytes()
    _session(three[1].parent, "evening-2", seed=9, cloth="new", temperature_c=30.0, humidity_pct=70.0)
    (three[1] / "measured" / "log.jsonl").write_bytes(log)  # the same clips, measured again
    report = pool_sessions(three, out)
    assert (report.added, report.unchanged) == (("evening-2", "evening-3"), ("evening-1",))
    assert old.stat().st_mtime_ns == before
    assert len(report.shots) == 18
    fresh = pool_sessions(three, tmp_path / "afresh").shots
    pd.testing.assert_frame_equal(
        report.shots.sort_values("shot_key", ignore_index=True), fresh.sort_values("shot_key", ignore_index=True)
    )


def test_the_same_shots_under_another_name_count_once(three, tmp_path):
    copy = tmp_path / "copy-of-1"
    shutil.copytree(three[0], copy)
    table = copy / "measured" / "shots.csv"
    table.write_text(table.read_text().replace("evening-1,", "copy-of-1,"))
    report = pool_sessions([*three, copy], tmp_path / "d")
    assert len(report.shots) == 18
    assert report.lines == (
        "copy-of-1: 6 shot(s) are in evening-1, too, and are not counted twice; those of evening-1 are kept.",
    )


def test_a_reviewed_copy_is_kept_before_one_that_nobody_looked_at(three, tmp_path):
    copy = tmp_path / "looked-at"
    shutil.copytree(three[0], copy)
    table = copy / "measured" / "shots.csv"
    shots = pd.read_csv(table).assign(session="looked-at")
    shots["review"] = shots["review"].astype("object")
    shots.loc[0, "review"] = "reject"
    shots.loc[0, "counted"] = False
    shots.to_csv(table, index=False)
    pooled = pool_sessions([three[0], copy], tmp_path / "d").shots
    assert len(pooled) == 6
    assert (pooled["review"] == "reject").sum() == 1


def test_decisions_put_right_by_hand_that_shots_csv_does_not_have_are_told(three, tmp_path):
    place, out = three[0] / "measured", tmp_path / "d"
    rows = pd.read_csv(place / "shots.csv")

    def decided(row, decision):
        append_reviews(place, Review(decided_at=now(), shot_id="", clip=rows["clip"][row],
                                     start_s=float(rows["start_s"][row]), reviewer="kim", decision=decision))

    decided(0, "reject")
    write_back(place)
    assert pool_sessions(three, out).lines == ()
    decided(1, "reject")
    words = (f"decisions in reviews.csv and in shots.csv are not the same (shots: 1, {rows['shot_id'][1]} among them); "
             "open `reboundry review` or measure again, then pool.")
    again = pool_sessions(three, out)  # nothing that is pooled has changed
    assert (again.added, again.lines) == ((), (f"evening-1: {words}",))
    assert changed_sessions(out) == [f"evening-1: {words}"]
    write_back(place)
    assert changed_sessions(out) == ["evening-1 has changed since it was pooled; pool again."]


def test_an_edited_copy_in_the_dataset_is_told_by_compare_and_pool(three, tmp_path):
    out = tmp_path / "d"
    pool_sessions(three, out)
    assert changed_sessions(out) == []
    shots, sessions = out / "shots.csv", out / "sessions.csv"
    for path in (shots, sessions):
        path.write_text(path.read_text().replace("True", "False").replace("evening-1", "first"))
    told = changed_sessions(out)
    assert [line.partition(" was edited")[0] for line in told] == [str(sessions), str(shots)]
    assert told[1].endswith("don't read and `pool` writes anew: decide in `reboundry review`, then pool again.")
    settings = CompareSettings(responses=("miss_mm",), by=("balls",))
    assert set(told) <= set(compare_dataset(out, tmp_path / "c", settings=settings)[0].warnings)
    plan = ["plan", "--pattern", "long-side-bank:foot-right", "--easy", "balls=clean,polished", "--repeats", "4"]
    ran = CliRunner().invoke(app, [*plan, "--pilot", str(out), "--out", str(tmp_path / "p")])
    assert f"NOTE: {told[1]}" in ran.output
    assert pool_sessions(three, out).lines == tuple(told)
    assert changed_sessions(out) == []
    manifest = json.loads((out / "pool.json").read_text())
    del manifest["copies"]  # as pooled by an earlier version
    (out / "pool.json").write_text(json.dumps(manifest))
    shots.write_text("")
    assert changed_sessions(out) == []


def test_two_sessions_of_one_name_stay_apart(three, tmp_path):
    other = _session(tmp_path / "elsewhere", "evening-1", seed=77, cloth="new")
    report = pool_sessions([three[0], other], tmp_path / "d")
    assert len(report.sessions) == 2
    assert len(report.shots) == 12
    assert report.shots["shot_key"].is_unique


def test_provenance_is_kept(three, tmp_path):
    report = pool_sessions(three, tmp_path / "d")
    sessions = pd.read_csv(tmp_path / "d" / "sessions.csv")
    assert list(sessions["session"]) == ["evening-1", "evening-2", "evening-3"]
    assert sessions["content_sha256"].str.len().eq(64).all()
    assert (sessions["tool_version"] == tool_version()).all()
    assert report.shots["source_sha256"].str.startswith("invented-").all()
    manifest = json.loads((tmp_path / "d" / "pool.json").read_text())
    assert manifest["sessions"]["evening-1"]["clips"][0]["sha256"].startswith("invented-")
    fields = json.loads((tmp_path / "d" / "datapackage.json").read_text())["resources"][0]["schema"]["fields"]
    assert {f["name"]: f.get("unit") for f in fields}["vapour_pressure_hpa"] == "hPa"
    assert [f["name"] for f in fields] == list(pd.read_csv(tmp_path / "d" / "shots.csv", nrows=1).columns)


def test_sessions_of_another_version_are_noticed(tmp_path):
    old = _session(tmp_path, "old", version="0.0.3")
    report = pool_sessions([old], tmp_path / "d")
    assert any("old: measured by version 0.0.3" in line for line in report.lines)


def test_other_units_are_refused_and_the_rest_is_pooled(three, tmp_path):
    package = three[1] / "measured" / "datapackage.json"
    content = json.loads(package.read_text())
    for field in content["resources"][0]["schema"]["fields"]:
        if field["name"] == "speed_at_impact_mps":
            field["unit"] = "km/h"
    package.write_text(json.dumps(content))
    with pytest.raises(SchemaError, match="in km/h, this version uses m/s"):
        read_session_tables(three[1])
    report = pool_sessions(three, tmp_path / "d")
    assert len(report.shots) == 12
    assert len(report.failed) == 1
    result = CliRunner().invoke(app, ["pool", *map(str, three), "--out", str(tmp_path / "d2")])
    assert result.exit_code == 1
    assert "12 shots" in result.output


def test_missing_columns_and_nonsense_cells_are_refused(three, tmp_path):
    table = three[0] / "measured" / "shots.csv"
    shots = pd.read_csv(table)
    shots.drop(columns=["verdict"]).to_csv(table, index=False)
    with pytest.raises(SchemaError, match="columns verdict are missing"):
        read_session_tables(three[0])
    shots["miss_mm"] = "far"
    shots.to_csv(table, index=False)
    with pytest.raises(SchemaError, match="miss_mm"):
        read_session_tables(three[0])
    with pytest.raises(SettingsError, match="no session could be pooled"):
        pool_sessions([three[0]], tmp_path / "d")


def _saved(name, write):
    return lambda place: write(place / "measured" / name)


def _table_csv(*, drop=(), sep=","):
    def write(path):
        rows = pd.DataFrame({"quantity": ["rolling_resistance"], "value": [0.01], "value_u": [0.001]})
        FINGERPRINT.conform(rows).drop(columns=list(drop)).to_csv(path, index=False, sep=sep)
    return _saved("table.csv", write)


def _cell(row, column, cell):
    def write(path):
        rows = pd.read_csv(path, dtype="string", keep_default_na=False)
        rows.loc[row, column] = cell
        rows.to_csv(path, index=False)
    return _saved("shots.csv", write)


@pytest.mark.parametrize(("damage", "said"), [
    (_table_csv(sep=";"), "table.csv: its columns are separated by semicolons, as after saving from a spreadsheet"),
    (_table_csv(drop=["value"]), "table.csv: columns value are missing"),
    (_saved("table.csv", lambda path: path.write_text("")), "table.csv: is empty"),
    (_saved("table.csv", lambda path: path.write_text("quantity,value,value_u\nx,far,1\n")),
     "table.csv: line 2, column value holds 'far'"),
    (_saved("table.csv", lambda path: path.write_text("quantity,value,value_u,contacts\nx,1,1,2.5\n")),
     "table.csv: line 2, column contacts holds 2.5 where a whole number should be"),
    (_saved("table.csv", lambda path: path.write_text("quantity,value,value_u\nx,inf,1\n")),
     "table.csv: line 2, column value holds inf, which no measure comes near"),
    (_cell(3, "miss_mm", "145.e300"), "shots.csv: line 5, column miss_mm holds 1.45e+302, which no measure comes near"),
    (_cell(5, "miss_mm_u", "-1e9"), "shots.csv: line 7, column miss_mm_u holds -1e+09, which no measure comes near"),
    (_cell(0, "miss_mm", "41,8"), "shots.csv: line 2, column miss_mm holds '41,8' where a whole number should be or a"),
    (_saved("shots.csv", lambda path: path.write_text("shot_id,clip\na,b\nc,\"d\n")), "shots.csv: cannot be read"),
    (_saved("shots.csv", lambda path: path.write_text("shot_id,clip\na,\"b\nb\"\n,\nc,d,e,f\n")),
     "shots.csv: line 5 has 4 cells where the header has 2"),
    (_saved("table.csv", lambda path: path.write_text("quantity,value,value_u\nrolling_resistance,0,8,0,1\n")),
     "table.csv: line 2 has 5 cells where the header has 3"),
    (_saved("shots.csv", lambda path: path.write_text(path.read_text().replace("\n", ",\n").replace(",\n", "\n", 1))),
     "shots.csv: line 2 has"),
    (_saved("contacts.csv", lambda path: path.write_text(path.read_text() + "," * 99 + "x\n")),
     "contacts.csv: line 26 has 100 cells"),
    (_saved("shots.csv", lambda path: path.write_text(path.read_text() + "evening-1-99\n")),
     "shots.csv: line 8 has 1 cell where the header has"),
    (_saved("tracks.parquet", lambda path: path.write_bytes(path.read_bytes()[:3000])),
     "tracks.parquet: is damaged or was cut short"),
    (_saved("datapackage.json", lambda path: path.write_text('{"resources": null}')),
     "datapackage.json: resources is no list of objects"),
    (_saved("datapackage.json", lambda path: path.write_text('{"sources": [1]}')),
     "datapackage.json: sources is no list of objects"),
])
def test_a_damaged_file_costs_its_session_and_one_line_that_says_why(three, tmp_path, damage, said):
    damage(three[0])
    report = pool_sessions(three, tmp_path / "d")
    (line,) = report.failed
    assert said in line
    assert line.startswith(str(three[0]))
    assert "\n" not in line
    assert line.endswith("measure the session again.")
    assert len(report.shots) == 12


def test_blank_lines_of_a_spreadsheet_are_no_shots(three, tmp_path):
    """Nor do they make another type of a column: 007 stays."""
    table = three[0] / "measured" / "shots.csv"
    shots = pd.read_csv(table, dtype="string", keep_default_na=False).assign(player="007")
    shots.to_csv(table, index=False)
    whole, loaded = read_session_tables(three[0]).shots, read_shots(table.parent)
    first, *rest = table.read_text().splitlines()
    blank = "," * first.count(",")
    lines = [first, blank, *rest[:2], f" {blank}", "", *rest[2:], blank, f"{blank},,,", ",,"]
    table.write_text("\n".join(lines) + "\n")
    pd.testing.assert_frame_equal(read_session_tables(three[0]).shots, whole)
    pd.testing.assert_frame_equal(read_shots(table.parent), loaded)
    assert pool_sessions(three, tmp_path / "d").lines == ()
    append_reviews(table.parent, Review(decided_at=now(), shot_id="", clip=whole["clip"][0],
                                        start_s=float(whole["start_s"][0]), reviewer="kim", decision="reject"))
    assert "(shots: 1, evening-1-01 among them)" in pool_sessions(three, tmp_path / "d").lines[0]


@pytest.mark.parametrize(("added", "said"), [
    ("," * 200 + "x", "line 8 has 201 cells where the header has"),
    ("evening-1-99", "line 8 has 1 cell where the header has"),
    ("evening-1-99" + "," * 73, "line 8 has no clip"),
])
def test_a_row_that_is_no_shot_is_named_wherever_a_session_is_read(three, tmp_path, added, said):
    pool_sessions(three, tmp_path / "d")
    table = three[0] / "measured" / "shots.csv"
    table.write_text(f"{table.read_text()}{added}\n")
    (table.parent / "reviews.csv").write_text("")
    for read in (read_session_tables, read_shots):
        with pytest.raises(SchemaError, match=said):
            read(table.parent)
    assert changed_sessions(tmp_path / "d") == ["evening-1 has changed since it was pooled; pool again."]
    assert leave_earlier(table.parent).empty  # a run of `measure` that is stopped goes on to its end


def _counted(session, cells):
    table = session / "measured" / "shots.csv"
    pd.read_csv(table, dtype="string", keep_default_na=False).assign(counted=cells).to_csv(table, index=False)
    return [list(rows["counted"]) for rows in (read_session_tables(session).shots, read_shots(table.parent))]


def test_counted_set_by_hand_is_read_as_people_write_it(three):
    for yes, no in (("true", "FALSE"), ("Yes", "no"), ("YES", " No "), ("1", "0"), ("1.0", "0.0")):
        assert _counted(three[0], [yes, no, "", yes, no, " "]) == 2 * [[True, False, pd.NA, True, False, pd.NA]]


@pytest.mark.parametrize("cell", ["WAHR", "x", "-", "nan", "2"])
def test_counted_that_is_not_understood_is_named(three, cell):
    """It had been taken for empty, so that the shot counted again."""
    said = f"shots.csv: line 4, column counted holds '{cell}'; write true or false, or leave it empty and decide in "
    with pytest.raises(SchemaError, match=f"{said}`reboundry review`"):
        _counted(three[0], ["no", "", cell, "", "", "yes"])
    with pytest.raises(SchemaError, match=said):
        read_shots(three[0] / "measured")


def test_tracks_damaged_in_a_dataset_are_named(three, tmp_path):
    pool_sessions(three, tmp_path / "d")
    tracks = next((tmp_path / "d" / "tracks").glob("*/tracks.parquet"))
    tracks.write_bytes(tracks.read_bytes()[:3000])
    with pytest.raises(SettingsError, match="its tracks are damaged or were cut short"):
        compare_dataset(tmp_path / "d", tmp_path / "c", settings=CompareSettings(by=("cloth",)))


def test_a_condition_in_two_units_is_named(three, tmp_path):
    table = three[2] / "measured" / "shots.csv"
    shots = pd.read_csv(table)
    shots["humidity"] = ["45 %", "0.45", "45 %", "45 %", "45 %", "45 %"]
    shots.to_csv(table, index=False)
    report = pool_sessions(three, tmp_path / "d")
    assert any("humidity is written in two units" in line for line in report.lines)
    assert any("humidity stands in more than one column" in line for line in report.lines)


def test_impossible_climate_is_named_and_left_empty(tmp_path):
    session = _session(tmp_path, "hot", temperature_c=75.0, humidity_pct=40.0)
    report = pool_sessions([session], tmp_path / "d")
    assert any("75 °C" in line for line in report.lines)
    assert "dew_point_c" not in report.shots or report.shots["dew_point_c"].isna().all()


def test_numbers_and_words_in_one_condition_read_as_one_table(tmp_path):
    one = _session(tmp_path, "one", seed=1, humidity=45.0)
    two = _session(tmp_path, "two", seed=2, humidity="damp")
    pool_sessions([one, two], tmp_path / "d")
    shots, _ = read_pool(tmp_path / "d")
    assert set(shots["humidity"]) == {"45", "damp"}


def test_a_condition_of_a_name_that_pooling_writes_is_left_out_and_said(tmp_path):
    place = _session(tmp_path, "e", table="back room", tip_u="soft", cloth="worn")
    report = pool_sessions([place], tmp_path / "d")
    assert "back room" not in set(report.shots["table"])
    assert "tip_u" not in report.shots
    assert [line.partition(": ")[2].partition(" ")[0] for line in report.lines] == ["'table'", "'tip_u'"]
    assert all("Rename it in takes.csv or session.toml, then measure again" in line for line in report.lines)
    with pytest.raises(SettingsError, match="'table' is a column that the program writes itself; choose from: cloth"):
        find_column(report.shots, "table")


def test_folders_of_sessions_and_folders_given_twice(three, tmp_path):
    report = pool_sessions([tmp_path, three[0]], tmp_path / "out" / "d")
    assert len(report.sessions) == 3
    assert any("given twice" in line for line in report.lines)


def test_a_dataset_beside_its_sessions_is_none_of_them(three, tmp_path):
    out = tmp_path / "dataset"
    for _ in ("new", "there already"):
        report = pool_sessions([tmp_path], out)
        assert (report.failed, len(report.sessions), len(report.shots)) == ((), 3, 18)
    with pytest.raises(SettingsError, match="is a dataset and no session; give the sessions"):
        pool_sessions([out], tmp_path / "other")


def test_a_table_with_columns_of_no_use_is_named_with_its_path(three, tmp_path):
    table = three[0] / "measured" / "contacts.csv"
    pd.read_csv(table).assign(colour="red").to_csv(table, index=False)
    failed = pool_sessions(three, tmp_path / "d").failed
    assert failed == (f"{table}: contacts: columns colour are not in its schema. Measure the session again.",)


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda root: [root / "nowhere"], "no such folder"),
        (lambda root: [(root / "bare").mkdir() or root / "bare"], "measure"),
    ],
)
def test_what_is_no_session_is_said(tmp_path, make, word):
    with pytest.raises(SettingsError, match=word):
        pool_sessions(make(tmp_path), tmp_path / "d")


def test_a_dataset_is_not_read_as_a_session(three, tmp_path):
    out = tmp_path / "d"
    pool_sessions(three, out)
    for given in ((out,), (three[0], out)):
        with pytest.raises(SettingsError, match=r"d: is a dataset and no session; give one of the sessions"):
            read_measured(*given)
    ran = CliRunner().invoke(app, ["render", str(out)])
    assert "d: is a dataset and no session" in str(ran.exception)


def test_a_mistyped_session_costs_itself_only(three, tmp_path):
    first = tmp_path / "first"
    pool_sessions(three[:1], first)
    odd = [three[1] / "takes.csv", tmp_path / "nowhere", first]
    report = pool_sessions([*odd, *three], tmp_path / "d")
    assert report.failed == (
        f"{odd[0]}: no such folder; give a session that was measured.",
        f"{odd[1]}: no such folder; give a session that was measured.",
        f"{first}: is a dataset and no session; give the sessions, and the dataset as --out.",
    )
    assert (len(report.sessions), len(report.shots)) == (3, 18)
    ran = CliRunner().invoke(app, ["pool", str(odd[1]), *map(str, three), "--out", str(tmp_path / "d")])
    assert ran.exit_code == 1
    assert "nowhere: no such folder" in ran.stderr
    assert "3 session(s)" in ran.stdout


def test_out_that_holds_something_else_is_left_alone(three, tmp_path):
    out = tmp_path / "holiday"
    out.mkdir()
    (out / "picture.jpg").write_bytes(b"x")
    with pytest.raises(SettingsError, match="holds other files"):
        pool_sessions(three, out)
    (out / "pool.json").write_text("{")
    with pytest.raises(SettingsError, match="damaged"):
        pool_sessions(three, out)


def test_commands_pool_then_compare(three, tmp_path):
    runner = CliRunner()
    pooled = runner.invoke(app, ["pool", *map(str, three), "--out", str(tmp_path / "d")])
    assert pooled.exit_code == 0, pooled.output
    compared = runner.invoke(
        app, ["compare", str(tmp_path / "d"), "--by", "balls", "--response", "miss_mm", "--out", str(tmp_path / "c")]
    )
    assert compared.exit_code == 0, compared.output
    assert "polished balls against clean balls: lands" in compared.output
    page = (tmp_path / "c" / "comparison.html").read_text(encoding="utf-8")
    assert "data:image/svg+xml;base64," in page
    assert "http" not in page.replace("http://www.w3.org", "")
    assert "<script" not in page
    for name in ("counts", "contrasts", "means", "terms", "covariates", "diagnostics", "scatter"):
        assert len(pd.read_csv(tmp_path / "c" / f"{name}.csv"))
    assert {p.stem.rsplit("-", 1)[0] for p in (tmp_path / "c" / "pictures").iterdir()} == {"counts", "miss_mm", "table"}
    as_json = runner.invoke(app, ["compare", str(tmp_path / "d"), "--json", "--by", "balls", "--response", "miss_mm"])
    assert json.loads(as_json.output)[0]["factor"] == "balls"
    nothing = runner.invoke(app, ["compare", str(tmp_path)])
    assert nothing.exit_code != 0


def test_the_data_package_names_every_table_with_its_columns_and_files(three, tmp_path):
    table = pd.DataFrame({"quantity": ["ball_restitution"], "value": [0.95], "value_u": [0.01], "contacts": [5]})
    FINGERPRINT.conform(table).to_csv(three[0] / "measured" / "table.csv", index=False)
    out = tmp_path / "d"
    pool_sessions(three, out)
    resources = {r["name"]: r for r in json.loads((out / "datapackage.json").read_text())["resources"]}
    assert set(resources) == {"shots", "contacts", "table", "sessions", "tracks"}
    for name in ("shots", "contacts", "table", "sessions"):
        columns = list(pd.read_csv(out / resources[name]["path"]).columns)
        assert [f["name"] for f in resources[name]["schema"]["fields"]] == columns
    tracks = resources["tracks"]
    assert len(tracks["path"]) == 3
    assert all((out / file).is_file() for file in tracks["path"])  # files, as the standard wants, not a folder
    assert [f["name"] for f in tracks["partitionFields"]] == ["session"]
    named = [f["name"] for f in tracks["schema"]["fields"]]
    assert named == list(pd.read_parquet(out / tracks["path"][0], partitioning=None).columns)


def _levels(place, *conditions):
    """A table.csv with a value at each of these."""
    rows = pd.DataFrame([{"quantity": "ball_restitution", "condition": text, "value": 0.9, "value_u": 0.01}
                         for text in conditions])
    FINGERPRINT.conform(rows).to_csv(place / "measured" / "table.csv", index=False)


@pytest.mark.parametrize("at_once", [True, False])
def test_a_condition_that_sessions_spell_differently_is_one_column(tmp_path, at_once):
    a, b = _session(tmp_path, "a", seed=1, ball_set="old", cloth="worn"), _session(tmp_path, "b", seed=2, cloth="new")
    for place, names in ((a, {}), (b, {"balls": "Balls", "cloth": "CLOTH"})):
        shots = pd.read_csv(place / "measured" / "shots.csv")
        shots.rename(columns=names).to_csv(place / "measured" / "shots.csv", index=False)
    _levels(a, "balls = clean", "balls = polished")
    _levels(b, "Balls = clean", "Balls = polished")
    out = tmp_path / "d"
    lines = () if at_once else pool_sessions([a], out).lines
    report = pool_sessions([a, b], out)
    assert lines == ()
    assert sorted(report.lines) == ["condition 'Balls' is taken as 'balls': only capitals, spaces or hyphens differ.",
                                    "condition 'CLOTH' is taken as 'cloth': only capitals, spaces or hyphens differ."]
    shots = read_pool(out)[0]
    assert sorted(condition_columns(shots)) == ["ball_set", "balls", "cloth"]
    assert shots.groupby("session")["cloth"].unique().map(list).to_dict() == {"a": ["worn"], "b": ["new"]}
    assert shots["balls"].notna().all()
    assert shots.loc[shots["session"] == "b", "ball_set"].isna().all()
    levels = read_partitions(out / "table")
    assert set(levels.loc[levels["session"] == "b", "condition"]) == {"balls = clean", "balls = polished"}
    assert pool_sessions([a, b], out).lines == ()


def test_a_condition_that_one_session_holds_twice_and_differently_is_left_blank_and_said(tmp_path):
    """As an earlier version wrote it, of takes.csv and session.toml."""
    place = _session(tmp_path, "a", cloth="worn")
    shots = pd.read_csv(place / "measured" / "shots.csv")
    shots.assign(CLOTH=["new", "worn", *[None] * 4]).to_csv(place / "measured" / "shots.csv", index=False)
    report = pool_sessions([place], tmp_path / "d")
    assert report.shots["cloth"].fillna("blank").tolist() == ["blank", *["worn"] * 5]
    assert "CLOTH" not in report.shots
    assert any(line.startswith("a: 'cloth' and 'CLOTH' say the same condition differently for 1 shot(s) (worn / new)")
               for line in report.lines)
