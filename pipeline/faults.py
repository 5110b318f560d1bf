"""What was wrong with a recording for a while: it spoils, or may spoil, what is measured of shots meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """From when until when (s, as frames were taken), and what it was, in ``words`` for the user.

    surely : no shot meanwhile can be measured; else it is the reason where one can't be
    """

    from_s: float
    until_s: float
    words: str
    surely: bool = False


def fault_of(faults: Sequence[Fault], from_s: float, until_s: float, *, surely: bool) -> str:
    """Words for the first one between two times; only of those that ``surely`` spoil a shot, or of any. Else empty."""
    return next((fault.words for fault in faults if fault.from_s < until_s and fault.until_s > from_s
                 and (fault.surely or not surely)), "")
