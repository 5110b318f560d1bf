"""What is kept between runs, under measured/.work/: what each clip shows, and what was measured from it.

A clip's entry is named after its file and holds the key it was made with: content of the clip, the settings that bear
on it, and the version of the program. Another key, and it is made again.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.store import Calibration, read_calibrations
from shared.errors import CalibrationError, ReboundryError
from shared.files import file_sha256, stamp, text_sha256, tool_version, write_json, write_with
from shared.settings import SessionSettings


class DamagedError(ReboundryError):
    """Something kept of a clip can't be read: it has to be made again."""


@cache
def code_version() -> str:
    """The program's version and a short hash of the code that measures, so that a change of either counts."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for folder in ("shared", "calibration", "pipeline"):
        for source in sorted((root / folder).glob("*.py")):
            digest.update(source.name.encode() + source.read_bytes())
    return f"{tool_version()}+{digest.hexdigest()[:12]}"


def look_key(clip_sha256: str, settings: SessionSettings) -> str:
    """Changes when the clip, the table, the camera's settings or the program change: then it must be decoded again."""
    camera = dataclasses.asdict(settings.camera)
    camera["readout_s"] = camera["readout_s"] or None  # none given and none at all are measured alike
    camera["lens"] = file_sha256(settings.camera.lens) if settings.camera.lens else None
    table = dataclasses.asdict(settings.table)
    return text_sha256(_canonical([code_version(), clip_sha256, table, settings.head, camera]))


def clip_stamp(clip: Path) -> list[int]:
    """By which a clip is known to be unchanged without reading it: size and time of its last change. A copy that kept
    its times is the same; one that lies elsewhere has none.
    """
    return list(stamp(clip)[1:]) if clip.is_file() else []


def measures_key(look: str, *parts: Any) -> str:
    """Changes when what the clip shows changes, or anything else that goes into measuring its shots."""
    return text_sha256(_canonical([look, *parts]))


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, default=str)


@dataclass(frozen=True)
class Entry:
    """One clip's folder under .work/."""

    folder: Path

    def record(self, name: str) -> dict[str, Any]:
        """A small JSON record, empty when it isn't there or can't be read (then it is simply made again)."""
        try:
            value = json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return value if isinstance(value, dict) else {}

    def keep_record(self, name: str, value: dict[str, Any]) -> None:
        """Write a record, after the tables it vouches for."""
        write_json(self.folder / f"{name}.json", value)

    def table(self, name: str) -> pd.DataFrame:
        """A kept table. Raises DamagedError where it is missing or can't be read."""
        try:
            return pd.read_parquet(self.folder / f"{name}.parquet")
        except (OSError, ValueError) as error:  # ValueError: what pyarrow raises is one, too
            raise DamagedError(f"{self.folder / name}.parquet: can't be read ({error}); measure again.") from error

    def calibration(self) -> Calibration:
        """The clip's calibration. Raises DamagedError where it is missing or can't be read."""
        try:
            return read_calibrations(self.folder / "calibration.json")[0]
        except (CalibrationError, IndexError) as error:
            raise DamagedError(str(error)) from error

    def is_whole(self, *tables: str) -> bool:
        """Whether the calibration and these tables can be read; of a table only what its end says of it."""
        import pyarrow.parquet as pq

        try:
            self.calibration()
            for name in tables:
                pq.read_metadata(self.table_path(name))
        except (DamagedError, OSError, ValueError):
            return False
        return True

    def table_path(self, name: str) -> Path:
        """Where a kept table lies."""
        return self.folder / f"{name}.parquet"

    def keep_table(self, name: str, rows: pd.DataFrame) -> None:
        """Write a table whole or not at all."""
        write_with(self.folder / f"{name}.parquet", lambda file: rows.to_parquet(file, index=False))

    def forget(self) -> None:
        """Remove all that is kept of this clip."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def forget_measuring(self) -> None:
        """Have the shots measured anew. The tables of the last measuring stay until then, and what vouches for them."""
        for name in ("alone", "together"):
            (self.folder / f"{name}.json").unlink(missing_ok=True)


@dataclass(frozen=True)
class Work:
    """The .work/ folder of one results folder."""

    folder: Path

    @property
    def clips(self) -> list[str]:
        """The file names of all clips that were ever looked at, whether they are still there or not."""
        return [place.name for place in self.folder.iterdir() if place.is_dir()] if self.folder.is_dir() else []

    def entry(self, clip: Path) -> Entry:
        """The entry of a clip, by its file name (session-wide unique but for its extension)."""
        return Entry(self.folder / clip.name)
