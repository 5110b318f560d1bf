"""Small tasks for real workers."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from pipeline import frames


def double(number: int) -> int:
    return 2 * number


def where(seconds: float) -> int:
    """The process that did it."""
    time.sleep(seconds)
    return os.getpid()


def slow_double(task: tuple[Path, int]) -> int:
    """Says in a file which process works on it, then takes a while."""
    folder, number = task
    (folder / f"{number}-{os.getpid()}").touch()
    time.sleep(0.3)
    return 2 * number


def kill_on_three(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def decoder_threads(_: int) -> int:
    return frames._threads


def raises(number: int) -> int:
    raise ValueError(f"no {number}")
