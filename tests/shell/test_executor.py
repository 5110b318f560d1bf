"""Clips in parallel: a killed worker costs one clip, Ctrl-C ends cleanly."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from pipeline.executor import (
    InProcess,
    KeepsProcesses,
    Lost,
    ProcessPool,
    can_preload,
    local_executor,
    processors,
    report,
)
from pipeline.lone_clip import LoneClip


def run_script(folder, text, **how):
    """What came of a script of this text, in a process of its own; ``{root}`` in it is the repository."""
    root = Path(__file__).resolve().parents[2]
    script = folder / "script.py"
    script.write_text(text.format(root=str(root)))
    return subprocess.run([sys.executable, str(script)], capture_output=True, text=True, check=False,
                          env=os.environ | {"PYTHONPATH": str(root)}, **how)


A_CLIP = Path(__file__).parents[2] / "fixtures" / "evenings" / "eveningA" / "eveningA_01.mp4"


def double(number: int) -> int:
    return 2 * number


def kill_on_three(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.02)
    return 2 * number


def kill_once(task: tuple[Path, int]) -> int:
    """Dies the first time it meets task 2: as when memory was short just then."""
    flag, number = task
    if number == 2 and not flag.exists():
        flag.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def begin(task: tuple[Path, int]) -> int:
    folder, number = task
    (folder / f"begun-{number}").touch()
    return number


def threads_here(_: int) -> int:
    import cv2

    return cv2.getNumThreads()


def where(_: int) -> int:
    time.sleep(0.05)
    return os.getpid()


def decoder_threads_here(path: Path) -> int:
    from pipeline import frames

    clip, opened, seen = frames.open_clip(path), frames.open_container, []

    def watched(path: Path) -> object:
        seen.append(opened(path))
        return seen[0]

    frames.open_container = watched
    try:
        walk = clip.decode()
        next(walk)
        return int(seen[0].streams.video[0].codec_context.thread_count)
    finally:
        frames.open_container = opened


@pytest.mark.parametrize("executor", [InProcess(), ProcessPool(2)])
def test_every_task_gives_its_result(executor):
    assert dict(executor.run(double, list(range(7)))) == {n: 2 * n for n in range(7)}


def test_a_task_that_kills_its_worker_is_lost_alone():
    results = dict(ProcessPool(2).run(kill_on_three, list(range(6))))
    assert isinstance(results.pop(3), Lost)
    assert results == {n: 2 * n for n in (0, 1, 2, 4, 5)}


def test_a_worker_killed_once_costs_nothing(tmp_path):
    results = dict(ProcessPool(2).run(kill_once, [(tmp_path / "flag", n) for n in range(5)]))
    assert results == {n: 2 * n for n in range(5)}


def test_workers_have_their_next_task_while_a_result_is_read(tmp_path):
    results = ProcessPool(1).run(begin, [(tmp_path, 0), (tmp_path, 1)])
    assert next(results) == (0, 0)
    deadline = time.monotonic() + 20
    while not (tmp_path / "begun-1").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    assert (tmp_path / "begun-1").exists()
    assert list(results) == [(1, 1)]


def test_workers_share_the_processors():
    counts = dict(ProcessPool(processors()).run(threads_here, [0, 1, 2]))
    assert set(counts.values()) == {1}


def test_each_of_many_workers_decodes_with_one_thread():
    assert dict(ProcessPool(processors()).run(decoder_threads_here, [A_CLIP])) == {0: 1}


def test_workers_stay_for_the_next_tasks_until_the_pool_is_closed():
    pool = ProcessPool(2)
    first = set(dict(pool.run(where, list(range(6)))).values())
    assert first
    assert set(dict(pool.run(where, list(range(6)))).values()) & first
    pool.close()
    for pid in first:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    assert dict(pool.run(double, [1])) == {0: 2}


@pytest.mark.parametrize(("executor", "keeps"), [(ProcessPool(1), True), (LoneClip(), True), (InProcess(), False)])
def test_all_that_keep_processes_are_closed(executor, keeps):
    """By what a run closes in the end."""
    assert isinstance(executor, KeepsProcesses) == keeps


def test_a_worker_killed_between_two_runs_costs_nothing():
    pool = ProcessPool(2)
    for pid in dict(pool.run(where, list(range(6)))).values():
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    assert dict(pool.run(double, [1, 2, 3])) == {0: 2, 1: 4, 2: 6}


SERVER_KILLED = """
import os, signal, sys, threading
sys.path.insert(0, {root!r})
from multiprocessing import forkserver
from pipeline import executor
from tests.shell.test_executor import double

