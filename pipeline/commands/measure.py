"""`reboundry measure`: clips in, shots.csv out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def measure(
    paths: Annotated[list[Path], typer.Argument(help="Clips, a folder of clips, or a session.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="Where to write; else `measured/` in the session folder.")] = None,
    jobs: Annotated[int, typer.Option(help="Clips measured at once; 0 = one per processor.", min=0)] = 0,
    again: Annotated[bool, typer.Option("--again", help="Measure everything again, changed or not.")] = False,
    diagrams: Annotated[bool, typer.Option(help="Draw a table diagram per shot.")] = True,
    as_json: Annotated[bool, typer.Option("--json", help="Print the shots as JSON instead of a table.")] = False,
) -> None:
    """Measure every shot in the clips: angles, speeds and cue-ball spin, each with its uncertainty.

    Example: `reboundry measure my-session`
    """
    from pipeline.run import RunOptions
    from pipeline.terminal import measure_paths

    options = RunOptions(out=out, jobs=jobs, again=again, diagrams=diagrams)
    raise typer.Exit(measure_paths(paths, options, as_json=as_json))
