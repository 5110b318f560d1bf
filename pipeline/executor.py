"""Work handed out clip by clip: to this process, to a pool of processes, or to anything with the same one method."""

from __future__ import annotations

import atexit
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.context import BaseContext
from types import ModuleType
from typing import Protocol, TypeVar, runtime_checkable

from pipeline.ctrl_c import do_last

T = TypeVar("T")
R = TypeVar("R")
OnReport = Callable[[float], None]

_PRELOAD = ["pipeline.clip_job", "pipeline.shots", "calibration.find", "av", "filterpy.kalman", "pyarrow.parquet"]
if sys.platform != "darwin":  # it calls LAPACK, and Apple's doesn't bear a fork after that
    _PRELOAD.append("pipeline.compiled_ready")
_NOT_STARTED = (BrokenProcessPool, EOFError, ConnectionError)  # the latter two where what starts workers was killed
_POLL_S = 0.3  # how often reports of the workers are passed on
_report_to: OnReport | None = None  # where `report` goes, in this process


def report(weight: float) -> None:
    """Say, from within a task, that ``weight`` more of the work is done. Costs nothing where nobody listens."""
    if _report_to is not None:
        _report_to(weight)


@dataclass(frozen=True)
class Lost:
    """In place of a result: the worker vanished, twice, while it did this task (killed, or out of memory)."""

    words: str = "its process was killed, twice (out of memory?); measure it alone, with --jobs 1, or free some memory."


class Executor(Protocol):
    """Runs one function over tasks. Both must pickle; paths must mean the same thing wherever the work is done."""

    def run(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[int, R | Lost]]:
        """Yield (index of the task, its result) in the order in which they are done. ``work`` itself doesn't raise."""
        ...


@runtime_checkable
class KeepsProcesses(Protocol):
    """An executor whose processes stay from one run of tasks to the next, until it is closed."""

    def close(self) -> None:
        """End them; those of one that isn't closed end with this process."""
        ...


class InProcess:
    """One after the other, right here: no start-up to pay for a single clip."""

    def __init__(self, on_report: OnReport | None = None) -> None:
        self.on_report = on_report

    def run(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[int, R | Lost]]:
        """See Executor."""
        global _report_to
        for index, task in enumerate(tasks):
            _report_to = self.on_report
            try:
                result = work(task)
            finally:
                _report_to = None
            yield index, result


class ProcessPool:
    """A pool of ``jobs`` processes, kept from one run of tasks to the next: what they imported stays loaded. A killed
    worker takes down its pool, as does the killed server that starts them: the tasks in hand are then done again, each
    alone, so that only the one that kills its worker once more is lost, and named.
    """

    def __init__(self, jobs: int, on_report: OnReport | None = None) -> None:
        self.jobs, self.on_report = jobs, on_report
        self._started: tuple[ProcessPoolExecutor, _Reports] | None = None

    def run(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[int, R | Lost]]:
        """See Executor."""
        waiting = deque(range(len(tasks)))
        while waiting:
            suspects: list[int] = []
            yield from self._until_broken(work, tasks, waiting, suspects)
            for index in suspects:
                broken: list[int] = []
                yield from self._until_broken(work, tasks, deque([index]), broken)
                if broken:
                    yield index, Lost()

    def close(self) -> None:
        """See KeepsProcesses."""
        if self._started is not None:
            self._started[0].shutdown(wait=True, cancel_futures=True)
            self._started = None

    def _until_broken(
        self, work: Callable[[T], R], tasks: Sequence[T], waiting: deque[int], suspects: list[int]
    ) -> Iterator[tuple[int, R | Lost]]:
        """Take tasks from ``waiting`` until there are none, or until a worker dies: then its ``suspects`` are left."""
        workers = min(self.jobs, len(waiting))
        self._started = self._started or _new_pool(self.jobs)
        pool, reports = self._started
        in_hand: dict[Future[R], int] = {}
        ready: list[tuple[int, R | Lost]] = []
        try:
            while waiting or in_hand:
                while waiting and len(in_hand) < workers and not suspects:  # never more than are really being done
                    index = waiting.popleft()
                    try:
                        with _without_script():
                            in_hand[pool.submit(work, tasks[index])] = index
                    except _NOT_STARTED:
                        suspects.append(index)
                yield from ready  # by now the workers have their next tasks, whatever the reader does with these
                ready = []
                if not in_hand:
                    break
                done, _ = wait(in_hand, timeout=_POLL_S if self.on_report else None, return_when=FIRST_COMPLETED)
                if self.on_report and (fresh := reports.take()):
                    self.on_report(fresh)
                for future in done:
                    index = in_hand.pop(future)
                    try:
                        ready.append((index, future.result()))
                    except BrokenProcessPool:
                        suspects.append(index)
            yield from ready
        except BaseException:  # Ctrl-C, or the reader of our results gave up: leave no process behind
            for process in list(getattr(pool, "_processes", None) or {}):
                _end(process)
            self.close()
            raise
        if suspects:
            self.close()


