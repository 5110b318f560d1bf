"""report.html: complete, self-contained, and safe with whatever a user wrote."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

from calibration.store import read_calibrations, write_calibrations
from pipeline.diagram import write_diagram
from pipeline.measured_session import read_measured
from pipeline.report import short_reason, write_report
from pipeline.review_file import Review, append_reviews
from tests.review.from_truth import session_from_truth, with_climate


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    session = session_from_truth(tmp_path_factory.mktemp("report") / "evening", ["eveningA_01", "eveningA_04"])
    shots = pd.read_csv(session / "measured" / "shots.csv")
    shots["cloth"] = shots["cloth"].astype(object)
    shots.loc[0, "cloth"] = "<script>alert(1)</script>"
    shots.to_csv(session / "measured" / "shots.csv", index=False)
    calibrations = read_calibrations(session / "measured" / "calibration.json")
    by_hand = [calibrations[0], replace(calibrations[1], rms_px=float("nan"), how="corners given")]
    write_calibrations(session / "measured" / "calibration.json", by_hand)
    found = read_measured(session)
    row = found.shot("eveningA_04-01")
    write_diagram(session / "measured" / "pictures" / "eveningA_04-01.png", row, found.events_of("eveningA_04-01"),
                  found.tracks_of("eveningA_04-01"), table=found.calibrations["eveningA_04.mp4"].table)
    for name, decision in (("kim", "reject"), ("sam", "accept")):
        append_reviews(found.out, Review(
            decided_at="2026-01-01T10:00:00+00:00", shot_id="eveningA_04-01", clip="eveningA_04.mp4", start_s=1.3,
            reviewer=name, decision=decision, blind=name == "kim"))
    return found.out


def test_every_shot_its_verdict_reason_and_diagram_are_there(measured):
    page = write_report(measured).read_text()
    assert page.count("<section class=shot") == 2
    assert "follow: cue ball" in page
    assert page.count("data:image/png;base64,") == 1
    assert "No diagram was drawn" in page
    assert "polished" in page
    assert re.search(r"settled angle</span></td><td>\d\d\.\d ± 0\.3°", page)
    assert "kim and sam agree on 0 of 1 shots" in page
    assert "1 of 2 decisions were made blind" in page


def test_the_set_up_says_where_a_calibration_has_no_residual(measured):
    page = write_report(measured).read_text()
    assert "<td>0.40 px rms</td>" in page
    assert "<td>corners by hand: no residual</td>" in page
    assert "nan" not in page.partition("<h2>Verdicts")[0].partition("<h2>Set-up")[2]


def test_clips_that_could_not_be_measured_and_warnings_are_told_under_the_set_up(measured):
    """Also what a calibration warns of; equal words once, with the clips' names."""
    calibration_file, log = measured / "calibration.json", measured / "log.jsonl"
    before = calibration_file.read_bytes()
    first, second = read_calibrations(calibration_file)
    write_calibrations(calibration_file, [replace(first, warnings=("sights <far> off",)), second])
    lines = [
        {"clip": first.clip, "problem": "", "warnings": ["sights <far> off", f"{first.clip}: damaged", "it shook"]},
        {"clip": second.clip, "problem": "", "warnings": ["it shook"]},
        {"clip": "broken.mp4", "problem": "broken.mp4: not a clip; copy it again.", "warnings": ["rotated"]},
        {"clip": "torn.mp4", "problem": "torn.mp4: not a clip; copy it again."},
    ]
    log.write_text("".join(json.dumps(line) + "\n" for line in lines))
    try:
        page = write_report(measured).read_text()
    finally:
        log.unlink()
        calibration_file.write_bytes(before)
    shown = re.sub(r"</?b>", "", page.partition("<h2>Set-up")[2].partition("<h2>Verdicts")[0])
    assert re.findall(r"<p>(.*)</p>|<li>(.*)</li>", shown) == [
        ("Not measured:", ""), ("", "broken.mp4, torn.mp4: not a clip; copy it again."),
        ("What there is to know of the clips:", ""), ("", "eveningA_01.mp4: sights &lt;far&gt; off"),
        ("", "eveningA_01.mp4: damaged"), ("", "eveningA_01.mp4, eveningA_04.mp4: it shook"),
        ("", "broken.mp4: rotated"),
    ]


def test_conditions_have_plain_names_and_no_false_digits(tmp_path):
    session = with_climate(session_from_truth(tmp_path / "evening", ["eveningA_01", "eveningA_04"]))
    page = write_report(session / "measured").read_text()
    shown = re.sub(r"<[^>]+>", "|", page)
    assert "absolute humidity, g/m³" in shown
    about = "worn cloth, polished balls, cushions brushed remark, temperature 24.1 °C, humidity 45.5 %"
    assert f"{about}, dew point 11.6 °C, absolute humidity 9.93 g/m³" in shown
    assert shown.count("remark") == 2  # the heading, and the one shot that has one
    for raw in ("_c", "_pct", "_gm3", "11.58", "9.931"):
        assert raw not in shown.partition("Conditions")[2], raw


def test_a_time_is_called_a_time(measured):
    page = write_report(measured).read_text()
    assert re.search(r">time of the first cushion</span></td><td>\d\.\d{3,4} ± 0\.001\d? s<", page)


def test_nothing_is_loaded_from_elsewhere_and_nothing_of_the_users_runs(measured):
    page = write_report(measured).read_text()
    for pattern in (r"<script", r"https?://", r"@import", r"url\(", r"<link"):
        assert not re.search(pattern, page), pattern
    assert "&lt;script&gt;" in page


def test_the_page_is_sound_html(measured):
    class Balance(HTMLParser):
        void = frozenset(("meta", "img", "br"))

        def __init__(self):
            super().__init__()
            self.open = []

        def handle_starttag(self, tag, attrs):
            if tag not in self.void:
                self.open.append(tag)

        def handle_endtag(self, tag):
            assert self.open.pop() == tag

    reader = Balance()
    reader.feed(write_report(measured).read_text())
    assert reader.open == []


@pytest.mark.parametrize(("reason", "short"), [
    ("follow: cue ball's roll ratio 0.65 ± 0.03, wanted 0", "follow"),
    ("not full: object ball cut to the left, cut 3.0", "not full"),
    ("uncertain: side: object ball thrown 1.3", "uncertain: side"),
    ("thin hit: cut 14.0 ± 0.1°, wanted 8.0° (usual for long) within 1.4°", "thin hit"),
    ("uncertain: roll ratio 0.2 ± 0.1 may or may not", "uncertain: near a tolerance"),
    ("uncertain: aim 3.5 ± 2.1° may or may not be within 1.4°, its uncertainty being larger than that",
     "uncertain: measured too vaguely"),
    ("uncertain: side would not show: neither throw nor marks on the ball were measured", "uncertain: does not show"),
    ("balls seen in 30 % of the frames, needs 60 %", "tracking or a missing measure"),
])
def test_reasons_are_counted_without_their_numbers(reason, short):
    assert short_reason(reason) == short
