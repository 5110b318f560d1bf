"""Files written whole or not at all, hashes of what was read, and the version that wrote them."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO


def write_bytes(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path`` so that a reader sees the old file or the new one, never half of it."""
    write_with(path, lambda file: file.write(content))


def write_text(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8 with line feeds, whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_json(path: Path, value: Any) -> None:
    """Write ``value`` as indented JSON, whole or not at all. A NaN is refused: JSON has none."""
    write_text(path, json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def write_with(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Let ``write`` fill a temporary file beside ``path``, then put it in its place in one step.

    The system's errors bear the name of ``path``.
    """
    try:
        _write_beside(path, write)
    except OSError as error:
        if error.errno is None:  # not the system's
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error  # people don't know the temporary file's name


def _write_beside(path: Path, write: Callable[[BinaryIO], object]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())  # mkstemp makes it private; others may want to read a result
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


@cache
def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def stamp(path: Path) -> tuple[int, int, int]:
    """By which a file is known to be as it was without reading it; zeros where there is none."""
    try:
        about = path.stat()
    except OSError:
        return (0, 0, 0)
    return about.st_ino, about.st_size, about.st_mtime_ns


def text_sha256(text: str) -> str:
    """SHA-256 of a text's UTF-8, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


@cache
def tool_version() -> str:
    """Version of the installed package; "0+unknown" when run from a bare checkout."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("reboundry")
    except PackageNotFoundError:
        return "0+unknown"
