"""What the page's server lets through, refuses, hides and saves."""

from __future__ import annotations

import csv
import http.client
import json
import shutil
from pathlib import Path

import pytest

from calibration.store import read_calibrations, write_calibrations
from pipeline.corrections import keep_corrections
from shared.files import file_sha256
from tests.review.from_truth import EVENING, session_from_truth, with_climate
from tests.review.serving import Hosted, ask, hosting, picture, serving
from tests.shell.clips import write_clip

CLIPS = ["eveningA_01", "eveningA_04"]


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    session = session_from_truth(tmp_path_factory.mktemp("review") / "evening", CLIPS)
    with serving(session) as running:
        yield running, session


def shots_of(running: Hosted, reviewer: str, blind: int = 1) -> list[dict]:
    status, content = ask(f"{running.address}api/overview?reviewer={reviewer}&blind={blind}")
    assert status == 200
    return json.loads(content)["shots"]


def shot(running: Hosted, key: str, reviewer: str, blind: int = 1) -> dict:
    status, content = ask(f"{running.address}api/shot/{key}?reviewer={reviewer}&blind={blind}")
    assert status == 200, content
    return json.loads(content)


# ------------------------------------------------------------------ refused

@pytest.mark.parametrize("path", ["/", "/api/overview", "/wrong-token/", "/wrong-token/api/overview", "//", "/main.js"])
def test_without_the_token_everything_is_refused(page, path):
    assert ask(page[0].base + path)[0] == 403


