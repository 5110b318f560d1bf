"""Whether anyone still reads what is printed: `reboundry ... | head` ends quietly, another broken pipe does not.

And streams that were closed from the start: what is printed to them goes nowhere.
"""

from __future__ import annotations

import os
import sys
from typing import TextIO

_STREAMS = ("stdin", "stdout", "stderr")


def fill_closed() -> None:
    """Open nothing in place of each standard stream that is closed (`>&-` in a shell) or isn't there (`pythonw`).

    Python has None for it, which neither flushes nor tells whether it is a terminal; and the next file to be opened
    would get its number, which every process started from here takes for the stream.
    """
    for number, name in enumerate(_STREAMS):
        if getattr(sys, name) is None:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere == number:  # the lowest number that is free: not so where someone has opened it since
                os.set_inheritable(nowhere, True)
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, open(nowhere, mode, encoding="utf-8", errors="replace"))  # noqa: SIM115  until the end


class Stdout:
    """Standard output as it was at first: Rich points it nowhere as soon as any of its writes finds a broken pipe."""

    def __init__(self) -> None:
        try:
            self._kept: int | None = os.dup(sys.stdout.fileno())
        except (OSError, ValueError, AttributeError):  # none, closed, or another's in its place
            self._kept = None

    def unread(self) -> bool:
        """True where it is a pipe whose reader has left."""
        if self._kept is None:
            return False
        import select

        if not hasattr(select, "poll"):  # Windows: what is left to be written tells it
            try:
                sys.stdout.buffer.flush()
            except OSError:
                return True
            return False
        pipe = select.poll()
        pipe.register(self._kept, select.POLLOUT)
        return any(events & (select.POLLERR | select.POLLHUP) for _, events in pipe.poll(0))

    def close(self) -> None:
        """Let go of it; nothing may be asked afterwards."""
        if self._kept is not None:
            os.close(self._kept)


def leave(stream: TextIO) -> None:
    """Send what is left to be printed nowhere: Python would try it once more at its end, and fail with a traceback."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
