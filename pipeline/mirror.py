"""A session that lies at an address, stood in for by a folder on this machine.

Its small files (session.toml, takes.csv, a lens ...) are fetched; its clips are empty files of the same size, as only
the workers need their content. So everything that reads or writes a session works on it as on any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from pipeline.clip_job import ClipTask
from pipeline.corrections import CORRECTIONS_FILE
from pipeline.executor import Executor, Lost
from pipeline.recordings import LOG_FILE
from pipeline.review_file import REVIEWS_FILE
from pipeline.sessions import AUDIO, Session
from pipeline.storage import Place
from pipeline.stored_job import SOURCE, StoredTask, fetch_entry, measure_stored
from pipeline.targets import MATCHED
from pipeline.work import Work, clip_stamp
from shared.clip_names import VIDEO
from shared.errors import SettingsError
from shared.files import file_sha256

T = TypeVar("T")
R = TypeVar("R")

_DEPTH: Final = 3  # folder/session/clips/clip.mp4
_SMALL: Final = 4_000_000  # bytes; settings, sheets and lens files are far below it
_KEPT_HERE: Final = frozenset({"pictures.json", f"{MATCHED}.json"})  # of a clip's entry; the rest the workers keep
_PEOPLES: Final = frozenset({REVIEWS_FILE, CORRECTIONS_FILE})  # never written by measuring
_SHOTS: Final = frozenset({"shots.csv", "datapackage.json", LOG_FILE})  # what a run that is stopped must not lose


@dataclass(frozen=True)
class Mirror:
    """``folder`` stands in for the place ``source``."""

    source: Place
    folder: Path

    def place(self, path: Path) -> Place:
        """The place that a path below the folder stands for."""
        inside = path.relative_to(self.folder).as_posix()
        return self.source if inside == "." else self.source / inside

    def words(self, text: str) -> str:
        """A message with the address in place of the folder."""
        return text.replace(str(self.folder), self.source.address)


def mirror(source: Place, folder: Path) -> Mirror:
    """Make ``folder`` stand in for ``source``. Raises SettingsError where there is nothing."""
    folder.mkdir(parents=True)
    found = source.files(_DEPTH)
    if not found:
        raise SettingsError(f"{source.address}: no such file or folder, or nothing in it; check the address.")
    for name, info in found.items():
        path = folder / name
        parts = Path(name).parts
        if "measured" in parts[:-1] or any(part.startswith(".") for part in parts):
            continue
        size = int(info.get("size") or 0)
        if path.suffix.lower() in VIDEO | AUDIO:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb") as file:
                file.truncate(size)
        elif size <= _SMALL:
            (source / name).fetch(path)
    return Mirror(source, folder)


def fetch_results(out: Place, folder: Path) -> None:
    """Bring people's decisions and corrections, the pictures drawn so far and the shots, from earlier results."""
    for name in out.files():
        if name in _PEOPLES | _SHOTS:
            (out / name).fetch(folder / name)
    for name in (out / "pictures").files():
        (out / "pictures" / name).fetch(folder / "pictures" / name)


def contents(folder: Path) -> dict[Path, str]:
    """SHA-256 of each file in a folder."""
    return {file: file_sha256(file) for file in folder.rglob("*") if file.is_file()}


def put_results(folder: Path, out: Place, *, before: Mapping[Path, str]) -> None:
    """Write the result files that changed to their place, pictures first; remove there the pictures that are no more.

    before : ``contents`` of the folder when it held what came from there
    """
    files = [file for file in folder.rglob("*") if file.is_file() and not file.name.startswith(".")]
    pictures = folder / "pictures"
    new = [file for file in files if before.get(file) != file_sha256(file)]
    for gone in (file for file in before if file.is_relative_to(pictures) and not file.exists()):
        (out / gone.relative_to(folder).as_posix()).remove()
    for file in sorted(new, key=lambda file: (file.parent == folder, file)):
        inside = file.relative_to(folder)
        if inside.parts[0] == ".work":
            if file.name in _KEPT_HERE:
                (out / inside.as_posix()).put(file)
        elif file.name not in _PEOPLES:
            (out / inside.as_posix()).put(file)


def fetch_earlier(session: Session, where: Mirror, out: Place) -> int:
    """Bring what earlier runs kept of clips that haven't changed since, so that a stopped run can keep it; how many.

    The empty files here stand in for those clips, so what is kept of a look at a clip is stamped with them.
    """
    found = 0
    work = Work(session.measured / ".work")
    there = (out / ".work").files(2)
    for clip in session.present:
        kept, entry = out / ".work" / clip.name, work.entry(clip)
        if f"{clip.name}/{SOURCE}.json" not in there:
            continue
        (kept / f"{SOURCE}.json").fetch(entry.folder / f"{SOURCE}.json")
        now = where.place(clip).fingerprint()
        if not now or entry.record(SOURCE).get("fingerprint") != now:
            continue
        fetch_entry(kept, entry, measured_only=True)
        if look := entry.record("look"):
            entry.keep_record("look", {**look, "stamp": clip_stamp(clip)})
            found += 1
    return found


class StoredExecutor:
    """Measures clips where they lie, on ``far``; what needs no clip (the drawing) is done here, on ``near``."""

    def __init__(self, far: Executor, near: Executor, *, where: Mirror, out: Place) -> None:
        self.far, self.near, self.where, self.out = far, near, where, out

    def run(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[int, R | Lost]]:
        """See pipeline.executor.Executor."""
        clips = [task for task in tasks if isinstance(task, ClipTask)]
        if not clips:
            yield from self.near.run(work, tasks)
            return
        result: Any
        for index, result in self.far.run(measure_stored, [self._stored(task) for task in clips]):
            if not isinstance(result, Lost):
                entry = clips[index].entry
                fetch_entry(self.out / ".work" / entry.folder.name, entry, measured_only=True)
            yield index, result

    def _stored(self, task: ClipTask) -> StoredTask:
        lens = task.settings.camera.lens
        entry = self.out / ".work" / task.entry.folder.name
        return StoredTask(task=task, clip=self.where.place(task.clip), entry=entry,
                          lens=lens.read_bytes() if lens else None)
