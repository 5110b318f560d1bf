"""`reboundry calibrate`: find the table in one clip or picture, draw it, correct its corners."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from pipeline.wanted import ANGLE_DEG, SPEED_PERCENT

Head = Literal["picture-left", "picture-right", "picture-top", "picture-bottom"]


def calibrate(
    path: Annotated[Path, typer.Argument(help="One clip or picture; with --lens, a clip of a chessboard.",
                                         show_default=False)],
    table: Annotated[str | None, typer.Option(help="Table by its standard, e.g. pool-8ft.")] = None,
    size: Annotated[str | None, typer.Option(help="Sizes nose to nose and ball: LENGTH,WIDTH,BALL in mm.")] = None,
    head: Annotated[Head | None, typer.Option(help="Which end of the picture is the head of the table.")] = None,
    corners: Annotated[
        tuple[str, str, str, str] | None,
        typer.Option(help="Where the nose lines cross, by hand: head-right, foot-right, foot-left, head-left, in px.",
                     metavar="X,Y X,Y X,Y X,Y"),
    ] = None,
    wanted_angle: Annotated[float | None, typer.Option(
        help="Standard uncertainty, in degrees, to which angles are to be known: what would help is told for shots of "
             f"which they aren't. {ANGLE_DEG:g} unless given.", metavar="DEGREES", show_default=False)] = None,
    wanted_speed: Annotated[float | None, typer.Option(
        help=f"The same for speeds, in per cent. {SPEED_PERCENT:g} unless given.", metavar="PERCENT",
        show_default=False)] = None,
    lens: Annotated[bool, typer.Option("--lens", help="Measure the lens from a clip of a chessboard.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the clip's record of calibration.json, without "
                                                        "clock and moves, which only measuring tells.")] = False,
    out: Annotated[Path | None, typer.Option(help="Where to write the drawn picture, or the lens file; else beside the "
                                                   "input: NAME-table.png (not with --json), lens.json.")] = None,
) -> None:
    """Find the table in one clip or picture, draw what was found, say what this camera can measure and what to change.

    Table, corners and lens are those of the session.toml beside the clip, unless given here. Without --out, the drawn
    picture is written beside the clip.

    Example: `reboundry calibrate my-session/clip01.mp4 --wanted-angle 0.2 --wanted-speed 0.5`
    """
    from pipeline.executor import keep_blas_single

    keep_blas_single()  # before the imports that load NumPy
    import json
    from dataclasses import replace

    from calibration.draw import draw_calibration
    from calibration.lens import write_lens
    from calibration.store import OF_ALL_FRAMES, to_record
    from pipeline import calibrating, compiled_place
    from pipeline.progress import TerminalProgress
    from pipeline.wanted import Wanted
    from shared.errors import SettingsError

    is_wanted = wanted_angle is not None or wanted_speed is not None
    wanted = Wanted(angle_deg=ANGLE_DEG if wanted_angle is None else wanted_angle,
                    speed_percent=SPEED_PERCENT if wanted_speed is None else wanted_speed)
    if is_wanted and (lens or as_json):
        raise SettingsError(f"{'--lens' if lens else '--json'} foretells no shots: leave --wanted-angle and "
                            "--wanted-speed out.")
    if lens:
        with TerminalProgress() as progress:
            found_lens = calibrating.find_lens(path, progress)
        lens_file = out or path.parent / "lens.json"
        write_lens(lens_file, found_lens)
        typer.echo(json.dumps(found_lens.__dict__) if as_json else
                   f"{lens_file}: focal length {found_lens.f:.0f} px, k1 {found_lens.k1:+.3f}, k2 {found_lens.k2:+.3f} "
                   f"from {found_lens.pictures} views of the board ({found_lens.rms_px:.2f} px rms).\n"
                   f'Use it with [camera] lens = "{lens_file.name}" in session.toml.')
        return
    settings = calibrating.session_settings(path, table, size)
    for line in settings.remarks:
        typer.echo(line, err=True)
    if head is not None:
        settings = replace(settings, head=head)
    if corners is not None:
        camera = replace(settings.camera, corners_px=calibrating.given_corners(corners), corners_from="--corners")
        settings = replace(settings, camera=camera)
    found = calibrating.find(path, settings)
    target = out
    if target is None and not as_json:
        target = path.parent / f"{path.stem}-table.png"
    if target is not None:
        calibrating.write_picture(target, draw_calibration(found.picture, found.calibration, found.seen))
    if as_json:
        record = to_record(found.calibration)
        typer.echo(json.dumps({key: record[key] for key in record if key not in OF_ALL_FRAMES}, indent=1))
        return
    for line in calibrating.describe(found):
        typer.echo(line)
    if found.frame_rate and compiled_place.is_missing():
        typer.echo(compiled_place.FIRST_RUN, err=True)
        import pipeline.compiled_ready  # noqa: F401
    foreseen = calibrating.forecast(found, wanted)
    for line in foreseen.lines() if foreseen else []:
        typer.echo(line)
    if foreseen is None and is_wanted:
        typer.echo(calibrating.STILL, err=True)
    typer.echo(f"Drawn: {target}\nIf a corner is wrong, mark it with --corners, or in session.toml:\n"
               f"{calibrating.session_lines(found.calibration)}")
