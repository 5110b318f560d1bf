"""What a person points at (clips, a folder of clips, a session folder) to sessions with their clips and settings."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.as_declared import declared_hashes
from pipeline.unread import unread_settings
from shared.clip_names import VIDEO
from shared.errors import SettingsError
from shared.names import same_letters
from shared.places import whole_path
from shared.session_file import SESSION_FILE, read_session
from shared.settings import SessionSettings
from shared.take_sheet import DRY_PCT, TAKES_FILE, TakeSheet, read_takes

if TYPE_CHECKING:
    from pipeline.storage import Place

AUDIO = frozenset((
    ".wav", ".mp3", ".m4a", ".aac", ".flac", ".ogg", ".oga", ".opus", ".wma", ".aif", ".aiff", ".amr",
))
_NAMES = 10  # at most are listed in one line


@dataclass(frozen=True, kw_only=True)
class Session:
    """Clips filmed under one set of settings.

    ``clips``: those to measure; ``present``: all clips of the session that are there, but for those left out.
    ``problems``: a line for each file or row that can't be used, already worded for the user; ``remarks``: what else
    there is to say. ``left_out``: clips that can't be measured beside others, each with the line that says why.
    ``declared_sha256``: of session.toml and takes.csv as they were read, '' for one that isn't there.
    """

    name: str
    folder: Path
    clips: tuple[Path, ...]
    present: tuple[Path, ...]
    settings: SessionSettings
    takes: TakeSheet
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    declared_sha256: Mapping[str, str] = field(default_factory=dict)

    @property
    def measured(self) -> Path:
        """Where results go unless told otherwise."""
        return self.folder / "measured"


def find_sessions(paths: Sequence[Path]) -> list[Session]:
    """Sessions meant by ``paths``; clips given one by one belong to the session of their folder.

    Raises SettingsError for a path that isn't there, a folder without a clip, or a settings file that can't be used.
    """
    chosen: dict[Path, list[Path]] = {}
    problems: dict[Path, list[str]] = {}
    remarks: dict[Path, list[str]] = {}
    for path in paths:
        for folder, clips, lines in _expand(path):
            known = chosen.setdefault(folder, [])
            known.extend(clip for clip in clips if clip not in known)
            problems.setdefault(folder, []).extend(lines)
            if not path.is_file():
                remarks.setdefault(folder, []).extend(_passed_by(folder))
    return [_session(folder, clips, problems[folder], remarks.get(folder, [])) for folder, clips in chosen.items()]


def check_names(sessions: Sequence[Session]) -> None:
    """Raise SettingsError where two sessions share a name, so that one's results would replace the other's."""
    first: dict[str, Session] = {}
    for session in sessions:
        other = first.setdefault(same_letters(session.name).casefold(), session)
        if other is not session:
            raise SettingsError(f"{other.folder} and {session.folder} are both called {session.name}, and so would be "
                                "their folders of results; measure them one by one, each with an --out of its own.")


def _expand(path: Path) -> Iterable[tuple[Path, list[Path], list[str]]]:
    path = path.expanduser()
    if not path.exists():
        raise SettingsError(f"{path}: no such file or folder; check the name.")
    path = whole_path(path)  # not resolved: a linked clip belongs to the folder that it is linked into
    if path.is_file():
        if path.name in (SESSION_FILE, TAKES_FILE):
            raise SettingsError(f"{path}: is not a clip; give the folder it lies in.")
        return [(_home(path), [path], [])]
    folder = path.parent if holds_a_sessions_clips(path) else path
    if clips := _clips_in(folder):
        return [(folder, clips, _of_no_use(folder))]
    if nested := _with_clips(folder):
        return [(sub, _clips_in(sub), _of_no_use(sub)) for sub in nested]
    of_no_use = _of_no_use(folder)
    also = f" ({of_no_use[0]})" if of_no_use else ""
    raise SettingsError(f"{path}: holds no clip; put the clips (.mp4, .mov, .mkv ...) into it or into "
                        f"its folder clips{also}.")


def _home(clip: Path) -> Path:
    """The session folder of a clip: the folder it lies in, or the one above a session's folder clips."""
    return clip.parent.parent if holds_a_sessions_clips(clip.parent) else clip.parent


def holds_a_sessions_clips(folder: Path | Place) -> bool:
    """True for the folder clips of a session; one without settings or take sheet above it stands for itself."""
    return folder.name == "clips" and any((folder.parent / name).is_file() for name in (SESSION_FILE, TAKES_FILE))


def _clips_in(folder: Path) -> list[Path]:
    found = [file for place in (folder, folder / "clips") for file in _files(place) if file.suffix.lower() in VIDEO]
    return sorted(found, key=_natural)


def _with_clips(folder: Path) -> list[Path]:
    """The folders in it that are sessions of their own: those with clips, or with links to clips."""
    return [sub for sub in sorted(_inside_of(folder), key=_natural)
            if sub.is_dir() and sub.name not in ("clips", "measured") and (_clips_in(sub) or _loose_ends(sub))]


