"""A measured session read back from its files, for everything that shows it: report, review page, pictures, clips."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.clock import AS_STAMPED, ClipClock
from calibration.store import Calibration, read_calibrations
from pipeline.clip_hashes import ClipHashes
from pipeline.contacts_file import check_events, read_contacts
from pipeline.csv_tables import read_table
from pipeline.recordings import recordings_of
from shared.clip_names import VIDEO
from shared.columns import SHOTS, TRACKS
from shared.errors import SettingsError
from shared.names import same_letters
from shared.places import whole_path

MEASURED_FOLDER = "measured"
POOLED_FILE = "pool.json"  # stands in a dataset only, of whose tables some are called as a session's
_SHOT_CELLS = ("shot_id", "clip", "verdict")  # without which a row of shots.csv is no shot


@dataclass(frozen=True, eq=False)
class MeasuredSession:
    """What `measure` left behind. ``folder``: the session's own; ``out``: where its results lie."""

    folder: Path
    out: Path
    shots: pd.DataFrame  # SHOTS columns with the condition columns in their place
    contacts: pd.DataFrame
    tracks: pd.DataFrame
    calibrations: Mapping[str, Calibration]  # by clip

    @cached_property
    def conditions(self) -> list[str]:
        """The condition columns, in their order."""
        known = SHOTS.dtypes
        return [str(name) for name in self.shots.columns if name not in known]

    def shot(self, shot_id: str) -> dict[str, Any]:
        """One SHOTS row. Raises SettingsError if there is none of that name."""
        found = self.shots[self.shots["shot_id"] == shot_id]
        if found.empty:
            raise SettingsError(f"{self.out}: no shot {shot_id!r}; its shots are {', '.join(self.shots['shot_id'])}.")
        return {str(k): v for k, v in found.iloc[0].items()}

    def events_of(self, shot_id: str) -> pd.DataFrame:
        """CONTACTS rows of a shot in order of time."""
        return self.contacts[self.contacts["shot_id"] == shot_id].sort_values("t_s")

    def tracks_of(self, shot_id: str) -> pd.DataFrame:
        """TRACKS rows of a shot in order of time."""
        return self.tracks[self.tracks["shot_id"] == shot_id].sort_values(["ball", "t_s"])

    @property
    def clips(self) -> list[str]:
        """All clips of the session: those measured, and those in its folder whose table was not found."""
        present = {path.name for place in (self.folder, self.folder / "clips") if place.is_dir()
                   for path in place.iterdir() if path.suffix.lower() in VIDEO and not path.name.startswith(".")}
        return sorted({*present, *self.calibrations})

    def clock(self, clip: str) -> ClipClock:
        """By which a clip's frames are found at the times in the tables; as stamped where nothing else is known."""
        calibration = self.calibrations.get(clip)
        return calibration.clock if calibration else AS_STAMPED

    def clip_path(self, clip: str) -> Path | None:
        """Where a clip lies: in the session's folder or in clips/ below it; None if it isn't there any more."""
        name = Path(clip).name  # never a path from a table
        return next((p for p in (self.folder / name, self.folder / "clips" / name) if p.is_file()), None)

    @cached_property
    def _recordings(self) -> dict[str, str]:
        return recordings_of(self.out)

    @cached_property
    def _hashes(self) -> ClipHashes:
        return ClipHashes(self.out)

    def is_as_measured(self, path: Path) -> bool:
        """Whether a clip's file is still the recording that was measured; True where the log tells of none.

        Raises OSError where it can't be read.
        """
        measured = self._recordings.get(same_letters(path.name))
        return measured is None or self._hashes.of(path) == measured


def locate(session: Path, out: Path | None = None) -> tuple[Path, Path]:
    """The session's folder and its results, from either. Raises SettingsError where nothing was measured yet."""
    if not session.is_dir():
        raise SettingsError(f"{session}: no such folder; give a session that was measured.")
    if out is not None:
        if not (out / "shots.csv").is_file():
            raise SettingsError(f"{out}: holds no shots.csv; run `reboundry measure {session} --out {out}` first.")
        return whole_path(session), out
    if (session / MEASURED_FOLDER / "shots.csv").is_file():
        return whole_path(session), session / MEASURED_FOLDER
    if (session / "shots.csv").is_file():
        return session.resolve().parent, session
    raise SettingsError(f"{session}: has no {MEASURED_FOLDER}/shots.csv; run `reboundry measure {session}` first.")


def read_measured(session: Path, out: Path | None = None) -> MeasuredSession:
    """Read shots.csv, contacts.csv, tracks.parquet and calibration.json of a session.

    Raises SettingsError where nothing was measured, for a dataset, and where one of the last two can't be read;
    SchemaError for a CSV of no use.
    """
    folder, place = locate(session, out)
    if (place / POOLED_FILE).is_file():
        raise SettingsError(f"{place}: is a dataset and no session; give one of the sessions that are pooled in it.")
    try:
        shots = read_shots(place)
        contacts = read_contacts(place)
        check_events(place, shots, contacts)
        tracks = TRACKS.conform(pd.read_parquet(place / "tracks.parquet"))
        calibrations = {c.clip: c for c in read_calibrations(place / "calibration.json")}
    except (OSError, ValueError) as error:
        raise SettingsError(f"{place}: its files cannot be read ({error}); run `reboundry measure` again.") from error
    return MeasuredSession(folder, place, shots, contacts, tracks, calibrations)


def read_shots(place: Path) -> pd.DataFrame:
    """shots.csv in a folder of results: SHOTS columns with the condition columns in their place.

    raises : SchemaError where it can't be read, or for rows that are no shots
    """
    rows = read_table(place / "shots.csv", SHOTS, texts=_text_columns(place), filled=_SHOT_CELLS)
    return rows.reset_index(drop=True)


def _text_columns(place: Path) -> list[str]:
    """Columns of shots.csv that are texts by datapackage.json: one may look like a number (007). None without it."""
    try:
        package = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))
        (fields,) = [resource["schema"]["fields"] for resource in package["resources"] if resource["name"] == "shots"]
        return [str(field["name"]) for field in fields if field["type"] == "string"]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def session_remarks(place: Path) -> list[str]:
    """What was said of the whole session when it was measured: lines of datapackage.json's description."""
    try:
        package = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))
        return str(package.get("description", "")).splitlines()
    except (OSError, ValueError, AttributeError):
        return []
