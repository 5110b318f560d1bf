"""session.toml and takes.csv, as people and spreadsheets write them, to checked settings and declared rows."""

from __future__ import annotations

import datetime as dt
import difflib
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.columns import DECLARED, declared_name, is_written_by_us
from shared.corners import check_corners_px
from shared.equipment import POCKETS, STANDARDS, Table, pocket_name, standard_of_sizes, standard_table
from shared.errors import SettingsError
from shared.names import same_name
from shared.numbers import MOST_DIGITS, number_text
from shared.settings import CameraSettings, FrictionSettings, SessionSettings

SESSION_FILE = "session.toml"

_Point = tuple[float, float]


class _Section(BaseModel):
    """Unknown keys refused; a number in quotes is not a number."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _mm(low: float, high: float) -> Any:
    return Field(default=None, ge=low, le=high, description=f"mm, {low:g} to {high:g}")


class _Table(_Section):
    standard: str | None = None
    length_mm: float | None = _mm(800, 4500)
    width_mm: float | None = _mm(400, 2500)
    nose_height_mm: float | None = _mm(15, 60)
    sight_offset_mm: float | None = _mm(20, 250)
    head: Literal["picture-left", "picture-right", "picture-top", "picture-bottom"] | None = None


class _Ball(_Section):
    diameter_mm: float | None = _mm(25, 90)


class _Camera(_Section):
    corners_px: list[Annotated[list[float], Field(min_length=2, max_length=2)]] | None = Field(
        default=None, min_length=4, max_length=4, description="[[x, y], [x, y], [x, y], [x, y]] in px")
    lens: str | None = None
    shutter_s: float | None = Field(default=None, gt=0, le=1, description="seconds, e.g. 0.004 for 1/250 s")
    readout_s: float | None = Field(default=None, ge=0, le=0.2, description="seconds, e.g. 0.015")


class _Friction(_Section):
    sliding: float | None = Field(default=None, ge=0.02, le=1.0, description="a coefficient, 0.02 to 1")
    rolling: float | None = Field(default=None, ge=0.0005, le=0.1, description="a coefficient, 0.0005 to 0.1")


class _Session(_Section):
    table: _Table = _Table()
    ball: _Ball = _Ball()
    camera: _Camera = _Camera()
    conditions: dict[str, Any] = {}
    tolerances: dict[str, Any] = {}
    friction: _Friction = _Friction()


@dataclass(frozen=True)
class TableOptions:
    """What a command line says of the table: it wins over the file. With a standard, none of the file's sizes hold."""

    standard: str | None = None
    sizes_mm: tuple[float, float, float] | None = None  # length, width, ball


