"""The Dask executor against a real scheduler and worker processes: same results, lost workers, plain refusals."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket

import pytest

from pipeline.cluster import ClusterExecutor, ClusterSettings
from pipeline.executor import Lost
from shared.errors import SettingsError
from tests.cluster.jobs import decoder_threads, double, kill_on_three, raises, slow_double, where
from tests.cluster.machines import ROOT, machines

pytestmark = pytest.mark.xdist_group("cluster")  # one scheduler for all of them

SOON_OVER = ClusterSettings(connect_s=60.0, idle_s=2.0)  # a worker takes a while to come up where others are busy


def test_every_task_gives_its_result(two_workers):
    with ClusterExecutor(two_workers.address) as executor:
        assert dict(executor.run(double, list(range(20)))) == {n: 2 * n for n in range(20)}
        assert dict(executor.run(double, [])) == {}


def test_both_workers_work(two_workers):
    with ClusterExecutor(two_workers.address) as executor:
        executor.client.wait_for_workers(2, timeout=20)
        processes = {pid for _, pid in executor.run(where, [0.1] * 8)}
    assert processes == {worker.pid for worker in two_workers.workers}


def test_a_task_that_raises_is_lost_alone_with_the_reason(two_workers):
    with ClusterExecutor(two_workers.address) as executor:
        results = dict(executor.run(raises, [7]))
        assert isinstance(results[0], Lost)
        assert "ValueError: no 7" in results[0].words
        assert dict(executor.run(double, [4])) == {0: 8}


def test_a_worker_lost_in_the_middle_costs_nothing_and_a_scheduler_that_goes_away_ends_the_run(tmp_path):
    marks = tmp_path / "marks"
    marks.mkdir()
    with machines(tmp_path, 2) as cluster, ClusterExecutor(cluster.address, settings=SOON_OVER) as executor:
        executor.client.wait_for_workers(2, timeout=20)
        results = {}
        for index, result in executor.run(slow_double, [(marks, n) for n in range(10)]):
            results[index] = result
            if len(results) == 3:  # on a busy machine one of the two may not have begun: kill one that has
                before = _done_by(marks)
                victim = next(worker for worker in cluster.workers if worker.pid in before)
                victim.send_signal(signal.SIGKILL)
                victim.wait()
        assert results == {n: 2 * n for n in range(10)}
        assert len(before) < 10
        assert set(_done_by(marks)) - {victim.pid}  # the one that was left went on
        ended = {}
        for index, result in executor.run(where, [0.0, 5.0, 5.0]):
            ended[index] = result
            if len(ended) == 1:
                assert cluster.scheduler is not None
                cluster.scheduler.kill()
        assert isinstance(ended[0], int)
        assert all(isinstance(ended[index], Lost) for index in (1, 2))


def _done_by(marks):
    """Process ids of the workers, as often as they began a task."""
    return [int(mark.name.split("-")[1]) for mark in marks.iterdir()]


def test_a_task_that_kills_every_worker_is_lost_alone(tmp_path):
    once = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}
    with machines(tmp_path, 5, **once) as cluster, ClusterExecutor(cluster.address, settings=SOON_OVER) as executor:
        executor.client.wait_for_workers(2, timeout=30)  # few at first, so that others are beside it when it ends them
        results = dict(executor.run(kill_on_three, [3, 0, 1, 2]))
        lost = results.pop(0)
        assert isinstance(lost, Lost)
        assert "took several workers down" in lost.words
        assert results == {1: 0, 2: 2, 3: 4}


def test_without_a_worker_left_the_rest_is_named_and_the_run_ends(tmp_path):
    with machines(tmp_path, 1) as cluster, ClusterExecutor(cluster.address, settings=SOON_OVER) as executor:
        results = {}
        for index, result in executor.run(where, [0.0, 0.5, 0.5, 0.5]):
            results[index] = result
            if len(results) == 1:
                os.kill(cluster.workers[0].pid, signal.SIGKILL)
        assert len(results) == 4
        rest = [result for result in results.values() if isinstance(result, Lost)]
        assert len(rest) >= 2
        assert all("no worker" in lost.words for lost in rest)


@pytest.mark.parametrize("address", ["localhost", "http://127.0.0.1:8786", "tcp://127.0.0.1"])
def test_what_is_no_address_is_refused(address):
    with pytest.raises(SettingsError, match="looks like tcp://host:8786"):
        ClusterExecutor(address)


def test_a_port_where_nobody_listens_is_refused():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(SettingsError, match="no scheduler answers there"):
        ClusterExecutor(f"tcp://127.0.0.1:{port}", settings=ClusterSettings(connect_s=1.0))


def test_a_scheduler_without_workers_is_refused(tmp_path):
    settings = ClusterSettings(connect_s=1.0)
    with machines(tmp_path, 0) as cluster, pytest.raises(SettingsError, match="has no workers; start some"):
        ClusterExecutor(cluster.address, settings=settings)


@pytest.mark.parametrize("program", ["none", "a part of it"])
def test_workers_without_the_program_are_refused_in_one_line(tmp_path, program):
    other = tmp_path / "other"
    other.mkdir()
    if program == "none":  # as if it were not installed there
        (other / "sitecustomize.py").write_text("import sys\nsys.modules['pipeline'] = None\n")
    else:
        (other / "pipeline").mkdir()
        (other / "pipeline" / "__init__.py").touch()
    with machines(tmp_path, 0) as cluster:
        cluster.add_worker(other)
        with pytest.raises(SettingsError, match=r"can't load reboundry \(.+\); install the same version") as told:
            ClusterExecutor(cluster.address, settings=SOON_OVER)
    assert "\n" not in str(told.value)
    assert "Traceback" not in str(told.value)


def test_each_task_on_a_worker_has_one_thread_for_the_decoder(two_workers):
    with ClusterExecutor(two_workers.address) as executor:
        assert dict(executor.run(decoder_threads, [0])) == {0: 1}


def test_workers_with_another_version_are_refused(tmp_path):
    other = tmp_path / "other"
    for folder in ("shared", "calibration", "pipeline"):
        shutil.copytree(ROOT / folder, other / folder, ignore=shutil.ignore_patterns("__pycache__"))
    with (other / "pipeline" / "physics.py").open("a") as file:
        file.write("\n# another version\n")
    with machines(tmp_path, 0) as cluster:
        cluster.add_worker(other)
        with pytest.raises(SettingsError, match=re.compile("has version .* install the same version")):
            ClusterExecutor(cluster.address)
