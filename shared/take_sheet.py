"""takes.csv as people and spreadsheets write it: what the player meant with each clip or shot, and the conditions."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import zip_longest
from pathlib import Path

from shared.clip_names import clip_named
from shared.columns import DECLARED, declared_name, is_written_by_us
from shared.equipment import POCKETS, pocket_name
from shared.errors import SettingsError
from shared.names import same_letters, same_name
from shared.numbers import MOST_DIGITS, plain_digits
from shared.session_file import nearest

TAKES_FILE = "takes.csv"

CLIMATE = ("temperature_c", "humidity_pct")  # numbers by their meaning: what is worked out from them needs them so
_MISSPELT = 0.82  # of two names' letters: patern and pattern, not oil and player
DRY_PCT = 2.0  # no room people play in is as dry as this: more likely a share between 0 and 1

Value = str | float

_THOUSANDS = r"[1-9][0-9]{0,2}[.,][0-9]{3}"
_HUNDRED = 100  # a whole number that stands beside thousands; decimals stand beside small ones

_NAME = re.compile(rf"[+-]?(0[0-9]|[0-9]{{{MOST_DIGITS + 1}}})")  # written as a number it would be another one


@dataclass(frozen=True)
class Take:
    """One row: what was declared for a clip, or for one shot of it. Only filled cells are held; nan: one of no use."""

    row: int  # as a spreadsheet numbers it, the header being 1
    clip: str
    shot: int | None
    declared: Mapping[str, str]
    conditions: Mapping[str, Value]


@dataclass(frozen=True)
class TakeSheet:
    """All rows that can be used, the condition columns in their order, and a line for each row that can't.

    ``remarks``: what else there is to say.
    """

    takes: tuple[Take, ...] = ()
    condition_names: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    doubtful: frozenset[tuple[str, int | None]] = field(default_factory=frozenset)  # their rows contradict each other
    unnamed_clips: frozenset[str] = field(default_factory=frozenset)  # no row names them; none without a sheet

    def declared(self, clip: str, shot: int) -> dict[str, str]:
        """Pattern, target and so on of one shot; its own row wins over its clip's."""
        return {k: v for take in self._rows(clip, shot) for k, v in take.declared.items()}

    def is_doubtful(self, clip: str, shot: int) -> bool:
        """Whether rows for the shot or for its whole clip contradict each other: nothing is declared for it then."""
        return not {(clip, shot), (clip, None)}.isdisjoint(self.doubtful)

    def filmed_under(self, clip: str, shot: int) -> frozenset[tuple[str, Value]]:
        """All that the sheet says of a shot's conditions, to tell which shots were filmed under the same ones."""
        return frozenset(self.conditions(clip, shot).items())

    def conditions(self, clip: str, shot: int) -> dict[str, Value]:
        """The condition cells of one shot; its own row wins over its clip's."""
        return {k: v for take in self._rows(clip, shot) for k, v in take.conditions.items()}

    def _rows(self, clip: str, shot: int) -> list[Take]:
        if self.is_doubtful(clip, shot):
            return []
        rows = [take for take in self._by_clip.get(clip, ()) if take.shot in (None, shot)]
        return sorted(rows, key=lambda take: take.shot is not None)

    @cached_property
    def _by_clip(self) -> dict[str, list[Take]]:
        out: dict[str, list[Take]] = {}
        for take in self.takes:
            out.setdefault(take.clip, []).append(take)
        return out


