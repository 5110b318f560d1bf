"""Which recording a clip's name stood for when the session was measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from shared.names import same_letters

LOG_FILE = "log.jsonl"


def recordings_of(out: Path) -> dict[str, str]:
    """SHA-256 by clip (its name as `same_letters` writes it), from ``out/log.jsonl``."""
    return {same_letters(str(line["clip"])): str(line["sha256"]) for line in log_lines(out) if line.get("sha256")}


def log_lines(out: Path) -> list[dict[str, Any]]:
    """The lines of ``out/log.jsonl`` that name a clip; none where there is no log."""
    path = out / LOG_FILE
    found = []
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines() if path.is_file() else []:
        try:
            record = json.loads(line)
        except ValueError:
            continue  # a log cut short by a full disk still tells of the other clips
        if isinstance(record, dict) and record.get("clip"):
            found.append(record)
    return found