@contextmanager
def _without_script() -> Iterator[None]:
    """Hide the script that called us while a worker starts. It would be run once more in there, and without its
    ``if __name__ == "__main__":`` begin to measure there too; no work of ours is defined in it.
    """
    script = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = script


def _end(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGTERM)
    except ProcessLookupError:
        return


class _Reports:
    """A number that the workers add to and their parent empties."""

    def __init__(self, context: BaseContext) -> None:
        self.value = context.Value("d", 0.0)

    def add(self, weight: float) -> None:
        with self.value.get_lock():
            self.value.value += weight

    def take(self) -> float:
        lock = self.value.get_lock()
        if not lock.acquire(timeout=_POLL_S):  # a worker killed while it added: its pool is made anew, this with it
            return 0.0
        try:
            fresh = float(self.value.value)
            self.value.value = 0.0
        finally:
            lock.release()
        return fresh


def can_preload() -> bool:
    """Whether workers can be started from a process that has loaded their modules."""
    return "forkserver" in multiprocessing.get_all_start_methods()


def get_ready(tasks: int, jobs: int = 0) -> None:
    """Begin to load, in a process of its own, what the workers for so many tasks need, while this one still imports."""
    keep_blas_single()
    if can_preload() and jobs != 1 and (tasks > 1 or processors() > 1):
        _context(max(1, min(jobs or processors(), tasks)))


def _start_server() -> None:
    """Start the fork server deaf to Ctrl-C, which it would only learn to ignore after its imports; it ends with us."""
    from multiprocessing import forkserver, resource_tracker

    resource_tracker.ensure_running()  # if left to the server's start, it lets Ctrl-C through again just before that
    atexit.unregister(_end_server)
    atexit.register(_end_server)
    do_last(_end_server)
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end_server() -> None:
    """It may still be compiling, and start a worker after that for nobody."""
    from multiprocessing import forkserver

    pid = getattr(getattr(forkserver, "_forkserver", None), "_forkserver_pid", None)
    if pid is not None:
        _end(pid)


def _context(share: int) -> tuple[BaseContext, int]:
    """How processes are started, and the threads each may have when ``share`` of them share the processors."""
    keep_blas_single()
    context = multiprocessing.get_context("forkserver" if can_preload() else "spawn")
    if can_preload():
        context.set_forkserver_preload(_PRELOAD)  # imported once, then shared by every worker
        _start_server()
    return context, max(1, processors() // share)


def keep_blas_single() -> None:
    """One thread for the products of small matrices that measuring is full of: more only wait for one another, busily.

    Heeded by a process that loads NumPy afterwards: workers in any case, this one if it is called early enough.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _new_pool(jobs: int) -> tuple[ProcessPoolExecutor, _Reports]:
    """A pool that starts its processes as they are needed, and what they report by."""
    context, threads = _context(jobs)
    reports = _Reports(context)
    return ProcessPoolExecutor(jobs, context, _start_worker, (threads, reports)), reports


def _start_worker(threads: int, reports: _Reports) -> None:
    """Ctrl-C is the parent's to handle; OpenCV's and the decoder's threads are shared out, as the processors are."""
    global _report_to
    _report_to = reports.add
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import cv2

    from pipeline.frames import share_processors

    cv2.setNumThreads(threads)
    share_processors(threads)


def _end_with_parent() -> None:
    """Of a worker that was just being started when its parent was stopped, or killed, nobody knows: it ends itself."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def processors() -> int:
    """Processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def local_executor(tasks: int, jobs: int = 0, on_report: OnReport | None = None) -> Executor:
    """The cheapest executor for so many tasks. ``jobs`` 0 means one per processor; ``on_report`` gets the reports."""
    if _alone(tasks, jobs):
        return InProcess(on_report)
    return ProcessPool(max(1, min(jobs or processors(), tasks)), on_report)


def close(executor: Executor) -> None:
    """End the processes of an executor that keeps some."""
    if isinstance(executor, KeepsProcesses):
        executor.close()


def _alone(tasks: int, jobs: int) -> bool:
    return tasks <= 1 or jobs == 1
