"""Folders and files by address (s3://, gs://, ftp://, memory:// ...): read, and written whole or not at all, by fsspec.

Plain paths never come here on the usual way: only when a clip's or a result's place is given as an address.
"""

from __future__ import annotations

import os
import re
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from shared.errors import ReboundryError, SettingsError
from shared.files import write_with

_ADDRESS: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
#: stores in which a file appears only when all of it has been sent; elsewhere it is written beside and renamed
_WHOLE_OR_NOTHING: Final = frozenset({"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "oss"})
#: what a store may call the mark of a file's content, or the time of its last change
_MARKS: Final = ("ETag", "etag", "md5Hash", "content_md5")
_TIMES: Final = ("mtime", "LastModified", "last_modified", "updated", "modify", "created")


class StorageError(ReboundryError):
    """A place that can't be reached, read or written."""


def is_address(text: str) -> bool:
    """True for s3://bucket/folder and the like; False for paths, also Windows' with a drive letter."""
    return _ADDRESS.match(text) is not None


@dataclass(frozen=True)
class Place:
    """A folder or file anywhere that fsspec reaches. ``address``: with a protocol, or a plain path."""

    address: str

    @cached_property
    def _where(self) -> tuple[Any, str]:
        """(file system, path in it). Listings aren't cached: other machines write there, too."""
        try:
            import fsspec
        except ImportError as error:
            words = f"{self.address}: addresses need fsspec; install it with `pip install 'reboundry[cluster]'`."
            raise SettingsError(words) from error
        try:
            fs, path = fsspec.core.url_to_fs(self.address, use_listings_cache=False)
        except ImportError as error:
            raise SettingsError(f"{self.address}: {error}.") from error
        except ValueError as error:
            words = f"{self.address}: {error}; use a path or an address such as s3://bucket/folder."
            raise SettingsError(words) from error
        return fs, str(path)

    @property
    def protocols(self) -> tuple[str, ...]:
        """Names of the protocol."""
        names = self._where[0].protocol
        return (names,) if isinstance(names, str) else tuple(names)

    @property
    def name(self) -> str:
        """The last part of the address."""
        return self.address.rstrip("/").rsplit("/", 1)[-1]

    @property
    def parent(self) -> Place:
        """The folder it lies in."""
        return Place(self.address.rstrip("/").rsplit("/", 1)[0])

    @property
    def local(self) -> Path | None:
        """The path, where the place is on this machine's disk."""
        return Path(self._where[1]) if "file" in self.protocols else None

    def __truediv__(self, name: str) -> Place:
        return Place(f"{self.address.rstrip('/')}/{name}")

    def is_file(self) -> bool:
        """True for a file that is there."""
        with self._reached("read"):
            return bool(self._where[0].isfile(self._where[1]))

    def files(self, depth: int = 1) -> dict[str, dict[str, Any]]:
        """What is known of each file below, by its path from here (with /); empty where there is no such folder."""
        fs, path = self._where
        with self._reached("read"):
            try:
                found = fs.find(path, maxdepth=depth, detail=True)
            except FileNotFoundError:
                return {}
        root = path.rstrip("/") + "/"
        return {name[len(root):]: info for name, info in sorted(found.items()) if name.startswith(root)}

    def fingerprint(self) -> str:
        """Changes when the file does: the store's own mark, or size and time; empty where it tells neither."""
        fs, path = self._where
        with self._reached("read"):
            return fingerprint_of(fs.info(path))

    def fetch(self, to: Path) -> None:
        """Bring the file to this machine; a file that is here already is linked to."""
        to.parent.mkdir(parents=True, exist_ok=True)
        fs, path = self._where
        with self._reached("read"):
            if self.local is not None:
                to.unlink(missing_ok=True)
                to.symlink_to(self.local.absolute())
                os.stat(to)  # a missing file is an error now, not later
                return
            part = to.with_name(f".{to.name}.part")
            fs.get_file(path, str(part))
            part.replace(to)

    def put(self, source: Path) -> None:
        """Write the file ``source`` here, so that a reader sees the old one or the new one, never half of it."""
        fs, path = self._where
        with self._reached("written"), source.open("rb") as content:
            if self.local is not None:
                write_with(self.local, lambda file: shutil.copyfileobj(content, file))
                return
            try:
                _write(fs, path, content, self.protocols)
            except FileNotFoundError:
                fs.makedirs(path.rsplit("/", 1)[0], exist_ok=True)
                content.seek(0)
                _write(fs, path, content, self.protocols)

    def remove(self) -> None:
        """Remove the file if it is there."""
        fs, path = self._where
        with self._reached("written"):
            try:
                fs.rm_file(path)
            except FileNotFoundError:
                return

    @contextmanager
    def _reached(self, what: str) -> Iterator[None]:
        """Turn what a store's own library raises into one line."""
        try:
            yield
        except ReboundryError:
            raise
        except FileNotFoundError as error:
            raise StorageError(f"{self.address}: no such file or folder; check the address.") from error
        except NotImplementedError as error:
            words = f"{self.address}: can't be {what}, the store doesn't offer it; give another place (--out)."
            raise StorageError(words) from error
        except Exception as error:  # each store's library has errors of its own
            why = " ".join(str(error).split()) or type(error).__name__
            raise StorageError(f"{self.address}: can't be {what} ({why}); check it and your access to it.") from error


def fingerprint_of(info: dict[str, Any]) -> str:
    """See Place.fingerprint, from what the store says of a file."""
    mark = next((str(info[name]) for name in _MARKS if info.get(name)), "")
    when = next((str(info[name]) for name in _TIMES if info.get(name)), "")
    return f"{info.get('size')} {mark or when}" if mark or when else ""


def _write(fs: Any, path: str, content: Any, protocols: tuple[str, ...]) -> None:
    if _WHOLE_OR_NOTHING & set(protocols):
        file = fs.open(path, "wb", autocommit=False)
        try:
            shutil.copyfileobj(content, file)
            file.close()
        except BaseException:
            file.discard()
            raise
        file.commit()
        return
    folder, _, name = path.rpartition("/")
    part = f"{folder}/.{name}.{uuid.uuid4().hex[:8]}.part"
    try:
        with fs.open(part, "wb") as file:
            shutil.copyfileobj(content, file)
        fs.mv(part, path)
    except BaseException:
        if fs.exists(part):
            fs.rm_file(part)
        raise
