"""Killed workers and Ctrl-C while real clips are really measured by the public command, and a clip on its own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import psutil  # type: ignore[import-untyped]
import pytest

from pipeline import lone_clip
from pipeline.executor import InProcess, processors
from pipeline.run import RunOptions, SessionResult, measure_session
from pipeline.sessions import find_sessions

ROOT = Path(__file__).resolve().parents[2]
CLIPS = ROOT / "fixtures" / "evenings" / "eveningA"

needs_two = pytest.mark.skipif(processors() < 2 or not Path("/proc").is_dir(),
                               reason="wants two processors, and Linux's list of the files a process has open")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "evening"
    place.mkdir()
    for n in (1, 2, 3):
        shutil.copy(CLIPS / f"eveningA_0{n}.mp4", place / f"c{n}.mp4")
    return place


def heed_ctrl_c() -> None:
    """In the child: also where the tests themselves run in the background, which would be inherited."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def start(folder: Path, **env: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "reboundry", "measure", str(folder), "--no-diagrams", "--jobs", "2"]
    return subprocess.Popen(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)} | env, text=True,
                            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True,
                            preexec_fn=heed_ctrl_c)


def reads(process: psutil.Process, clip: Path) -> bool:
    try:
        return any(file.path == str(clip) for file in process.open_files())
    except psutil.Error:
        return False


def while_running(run: subprocess.Popen[str], act: Callable[[list[psutil.Process]], None]) -> str:
    """Look at the command's workers again and again; its output once it has ended."""
    parent = psutil.Process(run.pid)
    deadline = time.monotonic() + 180
    while run.poll() is None and time.monotonic() < deadline:
        try:
            act(parent.children(recursive=True))
        except psutil.NoSuchProcess:
            break
        time.sleep(0.01)
    return run.communicate(timeout=60)[0]


@needs_two
def test_a_worker_killed_once_costs_nothing(folder):
    killed: list[int] = []

    def kill_one(workers: list[psutil.Process]) -> None:
        for worker in workers:
            if not killed and reads(worker, folder / "c2.mp4"):
                worker.kill()
                killed.append(worker.pid)

    run = start(folder)
    said = while_running(run, kill_one)
    assert killed
    assert run.returncode == 0, said
    assert list(pd.read_csv(folder / "measured" / "shots.csv")["shot_id"]) == ["c1-01", "c2-01", "c3-01"]


@needs_two
def test_a_clip_that_always_kills_its_worker_is_named_and_the_others_are_measured(folder):
    killed: set[int] = set()

    def kill_all(workers: list[psutil.Process]) -> None:
        for worker in workers:
            if reads(worker, folder / "c2.mp4"):
                worker.kill()
                killed.add(worker.pid)

    run = start(folder)
    said = while_running(run, kill_all)
    assert len(killed) == 2
    assert run.returncode == 1, said
    assert "c2.mp4: its process was killed, twice" in " ".join(said.split())
    assert "Traceback" not in said
    assert list(pd.read_csv(folder / "measured" / "shots.csv")["shot_id"]) == ["c1-01", "c3-01"]


@needs_two
def test_ctrl_c_keeps_what_is_done_and_the_next_run_goes_on(folder):
    shutil.copy(CLIPS / "eveningA_04.mp4", folder / "c4.mp4")
    workers: list[psutil.Process] = []
    sent: list[float] = []
    kept = folder / "measured" / ".work"
    done: set[str] = set()

    def stop_after_the_first(processes: list[psutil.Process]) -> None:
        workers[:] = processes or workers
        done.update(place.parent.name for place in kept.glob("*/tables.json")
                    if not sent and json.loads(place.read_text()).get("shots"))
        if done and not sent:
            os.kill(run.pid, signal.SIGINT)
            sent.append(time.monotonic())

    run = start(folder)
    said = while_running(run, stop_after_the_first)
    assert sent
    assert run.returncode == 130, said
    assert time.monotonic() - sent[0] < 20
    assert "Traceback" not in said
    assert "what was finished is kept" in said
    assert not psutil.wait_procs(workers, timeout=10)[1]  # no process is left behind
    if (folder / "measured" / "shots.csv").exists():  # not if it came in the middle of an import
        first = pd.read_csv(folder / "measured" / "shots.csv")
        assert done <= set(first["clip"])
        assert len(first) < 4
    again = start(folder)
    said = while_running(again, lambda _: None)
    assert again.returncode == 0, said
    shots = pd.read_csv(folder / "measured" / "shots.csv")
    assert list(shots["shot_id"]) == ["c1-01", "c2-01", "c3-01", "c4-01"]
    log = [json.loads(line) for line in (folder / "measured" / "log.jsonl").read_text().splitlines()]
    assert {line["clip"] for line in log if line["reused"]} >= done


@needs_two
@pytest.mark.parametrize("after_s", [1.2, 4.0])  # while modules are loaded, while functions are compiled
def test_ctrl_c_in_a_first_run_ends_at_once_and_without_traceback(folder, tmp_path, after_s):
    run = start(folder, NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    time.sleep(after_s)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does it: to all processes of the command
    said = run.communicate(timeout=10)[0]  # this lasts until the last of them lets go of the output
    assert run.returncode == 130, said
    assert "Traceback" not in said


@needs_two
def test_a_clip_on_its_own_gives_the_same_whoever_measures_it(tmp_path):
    results: list[SessionResult] = []
    logs = []
    for n, executor in enumerate((InProcess(), lone_clip.LoneClip())):
        place = tmp_path / str(n) / "evening"
        place.mkdir(parents=True)
        shutil.copy(CLIPS / "eveningA_01.mp4", place)
        (session,) = find_sessions([place])
        results.append(measure_session(session, options=RunOptions(diagrams=False), executor=executor))
        logs.append(json.loads((place / "measured" / "log.jsonl").read_text().splitlines()[-1]))
    assert [lone_clip.pays(*way) for way in ((1, 0), (1, 1), (2, 0))] == [True, False, False]
    assert results[0].problems == results[1].problems == ()
    pd.testing.assert_frame_equal(results[0].shots, results[1].shots)
    pd.testing.assert_frame_equal(results[0].tracks, results[1].tracks)
    assert not any(log["reused"] for log in logs)
    assert logs[0]["seconds"].keys() == logs[1]["seconds"].keys() >= {"calibrate", "detect", "measure"}


@needs_two
@pytest.mark.parametrize("piped", [False, True])
def test_a_script_needs_no_guard_to_measure_in_processes(folder, tmp_path, piped):
    (folder / "c3.mp4").unlink()
    script = tmp_path / "script.py"
    code = ("import reboundry\n"
            f"found = reboundry.measure({str(folder)!r}, jobs=2, diagrams=False)\n"
            "print(list(found.shots['shot_id']), found.problems)\n")
    script.write_text(code)
    ran = subprocess.run([sys.executable, "-" if piped else str(script)], input=code if piped else None, cwd=ROOT,
                         env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False)
    assert (ran.stdout.strip(), ran.stderr) == ("['c1-01', 'c2-01'] ()", "")
