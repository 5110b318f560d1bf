"""Tables and balls as data: published sizes, where the sights stand, which plane is which.

Sources: WPA Tournament Table & Equipment Specifications (2001 text) for pool; Official Rules of Snooker, section 1
(WPBSA/IBSF) for snooker; UMB World Rules of Carom Billiard, art. 11, for carom. Read in reproductions: check the
current editions before quoting. The 7-ft size and the snooker nose height are common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from shared.errors import SettingsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Cushion = Literal["head", "foot", "right", "left"]
CUSHIONS: tuple[Cushion, ...] = ("head", "foot", "right", "left")
POCKETS = ("head-right", "foot-right", "foot-left", "head-left", "side-right", "side-left")


def pocket_name(text: str) -> str | None:
    """The pocket meant by a person's ``Foot Right`` or ``right_foot``; None where there is none of that name."""
    words = sorted(re.split(r"[\s_-]+", text.strip().lower()))
    return next((name for name in POCKETS if sorted(name.split("-")) == words), None)


@dataclass(frozen=True)
class Ball:
    """A ball. ``diameter_mm`` with the standard's own tolerance as ``diameter_u_mm`` (k=1, rectangular)."""

    diameter_mm: float = 57.15
    diameter_u_mm: float = 0.127 / math.sqrt(3)

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2


@dataclass(frozen=True)
class Table:
    """A table by its nose lines: length x along, width y across; noses at ``nose_height_mm`` above the cloth.

    ``sight_offset_mm``: sight centres behind the nose line. ``length_u_mm``, ``width_u_mm``: their standard
    uncertainties, from the standard's tolerance taken as rectangular, or a tape's. ``pockets``: False on a carom table.
    """

    name: str
    length_mm: float
    width_mm: float
    nose_height_mm: float
    sight_offset_mm: float
    length_u_mm: float
    width_u_mm: float
    pockets: bool
    corner_mouth_mm: float | None
    side_mouth_mm: float | None
    ball: Ball

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """(4, 2) nose-line corners in the order (0,0) (L,0) (L,W) (0,W)."""
        import numpy as np

        length, width = self.length_mm, self.width_mm
        return np.array([[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]])

    @property
    def sights_mm(self) -> NDArray[np.float64]:
        """(N, 2) sight centres (their plane is the rail top): eighths of the length, quarters of the width.

        On a pocket table the middle of a long rail is a pocket and bears none.
        """
        import numpy as np

        length, width, off = self.length_mm, self.width_mm, self.sight_offset_mm
        eighths = [n for n in range(1, 8) if not (self.pockets and n == 4)]
        long_rails = [(length * n / 8, y) for y in (-off, width + off) for n in eighths]
        short_rails = [(x, width * n / 4) for x in (-off, length + off) for n in (1, 2, 3)]
        return np.array(long_rails + short_rails)

    @property
    def pocket_centres_mm(self) -> dict[str, tuple[float, float]]:
        """Nominal pocket centres on the nose lines by name (empty on a carom table)."""
        if not self.pockets:
            return {}
        length, width = self.length_mm, self.width_mm
        return {
            "head-right": (0.0, 0.0),
            "foot-right": (length, 0.0),
            "foot-left": (length, width),
            "head-left": (0.0, width),
            "side-right": (length / 2, 0.0),
            "side-left": (length / 2, width),
        }

    def contact_distance_mm(self, radius_mm: float) -> float:
        """Horizontal distance of a ball's centre from the nose line when they touch: sqrt(R^2 - (h-R)^2)."""
        return math.sqrt(radius_mm**2 - (self.nose_height_mm - radius_mm) ** 2)

    @property
    def has_a_tables_shape(self) -> bool:
        """Whether length and width are in such a proportion as those of any table: about two to one."""
        return 1.5 <= self.length_mm / self.width_mm <= 2.5

    def sight(self, cushion: Cushion, x_mm: float, y_mm: float) -> float:
        """Place along a cushion in sights: 8 x / L on a long cushion, 4 y / W on a short one."""
        return 8 * x_mm / self.length_mm if cushion in ("right", "left") else 4 * y_mm / self.width_mm


