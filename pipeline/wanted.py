"""How well a shot's angles and speeds are to be known, and what is foretold set beside it in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from shared.errors import SettingsError
from shared.given import check_number

ANGLE_DEG, SPEED_PERCENT = 0.10, 0.4  # unless others are wanted


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Standard uncertainties that are good enough. Raises SettingsError where one is not a number above 0."""

    angle_deg: float = ANGLE_DEG
    speed_percent: float = SPEED_PERCENT

    def __post_init__(self) -> None:
        for name, value, unit in (("angle", self.angle_deg, "degrees"), ("speed", self.speed_percent, "per cent")):
            check_number(f"the wanted uncertainty of {name}s", value, f"{unit} above 0, as 0.2")
            if not 0 < value < math.inf:
                raise SettingsError(f"the wanted uncertainty of {name}s is {value:g}: give {unit} above 0, e.g. 0.2.")

    @property
    def both(self) -> str:
        return f"+-{self.angle_deg:g} deg and +-{self.speed_percent:g} %"

    def of(self, name: str) -> float:
        """For one of what `ShotForecast.told` tells."""
        return self.speed_percent if "speed" in name else self.angle_deg

    def words(self, told: Mapping[str, float]) -> str:
        """What is told, with as many digits as show on which side of what is wanted each lies."""
        out = []
        for name, u in told.items():
            digits = next((d for d in (2, 3) if (round(u, d) <= self.of(name)) == (u <= self.of(name))), 4)
            out.append(f"{name} {within(u, digits)} {'%' if 'speed' in name else 'deg'}")
        return ", ".join(out)


AS_USUAL = Wanted()


def within(u: float, digits: int = 2) -> str:
    return "+-?" if math.isnan(u) else f"+-{u:.{digits}f}"
