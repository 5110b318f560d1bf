"""Measuring again in the background, and what becomes of it when the page is closed."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from pipeline.review.remeasure import Remeasuring


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


def test_a_run_that_is_long_in_ending_does_not_keep_the_page_from_closing(tmp_path):
    class Writing:
        def terminate(self) -> None: ...

        def wait(self, timeout: float) -> int:
            raise subprocess.TimeoutExpired("measure", timeout)

    remeasuring = Remeasuring(tmp_path, tmp_path, lambda: None)
    remeasuring._process = Writing()
    remeasuring.stop()
    assert remeasuring.stopped
