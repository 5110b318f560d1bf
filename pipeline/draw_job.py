"""Table diagrams of one clip's shots, in a process of their own: matplotlib is loaded where it is needed."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.work import Entry
from shared.settings import SessionSettings


@dataclass(frozen=True, kw_only=True)
class DrawTask:
    """The clip's entry, and where its pictures go."""

    entry: Entry
    folder: Path
    settings: SessionSettings


def shows_last(entry: Entry) -> bool:
    """True where a clip's pictures, those that are there, show what was measured last."""
    return entry.record("pictures").get("key") == entry.record("tables").get("key")


def is_drawn(task: DrawTask) -> bool:
    """True where all pictures are there and show what was measured last."""
    shots = task.entry.record("pictures").get("files", [])
    return shows_last(task.entry) and all((task.folder / name).is_file() for name in shots)


def remove_old(folder: Path, clips: Iterable[str], shots: Iterable[str]) -> None:
    """Remove from ``folder`` the pictures that no longer hold: named as a shot of ``clips``, but not in ``shots``.

    Whatever else lies there stays, and a file that can't be removed.
    """
    stems, there = {Path(clip).stem for clip in clips}, {f"{shot}.png" for shot in shots}
    for file in folder.glob("*-*.png"):
        stem, _, number = file.stem.rpartition("-")
        if stem in stems and number.isdecimal() and len(number) >= 2 and file.name not in there:
            with suppress(OSError):
                file.unlink()


def draw_clip(task: DrawTask) -> str:
    """Draw every shot of a clip to ``folder/<shot_id>.png``; the line to say if that fails, else empty."""
    from pipeline.diagram import SHOT_COLUMNS, write_diagram

    shots, contacts, tracks = (task.entry.table(name) for name in ("shots", "contacts", "tracks"))
    table = task.entry.calibration().table
    names = []
    try:
        for record in shots[list(SHOT_COLUMNS)].to_dict("records"):
            row = {str(name): value for name, value in record.items()}
            shot_id = str(row["shot_id"])
            names.append(f"{shot_id}.png")
            write_diagram(task.folder / names[-1], row, contacts[contacts["shot_id"] == shot_id],
                          tracks[tracks["shot_id"] == shot_id], table=table)
    except OSError as error:
        return f"{task.folder}: {error.strerror}; the diagrams of {task.entry.folder.name} could not be written."
    task.entry.keep_record("pictures", {"key": task.entry.record("tables").get("key"), "files": names})
    return ""
