"""Which recording a clip's name stood for when the session was measured."""

from __future__ import annotations

import json
from pathlib import Path

from shared.names import same_letters

LOG_FILE = "log.jsonl"


def recordings_of(out: Path) -> dict[str, str]:
    """SHA-256 by clip (its name as `same_letters` writes it), from ``out/log.jsonl``; none where it can't be read."""
    found: dict[str, str] = {}
    try:
        lines = (out / LOG_FILE).read_text(encoding="utf-8").splitlines()
        for line in lines:
            entry = json.loads(line)
            if entry.get("sha256"):
                found[same_letters(str(entry["clip"]))] = str(entry["sha256"])
    except (OSError, ValueError, KeyError, AttributeError):
        return {}
    return found