def read_takes(path: Path, clips: Sequence[str]) -> TakeSheet:
    """Rows of a takes.csv, matched to the names of the clips that are there.

    path   : UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; decimal point or comma. Not there: an empty sheet
    clips  : file names of all clips of the session
    raises : SettingsError when the sheet as a whole can't be used; a single bad row becomes a line in ``problems``
    """
    if not path.is_file():
        return TakeSheet()
    header, rows = _cells(path)
    names = [declared_name(cell) for cell in header]
    _check_header(path, names)
    wanted = [name for name in names if name not in ("clip", "shot", *DECLARED, "")]
    values = {name: _column_values(name, [row[i] for _, row in rows]) for i, name in enumerate(names) if name in wanted}
    takes: list[Take] = []
    named: set[str] = set()
    problems: list[str] = []
    doubtful: set[tuple[str, int | None]] = set()
    seen: dict[tuple[str, int | None], Take] = {}
    for n, (number, cells) in enumerate(rows):
        row = dict(zip(names, cells, strict=True))
        place = f"{path.name} row {number}"
        if not row["clip"]:
            problems.append(f"{place}: the clip's name is missing; fill it in or remove the row.")
            continue
        clip = clip_named(row["clip"], clips)
        if clip is None:
            near = nearest(row["clip"], clips)
            hint = f" The nearest name is {near!r}." if near else ""
            problems.append(f"{place}: clip {row['clip']!r} is not among the clips of {path.parent}.{hint} "
                            "Correct the name, add the clip or remove the row.")
            continue
        named.add(clip)
        try:
            shot = _shot_number(row.get("shot", ""))
        except ValueError:
            problems.append(f"{place}: shot {row['shot']!r} of {clip} is not a whole number from 1; correct it.")
            continue
        declared = {k: row[k] for k in DECLARED if row.get(k)}
        if target := declared.get("target"):
            declared["target"] = pocket_name(target) or target
            if pocket_name(target) is None:
                problems.append(f"{place}: target {target!r} is no pocket, so nothing is measured from it; use one of "
                                f"{', '.join(POCKETS)}.")
        conditions = {k: v for k in values if (v := values[k][n]) is not None}
        problems += [f"{place}: {name} = {row[name]!r} is no number, so it is left empty for {clip}; write the number "
                     "alone." for name in CLIMATE if conditions.get(name) is math.nan]
        take = Take(number, clip, shot, declared, conditions)
        first = seen.setdefault((clip, shot), take)
        if first is not take:
            same = (first.declared, first.conditions) == (declared, conditions)
            which = clip if shot is None else f"{clip} shot {shot}"
            problems.append(f"{place}: {which} already stands in row {first.row}; remove one of them."
                            + ("" if same else " They differ, so what was declared for it is left blank."))
            if not same:
                doubtful.add((clip, shot))
            continue
        takes.append(take)
    kept = tuple(take for take in takes if doubtful.isdisjoint({(take.clip, take.shot), (take.clip, None)}))
    return TakeSheet(
        takes=kept, condition_names=tuple(wanted), problems=tuple(problems),
        remarks=(*_misspelt(path, names, wanted), *_thousands(path, names, rows, values)), doubtful=frozenset(doubtful),
        unnamed_clips=frozenset(clips) - named,
    )


