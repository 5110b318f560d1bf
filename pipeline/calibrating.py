"""What `reboundry calibrate` does: find the table in one clip or picture, draw it, say what the camera can measure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.find import Sighting, sight_table
from calibration.lens import Lens, calibrate_lens
from calibration.store import Calibration
from pipeline.frames import Plane, open_clip, open_container, picture_stream
from pipeline.progress import TerminalProgress
from pipeline.sessions import AUDIO
from pipeline.stills import PICTURES, look_at, still_picture
from pipeline.unread import unread_session_files
from shared.clip_names import VIDEO
from shared.equipment import CUSHIONS, standard_table
from shared.errors import ClipError, SettingsError
from shared.places import whole_path
from shared.session_file import SESSION_FILE, TableOptions, read_session
from shared.settings import CameraSettings, SessionSettings

if TYPE_CHECKING:
    from pipeline.set_up import Capability
    from pipeline.wanted import Wanted

SIZE_LIMITS_MM = {"length": (800, 4500), "width": (400, 2500), "ball": (25, 90)}
LOOSE_FOCAL = 0.06  # relative uncertainty of the focal length above which a lens file is worth its trouble
STILL = "What shots will be known to is foretold of a clip only: a single picture has no frame rate."
MAX_BOARD_FRAMES = 90  # looked at for a chessboard, spread over the clip,
BOARD_EVERY_S = 0.1  # and no nearer to each other than this: a board held in hands has hardly moved
BOARD_EVERY_UNTIL_SEEN = 3  # of those, until a board was seen: to find none takes longest


@dataclass(frozen=True, eq=False)
class Found:
    """A picture with its calibration and the marks it rests on."""

    picture: NDArray[np.uint8]
    calibration: Calibration
    seen: Sighting
    settings: SessionSettings
    frame_rate: float | None  # None for a still picture
    rotation_deg: int = 0  # already applied


def session_settings(path: Path, standard: str | None = None, size: str | None = None) -> SessionSettings:
    """Settings of the session that a clip lies in; the defaults where there is no session.toml.

    standard, size : the table's standard, and its sizes "LENGTH,WIDTH,BALL" in mm, in place of the session's
    """
    path = whole_path(path)
    home = path.parent.parent if path.parent.name == "clips" else path.parent
    if standard is not None:
        standard_table(standard)  # raises, and names those that there are
    options = TableOptions(standard, None if size is None else _sizes(size))
    settings = read_session(home / SESSION_FILE, name=home.name, options=options)
    return replace(settings, remarks=(*settings.remarks, *unread_session_files(home)))


def _sizes(size: str) -> tuple[float, float, float]:
    length, width, ball = _numbers(size, 3, "--size", "LENGTH,WIDTH,BALL in mm, e.g. 2540,1270,57.15")
    for (name, (low, high)), value in zip(SIZE_LIMITS_MM.items(), (length, width, ball), strict=True):
        if not low <= value <= high:
            raise SettingsError(f"--size: {name} {value:g} mm: it should lie between {low} and {high} mm.")
    if width >= length:
        raise SettingsError(f"--size: the length ({length:g} mm) comes first and is the longer; got {size}.")
    if not standard_table(length_mm=length, width_mm=width).has_a_tables_shape:
        raise SettingsError(f"--size: {length:g} x {width:g} mm is not the shape of a table; give the length and the "
                            "width, both nose to nose.")
    return length, width, ball


def given_corners(words: Sequence[str]) -> tuple[tuple[float, float], ...]:
    """Four "x,y" to points in px."""
    points = [_numbers(word, 2, "--corners", "x,y in px, four of them, e.g. 154,613 1176,620 1188,90 136,108")
              for word in words]
    return tuple((x, y) for x, y in points)


def _numbers(words: str, count: int, option: str, example: str) -> list[float]:
    try:
        values = [float(part) for part in words.replace(";", ",").split(",")]
    except ValueError:
        values = []
    if len(values) != count or not np.isfinite(values).all():
        raise SettingsError(f"{option}: {words!r} cannot be read; write {example}.")
    return values


def find(path: Path, settings: SessionSettings) -> Found:
    """The table in one clip or picture.

    raises : CalibrationError or ClipError where there is none, SettingsError for what is neither clip nor picture
    """
    _check_readable(path, "a clip (.mp4, .mov, .mkv ...) or a picture (.jpg, .png ...)")
    camera: CameraSettings = settings.camera

    def look(picture: Plane) -> tuple[Sighting, str]:
        return sight_table(picture, table=settings.table, camera=camera, head=settings.head, clip=path.name)

    (seen, how), picture = look_at(path, look)
    calibration = seen.calibration(settings.table, how=how, clip=path.name)
    if path.suffix.lower() in PICTURES:
        return Found(picture, calibration, seen, settings, None)
    info = open_clip(path).info
    return Found(picture, calibration, seen, settings, info.frame_rate_nominal, info.rotation_deg)


def _check_readable(path: Path, wanted: str) -> None:
    """Raise SettingsError, saying what is ``wanted``, for a folder, and for a file that neither its name nor what it
    holds shows to be a video or picture."""
    if path.is_dir():
        inside = _first_in(path)
        advice = f"give one clip or picture in it, e.g. {inside}" if inside else f"it holds none: give {wanted}"
        raise SettingsError(f"{path}: a folder, not a clip; {advice}.")
    if path.suffix.lower() in PICTURES | VIDEO | AUDIO:
        return
    try:
        with open_container(path) as container:
            shows = picture_stream(container) is not None and container.format.name != "tty"  # text, drawn by FFmpeg
    except ClipError:
        shows = False
    if not shows:
        raise SettingsError(f"{path}: neither a clip nor a picture; give {wanted}.")


def _first_in(folder: Path) -> Path | None:
    """The first clip of a session folder, else its first picture."""
    places = [place for place in (folder, folder / "clips") if place.is_dir()]
    files = sorted(file for place in places for file in place.iterdir() if not file.name.startswith("."))
    return next((file for kind in (VIDEO, PICTURES) for file in files
                 if file.suffix.lower() in kind and file.is_file()), None)


def describe(found: Found) -> list[str]:
    """For people: what was found, how well."""
    calibration, check = found.calibration, found.seen.check
    table, pose = calibration.table, calibration.pose
    left_out = f"; each sight predicted by the others to {check.left_out_px:.2f} px"
    noses = ", ".join(c for c in CUSHIONS if c in check.noses_seen) or "none"
    u = calibration.corners_u_px
    marks = f"Marks: {calibration.rms_words}."
    if np.isfinite(calibration.rms_px):
        marks = (f"Marks: {check.sights_found} of {check.sights_in_picture} sights; nose lines seen: {noses}; "
                 f"reprojection {calibration.rms_words}{left_out if np.isfinite(check.left_out_px) else ''}.")
    lines = [
        f"{calibration.clip}: {table.name} table, {table.length_mm:g} x {table.width_mm:g} mm, {calibration.how}.",
        marks,
        "Corners, px: " + "  ".join(
            f"{name} ({x:.1f}, {y:.1f})" + ("" if u is None else f" +-{u[i]:.1f}")
            for i, (name, (x, y)) in enumerate(
                zip(("head-right", "foot-right", "foot-left", "head-left"), calibration.corners_px, strict=True))
        ),
        f"Camera: {pose.centre_mm[2] / 1000:.2f} m above the cloth, focal length {pose.K[0, 0]:.0f} px, distortion "
        f"k1 {pose.distortion[0]:+.3f}, k2 {pose.distortion[1]:+.3f}.",
    ]
    lines += [f"Note: {warning}." for warning in calibration.warnings]
    f_u = 0.0 if pose.covariance is None else float(np.sqrt(pose.covariance[0, 0]) / pose.K[0, 0])
    if f_u > LOOSE_FOCAL:
        lines.append(
            f"The camera looks so straight down that its height is only known to {100 * f_u:.0f} %. A lens file "
            "(`reboundry calibrate --lens` on a clip of a chessboard) would sharpen every position."
        )
    return lines


def forecast(found: Found, wanted: Wanted) -> Capability | None:
    """What a camera with frames can measure, and what to change to know it as well as wanted; None of a picture."""
    if not found.frame_rate:
        return None
    from pipeline.set_up import describe_capability  # takes all that measures with it

    return describe_capability(
        found.calibration, found.frame_rate, found.settings, wanted=wanted, rotation_deg=found.rotation_deg
    )


def session_lines(calibration: Calibration) -> str:
    """The corners as they would stand in session.toml."""
    corners = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in calibration.corners_px)
    return f"[camera]\ncorners_px = [{corners}]"


def find_lens(path: Path, progress: TerminalProgress | None = None) -> Lens:
    """The lens from a clip of a chessboard, or a folder of pictures of one."""
    if path.is_dir():
        files = sorted(file for file in path.iterdir() if file.suffix.lower() in PICTURES)
        if not files:
            raise SettingsError(f"{path}: holds no pictures; give a clip or a folder of pictures of a chessboard.")
        return calibrate_lens(_told((still_picture(file) for file in files), len(files), path, progress))
    _check_readable(path, "a clip of a chessboard, or a folder of pictures of one")
    clip = open_clip(path)
    info = clip.info
    frames = info.frames_estimate or MAX_BOARD_FRAMES
    every = max(math.ceil(frames / MAX_BOARD_FRAMES), round(BOARD_EVERY_S * info.frame_rate_nominal), 1)
    pictures = (frame.bgr() for frame in clip if frame.index % every == 0)
    return calibrate_lens(_told(pictures, math.ceil(frames / every), path, progress),
                          every_until_seen=BOARD_EVERY_UNTIL_SEEN)


def _told(
    pictures: Iterable[NDArray[np.uint8]], most: int, path: Path, progress: TerminalProgress | None
) -> Iterator[NDArray[np.uint8]]:
    """The pictures, while people are told how many were looked at."""
    if progress is not None:
        progress.say(f"{path.name}: a chessboard is looked for in {most} pictures.")
        progress.start("pictures", most)
    for count, picture in enumerate(pictures):
        if progress is not None:
            progress.reach(f"{count} looked at", count)
        yield picture


def write_picture(path: Path, picture: NDArray[np.uint8]) -> None:
    """Write a PNG or JPEG by its name; SettingsError where that fails."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        written = cv2.imwrite(str(path), picture)
    except cv2.error as error:
        raise SettingsError(f"{path}: give the drawn picture a name that ends in .png or .jpg.") from error
    if not written:
        raise SettingsError(f"{path}: the drawn picture could not be written; check the folder.")
