"""Where compiled functions are kept; told without loading what compiles them.

It hangs on the text of all modules of such functions: one may call another, and what is kept would otherwise outlive a
change of what it calls. And on whatever else makes it useless: another Python, another Numba, another checkout.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sys
import time
from importlib.metadata import version
from pathlib import Path

from shared import equipment

FIRST_RUN = "First run here: parts of the program are compiled, which takes half a minute, once if they can be kept."
_HERE = Path(__file__).parent
_CONSTANTS = (_HERE / "knowledge.py", _HERE / "paths.py", _HERE / "physics.py", Path(equipment.__file__))  # compiled in
_LAST = "compiled_ready"  # written when all else is there
_FORGOTTEN_S = 60 * 86400.0  # what no run has used for so long is of a version that is gone


def folder() -> Path | None:
    """A folder for what is compiled from the modules as they are now: in the user's cache, or where the user has Numba
    keep such things (NUMBA_CACHE_DIR). None where there can't be one: then nothing is kept.
    """
    paths = [*sorted(_HERE.glob("compiled*.py")), *_CONSTANTS]
    of = f"{sys.implementation.cache_tag} {version('numba')} {_HERE}".encode()
    digest = hashlib.sha256(of + b"".join(path.read_bytes() for path in paths)).hexdigest()
    home = os.environ.get("NUMBA_CACHE_DIR") or os.environ.get(
        "LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME")
    try:
        chosen = (Path(home) if home else Path.home() / ".cache") / "reboundry" / digest[:16]
        chosen.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return None
    return chosen if os.access(chosen, os.W_OK) else None


def mark_complete() -> None:
    """Remember that every function has been compiled, and used now; forget those of versions that are gone."""
    place = folder()
    if place is None:
        return
    with contextlib.suppress(OSError):
        (place / _LAST).touch()
        for other in place.parent.iterdir():
            mark = other / _LAST
            if other != place and mark.exists() and time.time() - mark.stat().st_mtime > _FORGOTTEN_S:
                shutil.rmtree(other, ignore_errors=True)


def is_missing() -> bool:
    """Whether the functions are yet to be compiled, as on a first run, or on every one where nothing can be kept."""
    place = folder()
    return place is None or not (place / _LAST).exists()
