"""What was wrong with a recording for a while: it spoils, or may spoil, what is measured of shots meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """From when until when (s, as frames were taken), and what it was, in ``words`` for the user.

    surely : no shot meanwhile can be measured; else it is the reason where one can't be
    froze  : the picture stood still for several frames: what moves after it was set going before
    jump   : balls are elsewhere from one frame to the next, as they are where another recording follows
    doubt  : what to say of a shot that is measured all the same; empty: as of one that isn't
    """

    from_s: float
    until_s: float
    words: str
    surely: bool = False
    froze: bool = False
    jump: bool = False
    doubt: str = ""

    @property
    def lasts_s(self) -> float:
        return self.until_s - self.from_s

    @property
    def what(self) -> str:
        """Its words without what to do."""
        return self.words.partition(";")[0]

    @property
    def remark(self) -> str:
        """What is noted, among other things, of a shot that is measured all the same."""
        return f"{self.what}: {self.doubt}" if self.doubt else self.words.replace(";", ",")


def fault_of(faults: Sequence[Fault], from_s: float, until_s: float, *, surely: bool) -> str:
    """Words for the first one between two times; only of those that ``surely`` spoil a shot, or of any. Else empty."""
    return next((fault.words for fault in faults if fault.from_s < until_s and fault.until_s > from_s
                 and (fault.surely or not surely)), "")
