"""The table of shots that `measure` shows."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest

from pipeline.progress import TerminalProgress
from pipeline.run import SessionResult
from pipeline.terminal import show
from shared.columns import SHOTS

ROOT = Path(__file__).resolve().parents[2]


def test_a_long_clip_name_never_hides_the_numbers(tmp_path, capsys):
    rows = [{"shot_id": "x" * 200 + "-01", "incoming_angle_deg": 31.27, "incoming_angle_deg_u": 0.12,
             "cue_cross_ratio": -0.123, "cue_cross_ratio_u": 0.004, "verdict": "unusable"}]
    show(SessionResult(session="s", folder=tmp_path, shots=SHOTS.conform(pd.DataFrame(rows))))
    out = capsys.readouterr().out
    assert "31.27 ± 0.12" in out
    assert "-0.123 ± 0.004" in out
    assert "unusable" in out
    assert out.count("x") >= 200


def test_brackets_in_names_are_shown(tmp_path, capsys, monkeypatch):
    rows = [{"shot_id": "bank [a]-01", "verdict": "clean"}]
    show(SessionResult(session="[red] room", folder=tmp_path, shots=SHOTS.conform(pd.DataFrame(rows))))
    out = capsys.readouterr().out
    assert "Session [red] room" in out
    assert "bank [a]-01" in out
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "200")
    with TerminalProgress() as progress:
        progress.start("measuring", 2.0)
        progress.reach("bank [a].mp4", 1.0)
        progress._bar.refresh()
    assert "bank [a].mp4" in capsys.readouterr().err


def test_the_status_stays_when_nobody_reads_on(tmp_path):
    """As in `reboundry measure ... | head -1`: what was measured and what was not doesn't change by it."""
    code = f"""
import sys
sys.path.insert(0, {str(ROOT)!r})
import pandas as pd, pipeline.commands.measure, typer
from pathlib import Path
from pipeline.cli import main
from pipeline.run import SessionResult
from pipeline.terminal import exit_status, show_all
from shared.columns import SHOTS
def measure() -> None:
    rows = SHOTS.conform(pd.DataFrame([{{"shot_id": "a-01", "verdict": "clean"}}]))
    result = SessionResult(session="s", folder=Path("s"), shots=rows, problems=("b.mp4: no table",) * int(WHAT))
    show_all([result] * 99, ["s"] * 99)
    raise typer.Exit(exit_status([result]))
pipeline.commands.measure.measure = measure
WHAT = sys.argv.pop()
main()
"""
    for problems in (0, 1):
        with unread_pipe() as begins:
            ran = subprocess.run([sys.executable, "-c", code, "measure", str(problems)], stdout=begins,
                                 stderr=subprocess.PIPE, text=True, check=False)
        assert (ran.returncode, ran.stderr) == (problems, "")


@contextmanager
def unread_pipe():
    """The end that is written to of a pipe whose reader has left."""
    ends, begins = os.pipe()
    os.close(ends)
    try:
        yield begins
    finally:
        os.close(begins)


def ended_at(act, **streams):
    """The command line run with `measure` doing only this."""
    code = f"""
import sys
sys.path.insert(0, {str(ROOT)!r})
import pipeline.commands.measure
from rich.console import Console
from pipeline.cli import main
def measure() -> None:
    {act}
pipeline.commands.measure.measure = measure
main(["measure"])
"""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.run([sys.executable, "-c", code], text=True, check=False, **pipes | streams)


def test_a_broken_pipe_within_is_no_quiet_end():
    ran = ended_at("print('begun'); raise BrokenPipeError(32, 'Broken pipe')")
    assert (ran.returncode, ran.stdout) == (1, "begun\n")
    assert ran.stderr.startswith("reboundry: a pipe to one of its own processes")
    assert len(ran.stderr.splitlines()) == 1


@pytest.mark.parametrize("act", ["Console().print('x')", "print('x')", "print('x' * 100_000)"])
def test_output_that_nobody_reads_ends_it_quietly(act):
    with unread_pipe() as begins:
        ran = ended_at(act, stdout=begins)
    assert (ran.returncode, ran.stderr) == (0, "")


def test_an_error_output_that_nobody_reads_is_no_success():
    with unread_pipe() as begins:
        ran = ended_at("Console(stderr=True).print('x')", stderr=begins)
    assert (ran.returncode, ran.stdout) == (1, "")
