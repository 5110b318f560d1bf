"""`reboundry measure --cluster` on real clips, a real scheduler and two worker processes: the same files as without."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed")

from tests.cluster.machines import ROOT, machines

pytestmark = pytest.mark.xdist_group("cluster")  # one scheduler for all of them

FILES = ("shots.csv", "contacts.csv", "tracks.parquet", "calibration.json", "table.csv", "datapackage.json")
CLIPS = ("eveningA_01.mp4", "eveningB_02.mp4")


@pytest.fixture(scope="module")
def session(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("hall") / "monday"
    folder.mkdir()
    for clip in CLIPS:
        (folder / clip).symlink_to(ROOT / "fixtures" / "evenings" / clip.split("_")[0] / clip)
    return folder


@pytest.fixture(scope="module")
def here(session, tmp_path_factory) -> Path:
    """The session measured on this machine alone."""
    out = tmp_path_factory.mktemp("here")
    ran = start(session, out).communicate(timeout=300)
    assert (out / "shots.csv").is_file(), ran
    return out


def start(session: Path | str, out: Path | str, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "reboundry", "measure", str(session), "--out", str(out), "--no-diagrams", *more],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def at_work(client: Any) -> int:
    """The process of a worker that has a clip in hand; 0 if none has."""
    for address, tasks in client.processing().items():
        if any("measure" in str(task) for task in tasks):
            return int(client.run(os.getpid, workers=[address])[address])
    return 0


def test_a_worker_killed_in_the_middle_changes_nothing(session, here, tmp_path):
    from distributed import Client

    out = tmp_path / "out"
    with machines(tmp_path, 2) as cluster, Client(cluster.address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=30)
        run = start(session, out, "--cluster", cluster.address)
        victim = 0
        while not victim and run.poll() is None:
            time.sleep(0.05)
            victim = at_work(client)
        assert victim, run.communicate()
        (worker,) = [worker for worker in cluster.workers if worker.pid == victim]
        worker.kill()
        _, told = run.communicate(timeout=300)
        assert run.returncode == 0, told
        assert worker.wait() == -9
    for name in FILES:
        assert (out / name).read_bytes() == (here / name).read_bytes(), name


def test_clips_in_a_bucket_measured_on_a_cluster(session, here, tmp_path, s3_server, monkeypatch):
    import fsspec

    from pipeline.storage import Place

    for name, value in (("AWS_ACCESS_KEY_ID", "a"), ("AWS_SECRET_ACCESS_KEY", "b"), ("AWS_ENDPOINT_URL", s3_server),
                        ("AWS_DEFAULT_REGION", "us-east-1")):
        monkeypatch.setenv(name, value)
    fsspec.filesystem("s3", skip_instance_cache=True).mkdir("footage")
    for clip in CLIPS:
        (Place("s3://footage/monday") / clip).put(session / clip)
    with machines(tmp_path, 2) as cluster:
        run = start("s3://footage/monday", "s3://footage/results", "--cluster", cluster.address)
        _, told = run.communicate(timeout=300)
        assert run.returncode == 0, told
    for name in FILES:
        Place(f"s3://footage/results/{name}").fetch(tmp_path / name)
        assert (tmp_path / name).read_bytes() == (here / name).read_bytes(), name
