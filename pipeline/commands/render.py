"""`reboundry render`: pictures and clips for an audience."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class What(StrEnum):
    """What to make."""

    clip = "clip"
    still = "still"
    together = "together"
    side_by_side = "side-by-side"


class Moment(StrEnum):
    """Where several shots are aligned."""

    strike = "strike"
    cushion = "cushion"


def render(
    sessions: Annotated[list[Path], typer.Argument(help="Sessions that were measured.", show_default=False)],
    what: Annotated[What, typer.Option(help="One clip or still a shot, or one clip of several shots.")] = What.clip,
    shot: Annotated[list[str] | None, typer.Option(help="Only this shot; may be given again.")] = None,
    by: Annotated[list[str] | None, typer.Option(help="Label by this condition; may be given again.")] = None,
    tall: Annotated[bool, typer.Option("--tall/--wide", help="1080 x 1920 or 1920 x 1080.")] = False,
    align: Annotated[Moment, typer.Option(help="Several shots together: aligned at this moment.")] = Moment.strike,
    speed: Annotated[float, typer.Option(help="1 as filmed, 0.5 half as fast.", min=0.05, max=4)] = 1.0,
    all_shots: Annotated[bool, typer.Option("--all", help="Several shots together: also those that do not "
                                       "count (mis-hits). Clips and stills are of all.")] = False,
    title: Annotated[str, typer.Option(help="Written over a clip of several shots.")] = "",
    out: Annotated[Path | None, typer.Option(help="Folder to write to; else renders/ beside the results.")] = None,
) -> None:
    """Draw paths, angles and numbers on clips; lay shots over one another.

    Ends with 1 where a clip or still could not be made; the others are.

    Example: `reboundry render evening-1 evening-2 --what together --by cloth --align cushion`
    """
    from pipeline.cli import EXIT_SOME_FAILED
    from pipeline.progress import TerminalProgress
    from pipeline.render_run import render_sessions

    failures: list[str] = []
    with TerminalProgress() as progress:

        def tell(name: str, done: int, count: int) -> None:
            if done == 1:
                progress.start(name, float(count))
            progress.reach("", float(done))

        def fail(line: str) -> None:
            if line not in failures:  # of several shots of one clip
                failures.append(line)
                progress.say(line)

        for path in render_sessions(
            sessions, what=what.value, shots=shot or [], by=by or [], tall=tall, align=align.value, speed=speed,
            uncounted=all_shots, title=title, out=out, tell=tell, say=progress.say, fail=fail,
        ):
            typer.echo(str(path))
    if failures:
        raise typer.Exit(EXIT_SOME_FAILED)