_POOL_BALL = Ball(57.15, 0.127 / math.sqrt(3))
_POOL = {  # mouths: middle of the WPA range
    "nose_height_mm": 0.635 * 57.15, "sight_offset_mm": 93.6625, "length_u_mm": 3.175 / math.sqrt(3),
    "width_u_mm": 3.175 / math.sqrt(3), "pockets": True, "corner_mouth_mm": 115.9, "side_mouth_mm": 128.6,
    "ball": _POOL_BALL,
}
TAPE_U_MM = 1 / math.sqrt(3)  # between the noses, read to a millimetre either way

STANDARDS: dict[str, Table] = {
    "pool-9ft": Table("pool-9ft", 2540.0, 1270.0, **_POOL),  # type: ignore[arg-type]
    "pool-8ft": Table("pool-8ft", 2336.8, 1168.4, **_POOL),  # type: ignore[arg-type]
    "pool-7ft": Table("pool-7ft", 1981.2, 990.6, **_POOL),  # type: ignore[arg-type]  # 78 x 39 in, common practice
    "snooker-12ft": Table("snooker-12ft", 3569.0, 1778.0, 0.7 * 52.5, 93.6625, 13 / math.sqrt(3), 13 / math.sqrt(3),
                          True, None, None, Ball(52.5, 0.05 / math.sqrt(3))),
    "carom-284": Table("carom-284", 2840.0, 1420.0, 37.0, 93.6625, 5 / math.sqrt(3), 5 / math.sqrt(3), False, None,
                       None, Ball(61.5, 0.25 / math.sqrt(3))),
}
DEFAULT_STANDARD = "pool-9ft"
CAROM_BALL_MM = (60.5, 62.0)  # 61.0 to 61.5 (UMB), and no other game's: such a table has no pockets
_CAROM_OFF_MM = 10.0  # twice the carom area's tolerance of 5 mm (UMB 11(4))


def standard_of_sizes(sizes_mm: Mapping[str, float]) -> str:
    """The standard to which a table belongs of which only sizes are given, named as for `standard_table`.

    Carom where the balls are a carom set's, or, if they aren't given, where the playing surface is a carom table's;
    else the usual one: of tables with pockets, the standards hardly differ but in the sizes themselves.
    """
    carom = STANDARDS["carom-284"]
    ball = sizes_mm.get("ball_diameter_mm")
    if ball is not None:
        return carom.name if CAROM_BALL_MM[0] <= ball <= CAROM_BALL_MM[1] else DEFAULT_STANDARD
    area = (("length_mm", carom.length_mm), ("width_mm", carom.width_mm))
    alike = all(abs(sizes_mm.get(name, 0.0) - size) <= _CAROM_OFF_MM for name, size in area)
    return carom.name if alike else DEFAULT_STANDARD


def standard_table(name: str = DEFAULT_STANDARD, **sizes_mm: float) -> Table:
    """A table by its standard's name, with any explicit size in place of the standard's.

    ``sizes_mm``: length_mm, width_mm, nose_height_mm, sight_offset_mm, ball_diameter_mm. An unknown name raises
    SettingsError. A given ball without a given nose height scales the nose height with the ball. A given length or
    width is as uncertain as a tape's; one not given, as the standard allows.
    """
    if name not in STANDARDS:
        raise SettingsError(f"table standard {name!r} is not known; use one of {', '.join(STANDARDS)}, or give sizes.")
    table = STANDARDS[name]
    sizes = dict(sizes_mm)
    diameter = sizes.pop("ball_diameter_mm", None)
    if diameter is not None:
        if "nose_height_mm" not in sizes:
            sizes["nose_height_mm"] = table.nose_height_mm * diameter / table.ball.diameter_mm
        table = replace(table, ball=Ball(diameter, table.ball.diameter_u_mm))
    for size in ("length", "width"):
        if f"{size}_mm" in sizes:
            sizes[f"{size}_u_mm"] = TAPE_U_MM
    return replace(table, **sizes)  # type: ignore[arg-type]
