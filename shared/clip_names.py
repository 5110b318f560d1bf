"""Which files are clips by their names, and which clip a name typed by hand means."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from shared.names import same_letters

VIDEO = frozenset((
    ".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".mts", ".m2ts", ".ts", ".mpg", ".mpeg", ".3gp", ".wmv", ".flv",
    ".mxf", ".ogv", ".h264", ".h265", ".264", ".265", ".hevc", ".3g2", ".asf", ".divx", ".dv", ".f4v", ".m2v", ".mod",
    ".mpe", ".tod", ".vob",
))


def clip_named(name: str, clips: Sequence[str]) -> str | None:
    """The clip meant by a name: the same, the same but for case, without its extension, or with another video's.

    What stands behind a point is no extension else: shot.2 is neither shot.mp4 nor shot.1.mp4. None where no clip is
    meant, or several are.
    """
    plain = same_letters(PurePath(name.replace("\\", "/")).name)
    typed = PurePath(plain.lower())
    letters = {clip: same_letters(clip) for clip in clips}
    stems = {clip: PurePath(text).stem.lower() for clip, text in letters.items()}
    for found in (
        [clip for clip in letters if letters[clip] == plain],
        [clip for clip in letters if letters[clip].lower() == plain.lower()],
        [clip for clip in stems if stems[clip] == typed.name],
        [clip for clip in stems if stems[clip] == typed.stem and typed.suffix in VIDEO],
    ):
        if len(found) == 1:
            return found[0]
    return None