@pytest.mark.parametrize("headers", [
    {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Origin": "http://127.0.0.1:1"},
    {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Host": "evil.example"},
])
def test_another_origin_or_host_is_refused_even_with_the_token(page, headers):
    assert ask(page[0].address + "api/overview", headers=headers)[0] == 403
    assert ask(page[0].address + "api/undo", body={}, headers=headers)[0] == 403


def test_a_plain_form_cannot_decide(page):
    running, _ = page
    status, _ = ask(running.address + "api/decide", body={"shot": "x", "decision": "accept"},
                    headers={"content-type": "application/x-www-form-urlencoded"})
    assert status == 403


@pytest.mark.parametrize("path", [
    "../shots.csv", "../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd", "static/../server.py",
    "..\\..\\etc\\passwd", "server.py", "review.css/../../server.py", "api/clip/../../shots.csv", "/etc/passwd",
    "api/clip/-1/picture.jpg", "api/clip/99/picture.jpg", "api/shot/..%2fx/frame/1.jpg", "api/shot/nonesuch",
])
def test_no_path_from_outside_reaches_a_file(page, path):
    running, _ = page
    host, port = running.base.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=20)  # sends the path as it is
    connection.request("GET", f"/{running.address.rsplit('/', 2)[1]}/{path}")
    reply = connection.getresponse()
    content = reply.read()
    connection.close()
    assert reply.status in (400, 403, 404)
    assert b"shot_id" not in content
    assert b"root:" not in content
    assert b"import" not in content


def test_the_address_is_loopback_and_the_token_long(page):
    assert page[0].base.startswith("http://127.0.0.1:")
    assert len(page[0].address.rsplit("/", 2)[1]) >= 32


def test_a_decision_that_is_none_of_ours_is_refused_in_one_line(page):
    running, _ = page
    key = shots_of(running, "kim")[0]["id"]
    status, content = ask(running.address + "api/decide", body={"shot": key, "decision": "maybe", "reviewer": "kim"})
    assert status == 400
    assert "accept, reject or skip" in json.loads(content)["problem"]


# ------------------------------------------------------------------ blind

def test_before_a_decision_nothing_tells_condition_or_outcome(page):
    running, _ = page
    for summary in shots_of(running, "blind-one"):
        view = shot(running, summary["id"], "blind-one")
        words = json.dumps([summary, view])
        secrets = ("worn", "polished", "evening", "rebound", "restitution", "miss_mm", "short", "long\"", "pocketed")
        assert [secret for secret in secrets if secret in words] == []
        first_cushion = min(e["t_s"] for e in view["events"] if e["kind"] == "cushion")
        assert all(point[0] <= first_cushion for point in view["paths"]["object"])
        assert all(e["angle_out"] is None and e["speed_out"] is None for e in view["events"] if e["kind"] == "cushion")


def test_pictures_after_the_first_cushion_are_not_given_before_a_decision(page):
    running, _ = page
    key = next(s["id"] for s in shots_of(running, "pictures") if s["verdict"] == "clean")
    view = shot(running, key, "pictures")
    shown = [frame for frame, _ in view["frames"]]
    at = f"{running.address}api/shot/{key}/frame"
    assert picture(f"{at}/{shown[0]}.jpg?reviewer=pictures")[0] == 200
    assert picture(f"{at}/{shown[-1] + 20}.jpg?reviewer=pictures")[0] == 404
    assert ask(f"{running.address}api/decide",
               body={"shot": key, "reviewer": "pictures", "decision": "accept", "blind": True})[0] == 200
    assert picture(f"{at}/{shown[-1] + 20}.jpg?reviewer=pictures")[0] == 200


def test_after_the_first_cushion_only_the_cue_ball_is_in_the_picture(page):
    """The shot hit with follow: its cue ball rolls on after the object ball's cushion."""
    import cv2
    import numpy as np

    running, _ = page
    key = next(s["id"] for s in shots_of(running, "veil") if s["verdict"] == "mishit")
    view = shot(running, key, "veil")
    after = [frame for frame, t in view["frames"] if t > view["clear_until_s"]]
    assert after
    status, jpeg = picture(f"{running.address}api/shot/{key}/frame/{after[-1]}.jpg?reviewer=veil")
    assert status == 200
    shown = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    grey = (np.abs(shown.astype(int) - 58).max(axis=2) < 12).mean()
    assert 0.8 < grey < 0.995
    cue = view["paths"]["cue"][-1]
    assert shown[round(cue[4]), round(cue[3])].min() > 120  # the ivory ball itself


def test_the_order_is_shuffled_per_reviewer_and_the_same_after_a_reload(page):
    running, _ = page
    orders = {tuple(s["id"] for s in shots_of(running, name)) for name in "abcdefgh"}
    assert len(orders) == 2
    assert shots_of(running, "a") == shots_of(running, "a")


def test_a_look_before_the_decision_is_written_down(page):
    running, session = page
    key = shots_of(running, "peeker")[0]["id"]
    shot(running, key, "peeker", blind=0)
    ask(f"{running.address}api/decide", body={"shot": key, "reviewer": "peeker", "decision": "accept", "blind": True})
    mine = [row for row in reviews(session) if row["reviewer"] == "peeker"]
    assert [(row["decision"], row["blind"]) for row in mine] == [("looked", "no"), ("accept", "no")]


# ------------------------------------------------------------------ saved

def reviews(session: Path) -> list[dict[str, str]]:
    with (session / "measured" / "reviews.csv").open() as file:
        return list(csv.DictReader(file))


def shots_file(session: Path) -> dict[str, dict[str, str]]:
    with (session / "measured" / "shots.csv").open() as file:
        return {row["shot_id"]: row for row in csv.DictReader(file)}


def test_decisions_reach_shots_csv_and_leave_the_rest_alone(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    before = shots_file(session)
    with serving(session) as running:
        for summary in shots_of(running, "kim"):
            decision = "reject" if summary["verdict"] == "clean" else "accept"
            ask(f"{running.address}api/decide", body={
                "shot": summary["id"], "reviewer": "kim", "decision": decision, "note": "seen", "blind": True})
        after = shots_file(session)
        assert (after["eveningA_01-01"]["review"], after["eveningA_01-01"]["counted"]) == ("reject", "False")
        assert (after["eveningA_04-01"]["review"], after["eveningA_04-01"]["counted"]) == ("accept", "True")
        for name, row in after.items():
            same = {k: v for k, v in row.items() if k not in ("review", "reviewer", "reviewed_at", "counted", "notes")}
            assert same == {k: before[name][k] for k in same}
        status, content = ask(running.address + "api/undo", body={"reviewer": "kim"})
        assert status == 200
        assert json.loads(content)["shot"]
        assert sum(row["review"] == "" for row in shots_file(session).values()) == 1
        running.process.terminate()
        said = running.process.communicate(timeout=20)[0]
    assert "report brought up to date" in said
    assert "Pool again" in said
    assert "kim" in (session / "measured" / "report.html").read_text()


def test_without_a_decision_nothing_is_said_of_pooling(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS[:1])
    with serving(session) as running:
        shot(running, shots_of(running, "kim")[0]["id"], "kim")
        running.process.terminate()
        said = running.process.communicate(timeout=20)[0]
    assert "Pool again" not in said


def test_a_clip_whose_table_was_not_found_can_be_given_corners(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    kept = read_calibrations(session / "measured" / "calibration.json")
    write_calibrations(session / "measured" / "calibration.json", kept[:1])
    corners = kept[1].corners_px.tolist()
    with hosting(session) as running:
        clips = json.loads(ask(f"{running.address}api/overview?reviewer=kim")[1])["clips"]
        assert [clip["name"] for clip in clips] == ["eveningA_01.mp4", "eveningA_04.mp4"]
        bad = [[1, 1], [2, 2], [3, 3], [4, 4]]
        status, content = ask(f"{running.address}api/clip/1/corners", body={"corners": bad})
        assert status == 400
        assert "corners" in json.loads(content)["problem"]
        assert ask(f"{running.address}api/clip/1/corners", body={"corners": corners})[0] == 200
    assert "eveningA_04.mp4" in json.loads((session / "measured" / "corners.json").read_text())["corners_px"]


def test_corners_for_all_clips_are_for_those_of_the_same_picture_size_and_of_these_recordings(tmp_path):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    shutil.copy(session / "eveningA_01.mp4", session / "same.mp4")
    write_clip(session / "small.mp4")
    corners = read_calibrations(session / "measured" / "calibration.json")[0].corners_px.tolist()
    with hosting(session) as running:
        status, content = ask(f"{running.address}api/clip/0/corners", body={"corners": corners, "all": True})
        reply = json.loads(content)
        assert (status, reply["clips"], reply["left_out"]) == (200, 2, ["small.mp4"])
        kept = json.loads((session / "measured" / "corners.json").read_text())
        assert list(kept["corners_px"]) == ["eveningA_01.mp4", "same.mp4"]
        assert kept["recordings"] == dict.fromkeys(kept["corners_px"], file_sha256(session / "same.mp4"))
        assert json.loads(ask(f"{running.address}api/clip/0/corners")[1])["source"] == "hand"
        shutil.copy(EVENING / "eveningA_04.mp4", session / "eveningA_01.mp4")
        marks = json.loads(ask(f"{running.address}api/clip/0/corners")[1])
        assert (marks["source"], marks["outdated"]) == ("picture", True)


def test_corners_for_a_clip_whose_file_is_away_are_for_the_recording_that_was_measured(tmp_path):
    session = session_from_truth(tmp_path / "evening", CLIPS)
    recordings = {f"{name}.mp4": file_sha256(session / f"{name}.mp4") for name in CLIPS}
    (session / "measured" / "log.jsonl").write_text(
        "".join(json.dumps({"clip": clip, "sha256": sha256}) + "\n" for clip, sha256 in recordings.items()))
    corners = read_calibrations(session / "measured" / "calibration.json")[0].corners_px.tolist()
    (session / "eveningA_04.mp4").unlink()
    with hosting(session) as running:
        assert ask(f"{running.address}api/clip/0/corners", body={"corners": corners, "all": True})[0] == 200
        assert json.loads((session / "measured" / "corners.json").read_text())["recordings"] == recordings
        shutil.copy(EVENING / "eveningA_02.mp4", session / "eveningA_04.mp4")
        assert json.loads(ask(f"{running.address}api/clip/1/corners")[1])["outdated"] is True


def test_corners_moved_by_a_pixel_get_an_answer_before_and_after_saving(tmp_path):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    with hosting(session) as running:
        clip = f"{running.address}api/clip/0"
        found = json.loads(ask(f"{clip}/corners")[1])
        assert found["rms_px"] < 1
        corners = [[found["corners"][0][0] + 1, found["corners"][0][1]], *found["corners"][1:]]
        previewed = json.loads(ask(f"{clip}/preview", body={"corners": corners})[1])
        assert ask(f"{clip}/corners", body={"corners": corners})[0] == 200
        saved = json.loads(ask(f"{clip}/corners")[1])
        assert (found["source"], saved["source"]) == ("picture", "hand")
        assert saved["given"] == corners  # not what the camera's fit makes of them
        for marks in (previewed, saved):
            assert marks["problem"] == ""
            assert marks["rms_px"] is None  # four corners are all there is to fit
            assert marks["sights_rms_px"] > 0.2


def test_clips_keep_their_numbers_while_the_page_is_open(tmp_path):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    with hosting(session) as running:
        found = json.loads(ask(f"{running.address}api/clip/0/corners")[1])["corners"]
        shutil.copy(session / "eveningA_01.mp4", session / "a_new_one.mp4")  # comes before it in the folder
        assert ask(f"{running.address}api/clip/0/corners", body={"corners": found})[0] == 200
    assert list(json.loads((session / "measured" / "corners.json").read_text())["corners_px"]) == ["eveningA_01.mp4"]


def test_corners_set_before_a_clip_was_renamed_are_shown_and_taken_back(tmp_path):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    found = read_calibrations(session / "measured" / "calibration.json")[0].corners_px
    given = [[round(float(x) + 2, 1), round(float(y), 1)] for x, y in found]
    keep_corrections(session / "measured", given, {"before.mp4": file_sha256(session / "eveningA_01.mp4")})
    with hosting(session) as running:
        marks = json.loads(ask(f"{running.address}api/clip/0/corners")[1])
        assert (marks["source"], marks["given"]) == ("hand", given)
        ask(f"{running.address}api/clip/0/corners", body={"corners": None})
        marks = json.loads(ask(f"{running.address}api/clip/0/corners")[1])
        assert (marks["source"], marks["outdated"]) == ("picture", False)


def test_corners_given_in_session_toml_hold_where_nothing_is_corrected_and_are_called_so(tmp_path):
    session = session_from_truth(tmp_path / "evening", ["eveningA_01"])
    found = read_calibrations(session / "measured" / "calibration.json")[0].corners_px
    given = [[round(float(x) + 2, 1), round(float(y), 1)] for x, y in found]
    with (session / "session.toml").open("a") as file:
        file.write(f"\n[camera]\ncorners_px = {given}\n")
    with hosting(session) as running:
        clip = f"{running.address}api/clip/0"
        for reply in (ask(f"{clip}/corners"), ask(f"{clip}/preview", body={"corners": None})):
            marks = json.loads(reply[1])
            assert (marks["source"], marks["given"]) == ("session", given)


def test_a_session_that_was_not_measured_is_refused_in_one_line(tmp_path):
    from typer.testing import CliRunner

    from pipeline.command_group import app
    from shared.errors import SettingsError

    result = CliRunner().invoke(app, ["review", str(tmp_path), "--no-browser"])
    assert isinstance(result.exception, SettingsError)
    assert "reboundry measure" in str(result.exception)


def test_conditions_are_shown_by_plain_names_and_only_where_there_are_any(tmp_path):
    session = with_climate(session_from_truth(tmp_path / "evening", CLIPS))
    with hosting(session) as running:
        summaries = {s["name"]: s for s in shots_of(running, "kim", blind=0)}
        view = shot(running, summaries["eveningA_01-01"]["id"], "kim", blind=0)
    climate = ["temperature 24.1 °C", "humidity 45.5 %"]
    assert list(summaries["eveningA_01-01"]["conditions"].values()) == ["worn cloth", "clean balls", *climate]
    remarked = summaries["eveningA_04-01"]["conditions"]
    assert list(remarked.values()) == ["worn cloth", "polished balls", "cushions brushed remark", *climate]
    assert list(view["conditions"].values())[2:] == [*climate, "dew point 11.6 °C", "absolute humidity 9.93 g/m³"]


@pytest.mark.parametrize(("value", "u", "shown"), [
    (5.0704, 0.0012, ("5.0704", "0.0012")), (2.5534, 0.005, ("2.553", "0.005")), (45.7, 0.31, ("45.7", "0.3")),
    (0.84, 0.004, ("0.840", "0.004")), (-0.0234, 0.03, ("−0.02", "0.03")), (123.4, 35.0, ("123", "35")),
    (5.0704, None, ("5.07", "unknown")),
])
def test_a_value_is_rounded_to_the_place_of_its_uncertainty(value, u, shown):
    from pipeline.review.shot_view import in_figures

    assert in_figures(value, u) == shown
