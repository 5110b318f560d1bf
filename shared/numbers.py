"""Numbers as texts: those that people declare (a date, a serial number, a reading), and those that they are shown."""

from __future__ import annotations

import re
import unicodedata

MOST_DIGITS = 15  # whole numbers of more are no longer the same once they are held as a float
_MARKS = str.maketrans("．，＋－％٫", ".,+-%.")  # full width; the last is the Arabic decimal separator


def plain_digits(text: str) -> str:
    """With full-width, Arabic and all other decimal digits as 0-9, and the marks written with them as . , + - %."""
    if text.isascii():
        return text
    return re.sub(r"\d", lambda digit: str(unicodedata.decimal(digit[0])), text).translate(_MARKS)


def number_text(value: float) -> str:
    """As it was typed: 20240105, not 2.02401e+07; 40, not 40.0."""
    return f"{value:.{MOST_DIGITS}g}"


def to_places(value: float, places: int) -> str:
    """With so many decimals and a true minus sign; what rounds to nothing bears none."""
    return f"{round(value, places) + 0.0:.{places}f}".replace("-", "−")  # + 0.0: never -0.0
