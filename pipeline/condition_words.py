"""Conditions as people read them: "temperature 24.1 °C", "worn cloth", not "temperature_c 24.1"."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from pipeline.compare.quantities import is_when
from shared.columns import DERIVED
from shared.numbers import number_text

#: a condition's name without its unit suffix, and the unit to write behind a level
_UNITS = {"_pct": " %", "_c": " °C", "_gm3": " g/m³", "_hpa": " hPa", "_mm": " mm", "_mps": " m/s", "_deg": "°"}


def level_words(factor: str, level: str) -> str:
    """('humidity_pct', '60') -> 'humidity 60 %'; ('cloth', 'new') -> 'new cloth'."""
    for suffix, unit in _UNITS.items():
        if factor.endswith(suffix):
            return f"{_spaced(factor.removesuffix(suffix))} {level}{unit if _is_number(level) else ''}"
    if _is_number(level) or is_when(level):
        return f"{_spaced(factor)} {level}"
    return f"{level} {_spaced(factor)}"


def heading(name: str) -> str:
    """Over a column of values: 'humidity_pct' -> 'humidity, %'."""
    for suffix, unit in _UNITS.items():
        if name.endswith(suffix):
            return f"{_spaced(name.removesuffix(suffix))}, {unit.strip()}"
    return _spaced(name)


def value_words(name: str, value: Any) -> str:
    """A cell as declared, or to three digits where it was worked out; "" for an empty one."""
    if value is None or pd.isna(value):
        return ""
    if not isinstance(value, float):
        return str(value).strip()
    shown = f"{value + 0.0:#.3g}".rstrip(".") if name in DERIVED else number_text(value)
    return shown.replace("-", "−")


def condition_words(row: Mapping[str, Any], names: Iterable[str]) -> dict[str, str]:
    """By name the conditions of a shot in words, those that are not empty."""
    shown = {name: value_words(name, row.get(name)) for name in names}
    return {name: level_words(name, words) for name, words in shown.items() if words}


def _spaced(name: str) -> str:
    return name.replace("_", " ")


def _is_number(text: str) -> bool:
    try:
        float(text.replace("−", "-"))
    except ValueError:
        return False
    return True
