"""From measured sessions to files for an audience: which shots, which labels, which names."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.condition_words import condition_words
from pipeline.measured_session import MeasuredSession, read_measured
from pipeline.render import (
    Align,
    RenderOptions,
    Tell,
    render_clip,
    render_side_by_side,
    render_still,
    render_together,
)
from pipeline.render_shot import ShotFilm, film_of
from shared.columns import DERIVED
from shared.errors import ReboundryError, SettingsError

RENDERS_FOLDER = "renders"


def render_sessions(
    sessions: Sequence[Path], *, what: str, shots: Sequence[str] = (), by: Sequence[str] = (), tall: bool = False,
    align: str = "strike", speed: float = 1.0, uncounted: bool = False, title: str = "", out: Path | None = None,
    tell: Callable[[str, int, int], None] | None = None, say: Callable[[str], object] | None = None,
    fail: Callable[[str], object] | None = None,
) -> Iterator[Path]:
    """Make the files one after the other and yield each path.

    what  : clip, still, together or side-by-side
    shots : shot ids; none: all that count (clips and stills, or with ``uncounted``: all)
    by    : condition columns for the labels; none: all that differ between the shots
    tell  : called with the file's name, pictures done and pictures in all
    say   : called with a line for each shot that is left out of several together; None: to stderr
    fail  : called with a line for each clip or still that can't be made, and the others are; None: the first one raises
    """
    found = [read_measured(session) for session in sessions]
    chosen = _choose(found, shots, uncounted=uncounted or what in ("clip", "still"))
    labels = labels_of([row for _, row in chosen], found, by)
    folder = out or found[0].out / RENDERS_FOLDER
    _check_folder(folder)
    options = RenderOptions(tall=tall, speed=speed, align=_moment(align))
    shape = "tall" if tall else "wide"
    shown = list(zip(chosen, labels, strict=True))
    if what in ("clip", "still"):
        for ((session, row), label), name in zip(shown, names_of(chosen), strict=True):
            try:
                film = film_of(session, row, label=label)
                path = _one(film, folder, f"{name}-{shape}", still=what == "still", options=options, tell=tell)
            except ReboundryError as error:
                if fail is None:
                    raise
                fail(str(error))
                continue
            yield path
        return
    films = [film_of(session, row, label=label) for (session, row), label in shown]
    if options.align == "cushion":
        films = _with_cushion(films, named=bool(shots), say=say or _to_stderr)
    if what == "together":
        path = folder / f"together-{align}-{shape}.mp4"
        render_together(films, path, title=title, options=options, tell=_about(path, tell))
        yield path
    else:
        path = folder / f"side-by-side-{align}-{shape}.mp4"
        render_side_by_side(films, path, options=options, tell=_about(path, tell))
        yield path


def _check_folder(folder: Path) -> None:
    there = next((place for place in (folder, *folder.parents) if place.exists()), None)
    if there is not None and not there.is_dir():
        raise SettingsError(f"{there}: is a file; give --out a folder.")


def _with_cushion(films: Sequence[ShotFilm], *, named: bool, say: Callable[[str], object]) -> list[ShotFilm]:
    """The shots that can be aligned at their first cushion. Raises SettingsError for none, or for one that was named.

    named : the shots were chosen by their names
    """
    kept = [film for film in films if film.cushion_s is not None]
    if not kept:
        raise SettingsError("none of the shots has a first cushion to align at; use --align strike.")
    for film in films:
        if film.cushion_s is None:
            words = f"{film.row['shot_id']} has no first cushion to align at"
            if named:
                raise SettingsError(f"{words}; use --align strike, or take it out.")
            say(f"{words}: left out.")
    return kept


def _to_stderr(line: str) -> None:
    print(line, file=sys.stderr)


def _about(path: Path, tell: Callable[[str, int, int], None] | None) -> Tell | None:
    return None if tell is None else lambda done, count: tell(path.name, done, count)


def names_of(chosen: Sequence[tuple[MeasuredSession, Mapping[str, Any]]]) -> list[str]:
    """A file's name for each shot: its own, with its session's before it where two have the same, else numbered."""
    own = [Path(str(row["shot_id"])).name for _, row in chosen]  # never a path from a table
    with_session = [f"{session.folder.resolve().name}-{name}" for (session, _), name in zip(chosen, own, strict=True)]
    names = [long if own.count(name) > 1 else name for name, long in zip(own, with_session, strict=True)]
    return [name if names.count(name) == 1 else f"{name}-{names[:i].count(name) + 1}" for i, name in enumerate(names)]


def _one(
    film: ShotFilm, folder: Path, name: str, *, still: bool, options: RenderOptions,
    tell: Callable[[str, int, int], None] | None,
) -> Path:
    path = folder / f"{name}.{'png' if still else 'mp4'}"
    if still:
        render_still(film, path, options=options)
    else:
        render_clip(film, path, options=options, tell=_about(path, tell))
    return path


def _choose(
    found: Sequence[MeasuredSession], shots: Sequence[str], *, uncounted: bool
) -> list[tuple[MeasuredSession, dict[str, Any]]]:
    rows = [(session, {str(k): v for k, v in row.items()}) for session in found
            for row in session.shots.to_dict("records")]
    known = [str(row["shot_id"]) for _, row in rows]
    for name in shots:
        if name not in known:
            raise SettingsError(f"no shot {name!r} in these sessions; there are {', '.join(known) or 'none'}.")
    if shots:
        return [(session, row) for session, row in rows if row["shot_id"] in shots]
    if not rows:
        raise SettingsError("no shot was measured in these sessions, so there is none to draw on.")
    chosen = [(session, row) for session, row in rows if uncounted or row.get("counted") is True]
    if not chosen:
        raise SettingsError("no shot counts; choose shots with --shot, or take all with --all.")
    return chosen


def labels_of(rows: Sequence[dict[str, Any]], found: Sequence[MeasuredSession], by: Sequence[str]) -> list[str]:
    """The conditions of each shot in words, else its name; a shot that isn't to count says so."""
    names = list(dict.fromkeys(name for session in found for name in session.conditions))
    for name in by:
        if name not in names:
            raise SettingsError(f"no condition {name!r} in these sessions; there are {', '.join(names) or 'none'}.")
    if not by:
        declared = [name for name in names if name not in DERIVED]  # those follow from two of the others
        by = [name for name in declared if len({str(row.get(name)) for row in rows}) > 1] or declared
    return [_not_counted(row) + (", ".join(condition_words(row, by).values()) or str(row["shot_id"])) for row in rows]


def _not_counted(row: dict[str, Any]) -> str:
    """What an audience must know first of a shot that comparisons leave out."""
    if row.get("counted") is True:
        return ""
    if row.get("review") == "reject":
        return "rejected: "
    verdict = row.get("verdict")
    return "mis-hit: " if verdict == "mishit" else "unusable: " if verdict == "unusable" else "not counted: "


def _moment(align: str) -> Align:
    return "cushion" if align == "cushion" else "strike"