if __name__ == "__main__":
    executor._PRELOAD.clear()
    executor.get_ready(4, 2)
    server = forkserver._forkserver._forkserver_pid
    os.kill(server, signal.SIGSTOP)  # so that it is asked for a worker before it is killed
    threading.Timer(0.5, os.kill, (server, signal.SIGKILL)).start()
    print(sorted(executor.ProcessPool(2).run(double, [0, 1, 2, 3])))
"""


@pytest.mark.skipif(not can_preload(), reason="no fork server here")
def test_a_killed_fork_server_costs_nothing(tmp_path):
    ran = run_script(tmp_path, SERVER_KILLED, timeout=120)
    assert (ran.stdout.strip(), ran.returncode) == ("[(0, 0), (1, 2), (2, 4), (3, 6)]", 0), ran.stderr


@pytest.mark.parametrize("error", [EOFError, ConnectionRefusedError, BrokenPipeError])
def test_a_task_for_which_no_worker_can_be_started_is_lost_alone(error, monkeypatch):
    submit = ProcessPoolExecutor.submit

    def refused(self, work, task):
        if task == 2:
            raise error
        return submit(self, work, task)

    monkeypatch.setattr(ProcessPoolExecutor, "submit", refused)
    results = dict(ProcessPool(2).run(double, list(range(5))))
    assert isinstance(results.pop(2), Lost)
    assert results == {n: 2 * n for n in (0, 1, 3, 4)}


def test_one_clip_needs_no_pool():
    assert isinstance(local_executor(1), InProcess)
    assert isinstance(local_executor(5, jobs=1), InProcess)
    assert isinstance(local_executor(5, jobs=2), ProcessPool)


INTERRUPTED = """
import os, signal, sys, threading, time
sys.path.insert(0, {root!r})
from pipeline.executor import ProcessPool
from tests.shell.test_executor import sleepy

if __name__ == "__main__":
    done = []
    try:
        for index, result in ProcessPool(2).run(sleepy, [0.0, 0.0, 600.0, 600.0]):
            done.append(index)
            if len(done) == 2:
                threading.Timer(1.0, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    except KeyboardInterrupt:
        print("kept", sorted(done))
"""


KILLED = """
import os, signal, sys
sys.path.insert(0, {root!r})
from pipeline.executor import ProcessPool
from tests.shell.test_executor import sleepy

if __name__ == "__main__":
    for index, result in ProcessPool(2).run(sleepy, [0.0, 0.0, 600.0, 600.0]):
        if index == 1:
            os.kill(os.getpid(), signal.SIGKILL)
"""


def sleepy(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


def test_ctrl_c_ends_the_workers_and_keeps_what_is_done(tmp_path):
    ran = run_script(tmp_path, INTERRUPTED, timeout=120,
                     preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    assert ran.stdout.strip() == "kept [0, 1]"
    assert "Traceback" not in ran.stderr


def test_workers_end_when_their_parent_is_killed(tmp_path):
    # this lasts until the last worker lets go of the output
    ran = run_script(tmp_path, KILLED, timeout=60)
    assert ran.returncode == -signal.SIGKILL


def half_and_half(weight: float) -> float:
    report(weight / 2)
    time.sleep(0.1)
    report(weight / 2)
    return weight


@pytest.mark.parametrize("make", [InProcess, lambda heard: ProcessPool(2, heard)])
def test_tasks_can_tell_how_far_they_are(make):
    heard: list[float] = []
    results = dict(make(heard.append).run(half_and_half, [1.0, 2.0, 3.0]))
    assert sum(results.values()) == 6.0
    assert 3.0 <= sum(heard) <= 6.0  # what is reported at the very end may go unheard
