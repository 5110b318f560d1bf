"""A real scheduler and real worker processes on this machine, started and ended by the tests."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: what Dask does beside the work, seldom: other tests run meanwhile
_QUIET = {
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    "DASK_DISTRIBUTED__ADMIN__SYSTEM_MONITOR__INTERVAL": "10s",
    "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "500ms",
}


@dataclass
class Machines:
    """Processes of one cluster. ``address``: the scheduler's."""

    folder: Path
    address: str = ""
    scheduler: subprocess.Popen[bytes] | None = None
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_worker(self, path: Path = ROOT) -> subprocess.Popen[bytes]:
        """One more worker process, with one thread; ``path``: where it finds the program."""
        place = self.folder / f"worker{len(self.workers)}"
        place.mkdir(parents=True)
        worker = _start(["worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
                         "--local-directory", str(place), "--death-timeout", "30"], place, path)
        self.workers.append(worker)
        return worker

    def end(self) -> None:
        """End what was started here, by its id."""
        for process in (*self.workers, *([self.scheduler] if self.scheduler else [])):
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in (*self.workers, *([self.scheduler] if self.scheduler else [])):
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def machines(folder: Path, workers: int, **scheduler: str) -> Iterator[Machines]:
    """A scheduler with so many workers, ended on the way out. ``scheduler``: settings of Dask's, as environment."""
    cluster = Machines(folder)
    try:
        file = folder / "scheduler.json"
        cluster.scheduler = _start(["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                                    "--scheduler-file", str(file)], folder, ROOT, scheduler)
        cluster.address = _address(file, cluster.scheduler)
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        cluster.end()


def _address(file: Path, scheduler: subprocess.Popen[bytes]) -> str:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and scheduler.poll() is None:
        try:
            return str(json.loads(file.read_text())["address"])
        except (OSError, ValueError):
            time.sleep(0.05)
    raise RuntimeError("the scheduler did not come up: " + (file.parent / "scheduler.log").read_text()[-2000:])


def _start(
    arguments: list[str], folder: Path, path: Path, more: Mapping[str, str] = {},
) -> subprocess.Popen[bytes]:
    with (folder / f"{arguments[0]}.log").open("wb") as log:
        return subprocess.Popen([sys.executable, "-m", "dask", *arguments], stdout=log, stderr=log, cwd=folder,
                                env=os.environ | {"PYTHONPATH": str(path), "OMP_NUM_THREADS": "1", **_QUIET, **more})
