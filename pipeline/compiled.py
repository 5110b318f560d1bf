"""Functions compiled to machine code when they are first called, and kept for all later runs."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

from pipeline.compiled_place import folder

F = TypeVar("F", bound=Callable[..., object])

if (_chosen := folder()) is not None:
    setattr(numba.config, "CACHE_DIR", str(_chosen))  # noqa: B010  it sets its own attributes when it is imported


def compiled(function: F) -> F:
    """Compile in full, without Python's objects. Divisions by zero give infinities, as in NumPy."""
    try:
        return cast(F, numba.njit(cache=True, error_model="numpy")(function))
    except RuntimeError:  # there is no place to keep it: compiled anew in every process
        return cast(F, numba.njit(error_model="numpy")(function))
