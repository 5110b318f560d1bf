"""session.toml and takes.csv as `measure` read them: their hashes stay with the results, to notice what changes."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.recordings import log_lines
from shared.files import file_sha256
from shared.session_file import SESSION_FILE
from shared.take_sheet import TAKES_FILE

KEPT_AS = "settings_sha256"  # in datapackage.json: by name; '' for a file that there wasn't
_FILES = (SESSION_FILE, TAKES_FILE)


def declared_hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of the session's session.toml and takes.csv by name; '' where there is none. OSError: can't be read."""
    return {name: file_sha256(folder / name) if (folder / name).is_file() else "" for name in _FILES}


def kept_hashes(place: Path) -> dict[str, str]:
    """Those that were measured with, from a folder of results; none where these are of a version that kept none."""
    try:
        kept = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))[KEPT_AS]
        return {name: str(kept[name]) for name in _FILES}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def declared_since(folder: Path, place: Path) -> str:
    """What to say of files changed after measuring, to follow the session's name; empty where none was.

    folder : the session's; place : where its results are. A file that is missing was taken away only if clips are
    there: else these are results that were written, or brought, elsewhere.
    """
    kept = kept_hashes(place)
    try:
        now = declared_hashes(folder)
    except OSError:
        return ""
    changed = [name for name in kept if now[name] != kept[name] and (now[name] or _holds_clips(folder, place))]
    if not changed:
        return ""
    verb = "was" if len(changed) == 1 else "were"
    return f"{' and '.join(changed)} {verb} changed after measuring; measure again, then pool."


def _holds_clips(folder: Path, place: Path) -> bool:
    clips = {Path(str(line["clip"])).name for line in log_lines(place)}
    return any((home / clip).is_file() for home in (folder, folder / "clips") for clip in clips)
