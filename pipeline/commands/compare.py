"""`reboundry compare`: conditions against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def compare(
    dataset: Annotated[Path, typer.Argument(help="A dataset made by `reboundry pool`.", show_default=False)],
    response: Annotated[
        list[str] | None,
        typer.Option(help="What to compare, e.g. rebound_angle_deg,miss_mm; else the usual ones.", show_default=False),
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(help="Conditions, as humidity,cloth; else all that vary and few shots lack.", show_default=False),
    ] = None,
    within: Annotated[str, typer.Option(help="Compared each for itself.")] = "pattern,speed_class",
    adjust: Annotated[
        str | None,
        typer.Option(help="Covariates, the most important first; 'none' for none; else the usual.", show_default=False),
    ] = None,
    bound: Annotated[
        float | None,
        typer.Option(
            help="Smallest difference that matters, in the response's unit; else half the pocket.", show_default=False
        ),
    ] = None,
    confidence: Annotated[float, typer.Option(help="Of all intervals.")] = 0.95,
    out: Annotated[
        Path | None, typer.Option(help="Where to write; else DATASET-comparison.", show_default=False)
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the table of differences as JSON.")] = False,
) -> None:
    """Say what the conditions did: differences with honest intervals, raw and adjusted, and a page of pictures.

    Example: `reboundry compare dataset --by humidity,cloth --response miss_mm`
    """
    from pipeline.compare.dataset import compare_dataset
    from pipeline.compare.settings import CompareSettings
    from shared.places import whole_path

    settings = CompareSettings(
        responses=_words(response),
        by=_words(by),
        within=_words([within]),
        adjust=None if adjust is None else () if adjust.strip() in ("", "none") else _words([adjust]),
        bound=bound,
        level=confidence,
    )
    named = dataset if dataset.name not in ("", "..") else whole_path(dataset)
    target = out or named.parent / f"{named.name}-comparison"
    comparison, page = compare_dataset(dataset, target, settings=settings)
    if as_json:
        typer.echo(comparison.contrasts.to_json(orient="records", indent=1))
        return
    typer.echo(comparison.text())
    typer.echo(f"\n{page}: answers, pictures and tables; each table also as CSV beside it")


def _words(options: list[str] | None) -> tuple[str, ...]:
    return tuple(word.strip() for option in options or [] for word in option.split(",") if word.strip())
