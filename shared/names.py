"""Names as they are compared: the same letters may be written in two ways, and file systems differ in theirs."""

from __future__ import annotations

import re
import unicodedata


def same_letters(name: str) -> str:
    """The name with each accented letter as one character (Unicode NFC); a file copied from a Mac may have two."""
    return unicodedata.normalize("NFC", name)


def same_name(name: str) -> str:
    """What two spellings of one name share: `Ball set` and `ball-set` are `ball_set`."""
    return re.sub(r"[\s_-]+", "_", same_letters(name).strip().casefold())
