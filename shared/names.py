"""Names as they are compared: the same letters may be written in two ways, and file systems differ in theirs."""

from __future__ import annotations

import unicodedata


def same_letters(name: str) -> str:
    """The name with each accented letter as one character (Unicode NFC); a file copied from a Mac may have two."""
    return unicodedata.normalize("NFC", name)
