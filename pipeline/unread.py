"""Settings that nobody reads, where the right file isn't there but one of nearly its name, or one in clips/."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from shared.session_file import SESSION_FILE, nearest
from shared.take_sheet import TAKES_FILE

PATTERN_FOLDER = "patterns"

_ALIKE = 0.85  # of two names' letters: take and takes, not cakes
_ENDINGS = {  # that editors give a file without asking, by what it is meant to be
    TAKES_FILE: ("", ".csv", ".csv.txt", ".csv.csv", ".txt", ".tsv"),
    SESSION_FILE: ("", ".toml", ".toml.txt", ".toml.toml"),  # session.txt may be notes
}
_SHEETS = (".xlsx", ".xlsm", ".xls", ".ods", ".numbers")
_COPY = re.compile(r"\s*\(\d+\)$")  # as a browser counts what it has fetched before


def unread_settings(folder: Path) -> list[str]:
    """What of a session's folder and of its folder clips somebody may think is read; a line for each thing to do."""
    return _lines([*_misnamed(folder, TAKES_FILE), *_misnamed(folder, SESSION_FILE), *_patterns(folder)])


def unread_session_files(folder: Path) -> list[str]:
    """The same of session.toml alone."""
    return _lines(_misnamed(folder, SESSION_FILE))


def _lines(files: Iterable[tuple[str, str]]) -> list[str]:
    """Of names and what to do with each, where "{it}" stands for the file."""
    found: dict[str, list[str]] = {}
    for name, todo in files:
        found.setdefault(todo, []).append(name)
    return [f"{', '.join(names)}: {'are' if len(names) > 1 else 'is'} not read; "
            f"{todo.format(it='the right one' if len(names) > 1 else 'it')}." for todo, names in found.items()]


def _misnamed(folder: Path, wanted: str) -> Iterable[tuple[str, str]]:
    """Files that may be meant to be the ``wanted`` one, which isn't there, each with what to do with it."""
    if (folder / wanted).is_file():
        return
    for place in (folder, folder / "clips"):
        for file in _inside_of(place):
            if file.is_file() and (todo := _todo(file, wanted, folder)):
                yield file.relative_to(folder).as_posix(), todo


def _todo(file: Path, wanted: str, folder: Path) -> str:
    """What to do with a file so that it is read as the ``wanted`` one; empty where it isn't meant to be that."""
    stem, dot, ending = file.name.lower().partition(".")
    if not _is_like(_COPY.sub("", stem), wanted.partition(".")[0]):
        return ""
    place = "" if file.parent == folder else "beside clips"
    if wanted == TAKES_FILE and f".{ending}".endswith(_SHEETS):
        return " ".join(filter(None, ("save {it}", place, f"as CSV named {wanted}")))
    if dot + ending not in _ENDINGS[wanted]:
        return ""
    if not place:
        return f"rename {{it}} to {wanted}"
    return f"move {{it}} {place}" if file.name == wanted else f"move {{it}} {place} and rename it to {wanted}"


def _patterns(folder: Path) -> Iterable[tuple[str, str]]:
    """Folders of patterns, and files in the right one, each with what to do with it."""
    right = folder / PATTERN_FOLDER
    if right.is_dir():
        read = set(right.glob("*.toml"))
        for file in _pattern_files(right):
            name = f"{file.name.partition('.')[0]}.toml"
            if file not in read and not (right / name).is_file():
                yield f"{PATTERN_FOLDER}/{file.name}", f"rename it to {name}"
        return
    for place in (folder, folder / "clips"):
        for sub in _inside_of(place):
            if _is_like(sub.name.lower(), PATTERN_FOLDER) and _pattern_files(sub):
                todo = f"rename {{it}} to {PATTERN_FOLDER}" if place == folder else "move {it} beside clips"
                yield sub.relative_to(folder).as_posix(), todo


def _pattern_files(folder: Path) -> list[Path]:
    return [file for file in _inside_of(folder) if file.name.lower().endswith((".toml", ".toml.txt"))]


def _is_like(name: str, wanted: str) -> bool:
    return nearest(name, [wanted], alike=_ALIKE) is not None


def _inside_of(folder: Path) -> list[Path]:
    """All in a folder but what is hidden; nothing where there is no such folder."""
    return sorted(folder.glob("[!.]*"))
