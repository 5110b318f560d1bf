"""What a caller hands over, of the kind that is needed, or one line that says what to give."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping
from numbers import Integral, Real
from pathlib import Path

from shared.errors import SettingsError


def shown(value: object) -> str:
    """A value as it was given; one that may take many lines, by its type."""
    plain = value is None or isinstance(value, str | bytes | Real)
    return repr(value) if plain else f"a {type(value).__name__}"


def check_number(name: str, value: object, words: str, *, whole: bool = False) -> None:
    """Raises SettingsError for what is no number, or a fraction where a ``whole`` one is needed; NaN is a number."""
    if not isinstance(value, Integral if whole else Real) or isinstance(value, bool):
        raise SettingsError(f"{name}: {shown(value)}; it must be {words}.")


def check_text(name: str, value: object, words: str) -> None:
    """Raises SettingsError for what is no text."""
    if not isinstance(value, str):
        raise SettingsError(f"{name}: {shown(value)}; it must be {words}.")


def check_mapping(name: str, value: object, words: str) -> None:
    """Raises SettingsError for what has no names with something for each."""
    if not isinstance(value, Mapping):
        raise SettingsError(f"{name}: {shown(value)}; it must be {words}.")


def path_in(name: str, given: object) -> Path:
    """The path that a text or path object names. Raises SettingsError for anything else."""
    text = os.fspath(given) if isinstance(given, str | os.PathLike) else None
    if not isinstance(text, str):
        raise SettingsError(f'{name}: {shown(given)}; give one path, as "my-session".')
    return Path(text)


def names_in(given: object, name: str) -> tuple[str, ...]:
    """'cloth, balls' or ['cloth', 'balls'] -> ('cloth', 'balls'): a text isn't taken letter by letter.

    Raises SettingsError for what holds no names, and where one of them is missing or several itself.
    """
    words = list(given.split(",")) if isinstance(given, str) else _listed(given)
    odd = [given] if words is None else [word for word in words if not _is_one(word)]
    if words is None or odd:
        raise SettingsError(f'{name}: {shown(odd[0])}; give names, as "cloth,balls" or ["cloth", "balls"].')
    return tuple(text for word in words if (text := str(word).strip()))


def _listed(given: object) -> list[object] | None:
    if isinstance(given, bytes) or not isinstance(given, Iterable):
        return None
    try:
        return list(given)
    except TypeError:  # an array of no dimension says that it has items
        return None


def _is_one(word: object) -> bool:
    """Whether it can be a name: a text, or a number that a level is called by; NaN is none."""
    if isinstance(word, Real) and math.isnan(word):
        return False
    return isinstance(word, str) or (word is not None and not isinstance(word, Iterable))
