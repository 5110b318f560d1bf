"""Clips handed to a Dask scheduler and its workers, behind the same one method as the local pool.

A Dask scheduler runs whatever is sent to it: keep it on a network where everybody may do that, or use tls://.
"""

from __future__ import annotations

import logging
import re
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, TypeVar

from pipeline.executor import Lost
from pipeline.work import code_version
from shared.errors import ReboundryError, SettingsError

T = TypeVar("T")
R = TypeVar("R")

_GONE = ("cancelled", "lost", "pending")  # states of a future that was done and is no more
_MOST_TIMES_LOST = 3
_ADDRESS = re.compile(r"(tcp|tls|ws|wss|ucx)://\S+:\d+/?")


class _Blamed(Lost):
    """Lost with several workers, each time it or a task beside it."""


@dataclass(frozen=True, kw_only=True)
class ClusterSettings:
    """How long to wait. ``connect_s``: for the scheduler and its first worker; ``idle_s``: with no worker left."""

    connect_s: float = 10.0
    idle_s: float = 120.0


class ClusterError(ReboundryError):
    """A worker that can't do our work: it has another version of the program, or none."""


class ClusterExecutor:
    """Runs tasks on the workers of a scheduler; use as a context manager.

    Tasks name files by their paths, so these must mean the same thing on every machine (a shared folder, or addresses
    as in pipeline/storage.py). A worker that vanishes costs nothing: the scheduler gives its tasks to another. One that
    takes several workers with it is lost, and named.
    """

    def __init__(self, address: str, *, settings: ClusterSettings = ClusterSettings()) -> None:
        """Connect. Raises SettingsError: no such scheduler, no workers, or workers with another version."""
        if not _ADDRESS.fullmatch(address):
            raise SettingsError(f"--cluster {address}: not the address of a scheduler; it looks like tcp://host:8786.")
        try:
            import distributed
        except ImportError as error:
            raise SettingsError("--cluster needs Dask; install it with `pip install 'reboundry[cluster]'`.") from error
        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is said by us, in one line
        self.address, self.settings = address, settings
        try:
            connect: Any = distributed.Client
            self.client = connect(address, timeout=settings.connect_s, set_as_default=False)
        except (OSError, ValueError) as error:
            raise SettingsError(f"--cluster {address}: no scheduler answers there; start one with `dask scheduler` and "
                                "check address and firewall.") from error
        try:
            self._check_workers()
        except BaseException:
            self.client.close()
            raise

    def __enter__(self) -> ClusterExecutor:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.client.close()

    def run(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[int, R | Lost]]:
        """See pipeline.executor.Executor. At most twice as many tasks as there are threads are in hand at once.

        The scheduler blames a worker's end on every task that was there, so those blamed together are tried once more,
        one after the other, to find the one that did it.
        """
        blamed: list[tuple[int, _Blamed]] = []
        for index, result in self._round(work, tasks, range(len(tasks))):
            if isinstance(result, _Blamed):
                blamed.append((index, result))
            else:
                yield index, result
        if len(blamed) < 2:
            yield from blamed
        else:
            for index, _ in blamed:
                yield from self._round(work, tasks, [index])

    def _round(
        self, work: Callable[[T], R], tasks: Sequence[T], indices: Sequence[int],
    ) -> Iterator[tuple[int, R | Lost]]:
        name = f"{getattr(work, '__name__', 'work')}-{uuid.uuid4().hex[:8]}"
        waiting = deque(indices)
        in_hand: dict[Any, int] = {}
        ended: SimpleQueue[Any] = SimpleQueue()
        told_lost: dict[int, int] = {}
        try:
            while waiting or in_hand:
                room = max(2, 2 * self._threads()) if waiting else 0
                while waiting and len(in_hand) < room:
                    index = waiting.popleft()
                    again = told_lost.get(index, 0)
                    future = self.client.submit(_on_worker, code_version(), work, tasks[index],
                                                key=f"{name}-{index}-{again}", pure=False)
                    future.add_done_callback(ended.put)
                    in_hand[future] = index
                future = self._next(ended)
                if future is None:
                    words = f"no worker of {self.address} is left; start some and run the same command again."
                    yield from ((index, Lost(words)) for index in [*in_hand.values(), *waiting])
                    return
                index = in_hand.pop(future)
                if future.status in _GONE and told_lost.get(index, 0) < _MOST_TIMES_LOST and self._threads():
                    # done, but its worker took the result with it before it was fetched: once more
                    told_lost[index] = told_lost.get(index, 0) + 1
                    waiting.appendleft(index)
                    continue
                yield index, self._result(future)
        finally:
            if in_hand and self.client.status == "running":
                self.client.cancel(list(in_hand), force=True)

    def _check_workers(self) -> None:
        deadline = time.monotonic() + self.settings.connect_s
        while not self._threads():
            if time.monotonic() > deadline:
                raise SettingsError(f"--cluster {self.address}: has no workers; start some with "
                                    f"`dask worker {self.address} --nthreads 1 --nworkers -1`.")
            time.sleep(0.1)
        wanted = f"install the same version of reboundry on every machine (here {code_version()})"
        try:
            versions: dict[str, str] = self.client.run(code_version)
        except OSError as error:
            raise SettingsError(f"--cluster {self.address}: its workers don't answer ({_one_line(error)}); check them "
                                "and the network between them and this machine.") from error
        except Exception as error:  # what a worker's loading raised, or distributed's own, which is a bare Exception
            raise SettingsError(f"--cluster {self.address}: its workers can't load reboundry ({_one_line(error)}); "
                                f"{wanted}.") from error
        for worker, version in versions.items():
            if version != code_version():
                raise SettingsError(f"--cluster {self.address}: worker {worker} has version {version}; {wanted}.")

    def _threads(self) -> int:
        try:
            return sum(self.client.nthreads().values()) if self.client.status == "running" else 0
        except (OSError, TimeoutError, RuntimeError):  # the last: the client gave the scheduler up just now
            return 0

    def _next(self, ended: SimpleQueue[Any]) -> Any | None:
        """The next future that is done; None when there was no worker to do one for too long."""
        idle_since: float | None = None
        while True:
            try:
                return ended.get(timeout=2.0)
            except Empty:
                if self._threads():
                    idle_since = None
                    continue
                idle_since = idle_since or time.monotonic()
                if time.monotonic() - idle_since > self.settings.idle_s:
                    return None

    def _result(self, future: Any) -> Any:
        """What the task gave back, or Lost with the reason."""
        from distributed.scheduler import KilledWorker

        if future.status == "finished":
            return future.result()
        if future.status in _GONE:
            return Lost(f"the scheduler {self.address} is gone; start it and run the same command again.")
        error = future.exception()
        if isinstance(error, KilledWorker):
            return _Blamed("took several workers down with it (out of memory?); give the workers more memory, or "
                           "measure it alone on one machine.")
        return Lost(f"could not be done on the cluster ({type(error).__name__}: {_one_line(error)}).")


def _one_line(error: BaseException | None) -> str:
    """What it says, without a traceback that it may quote."""
    return " ".join(str(error).partition("Traceback (most recent")[0].split()) or type(error).__name__


def _on_worker(version: str, work: Callable[[T], R], task: T) -> R:
    """Run one task on a worker, with the program's very version.

    One thread for OpenCV and one for the decoder, beside the one that takes its frames: how many other workers share
    the machine's processors isn't known, and a worker with a thread for each processor leaves none idle.
    """
    if version != code_version():
        raise ClusterError(f"the worker has version {code_version()}, not {version}; install the same on every machine")
    import cv2

    from pipeline.frames import share_processors

    cv2.setNumThreads(1)
    share_processors(1)
    return work(task)