def _cells(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Header and rows (with their line numbers), every row as long as the header; each filled cell has a name."""
    text = same_letters(_text(path)).replace("\r\n", "\n").replace("\r", "\n")  # the last: spreadsheets of old Macs
    lines = text.splitlines()
    delimiter = None
    if lines and (told := re.fullmatch(r'"?sep=(.)"?[,;\t]*', lines[0].strip(), re.IGNORECASE)):
        delimiter = told[1]
        text = "\n" + "\n".join(lines[1:])
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise SettingsError(f"{path}: is empty; it needs a header with at least the column clip, or remove the file.")
    if delimiter is None:
        delimiter = max(";\t,", key=lambda d: len(next(csv.reader([first], delimiter=d))))
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    header: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    try:
        for line in reader:
            cells = [cell.strip().strip("\ufeff\xa0") for cell in line]
            if not any(cells):
                continue
            if not header:
                header = cells
                if "clip" not in map(declared_name, header):
                    raise SettingsError(_without_clip(path, header))
                continue
            for cell, name in zip_longest(cells, header, fillvalue=""):
                if cell and not name:
                    raise SettingsError(f"{path} row {reader.line_num}: has more cells than the header has names, so "
                                        f"{cell!r} belongs to none; name its column or empty it, and put a text that "
                                        f"holds {delimiter!r} in quotes.")
            rows.append((reader.line_num, (cells + [""] * len(header))[: len(header)]))
    except csv.Error as error:
        raise SettingsError(f"{path} row {reader.line_num}: {error}; save it again as CSV.") from error
    return header, rows


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}).") from error
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise SettingsError(f"{path}: is a spreadsheet file, not CSV; save it as CSV from the spreadsheet.")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _without_clip(path: Path, header: list[str]) -> str:
    near = nearest("clip", [declared_name(cell).lower() for cell in header])
    hint = f" (is it {near!r}?)" if near else ""
    return f"{path}: has no column clip{hint}; its header reads: {', '.join(header)}."


def _check_header(path: Path, names: list[str]) -> None:
    for i, name in enumerate(names):
        if name and same_name(name) in [same_name(other) for other in names[:i]]:
            raise SettingsError(f"{path}: has the column {name!r} twice; rename or remove one.")
        if not name:
            continue
        if name not in ("clip", "shot") and is_written_by_us(name):
            raise SettingsError(f"{path}: the column {name!r} is one the program writes itself; rename it.")


def _misspelt(path: Path, names: list[str], conditions: list[str]) -> Iterator[str]:
    """A line for each condition that may be one of our columns, where the sheet lacks that one."""
    missing = [name for name in ("shot", *DECLARED) if name not in names]
    for name in conditions:
        if near := nearest(name, missing, alike=_MISSPELT):
            yield f"{path.name}: column {name!r} is taken as a condition; is it {near!r}?"


def _thousands(
    path: Path, names: list[str], rows: list[tuple[int, list[str]]], values: Mapping[str, list[Value | None]]
) -> Iterator[str]:
    """A line for each column of numbers whose points or commas may all part thousands: 1.200 beside 900."""
    for name in (name for name, column in values.items() if not any(isinstance(value, str) for value in column)):
        cells = [(number, plain_digits(row[names.index(name)])) for number, row in rows]
        pointed = [(number, cell) for number, cell in cells if re.search(r"[.,]", cell)]
        whole = [int(cell) for _, cell in cells if re.fullmatch(r"[0-9]+", cell)]
        if all(re.fullmatch(_THOUSANDS, cell) for _, cell in pointed) and pointed and max(whole, default=0) >= _HUNDRED:
            number, cell = pointed[0]
            read = float(cell.replace(",", "."))
            plain = re.sub("[.,]", "", cell)
            yield f"{path.name} row {number}: {name} = {cell!r} is read as {read:g}; if it is {plain}, write {plain}."


def _column_values(name: str, cells: list[str]) -> list[Value | None]:
    """Numbers where the whole column is numbers (decimal point or comma), else texts as written; None where empty.

    007 is a text, as it is no longer the same when it is written as a number; so is what has too many digits for one.
    A column of CLIMATE holds numbers as soon as one of its cells is one; its others are nan.
    """
    numbers = [_number(cell) for cell in cells]
    if name in CLIMATE and any(number is not None for number in numbers):
        return [math.nan if cell and number is None else number for number, cell in zip(numbers, cells, strict=True)]
    if all(number is not None and not _NAME.match(plain_digits(cell))
           for number, cell in zip(numbers, cells, strict=True) if cell):
        return list(numbers)
    return [cell or None for cell in cells]


def _number(cell: str) -> float | None:
    plain = plain_digits(cell)
    if not re.fullmatch(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?", plain):
        return None
    number = float(plain.replace(",", "."))
    return number if math.isfinite(number) else None  # of too many digits for one


def _shot_number(cell: str) -> int | None:
    if not cell:
        return None
    number = _number(cell)
    if number is None or not 1 <= number < math.inf or number != int(number):
        raise ValueError(cell)
    return int(number)
