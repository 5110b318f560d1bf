"""Ctrl-C, and SIGTERM as the same, also while modules are being loaded or the program is ending already.

Python raises KeyboardInterrupt wherever it stands, and what is raised in the importing machinery's own callbacks is
thrown away: one Ctrl-C in some dozens had no effect. (CPython can only ignore what the callback of a weak reference
raises: from memory, and `tests/shell/test_ctrl_c.py` shows it.)
"""

from __future__ import annotations

import atexit
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

STOPPED = 130  # as shells count a program that Ctrl-C ended
SAID = "reboundry: stopped; what was finished is kept."
_IMPORTING = "<frozen importlib._bootstrap"
_SAME_S = 10.0  # a further one so soon would break into the ending; later, that hangs or the first was thrown away
_last: list[Callable[[], None]] = []


def do_last(act: Callable[[], None]) -> None:
    """Have something done before a Ctrl-C ends the program at once, which skips all that `atexit` knows of."""
    if act not in _last:
        _last.append(act)


@contextmanager
def heeded_in_imports() -> Iterator[None]:
    """Within this, Ctrl-C or SIGTERM ends the program at once where something is being imported; elsewhere it is raised
    as KeyboardInterrupt, and further ones that follow soon are ignored: also afterwards, when the program ends.
    """
    stop = _Stop()
    mine: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        plain: dict[int, Any] = {signal.SIGINT: signal.default_int_handler, signal.SIGTERM: signal.SIG_DFL}
        for number, how in plain.items():
            if signal.getsignal(number) is how:  # else it is ignored, or another's
                mine[number] = how
                signal.signal(number, stop)
    for number in mine:  # first of all here, so done last: then Python takes its handlers away
        atexit.register(signal.signal, number, signal.SIG_IGN)
    try:
        yield
    finally:
        if not stop.came:
            atexit.unregister(signal.signal)
            for number, how in mine.items():
                signal.signal(number, how)


class _Stop:
    """Handles the signals. ``came``: whether there was one."""

    def __init__(self) -> None:
        self.came = False
        self._when_s = 0.0

    def __call__(self, number: int, frame: FrameType | None) -> None:
        now_s = time.monotonic()
        if self.came and now_s - self._when_s < _SAME_S:
            return
        self.came, self._when_s = True, now_s
        within = frame
        while within is not None:
            if within.f_code.co_filename.startswith(_IMPORTING):
                for act in _last:
                    act()
                with suppress(OSError):  # it may be closed
                    os.write(2, f"{SAID}\n".encode())
                os._exit(STOPPED)
            within = within.f_back
        signal.default_int_handler(number, frame)
