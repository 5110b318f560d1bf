"""`reboundry demo`: everything on footage that the package carries."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the two evenings and their results.")] = Path("reboundry-demo"),
    jobs: Annotated[int, typer.Option(help="Clips measured at once; 0 = one per processor.", min=0)] = 0,
) -> None:
    """Measure, judge and compare two evenings of bank shots, on footage that comes with the program.

    Example: `reboundry demo`
    """
    from pipeline.demo import ABOUT, copy_evenings
    from pipeline.executor import get_ready
    from pipeline.sessions import find_sessions

    typer.echo(ABOUT + "\n")
    sessions = find_sessions(copy_evenings(out))
    get_ready(max(len(session.clips) for session in sessions), jobs)  # before the imports that the next lines bring
    from pipeline.run import RunOptions
    from pipeline.terminal import exit_status, run_sessions, show
    from shared.errors import ReboundryError

    results = run_sessions(sessions, RunOptions(jobs=jobs))
    for result in results:
        show(result)
    status = exit_status(results)
    if any(result.stopped for result in results):
        raise typer.Exit(status)
    page: Path | None = None
    from pipeline.compare.dataset import compare_demo

    try:
        text, page = compare_demo([result.folder.parent for result in results], out)
        typer.echo(f"\nThe evenings compared:\n{text}")
    except ReboundryError as error:
        typer.echo(f"reboundry: the evenings could not be compared: {error}", err=True)
        status = max(status, 1)
    typer.echo("\nAll this is rendered, not filmed: on real tables the numbers are other ones. Where to look:")
    if page is not None:
        typer.echo(f"  {page}: the comparison with its pictures")
    for result in results:
        typer.echo(f"  {result.folder / 'report.html'}: the shots with their diagrams; the numbers are in shots.csv")
    first = shlex.quote(str(sessions[0].folder))
    typer.echo(f"  reboundry review {first}: look through the shots, accept or reject them")
    raise typer.Exit(status)
