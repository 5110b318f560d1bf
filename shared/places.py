"""Where a path leads to, with a name of its own: `.` and `..` have none."""

from __future__ import annotations

import os
from pathlib import Path


def whole_path(path: Path) -> Path:
    """Absolute and without `..`; links stay links, but for one that a `..` behind it leads out of.

    path : of what is there or may come to be
    """
    plain = Path(os.path.abspath(path))
    elsewhere = path.exists() and not (plain.exists() and plain.samefile(path))  # link/.. is not where the link lies
    return path.resolve() if elsewhere else plain
