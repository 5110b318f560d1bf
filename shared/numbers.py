"""Numbers that people declare (a date, a serial number, a reading) as texts."""

from __future__ import annotations

MOST_DIGITS = 15  # whole numbers of more are no longer the same once they are held as a float


def number_text(value: float) -> str:
    """As it was typed: 20240105, not 2.02401e+07; 40, not 40.0."""
    return f"{value:.{MOST_DIGITS}g}"
