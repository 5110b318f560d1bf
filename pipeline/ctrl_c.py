"""Ctrl-C while modules are being loaded: it ends the program, as it does later.

Python raises KeyboardInterrupt wherever it stands, and what is raised in the importing machinery's own callbacks is
thrown away: one Ctrl-C in some dozens had no effect. (CPython can only ignore what the callback of a weak reference
raises: from memory, and `tests/shell/test_ctrl_c.py` shows it.)
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

STOPPED = 130  # as shells count a program that Ctrl-C ended
SAID = "reboundry: stopped; what was finished is kept."
_IMPORTING = "<frozen importlib._bootstrap"
_last: list[Callable[[], None]] = []


def do_last(act: Callable[[], None]) -> None:
    """Have something done before a Ctrl-C ends the program at once, which skips all that `atexit` knows of."""
    if act not in _last:
        _last.append(act)


@contextmanager
def heeded_in_imports() -> Iterator[None]:
    """Within this, a Ctrl-C ends the program at once where something is being imported; elsewhere it is raised."""
    mine = (threading.current_thread() is threading.main_thread()
            and signal.getsignal(signal.SIGINT) is signal.default_int_handler)  # else it is ignored, or another's
    if mine:
        signal.signal(signal.SIGINT, _stop)
    try:
        yield
    finally:
        if mine:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _stop(number: int, frame: FrameType | None) -> None:
    within = frame
    while within is not None:
        if within.f_code.co_filename.startswith(_IMPORTING):
            for act in _last:
                act()
            os.write(2, f"{SAID}\n".encode())
            os._exit(STOPPED)
        within = within.f_back
    signal.default_int_handler(number, frame)
