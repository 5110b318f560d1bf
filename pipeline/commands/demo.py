"""`reboundry demo`: everything on footage that the package carries."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the two evenings and their results.")] = Path("reboundry-demo"),
    jobs: Annotated[int, typer.Option(help="Clips measured at once; 0 = one per processor.", min=0)] = 0,
) -> None:
    """Measure two evenings of bank shots from footage that comes with the program.

    Example: `reboundry demo`
    """
    from pipeline.demo import ABOUT, copy_evenings
    from pipeline.run import RunOptions
    from pipeline.sessions import find_sessions
    from pipeline.terminal import exit_status, run_sessions, show

    typer.echo(ABOUT + "\n")
    sessions = find_sessions(copy_evenings(out))
    results = run_sessions(sessions, RunOptions(jobs=jobs))
    for result in results:
        show(result)
    typer.echo("\nWhere to look:")
    for result in results:
        typer.echo(f"  {result.folder / 'shots.csv'}: one row per shot; report.html beside it to look through")
    typer.echo(f"  reboundry review {sessions[0].folder}: look through the shots, accept or reject them")
    raise typer.Exit(exit_status(results))
