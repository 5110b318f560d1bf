"""Functions compiled to machine code when they are first called, and kept for all later runs.

Where they are kept hangs on the text of all modules of such functions: one may call another, and what is kept would
otherwise outlive a change of what it calls.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

import numba

from shared import equipment

F = TypeVar("F", bound=Callable[..., object])

_HERE = Path(__file__).parent
_CONSTANTS = (_HERE / "knowledge.py", _HERE / "paths.py", _HERE / "physics.py", Path(equipment.__file__))  # compiled in


def _folder() -> str:
    """A folder of the user's own for what is compiled from the modules as they are now; "" for Numba's own choice."""
    if os.environ.get("NUMBA_CACHE_DIR"):
        return ""
    paths = [*sorted(_HERE.glob("compiled*.py")), *_CONSTANTS]
    text = b"".join(path.read_bytes() for path in paths)
    home = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME")
    try:
        base = Path(home) if home else Path.home() / ".cache"
        folder = base / "reboundry" / hashlib.sha256(text).hexdigest()[:16]
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return ""
    return str(folder) if os.access(folder, os.W_OK) else ""


if _chosen := _folder():
    setattr(numba.config, "CACHE_DIR", _chosen)  # noqa: B010  it sets its own attributes when it is imported


def compiled(function: F) -> F:
    """Compile in full, without Python's objects. Divisions by zero give infinities, as in NumPy."""
    try:
        return cast(F, numba.njit(cache=True, error_model="numpy")(function))
    except RuntimeError:  # there is no place to keep it: compiled anew in every process
        return cast(F, numba.njit(error_model="numpy")(function))
