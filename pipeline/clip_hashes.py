"""Which recording a clip's file is now, read only where nothing else tells."""

from __future__ import annotations

import threading
from pathlib import Path

from pipeline.work import Work, clip_stamp
from shared.files import file_sha256


class ClipHashes:
    """SHA-256 of clips as they are now. Safe to call from several threads.

    ``out``: the results, whose .work/ tells the hash of a clip that is as it was when measured.
    """

    def __init__(self, out: Path) -> None:
        self._work = Work(out / ".work")
        self._known: dict[Path, tuple[list[int], str]] = {}
        self._lock = threading.Lock()

    def of(self, path: Path) -> str:
        """Of one clip; read again once for each change of the file. Raises OSError where it can't be read."""
        with self._lock:
            now = clip_stamp(path)
            known = self._known.get(path)
            if known is None or known[0] != now:
                look = self._work.entry(path).record("look")
                same = look.get("stamp") == now and look.get("sha256")
                known = self._known[path] = now, str(look["sha256"]) if same else file_sha256(path)
            return known[1]
