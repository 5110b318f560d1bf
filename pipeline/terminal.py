"""What `measure` and `demo` show: progress, one line for each problem, a table of the shots, where the files are."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pandas as pd
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.assemble import check_settings
from pipeline.ctrl_c import STOPPED
from pipeline.executor import Executor, ProcessPool, close, local_executor
from pipeline.progress import TerminalProgress
from pipeline.review_file import read_reviews
from pipeline.run import RunOptions, SessionResult, measure_session
from pipeline.sessions import Session, check_names
from shared.uncertain import with_u

EXIT_DONE, EXIT_SOME_FAILED = 0, 1

_SHOWN = (
    ("in °", "incoming_angle_deg"), ("out °", "rebound_angle_deg"), ("speed m/s", "speed_at_impact_mps"),
    ("cue roll", "cue_roll_ratio"), ("cue across", "cue_cross_ratio"),
)
_MOST_ROWS = 40


def measure_each(sessions: Sequence[Session], options: RunOptions, *, as_json: bool = False) -> int:
    """Measure session by session, show it, and return the exit status."""
    results = run_sessions(sessions, options)
    show_all(results, [str(result.folder) for result in results], as_json=as_json)
    return exit_status(results)


def show_all(results: Sequence[SessionResult], places: Sequence[str], *, as_json: bool = False) -> None:
    """The shots of all sessions, as tables or as JSON. ``places``: where each session's files are."""
    with suppress(BrokenPipeError, SystemExit):  # nobody reads on (`| head`), for which Rich would end the program
        if as_json:
            rows = pd.concat([result.shots for result in results], ignore_index=True)
            print(rows.to_json(orient="records", indent=1, force_ascii=False))
            return
        for result, place in zip(results, places, strict=True):
            show(result, place)


def run_sessions(
    sessions: Sequence[Session], options: RunOptions, *, executor: Executor | None = None
) -> list[SessionResult]:
    """Measure sessions one after the other; with several and one ``out``, each gets a folder of its name in it.

    raises : SettingsError, before anything is measured, for settings of no use or folders of one name
    """
    each = [options] * len(sessions)
    if options.out is not None and len(sessions) > 1:
        check_names(sessions)
        each = [replace(options, out=options.out / session.name) for session in sessions]
    for session, own in zip(sessions, each, strict=True):
        check_settings(session)
        read_reviews(own.out or session.measured)
    results: list[SessionResult] = []
    most = max((len(session.clips) for session in sessions), default=0)
    shared = local_executor(most, options.jobs)  # workers that one session has started go on with the next one's clips
    for session, own in zip(sessions, each, strict=True):
        pool = shared if isinstance(shared, ProcessPool) and len(session.clips) > 1 else None
        with TerminalProgress() as progress:
            results.append(measure_session(session, options=own, progress=progress, executor=executor or pool))
        if results[-1].stopped:
            break
    close(shared)
    return results


def exit_status(results: Sequence[SessionResult]) -> int:
    """0 all measured, 1 some not, 130 stopped by Ctrl-C or SIGTERM."""
    if any(result.stopped for result in results):
        print("stopped; what was finished is kept, and the next run goes on from there.", file=sys.stderr)
        return STOPPED
    return EXIT_SOME_FAILED if any(result.problems for result in results) else EXIT_DONE


def show(result: SessionResult, place: str = "") -> None:
    """The shots of one session as a table on stdout, and where the files are (``place``, else its folder)."""
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
    shots = result.shots
    if len(shots) and not result.earlier:
        rows = shots.head(_MOST_ROWS).to_dict("records")
        table = Table(box=box.SIMPLE, pad_edge=False, title_justify="left",
                      title=Text(f"Session {result.session}"))  # as Text, or Rich takes [a] in a name for markup
        table.add_column("shot", overflow="fold")  # a long name gives way, the numbers never do
        for words, name in _SHOWN:
            widest = max([len(words), *(len(_cell(row, name)) for row in rows)])
            table.add_column(words, justify="right", no_wrap=True, min_width=widest)
        table.add_column("verdict", no_wrap=True, min_width=len("unusable"))
        for row in rows:
            measures = [_cell(row, name) for _, name in _SHOWN]
            table.add_row(Text(str(row["shot_id"])), *measures, _text(row.get("verdict")))
        console.print(table)
        if len(shots) > _MOST_ROWS:
            console.print(f"... and {len(shots) - _MOST_ROWS} more in shots.csv")
        console.print("± is the standard uncertainty (k=1); why a cell is empty stands in shots.csv under notes.")
    console.print(_counts(result), soft_wrap=True, markup=False)
    console.print(f"Files: {place or result.folder}/", soft_wrap=True, markup=False)


def _counts(result: SessionResult) -> str:
    shots = result.shots
    verdicts = shots["verdict"].value_counts()
    told = ", ".join(f"{n} {word}" for word, n in verdicts.items())
    many = len(result.problems)
    lost = f"; {many} problem{'s' if many > 1 else ''} named above" if many else ""
    of_which = " of the run before" if result.earlier else ""
    return f"{len(shots)} shot{'' if len(shots) == 1 else 's'}{f' ({told})' if told else ''}{of_which}{lost}."


def _cell(row: dict[Any, Any], name: str) -> str:
    value, u = row.get(name), row.get(f"{name}_u")
    if value is None or pd.isna(value):
        return ""
    return with_u(float(value), None if u is None or pd.isna(u) else float(u))


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
