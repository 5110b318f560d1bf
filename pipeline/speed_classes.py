"""Speed classes: the player's words for how hard a shot is meant, and the speeds that `[tolerances]` gives them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from shared.errors import SettingsError
from shared.session_file import nearest

_BEFORE, _BEHIND = "speed_", "_mps"


def same_class(word: str) -> str:
    """What two spellings of one class share: `Medium` in a spreadsheet is `medium`."""
    return word.strip().casefold()


def class_of_key(key: str) -> str:
    """The class of a key of `[tolerances]` such as speed_medium_mps, as written there; "" for any other key."""
    if len(key) <= len(_BEFORE + _BEHIND) or not (key.startswith(_BEFORE) and key.endswith(_BEHIND)):
        return ""
    return key[len(_BEFORE):-len(_BEHIND)]


def class_speeds(given: Mapping[str, float | str]) -> dict[str, float]:
    """By class (as `same_class` writes it) the speed in m/s that `[tolerances]` says it means.

    Raises SettingsError where two keys mean one class.
    """
    keys: dict[str, str] = {}
    for key in given:
        if word := same_class(class_of_key(key)):
            if word in keys:
                raise SettingsError(f"[tolerances]: {keys[word]} and {key} mean the same class; remove one.")
            keys[word] = key
    return {word: float(given[key]) for word, key in keys.items()}


def without_shots(given: Mapping[str, float | str], classes: Iterable[str]) -> list[str]:
    """A line for each class of `[tolerances]` that no shot and no pattern has.

    classes : the classes as declared, in takes.csv, session.toml and in patterns
    """
    known = {same_class(word): word.strip() for word in classes if word.strip()}
    lines = []
    for key in given:
        word = class_of_key(key)
        if not word or same_class(word) in known:
            continue
        near = nearest(word, known)
        hint = f" The nearest is {known[near]!r}." if near else ""
        lines.append(f"[tolerances]: {key}: no row of takes.csv has the speed class {word!r}, so nothing is judged by "
                     f"it.{hint}")
    return lines
