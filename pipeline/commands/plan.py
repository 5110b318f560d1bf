"""`reboundry plan`: the next run sheet, and how many shots it takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from shared.errors import SettingsError


def plan(
    pattern: Annotated[
        list[str], typer.Option(help="Pattern and its target, NAME:POCKET; again for more.", show_default=False)
    ],
    speed: Annotated[str, typer.Option(help="Speed classes, e.g. slow,medium.")] = "",
    easy: Annotated[
        list[str] | None,
        typer.Option(help="Condition changed during a session: balls=clean,polished", show_default=False),
    ] = None,
    hard: Annotated[
        list[str] | None,
        typer.Option(help="Condition that stays for a session: humidity_pct=40,60", show_default=False),
    ] = None,
    batch: Annotated[str, typer.Option(help="Easy conditions that change only once a block.")] = "",
    response: Annotated[str, typer.Option(help="What is to shift, a measure of a shot.")] = "miss_mm",
    shift: Annotated[
        float | None,
        typer.Option(help="Smallest shift to be seen, in the response's unit; sizes the plan.", show_default=False),
    ] = None,
    power: Annotated[float, typer.Option(help="Chance to see it, 0.8 or 0.9.")] = 0.8,
    pilot: Annotated[
        Path | None,
        typer.Option(help="Dataset whose spread in these patterns is used; else typical values.", show_default=False),
    ] = None,
    repeats: Annotated[int | None, typer.Option(help="Blocks a session.", show_default=False)] = None,
    sessions: Annotated[
        int | None, typer.Option(help="Sessions per combination of hard levels.", show_default=False)
    ] = None,
    player: Annotated[str, typer.Option(help="Who plays.")] = "",
    seed: Annotated[int, typer.Option(help="Of the shuffling, 0 or more; the same seed gives the same sheet.")] = 1,
    out: Annotated[Path, typer.Option(help="Where to write.")] = Path("plan"),
) -> None:
    """Make a shuffled run sheet that becomes takes.csv, with the number of shots and sessions that a shift needs.

    Example: `reboundry plan --pattern long-side-bank:foot-right --easy balls=clean,polished --shift 30`
    """
    from pipeline.plan import PlanSettings, make_plan
    from pipeline.plan_files import write_plan
    from pipeline.plan_power import typical_spread
    from pipeline.plan_table import power_table

    settings = PlanSettings(
        patterns=tuple(_pattern(p) for p in pattern),
        speeds=_words(speed),
        easy=_conditions(easy),
        hard=_conditions(hard),
        batch=_words(batch),
        player=player,
        repeats=repeats,
        sessions=sessions,
        shift=shift,
        power=power,
        seed=seed,
    )
    if pilot is None:
        spread = typical_spread(response)
    else:
        from pipeline.pilot import pilot_spread, refuse_of_the_table
        from pipeline.pool_dataset import edited_copies, read_partitions, read_pool

        planned = [name for name, _ in settings.patterns]
        shots, contacts = read_pool(pilot)
        for line in edited_copies(pilot):
            typer.echo(f"NOTE: {line}")
        refuse_of_the_table(response, read_partitions(pilot / "table"))
        spread = pilot_spread(shots, response, contacts=contacts, patterns=planned, speeds=settings.speeds)
    made = make_plan(settings, spread)
    import pandas as pd

    table = power_table(shift, spread, hard=settings.hard) if shift is not None else pd.DataFrame()
    write_plan(out, made, settings, table)
    for line in made.lines:
        typer.echo(line)
    if len(table):
        typer.echo("\n" + table.to_string(index=False, na_rep="-"))
    typer.echo(f"\n{out / 'runsheet.html'}: to print; {out / made.sessions[0]}: put its clips in and fill in takes.csv")


def _pattern(text: str) -> tuple[str, str]:
    name, _, target = text.partition(":")
    if not name.strip():
        raise SettingsError(f"--pattern {text!r}: has no name; write NAME:POCKET, as long-side-bank:foot-right.")
    return name.strip(), target.strip()


def _conditions(options: list[str] | None) -> dict[str, tuple[str, ...]]:
    out: dict[str, tuple[str, ...]] = {}
    for option in options or []:
        name, equals, levels = option.partition("=")
        if not equals or not name.strip() or not _words(levels):
            raise SettingsError(f"{option!r}: write a condition as NAME=LEVEL,LEVEL, as balls=clean,polished.")
        if name.strip() in out:
            raise SettingsError(f"{name.strip()}: given twice; give all its levels at once, as {name.strip()}="
                                f"{','.join(dict.fromkeys((*out[name.strip()], *_words(levels))))}.")
        out[name.strip()] = _words(levels)
    return out


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())