def _passed_by(folder: Path) -> list[str]:
    """A line that names the folders with clips in a folder that is measured for clips of its own."""
    names = [sub.name for sub in _with_clips(folder)] if _clips_in(folder) else []
    if not names:
        return []
    return [f"{folder}: has clips of its own, so those in its folders ({_listed(names)}) are not measured; give these "
            "folders one by one, or move its own clips into one."]


def _of_no_use(folder: Path) -> list[str]:
    """A line for each file that somebody may think gets measured: sound, and links to clips that aren't there."""
    heard = [
        f"{file.name}: is a sound file, not a clip; take it out of {file.parent.name} or bring the video it belongs to."
        for place in (folder, folder / "clips") for file in _files(place) if file.suffix.lower() in AUDIO
    ]
    return heard + [f"{link.name}: links to {link.readlink()}, which isn't there; bring that back, or put the clip "
                    "itself in the link's place." for link in _loose_ends(folder)]


def _loose_ends(folder: Path) -> list[Path]:
    """Links named like clips to what isn't there."""
    return [link for place in (folder, folder / "clips") for link in _inside_of(place)
            if link.suffix.lower() in VIDEO and link.is_symlink() and not link.exists()]


def _files(folder: Path) -> list[Path]:
    return [file for file in _inside_of(folder) if file.is_file()]


def _inside_of(folder: Path) -> list[Path]:
    """All in a folder but what is hidden; nothing where there is no such folder."""
    if not folder.is_dir():
        return []
    try:
        return [path for path in folder.iterdir() if not path.name.startswith(".")]
    except OSError as error:
        raise SettingsError(f"{folder}: cannot be read ({error.strerror}).") from error


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """clip2 before clip10."""
    parts = re.split(r"([0-9]+)", path.name.lower())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part]


def _session(folder: Path, clips: list[Path], problems: list[str], remarks: list[str]) -> Session:
    there = list(dict.fromkeys([*_clips_in(folder), *clips]))
    name = folder.name or "session"
    takes = read_takes(folder / TAKES_FILE, list(dict.fromkeys(clip.name for clip in there)))
    settings = read_session(folder / SESSION_FILE, name=name)
    unique, twice = _without_twins(sorted(clips, key=_natural), folder)
    others = [clip for clip in sorted(there, key=_natural) if clip not in clips]
    present, hidden = _without_twins([*unique, *others], folder)
    return Session(
        name=name,
        folder=folder,
        clips=tuple(unique),
        present=tuple(sorted(present, key=_natural)),
        settings=settings,
        takes=takes,
        problems=(*problems, *(line for _, line in twice), *takes.problems),
        remarks=(*remarks, *unread_settings(folder), *(line for _, line in hidden), *_without_row(unique, takes),
                 *takes.remarks, *settings.remarks, *_dry(takes, settings)),
        left_out=(*twice, *hidden),
        declared_sha256=declared_hashes(folder),
    )


def _without_twins(clips: list[Path], folder: Path) -> tuple[list[Path], list[tuple[str, str]]]:
    """Shots are named after the clip without its extension: two clips of one stem would share their names.

    Returns those that stay, and the others by their place in the session, each with a line that says why.
    """
    first: dict[str, Path] = {}
    out = []
    for clip in clips:
        other = first.setdefault(same_letters(clip.stem), clip)
        if other is not clip:
            place = _inside(clip, folder)
            out.append((place, f"{place}: has the same name as {_inside(other, folder)} but for the extension or "
                        "folder, so their shots would share names; rename one. It was left out."))
    return list(first.values()), out


def _inside(clip: Path, folder: Path) -> str:
    """A clip's path inside the session's folder."""
    return clip.relative_to(folder).as_posix() if clip.is_relative_to(folder) else clip.name


def _without_row(clips: list[Path], takes: TakeSheet) -> list[str]:
    """A line that names the clips of which takes.csv says nothing: a row may have been forgotten."""
    names = [clip.name for clip in clips if clip.name in takes.unnamed_clips]
    if not names:
        return []
    return [f"{TAKES_FILE}: has no row for {_listed(names)}; what was meant there is not declared."]


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _NAMES} more" if len(names) > _NAMES else ""
    return f"{', '.join(names[:_NAMES])}{more}"


def _dry(takes: TakeSheet, settings: SessionSettings) -> list[str]:
    """A line for each humidity so low that it may be a share."""
    given = [(f"{TAKES_FILE} row {take.row}", take.conditions.get("humidity_pct")) for take in takes.takes]
    given.append((SESSION_FILE, settings.conditions.get("humidity_pct")))
    found: dict[float, str] = {}
    for place, value in given:
        if isinstance(value, float) and 0 < value < DRY_PCT:
            found.setdefault(value, place)
    return [f"{place}: humidity_pct = {value:g} is less than any room's; if it is a share, write {100 * value:g}."
            for value, place in found.items()]
