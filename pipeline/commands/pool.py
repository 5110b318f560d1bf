"""`reboundry pool`: sessions into one dataset."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

EXIT_SOME_FAILED = 1


def pool(
    sessions: Annotated[list[Path], typer.Argument(help="Measured sessions, or a folder of them.", show_default=False)],
    out: Annotated[Path, typer.Option(help="The dataset: a new folder, or one pooled before.")] = Path("dataset"),
    as_json: Annotated[bool, typer.Option("--json", help="Print what was pooled as JSON.")] = False,
) -> None:
    """Join measured sessions into one dataset; again with more sessions adds to it, and a session that was measured
    again replaces its own shots alone.

    Example: `reboundry pool evening-1 evening-2 --out dataset`
    """
    from pipeline.compare.counting import counted_mask
    from pipeline.pool import pool_sessions

    report = pool_sessions(sessions, out)
    for line in (*report.failed, *report.lines):
        typer.echo(line, err=True)
    if as_json:
        typer.echo(report.sessions.to_json(orient="records", indent=1))
    else:
        counted = int(counted_mask(report.shots).sum())
        typer.echo(
            f"{out}: {len(report.sessions)} session(s), {len(report.shots)} shots, {counted} counted; "
            f"{len(report.added)} added or changed, {len(report.unchanged)} unchanged."
        )
        typer.echo(f"  {out / 'shots.csv'}: one row per shot; {out / 'sessions.csv'}: where they came from")
        typer.echo(f"  next: reboundry compare {shlex.quote(str(out))}")
    if report.failed:
        raise typer.Exit(EXIT_SOME_FAILED)
