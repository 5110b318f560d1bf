"""Memory that was freed, given back to the machine."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Let go of freed memory that the C library keeps for itself: after large pictures that is 100 MB and more at 4K.

    glibc raises its own threshold for giving back as large blocks come and go; its ``malloc_trim`` undoes that. Does
    nothing where the C library has no such function.
    """
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
