"""Measuring again in the background, and what becomes of it when the page is closed."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time

import pandas as pd
import pytest

from pipeline.review.remeasure import Remeasuring
from shared.columns import ALL_MEASURES


@pytest.mark.parametrize(("code", "stop", "stopped"), [
    ("import time; time.sleep(60)", True, True),
    ("raise SystemExit(130)", False, True),  # by a Ctrl-C that reached it before us
    ("", False, False),
])
def test_it_is_known_whether_a_run_was_ended_before_it_was_done(tmp_path, code, stop, stopped):
    done: list[bool] = []
    remeasuring = Remeasuring(tmp_path, tmp_path, lambda: done.append(True))
    remeasuring._arguments = [sys.executable, "-c", code]
    assert remeasuring.start()
    if stop:
        remeasuring.stop()
    until = time.monotonic() + 20
    while not done and time.monotonic() < until:
        time.sleep(0.01)
    assert (remeasuring.running, remeasuring.stopped) == (False, stopped)


@pytest.mark.parametrize(("code", "failed", "lost", "words"), [
    ("", ["old.mp4"], ["a-02"], "Measured again."),
    ("raise SystemExit(1)", ["broken.mp4"], ["a-02"],
     "Measured again, but for broken.mp4, a-02; report.html says why."),
    ("raise SystemExit(1)", [], [], "Measured again, but for parts of it; `reboundry measure` says what."),
    ("raise SystemExit(1)", [f"{n}.mov" for n in range(9)], ["a-02", "a-01"],
     "Measured again, but for 0.mov, 1.mov, 2.mov, 3.mov, 4.mov, 5.mov, 6.mov, 7.mov "
     "and 3 more; report.html says why."),
    ("print('the disk is full.'); raise SystemExit(2)", [], [], "Measuring failed: the disk is full."),
])
def test_what_could_not_be_measured_is_named(tmp_path, code, failed, lost, words):
    log = [{"clip": "a.mp4", "problem": ""}, *({"clip": clip, "problem": f"{clip}: no clip."} for clip in failed)]
    (tmp_path / "log.jsonl").write_text("".join(json.dumps(line) + "\n" for line in log))
    notes = dict.fromkeys(lost, f"filmed late; {ALL_MEASURES}the recording froze")
    pd.DataFrame([(shot, notes.get(shot)) for shot in ("a-01", "a-02")], columns=["shot_id", "notes"]).to_csv(
        tmp_path / "shots.csv", index=False)
    done = threading.Event()
    remeasuring = Remeasuring(tmp_path, tmp_path, done.set)
    remeasuring._arguments = [sys.executable, "-c", code]
    remeasuring.start()
    assert done.wait(20)
    assert remeasuring.state()["words"] == words


def test_a_run_that_is_long_in_ending_does_not_keep_the_page_from_closing(tmp_path):
    class Writing:
        def terminate(self) -> None: ...

        def wait(self, timeout: float) -> int:
            raise subprocess.TimeoutExpired("measure", timeout)

    remeasuring = Remeasuring(tmp_path, tmp_path, lambda: None)
    remeasuring._process = Writing()
    remeasuring.stop()
    assert remeasuring.stopped
