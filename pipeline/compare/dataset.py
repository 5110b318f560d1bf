"""From a pooled dataset, or from session folders, to the comparison and its files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from pipeline.compare.comparison import Comparison, compare_conditions
from pipeline.compare.drawn import shots_to_draw
from pipeline.compare.output import write_comparison
from pipeline.compare.settings import CompareSettings
from pipeline.pool import pool_sessions
from pipeline.pool_dataset import changed_sessions, partition, read_partitions, read_pool
from shared.errors import SettingsError

#: what a comparison looks at in contacts
_EVENT_COLUMNS = ("session", "shot_id", "n", "kind", "ball", "other", "x_mm", "y_mm", "speed_in_mps", "speed_in_mps_u",
                  "speed_out_mps", "speed_out_mps_u")


def compare_dataset(
    dataset: Path,
    out: Path,
    *,
    settings: CompareSettings | None = None,
    title: str = "Conditions compared",
    about: str = "",
) -> tuple[Comparison, Path]:
    """Compare a dataset's conditions and write comparison.html, tables and pictures into ``out``.

    Raises SettingsError where it is no dataset or nothing in it can be compared.
    """
    if not dataset.is_dir():
        raise SettingsError(f"{dataset}: no such folder; give a dataset made by `reboundry pool`.")
    shots, contacts = read_pool(dataset, contact_columns=_EVENT_COLUMNS)
    parameters = read_partitions(dataset / "table")
    comparison = compare_conditions(shots, contacts=contacts, parameters=parameters, settings=settings)
    comparison = replace(comparison, warnings=(*changed_sessions(dataset), *comparison.warnings))
    tracks = _banked_tracks(dataset, shots_to_draw(comparison.shots, comparison.factors)[0])
    page = write_comparison(out, comparison, contacts=contacts, tracks=tracks, title=title, about=about)
    return comparison, page


def compare_demo(session_dirs: Sequence[Path], out: Path) -> tuple[str, Path]:
    """The demo's last part: pool its evenings, compare them; the text to print and the page that was written."""
    dataset = out / "dataset"
    pool_sessions(session_dirs, dataset)
    about = (
        "Two evenings in our own scenario: a hall that wonders what new cloth and polished balls do to its bank shots. "
        "The footage is rendered, not filmed. Polished and clean balls took turns in each evening, so their effect is "
        "read inside it; the cloth changed only between the evenings."
    )
    comparison, page = compare_dataset(dataset, out / "comparison", title="New cloth and polished balls", about=about)
    return comparison.text(), page


def _banked_tracks(dataset: Path, shots: pd.DataFrame) -> pd.DataFrame:
    """Tracks of these shots, only what a picture of paths needs."""
    folder = dataset / "tracks"
    if not folder.is_dir() or not any(folder.glob("session=*/*.parquet")) or shots.empty:
        return pd.DataFrame()
    columns = ["shot_id", "ball", "t_s", "x_mm", "y_mm", "session"]
    wanted = shots[["session", "shot_id", "banked_ball"]].dropna().rename(columns={"banked_ball": "ball"})
    parts = [
        _tracks(place, columns[:-1], list(mine["shot_id"]))
        .assign(session=str(session)).merge(mine, on=["session", "shot_id", "ball"])
        for session, mine in wanted.groupby("session")
        if (place := partition(folder, str(session))).is_dir()
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _tracks(place: Path, columns: list[str], shots: list[str]) -> pd.DataFrame:
    try:
        return pd.read_parquet(place, columns=columns, filters=[("shot_id", "in", shots)])
    except (OSError, ValueError) as error:
        raise SettingsError(f"{place}: its tracks are damaged or were cut short; measure that session again, then pool "
                            "into a new folder.") from error
