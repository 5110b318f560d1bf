"""Where compiled functions are kept; told without loading what compiles them.

It hangs on the text of all modules of such functions: one may call another, and what is kept would otherwise outlive a
change of what it calls.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

from shared import equipment

_HERE = Path(__file__).parent
_CONSTANTS = (_HERE / "knowledge.py", _HERE / "paths.py", _HERE / "physics.py", Path(equipment.__file__))  # compiled in
_LAST = "compiled_ready"  # written when all else is there


def folder() -> Path | None:
    """A folder for what is compiled from the modules as they are now: in the user's cache, or where the user has Numba
    keep such things (NUMBA_CACHE_DIR). None where there can't be one: then it is Numba that chooses.
    """
    paths = [*sorted(_HERE.glob("compiled*.py")), *_CONSTANTS]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()
    home = os.environ.get("NUMBA_CACHE_DIR") or os.environ.get(
        "LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME")
    try:
        chosen = (Path(home) if home else Path.home() / ".cache") / "reboundry" / digest[:16]
        chosen.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return None
    return chosen if os.access(chosen, os.W_OK) else None


def mark_complete() -> None:
    """Remember that every function has been compiled."""
    if (place := folder()) is not None:
        (place / _LAST).touch()


def is_missing() -> bool:
    """Whether the functions are yet to be compiled, as on a first run; False also where that isn't known."""
    place = folder()
    return place is not None and not (place / _LAST).exists()
