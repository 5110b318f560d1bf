"""What is written in a condition's cell: a number with its unit, a date or time of day, or words."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

from shared.numbers import MOST_DIGITS, plain_digits

_MONTH = (
    r"(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?"
    r"|nov(?:ember)?|dec(?:ember)?)\b"
)
_HALF_DAY = r"[ap]\.?\s?m\b\.?"
#: 007 is a name, as is what has more digits than a number keeps: written as a number it would be another one
_NUMBER = rf"[-+]?(?!0[0-9]|[0-9]{{{MOST_DIGITS + 1}}})(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?"
_MARKS = r"%°µ\"'″′”’‰"
#: begins as a word or with such a mark, so that 2.1.2026, 20:15 and 1/2 are no numbers; g/m3 ends in a digit
_UNIT = rf"(?!(?i:{_MONTH}|{_HALF_DAY}|o.clock\b))(?:[^\W\d_]|[{_MARKS}])(?:\D|(?<=[^\s\d])[123](?!\d))*"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*({_UNIT})?$")

_DATE = (
    rf"\d{{1,4}}[-./]\s?\d{{1,2}}[-./](?:\s?\d{{1,4}})?"
    rf"|\d{{1,2}}\.?\s*{_MONTH}.*|{_MONTH}\.?\s*\d{{1,2}}\b.*"
)
_CLOCK = rf"\d{{1,2}}[:h]\d{{2}}(?::\d{{2}}(?:[.,]\d+)?)?\s*(?:{_HALF_DAY}|z|[-+]\d\d:?\d\d)?|\d{{1,2}}\s*{_HALF_DAY}"
_WHEN = re.compile(rf"(?:{_DATE})|(?:(?:{_DATE})[t\s,]\s*)?(?:{_CLOCK})", re.IGNORECASE)

_CENTURY = 20  # of the years in dates without marks between: 2000 to 2099

_UNITS = """
° c °c celsius °celsius f °f fahrenheit °fahrenheit k kelvin
µm um mil mm cm m km in inch inches " ″ ” '' ft foot feet ' ′ ’ yd yard yards
mg g gram grams kg oz ounce ounces lb lbs pound pounds n kn
mm/s cm/s m/s km/h kmh kph mph ft/s in/s rpm rps rev/s hz rad rad/s
% ‰ percent pct %rh rh g/m3 g/m³ pa hpa kpa mbar bar psi atm mmhg inhg
ms s sec second seconds min minute minutes h hour hours day days week weeks month months year years
"""
_KNOWN = frozenset(_UNITS.split())


def quantity(text: str) -> tuple[float, str] | None:
    """A number and the unit behind it, '' where there is none; None for words."""
    match = _QUANTITY.match(plain_digits(text))
    return None if match is None else (float(match[1].replace(",", ".")), (match[2] or "").strip())


def are_units(texts: Iterable[str]) -> bool:
    """Whether each is a unit that numbers are given in ('' is none): 'C' and 'F', but not 'new' and 'worn'."""
    return all(not text or _folded(text) in _KNOWN for text in texts)


def _folded(unit: str) -> str:
    plain = "".join(unit.casefold().split()).replace(".", "").replace("μ", "µ")  # casefold's mu is the Greek letter
    return re.sub(r"^deg(ree)?s?", "°", plain)


def is_when(text: str) -> bool:
    """Whether a text is a date or a time of day: 2.1.2026, 2026-05-01, 20260501, 1 May, 20:15."""
    return _WHEN.fullmatch(text.strip()) is not None or _is_date_of_digits(text.strip())


def _is_date_of_digits(text: str) -> bool:
    """20260501, 01052026 or 05012026: eight digits that are a day of this century, which few serial numbers are."""
    if not re.fullmatch(r"[0-9]{8}", digits := plain_digits(text)):
        return False
    for order in ("%Y%m%d", "%d%m%Y", "%m%d%Y"):
        try:
            year = datetime.strptime(digits, order).year
        except ValueError:
            continue
        if year // 100 == _CENTURY:
            return True
    return False
