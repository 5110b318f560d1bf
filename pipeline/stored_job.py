"""What a worker does with a clip that lies elsewhere: fetch it, measure it here, put back what is kept of it."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.clip_job import ClipRecord, ClipTask, measure_clip
from pipeline.storage import Place
from pipeline.work import Entry, look_key
from shared.errors import ReboundryError
from shared.files import file_sha256

SOURCE = "source"  # the record that tells whether the clip is still the one that was looked at
_SEEN = ("detections.parquet", "frames.parquet", "pictures.parquet", "rows.parquet")


@dataclass(frozen=True, kw_only=True)
class StoredTask:
    """A ClipTask whose clip and entry lie at addresses. ``lens``: the lens file's content, as workers lack the file."""

    task: ClipTask
    clip: Place
    entry: Place
    lens: bytes | None = None


def measure_stored(stored: StoredTask) -> ClipRecord:
    """As measure_clip. The clip is fetched only if it changed or was never looked at with these settings."""
    try:
        with tempfile.TemporaryDirectory(prefix="reboundry-") as scratch:
            return _measure_in(Path(scratch), stored)
    except ReboundryError as error:
        words, name = " ".join(str(error).split()), stored.task.clip.name
        return ClipRecord(clip=name, failure=words if name in words else f"{name}: {words}")


def _measure_in(scratch: Path, stored: StoredTask) -> ClipRecord:
    task = replace(stored.task, clip=scratch / stored.task.clip.name, entry=Entry(scratch / "entry"))
    if stored.lens is not None:
        lens = scratch / "lens.json"
        lens.write_bytes(stored.lens)
        task = replace(task, settings=replace(task.settings, camera=replace(task.settings.camera, lens=lens)))
    there = fetch_entry(stored.entry, task.entry)
    fingerprint = stored.clip.fingerprint()
    known = task.entry.record(SOURCE)
    sha256 = str(known.get("sha256", "")) if fingerprint and known.get("fingerprint") == fingerprint else ""
    looked = task.entry.record("look").get("key") == look_key(sha256, task.of_recording(sha256).settings)
    if task.again or not sha256 or not looked or not task.entry.is_whole("detections", "frames", "pictures"):
        stored.clip.fetch(task.clip)
        sha256 = file_sha256(task.clip)
    record = measure_clip(replace(task, sha256=sha256))
    if task.entry.folder.is_dir():
        task.entry.keep_record(SOURCE, {"fingerprint": fingerprint, "sha256": sha256})
    _put_back(task.entry, stored.entry, there)
    return record


def fetch_entry(place: Place, entry: Entry, *, measured_only: bool = False) -> dict[str, str]:
    """Copy an entry's files here; returns the SHA-256 of each by its name.

    ``measured_only``: without the big tables of what was seen, which only measuring needs.
    """
    came: dict[str, str] = {}
    entry.folder.mkdir(parents=True, exist_ok=True)
    for name in place.files():
        if not measured_only or name not in _SEEN:
            (place / name).fetch(entry.folder / name)
            came[name] = file_sha256(entry.folder / name)
    return came


def _put_back(entry: Entry, place: Place, there: dict[str, str]) -> None:
    """Write what changed. A record vouches for tables: it goes away before them and comes after them."""
    now = {file.name: file for file in entry.folder.iterdir()} if entry.folder.is_dir() else {}
    changed = [name for name, file in now.items() if there.get(name) != file_sha256(file)]
    records = [name for name in changed if name.endswith(".json") and name != "calibration.json"]
    for name in there:
        if name not in now or (name in records and len(records) < len(changed)):
            (place / name).remove()
    for name in [*(n for n in changed if n not in records), *records]:
        (place / name).put(now[name])
