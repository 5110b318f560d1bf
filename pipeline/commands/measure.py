"""`reboundry measure`: clips in, shots.csv out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def measure(
    paths: Annotated[list[str], typer.Argument(help="Clips, a folder of clips, or a session: paths, or addresses such "
                                                    "as s3://bucket/session.", show_default=False)],
    out: Annotated[str | None, typer.Option(help="Where to write; else `measured/` in the session folder.")] = None,
    jobs: Annotated[int, typer.Option(help="Clips measured at once; 0 = one per processor.", min=0)] = 0,
    again: Annotated[bool, typer.Option("--again", help="Measure everything again, changed or not.")] = False,
    diagrams: Annotated[bool, typer.Option(help="Draw a table diagram per shot.")] = True,
    cluster: Annotated[str | None, typer.Option(help="Hand the clips to a Dask scheduler: tcp://host:8786.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the shots as JSON instead of a table.")] = False,
) -> None:
    """Measure every shot in the clips: angles, speeds and cue-ball spin, each with its uncertainty.

    Example: `reboundry measure my-session`
    """
    from pipeline.storage import is_address

    if cluster or any(is_address(text) for text in (*paths, out or "")):
        from pipeline.far import FarOptions, measure_far
        from pipeline.run import RunOptions

        options = RunOptions(jobs=jobs, again=again, diagrams=diagrams)
        raise typer.Exit(measure_far(paths, FarOptions(out=out, cluster=cluster, run=options), as_json=as_json))
    from pipeline.executor import get_ready
    from pipeline.sessions import find_sessions

    sessions = find_sessions([Path(path) for path in paths])
    get_ready(max(len(session.clips) for session in sessions), jobs)  # before the imports that the next lines bring
    from pipeline.run import RunOptions
    from pipeline.terminal import measure_each

    options = RunOptions(out=Path(out) if out else None, jobs=jobs, again=again, diagrams=diagrams)
    raise typer.Exit(measure_each(sessions, options, as_json=as_json))
