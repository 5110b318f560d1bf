"""What to compare, as one frozen value."""

from __future__ import annotations

from dataclasses import dataclass

from shared.errors import SettingsError
from shared.given import check_number, names_in

USUAL_WITHIN = ("pattern", "speed_class")


def percent(share: float) -> str:
    """0.95 -> '95', 0.999 -> '99.9': with as many digits as it has, so that no level is written as 0 or 100."""
    return f"{100 * share:.6g}"


@dataclass(frozen=True, kw_only=True)
class CompareSettings:
    """``responses``, ``by``: column names; empty: the usual responses, every condition that varies and few shots lack.

    within    : columns whose combinations are compared each for itself
    adjust    : covariates, the most important first; () for none; None: the usual ones for the response
    bound     : smallest difference that matters, in the response's unit; None: half the pocket's opening
    level     : confidence of all intervals; alpha of tests is 1 - level
    bootstrap : draws, where residuals are far from normal; seed makes them repeatable
    """

    responses: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    within: tuple[str, ...] = USUAL_WITHIN
    adjust: tuple[str, ...] | None = None
    bound: float | None = None
    level: float = 0.95
    bootstrap: int = 2000
    seed: int = 1

    def __post_init__(self) -> None:
        for name in ("responses", "by", "within", "adjust"):
            given = getattr(self, name)
            object.__setattr__(self, name, given if given is None else names_in(given, name))
        check_number("level", self.level, "a number, as 0.95")
        if not 0.5 < self.level < 1:
            raise SettingsError(f"confidence {self.level} must lie between 0.5 and 1, as 0.95.")
        if self.bound is not None:
            check_number("bound", self.bound, "a number above 0")
        if self.bound is not None and not self.bound > 0:
            raise SettingsError(f"bound {self.bound} must be above 0: the smallest difference that matters.")
        clash = sorted(set(self.by) & set(self.within))
        if clash:
            raise SettingsError(f"{', '.join(clash)}: both compared and held fixed; leave it out of --by or --within.")