def read_session(path: Path, *, name: str = "", options: TableOptions = TableOptions()) -> SessionSettings:
    """Settings from a session.toml. A file that isn't there gives the defaults.

    path    : the file. ``lens`` in it is taken relative to its folder
    name    : the session's name, carried along
    options : of the table, in place of what the file says
    raises  : SettingsError in one line that names the file and the key, for anything that can't be used
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raw = b""
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}).") from error
    try:
        content = tomllib.loads(raw.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: is not valid TOML: {error}. Text goes in quotes, numbers do not.") from error
    try:
        session = _with_options(_Session.model_validate(content), options)
    except ValidationError as error:
        raise SettingsError(f"{path}: {_explain(error.errors()[0])}") from error
    return SessionSettings(
        name=name,
        table=_table(path, session),
        head=session.table.head,
        camera=_camera(path, session),
        friction=FrictionSettings(sliding=session.friction.sliding, rolling=session.friction.rolling),
        conditions=_conditions(path, session.conditions),
        tolerances=dict(session.tolerances),
        remarks=_without_pockets(path, session, options),
    )


def _with_options(session: _Session, options: TableOptions) -> _Session:
    table, ball = session.table, session.ball
    if options.standard is not None:
        table, ball = _Table(standard=options.standard, head=table.head), _Ball()
    if options.sizes_mm is not None:
        length, width, diameter = options.sizes_mm
        table = table.model_copy(update={"length_mm": length, "width_mm": width})
        ball = _Ball(diameter_mm=diameter)
    return session.model_copy(update={"table": table, "ball": ball})


def _without_pockets(path: Path, session: _Session, options: TableOptions) -> tuple[str, ...]:
    """A line that says so where a table is taken for one without pockets by its sizes alone."""
    if session.table.standard is not None or _table(path, session).pockets:
        return ()
    ball = session.ball.diameter_mm
    by = f"its balls of {ball:g} mm" if ball is not None else "its size"
    file, write = path.name, 'write standard = "pool-9ft" under [table] (sizes given there still hold)'
    if options.sizes_mm is not None:
        file, write = "--size", "add --table pool-9ft (the sizes given still hold)"
    return (f"{file}: taken as a carom table, without pockets, by {by}; if it has pockets, {write}.",)


def _table(path: Path, session: _Session) -> Table:
    given = session.table.model_dump(exclude_none=True, exclude={"standard", "head"})
    if session.ball.diameter_mm is not None:
        given["ball_diameter_mm"] = session.ball.diameter_mm
    standard = session.table.standard or standard_of_sizes(given)
    if standard not in STANDARDS:
        near = nearest(standard, STANDARDS)
        hint = f"did you mean {near!r}? " if near else ""
        raise SettingsError(f"{path}: [table] standard = {standard!r} is not known; {hint}Use one of "
                            f"{', '.join(STANDARDS)}, or give length_mm and width_mm.")
    table = standard_table(standard, **given)
    one_of_two = ("length_mm" in given) != ("width_mm" in given)
    if not table.has_a_tables_shape or (one_of_two and not 1.9 <= table.length_mm / table.width_mm <= 2.1):
        raise SettingsError(f"{path}: [table] {table.length_mm:g} x {table.width_mm:g} mm is not the shape of a table; "
                            "give length_mm (the long way) and width_mm, both nose to nose.")
    if abs(table.nose_height_mm - table.ball.radius_mm) >= table.ball.radius_mm:
        raise SettingsError(f"{path}: [table] nose_height_mm = {table.nose_height_mm:g} is above a ball of "
                            f"{table.ball.diameter_mm:g} mm; give both in mm, the nose's height above the cloth.")
    return table


def _camera(path: Path, session: _Session) -> CameraSettings:
    camera = session.camera
    corners: tuple[_Point, ...] | None = None
    if camera.corners_px is not None:
        corners = tuple((float(x), float(y)) for x, y in camera.corners_px)
        try:
            check_corners_px(corners, session.table.head)
        except SettingsError as error:
            raise SettingsError(f"{path}: [camera] {error}") from error
    lens = None
    if camera.lens is not None:
        lens = (path.parent / camera.lens).resolve()
        if not lens.is_file():
            raise SettingsError(f"{path}: [camera] lens = {camera.lens!r} is not there; make it with "
                                "`reboundry calibrate --lens CLIP` or remove the line.")
    return CameraSettings(corners_px=corners, lens=lens, shutter_s=camera.shutter_s, readout_s=camera.readout_s)


def _conditions(path: Path, given: dict[str, Any]) -> dict[str, str | float]:
    out: dict[str, str | float] = {}
    seen: dict[str, str] = {}
    for written, value in given.items():
        key = declared_name(written)
        first = seen.setdefault(same_name(key), written)
        if first != written:
            raise SettingsError(f"{path}: [conditions] {first!r} and {written!r} both say {key}; leave one of them "
                                "out.")
        out[key] = _condition(path, key, value)
    return out


def _condition(path: Path, key: str, value: Any) -> str | float:
    if is_written_by_us(key):
        raise SettingsError(f"{path}: [conditions] {key!r} is a column that the program writes itself; rename it.")
    if key == "target":
        if not isinstance(value, str) or pocket_name(value) is None:
            raise SettingsError(f"{path}: [conditions] target = {value!r} is no pocket; use one of "
                                f"{', '.join(POCKETS)}.")
        return pocket_name(value) or value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and len(str(abs(value))) > MOST_DIGITS:
        return str(value)  # a name: as a number it would be another one
    if isinstance(value, (int, float)):
        return number_text(value) if key in DECLARED else float(value)  # player 3, as a cell of takes.csv has it
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, str):
        return value
    raise SettingsError(f"{path}: [conditions] {key} must be a number or a text, not {_kind(value)}.")


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    names = {dict: "a section", list: "a list", str: "text in quotes", int: "a whole number", float: "a number"}
    return names.get(type(value), type(value).__name__)


def _explain(error: Any) -> str:
    """The first of pydantic's complaints, in words that name the key and what to write."""
    where = [str(part) for part in error["loc"]]
    value = error.get("input")
    if error["type"] == "extra_forbidden":
        fields = _fields(where[:-1])
        place = f"[{where[0]}]" if len(where) > 1 else "the file"
        near = nearest(where[-1], fields)
        hint = f"did you mean {near!r}? " if near else ""
        what = "key" if len(where) > 1 or not isinstance(value, dict) else "section"
        return f"{place} has no {what} {where[-1]!r}; {hint}It may hold: {', '.join(fields)}."
    key = f"[{where[0]}] {'.'.join(where[1:])}".strip() if len(where) > 1 else f"[{where[0]}]"
    if len(where) == 1:
        return f"{key} must be a section with keys of its own, not {_kind(value)}."
    field = _model(where[0]).model_fields.get(where[1])
    wanted = (field.description if field else None) or "as in the README"
    if error["type"] == "literal_error":
        wanted = f"one of {error['ctx']['expected']}"
    elif where[1] in ("standard", "lens"):
        wanted = "text in quotes"
    found = f"{value!r}" if isinstance(value, (str, int, float)) else _kind(value)
    if isinstance(value, str) and wanted != "text in quotes":
        found += " (a text)" if _is_number(value) is None else " (in quotes, so a text)"
    return f"{key} = {found} can't be used; needed: {wanted}."


def _is_number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _model(section: str) -> type[_Section]:
    models: dict[str, type[_Section]] = {"table": _Table, "ball": _Ball, "camera": _Camera, "friction": _Friction}
    return models.get(section, _Session)


def _fields(where: list[str]) -> list[str]:
    return list((_model(where[0]) if where else _Session).model_fields)


def nearest(word: str, known: Iterable[str], *, alike: float = 0.6) -> str | None:
    """The known word that is most like ``word``, or None if none is as much as ``alike`` (1: the same)."""
    close = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=alike)
    return close[0] if close else None
