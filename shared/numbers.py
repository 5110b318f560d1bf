"""Numbers as texts: those that people declare (a date, a serial number, a reading), and those that they are shown."""

from __future__ import annotations

MOST_DIGITS = 15  # whole numbers of more are no longer the same once they are held as a float


def number_text(value: float) -> str:
    """As it was typed: 20240105, not 2.02401e+07; 40, not 40.0."""
    return f"{value:.{MOST_DIGITS}g}"


def to_places(value: float, places: int) -> str:
    """With so many decimals and a true minus sign; what rounds to nothing bears none."""
    return f"{round(value, places) + 0.0:.{places}f}".replace("-", "−")  # + 0.0: never -0.0
