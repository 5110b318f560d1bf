"""The results that an earlier run left, for a run that is stopped before it has as much to write."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.measured_session import read_shots
from pipeline.recordings import LOG_FILE, log_lines
from pipeline.results import write_log
from shared.columns import SHOTS
from shared.errors import SchemaError
from shared.names import same_letters

_STOPPED = "later_run"  # in each line of a log that a later run left as it was, because it was stopped


def clips_with_shots(out: Path) -> frozenset[str]:
    """Clips that have shots in ``out/shots.csv`` (names as `same_letters` writes them); none where it is of no use."""
    try:
        clips = pd.read_csv(out / "shots.csv", usecols=["clip"], dtype="string")["clip"]
    except (OSError, ValueError):
        return frozenset()
    return frozenset(same_letters(str(clip)) for clip in clips.dropna().unique())


def leave_earlier(out: Path) -> pd.DataFrame:
    """Leave the results in ``out`` as they are, with a word in the log that a later run was stopped.

    returns : their shots, SHOTS and condition columns as they lie there; none where they hold cells of no use
    raises  : OSError where the log can't be written
    """
    if lines := log_lines(out):
        write_log(out / LOG_FILE, [{**line, _STOPPED: "stopped"} for line in lines])
    try:
        rows = read_shots(out)
        whole = SHOTS.conform(rows, extra=tuple(str(name) for name in rows.columns if name not in SHOTS.dtypes))
    except SchemaError:
        return SHOTS.empty()
    return whole[list(dict.fromkeys([*rows.columns, *whole.columns]))]


def is_of_earlier_run(out: Path) -> bool:
    """Whether the last run was stopped and left the results of the one before."""
    return any(_STOPPED in line for line in log_lines(out))
