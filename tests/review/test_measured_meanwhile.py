"""The page while others write what it shows: measured anew in a terminal, opened in a spreadsheet, taken away."""

from __future__ import annotations

import csv
import json
import shutil
import signal

import pandas as pd
import pytest

from pipeline.report import write_report
from pipeline.review_file import Review, append_reviews, now
from shared.files import file_sha256
from tests.review.from_truth import session_from_truth
from tests.review.looking import CLIPS
from tests.review.serving import Hosted, ask, hosting, picture, serving


@pytest.fixture
def page(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    with hosting(session) as running:
        yield running, session / "measured"


@pytest.fixture
def page_of_its_own(tmp_path):
    """In a process, which can be killed."""
    session = session_from_truth(tmp_path / "evening", CLIPS)
    with serving(session) as running:
        yield running, session / "measured"


def overview(running: Hosted, reviewer: str = "kim", *, blind: int = 1) -> dict:
    return json.loads(ask(f"{running.address}api/overview?reviewer={reviewer}&blind={blind}")[1])


def decide(running: Hosted, key: str, decision: str) -> tuple[int, bytes]:
    return ask(f"{running.address}api/decide",
               body={"shot": key, "reviewer": "kim", "decision": decision, "note": "", "blind": True})


def shots(out) -> dict[str, dict[str, str]]:
    with (out / "shots.csv").open() as file:
        return {row["shot_id"]: row for row in csv.DictReader(file)}


def reviews(out) -> list[tuple[str, str, str]]:
    with (out / "reviews.csv").open() as file:
        return [(row["start_s"], row["decision"], row["blind"]) for row in csv.DictReader(file)]


def one_more_before(out, lost: bool = False) -> None:
    """As measured anew: a strike earlier in the second clip, so that the one known is numbered 2 (or not there)."""
    rows = pd.read_csv(out / "shots.csv", dtype={"notes": "string"})
    known = rows["shot_id"] == "eveningA_04-01"
    first = rows[known].assign(start_s=rows.loc[known, "start_s"] - 9, rails=0, notes="of the new run")
    rest = rows[~known] if lost else rows.assign(shot_id=rows["shot_id"].where(~known, "eveningA_04-02"),
                                                 notes="of the new run")
    for name in ("contacts.csv", "tracks.parquet"):
        path = out / name
        table = pd.read_csv(path) if name.endswith("csv") else pd.read_parquet(path)
        table["shot_id"] = table["shot_id"].where(table["shot_id"] != "eveningA_04-01", "eveningA_04-02")
        table.to_csv(path, index=False) if name.endswith("csv") else table.to_parquet(path, index=False)
    pd.concat([first, rest]).to_csv(out / "shots.csv", index=False)


def test_a_decision_stays_with_its_strike_and_the_new_notes_stay(page):
    running, out = page
    key = next(s["id"] for s in overview(running)["shots"] if s["verdict"] == "mishit")
    one_more_before(out)
    assert decide(running, key, "reject")[0] == 200
    written = shots(out)
    assert {name: row["review"] for name, row in written.items()} == {
        "eveningA_01-01": "", "eveningA_04-01": "", "eveningA_04-02": "reject"}
    assert {row["notes"] for row in written.values()} == {"of the new run"}
    assert reviews(out) == [("1.3000", "reject", "yes")]


def test_what_was_measured_in_a_terminal_comes_to_the_page_under_the_names_that_it_had(page):
    running, out = page
    before = {s["id"]: s["verdict"] for s in overview(running)["shots"]}
    one_more_before(out)
    (out / "log.jsonl").write_text("{}\n")  # written last, when all is there
    after = {s["id"]: s["verdict"] for s in overview(running)["shots"]}
    assert len(after) == 3
    assert before.items() <= after.items()


def test_a_shot_of_another_recording_gets_a_name_of_its_own(page):
    """A tab that still shows the old recording must not decide on the new one."""
    running, out = page

    def names(of_the_second: str) -> dict[str, str]:
        hashes = (("eveningA_01.mp4", "a" * 64), ("eveningA_04.mp4", of_the_second * 64))
        (out / "log.jsonl").write_text("".join(json.dumps({"clip": c, "sha256": h}) + "\n" for c, h in hashes))
        return {s["verdict"]: s["id"] for s in overview(running)["shots"]}

    first, same, replaced = names("b"), names("b"), names("c")
    assert first == same
    assert replaced["clean"] == first["clean"]
    assert replaced["mishit"] != first["mishit"]
    assert decide(running, first["mishit"], "accept")[0] == 400


def test_a_strike_that_is_not_there_any_more_cannot_be_decided_on(page):
    running, out = page
    key = next(s["id"] for s in overview(running)["shots"] if s["verdict"] == "mishit")
    one_more_before(out, lost=True)
    (out / "log.jsonl").write_text("{}\n")
    status, said = decide(running, key, "accept")
    assert (status, json.loads(said)["problem"]) == (400, "no such shot; reload the page.")
    assert not (out / "reviews.csv").exists()


@pytest.mark.parametrize("content", ["shot_id;review\na;b\n", "shot_id,clip\n1,2\n"])
def test_a_decision_is_saved_once_also_where_shots_csv_is_of_no_use(page, content):
    running, out = page
    key = overview(running)["shots"][0]["id"]
    sound = (out / "shots.csv").read_bytes()
    (out / "shots.csv").write_text(content)
    assert decide(running, key, "accept")[0] == 200
    assert [row[1:] for row in reviews(out)] == [("accept", "yes")]
    told = overview(running)["problem"]
    assert "Decisions are saved, but shots.csv could not be brought up to date" in told
    assert "run `reboundry measure` again" in told
    (out / "shots.csv").write_bytes(b"\xef\xbb\xbf" + sound)  # a byte order mark alone does no harm
    assert decide(running, key, "reject")[0] == 200
    assert overview(running)["problem"] == ""
    assert sorted(row["review"] for row in shots(out).values()) == ["", "reject"]


def test_decisions_that_cannot_be_read_are_told_on_the_page(page):
    running, out = page
    (out / "reviews.csv").write_text("decided_at,clip,start_s,reviewer,decision\n?,eveningA_01.mp4,soon,kim,accept\n")
    assert "line 2 can't be read as a decision" in overview(running)["problem"]


def test_going_on_from_a_decided_shot_takes_nothing_back(page):
    running, out = page
    key = overview(running)["shots"][0]["id"]
    assert decide(running, key, "accept")[0] == decide(running, key, "skip")[0] == 200
    assert sorted(row["review"] for row in shots(out).values()) == ["", "accept"]
    assert [row[1] for row in reviews(out)] == ["accept"]


def test_reviews_put_right_by_hand_reach_shots_csv_when_the_page_is_opened(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    out = session / "measured"
    with serving(session) as running:
        for shot in overview(running)["shots"]:
            assert decide(running, shot["id"], "reject")[0] == 200
    written = (out / "shots.csv").stat().st_mtime_ns
    with serving(session):
        pass
    assert (out / "shots.csv").stat().st_mtime_ns == written  # nothing new: left as it is
    lines = (out / "reviews.csv").read_text().splitlines(keepends=True)
    (out / "reviews.csv").write_text("".join(lines[:2]))
    with serving(session) as running:
        assert sorted(row["review"] for row in shots(out).values()) == ["", "reject"]
        running.process.terminate()
        assert "Pool again" in running.process.communicate(timeout=20)[0]


def test_decisions_on_no_shot_are_in_neither_agreement_nor_report(page):
    running, out = page
    for reviewer in ("kim", "sam"):
        append_reviews(out, Review(decided_at=now(), shot_id="x", clip="eveningA_01.mp4", start_s=50.0,
                                   reviewer=reviewer, decision="reject"))
    assert overview(running)["agreement"] == []
    write_report(out)
    assert "People's decisions" not in (out / "report.html").read_text()


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no terminal to close on this system")
def test_a_terminal_that_is_closed_leaves_the_report_up_to_date_and_no_pictures_behind(tmp_path, monkeypatch):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    write_report(session / "measured")
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    monkeypatch.setenv("TMPDIR", str(pictures))
    with serving(session) as running:
        assert decide(running, overview(running)["shots"][0]["id"], "reject")[0] == 200
        assert list(pictures.iterdir())
        running.process.send_signal(signal.SIGHUP)
        running.process.wait(timeout=20)
    assert not list(pictures.iterdir())
    assert "kim" in (session / "measured" / "report.html").read_text()


def test_a_report_older_than_the_decisions_is_renewed_when_the_page_is_opened_again(page_of_its_own):
    running, out = page_of_its_own
    write_report(out)
    assert decide(running, overview(running)["shots"][0]["id"], "reject")[0] == 200
    running.kill()
    assert "kim" not in (out / "report.html").read_text()
    with serving(out.parent):
        assert "kim" in (out / "report.html").read_text()


def test_the_page_opens_where_the_report_cannot_be_written_and_says_so(page_of_its_own):
    running, out = page_of_its_own
    write_report(out)
    assert decide(running, overview(running)["shots"][0]["id"], "reject")[0] == 200
    running.kill()
    before = (out / "report.html").read_bytes()
    # stands for a folder that can't be written to, which the tests' user may be above; the write fails as there
    code = ("import errno, pipeline.report\n"
            "def denied(path, *_): raise PermissionError(errno.EACCES, 'Permission denied', str(path))\n"
            "pipeline.report.write_text = denied\n")
    with serving(out.parent, before=code) as opened:
        assert len(overview(opened)["shots"]) == 2
        assert decide(opened, overview(opened)["shots"][1]["id"], "reject")[0] == 200
        opened.process.terminate()
        said = opened.process.stdout.read()  # not communicate(), which drops what came along with the address
        opened.process.wait(timeout=20)
    line = (f"{out}/report.html: could not be brought up to date with the decisions: Permission denied; close it in "
            "other programs or check its permissions, then run it again.\n")
    assert said.count(line) == 2  # when it was opened, and of the decision made since
    assert "Traceback" not in said
    assert f"Decisions: {out}/reviews.csv\n" in said
    assert opened.process.returncode == 1
    assert (out / "report.html").read_bytes() == before


def test_a_recording_that_came_to_have_a_clips_name_is_not_shown_under_the_old_ones_paths(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    log = [{"clip": f"{name}.mp4", "sha256": file_sha256(session / f"{name}.mp4")} for name in CLIPS]
    (session / "measured" / "log.jsonl").write_text("".join(json.dumps(line) + "\n" for line in log))
    with hosting(session) as running:
        shown = {s["verdict"]: s["id"] for s in overview(running)["shots"]}

        def look(key: str) -> tuple[str, int]:
            view = json.loads(ask(f"{running.address}api/shot/{key}?reviewer=kim")[1])
            frame = view["frames"][0][0]
            return view["no_pictures"], picture(f"{running.address}api/shot/{key}/frame/{frame}.jpg?reviewer=kim")[0]

        assert [look(key) for key in shown.values()] == [("", 200)] * 2
        shutil.copy(session / "eveningA_01.mp4", session / "eveningA_04.mp4")
        assert look(shown["clean"]) == ("", 200)
        words, status = look(shown["mishit"])
        assert words.startswith("Another recording now has this clip's name")
        assert words.endswith("measure again.")
        assert status == 404


def test_a_list_seen_with_its_conditions_counts_as_a_look_at_each_shot(page):
    running, out = page
    keys = [s["id"] for s in overview(running, blind=0)["shots"]]
    assert overview(running, blind=0)["decided"] == 0
    assert decide(running, keys[1], "accept")[0] == 200  # never opened otherwise
    assert [row[1:] for row in reviews(out)] == [("looked", "no"), ("looked", "no"), ("accept", "no")]
