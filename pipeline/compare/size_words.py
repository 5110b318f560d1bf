"""What was compared, a difference's size and its interval in words, each with its unit."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.compare.responses import Response
from pipeline.condition_words import level_words

#: how a slope was read, behind its two readings
_PARTS = {"inside sessions": ", as it changed inside sessions", "between sessions": ", from session to session"}


def against_words(row: pd.Series) -> str:
    """'worn cloth against new cloth, with clean balls', of a row of the contrasts table."""
    a, b = level_words(str(row["factor"]), str(row["a"])), level_words(str(row["factor"]), str(row["b"]))
    at = f", with {row['at_words']}" if row["at_words"] else ""
    return f"{b} against {a}{at}{_PARTS.get(str(row.get('part', '')), '')}"


def number_words(value: float, response: Response) -> str:
    """'0.82°', '20 mm'."""
    unit = response.unit if response.unit == "°" or not response.unit else f" {response.unit}"
    return f"{value:.{response.digits}f}{unit}"


def size_words(size: float, response: Response) -> str:
    """A difference's size, 0 or more; one too small for the digits written is no 0."""
    if size > 0 and float(f"{size:.{response.digits}f}") == 0:
        return f"less than {number_words(10.0**-response.digits, response)}"
    return number_words(size, response)


def span_words(low: float, high: float, response: Response) -> str:
    """'22 to 54 mm shorter', or '12 mm shorter to 20 mm longer'."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "unbounded"
    if low >= 0:
        return f"{low:.{response.digits}f} to {number_words(high, response)} {response.more}"
    if high <= 0:
        return f"{-high:.{response.digits}f} to {number_words(-low, response)} {response.less}"
    return f"{number_words(-low, response)} {response.less} to {number_words(high, response)} {response.more}"
