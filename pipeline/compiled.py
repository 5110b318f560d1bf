"""Functions compiled to machine code when they are first called, and kept for all later runs where there is room."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

from pipeline.compiled_place import folder

F = TypeVar("F", bound=Callable[..., object])

_place = folder()


def compiled(function: F) -> F:
    """Compile in full, without Python's objects. Divisions by zero give infinities, as in NumPy."""
    if _place is None:
        return cast(F, numba.njit(error_model="numpy")(function))
    config: Any = numba.config
    others, config.CACHE_DIR = config.CACHE_DIR, str(_place)  # of whoever else uses Numba in this process
    try:
        made: Any = numba.njit(cache=True, error_model="numpy")(function)
    finally:
        config.CACHE_DIR = others
    save = made._cache.save_overload

    def save_if_there_is_room(*overload: object) -> None:
        with contextlib.suppress(OSError):
            save(*overload)

    made._cache.save_overload = save_if_there_is_room
    return cast(F, made)
