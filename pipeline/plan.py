"""The next run sheet: patterns, speeds and conditions in a randomised, blocked order that becomes takes.csv.

A condition that is hard to change (the room's air, the cloth) stays for a whole session; sessions come in rounds, each
round with every level once, in random order. What is easy to change (balls) takes turns inside the session: each block
holds every combination once, shuffled anew.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from pipeline.compare.spellings import meaning
from pipeline.plan_between import power_of_sessions, sessions_needed
from pipeline.plan_inside import power_inside, repeats_needed
from pipeline.plan_power import Spread, check_wanted
from pipeline.plan_sheet import Sheet
from pipeline.speed_classes import same_class
from shared.columns import DECLARED, declared_name, is_written_by_us
from shared.equipment import POCKETS, pocket_name
from shared.errors import SettingsError
from shared.given import check_number, check_text, names_in
from shared.names import same_name

DEFAULT_REPEATS = 5
EVENING_SHOTS = 200  # about as many as an evening holds
MOST_SHOTS = 2000  # ten such evenings: a sheet of more is written only if asked for
_OF_THE_SHEET = ("block", "order")  # columns of runsheet.csv besides those of a shot
_MAY_LACK = ("shift", "repeats", "sessions")  # what is worked out, or does without
LEAST_SESSIONS = 2  # per level of a hard condition: with one, condition and evening can't be told apart


@dataclass(frozen=True, kw_only=True)
class PlanSettings:
    """``patterns``: (name, target pocket); ``easy``/``hard``: condition -> levels; ``batch``: easy conditions that
    change only once a block (polishing takes time).

    repeats  : blocks a session, each with every combination once; None: from the power wanted
    sessions : sessions per combination of hard levels; None: from the power wanted
    """

    patterns: tuple[tuple[str, str], ...]
    speeds: tuple[str, ...] = ()
    easy: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    hard: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    batch: tuple[str, ...] = ()
    player: str = ""
    repeats: int | None = None
    sessions: int | None = None
    shift: float | None = None
    power: float = 0.8
    seed: int = 1

    def __post_init__(self) -> None:
        self._check_kinds()
        for name in ("easy", "hard"):
            levels_of = {k: tuple(dict.fromkeys(names_in(v, k))) for k, v in getattr(self, name).items()}
            object.__setattr__(self, name, levels_of)
        for name in ("speeds", "batch"):
            object.__setattr__(self, name, names_in(getattr(self, name), name))
        if not self.patterns:
            raise SettingsError("no pattern to plan for; give one with --pattern NAME:POCKET.")
        for name, target in self.patterns:
            if target and pocket_name(target) is None:
                raise SettingsError(f"pattern {name}: {target!r} is no pocket; use one of {', '.join(POCKETS)}.")
        object.__setattr__(self, "patterns", tuple((name, pocket_name(t) or "") for name, t in self.patterns))
        for name, levels in {**self.easy, **self.hard}.items():
            if len(set(levels)) < 2:
                raise SettingsError(f"{name}: only one level ({', '.join(levels)}); give two or more to compare.")
            if (known := declared_name(name)) in ("clip", "shot", *DECLARED) or is_written_by_us(known):
                raise SettingsError(f"{name}: is a column that is measured or declared already; name it otherwise.")
            if name in _OF_THE_SHEET:
                raise SettingsError(f"{name}: is a column of the run sheet itself; name it otherwise.")
            if alike := _again(levels, meaning):
                raise SettingsError(f"{name}: {alike}: given in another spelling, too; give each level once.")
        if again := _again(self.speeds, same_class):
            raise SettingsError(f"speed {again}: given twice; give each speed once.")
        if both := _meant_twice([*self.easy, *self.hard]):
            within = any(_meant_twice(tuple(names)) for names in (self.easy, self.hard))
            raise SettingsError(f"{both}: {'given twice' if within else 'both easy and hard to change'}; give it once.")
        if twice := _meant_twice([name for name, _ in self.patterns]):
            raise SettingsError(f"pattern {twice}: given twice; give it once, each pattern with one pocket.")
        unknown = sorted(set(self.batch) - set(self.easy))
        if unknown:
            raise SettingsError(f"{', '.join(unknown)}: only conditions given with --easy can change once a block.")
        for name, least in (("repeats", 1), ("sessions", 1), ("seed", 0)):
            value = getattr(self, name)
            if value is not None and value < least:
                raise SettingsError(f"{name} must be {least} or more, not {value}.")
        if self.shift is not None:
            check_wanted(self.shift, self.power)

    def _check_kinds(self) -> None:
        """Raises SettingsError for what is no number where one should be, and for a name that is no text."""
        for name, whole, words in (
            ("shift", False, "a number, as 30"),
            ("power", False, "a number, as 0.8"),
            ("repeats", True, "a whole number, as 5"),
            ("sessions", True, "a whole number, as 2"),
            ("seed", True, "a whole number, as 1"),
        ):
            value = getattr(self, name)
            if value is not None or name not in _MAY_LACK:
                check_number(name, value, words, whole=whole)
        for name, target in self.patterns:
            check_text("patterns", name, "a text, as a pattern's name")
            check_text(f"pattern {name}", target, 'the name of a pocket, or "" for none')
        for which in ("easy", "hard"):
            for name in getattr(self, which):
                check_text(which, name, "a text, as a condition's name")

    @property
    def hard_levels(self) -> tuple[int, ...]:
        """How many levels each hard condition has."""
        return tuple(len(levels) for levels in self.hard.values())


def _meant_twice(names: Sequence[str]) -> str:
    """Names of which another spelling was given before, or nothing."""
    return _again(names, lambda name: same_name(declared_name(name)))


def _again(words: Sequence[str], meaning_of: Callable[[str], Hashable]) -> str:
    """Words that mean what another before them does, or nothing."""
    known = [meaning_of(word) for word in words]
    return ", ".join(word for k, word in enumerate(words) if known[k] in known[:k])


@dataclass(frozen=True, eq=False)
class Plan:
    """``rows``: a row a shot in order (session, block, order, declared, conditions). ``lines``: what to expect.

    ``sessions_per_level``: for all its name, sessions with each combination of hard levels; a level of one condition
    has as many for each combination of the others' levels.
    """

    rows: pd.DataFrame
    repeats: int
    sessions_per_level: int
    lines: tuple[str, ...]

    @property
    def sessions(self) -> list[str]:
        return list(dict.fromkeys(self.rows["session"]))


def make_plan(settings: PlanSettings, spread: Spread) -> Plan:
    """Size the plan from the power wanted (where a shift is given) and shuffle it."""
    lines: list[str] = [f"spread: {spread.shot_sd:.3g} a shot, {spread.session_sd:.3g} a session ({spread.source})"]
    lines += spread.notes
    repeats, sessions = _size(settings, spread, lines)
    _check_size(settings, repeats, sessions)
    rows = _shuffled(settings, repeats, sessions)
    if settings.shift is not None:
        lines += _powers(settings, spread, repeats, sessions)
    lines += _at_the_limits(settings, spread, repeats, sessions)
    if settings.shift is not None:
        lines += _without_target(settings, spread)
    per_session = len(rows) // max(len(set(rows["session"])), 1)
    lines.append(
        f"{len(set(rows['session']))} session(s) of {per_session} shots, {len(rows)} in all; about "
        f"{spread.mishit_share:.0%} are taken to be mis-hits and come on top of what is counted"
        + (f"; so do the {spread.untold_share:.0%} of the others that have no {spread.response} in the pilot"
           if spread.untold_share else "")
    )
    if per_session > EVENING_SHOTS:
        lines.append(
            f"{per_session} shots are more than an evening holds (about {EVENING_SHOTS}): spread them over more "
            "sessions with --sessions, or look for a larger shift"
        )
    return Plan(rows, repeats, sessions, tuple(lines))


def _check_size(settings: PlanSettings, repeats: int, sessions: int) -> None:
    """Raises SettingsError for a sheet that nobody would play, unless its size was asked for."""
    asked = settings.repeats is not None and (settings.sessions is not None or not settings.hard)
    cells = len(settings.patterns) * max(len(settings.speeds), 1)
    cells *= math.prod(len(levels) for levels in settings.easy.values())
    evenings = sessions * math.prod(len(levels) for levels in settings.hard.values())
    shots = repeats * evenings * cells
    if shots <= MOST_SHOTS or asked:
        return
    many = f"{shots:,} shots in {evenings} session(s), more than anyone plays; no sheet was written."
    if settings.shift is None:
        raise SettingsError(
            f"this plan takes {many} Plan for fewer conditions, levels or --repeats, or say how many with --repeats "
            "and --sessions."
        )
    raise SettingsError(
        f"to see a shift of {settings.shift:g} takes {many} Look for a larger shift, or say how many with --repeats "
        "and --sessions."
    )


def takes_columns(settings: PlanSettings) -> list[str]:
    """Columns of a session's takes.csv: hard conditions stand in its session.toml instead."""
    return ["clip", "shot", "pattern", "target", "speed_class", "player", *settings.easy]


def _size(settings: PlanSettings, spread: Spread, lines: list[str]) -> tuple[int, int]:
    """Blocks a session and sessions a hard level."""
    repeats, sessions = settings.repeats, settings.sessions
    if settings.shift is None:
        lines.append(
            "no shift to be seen was given (--shift): repeats and sessions are a usual start, not a calculation"
        )
        return repeats or DEFAULT_REPEATS, sessions or (LEAST_SESSIONS if settings.hard else 1)
    if sessions is None:
        sessions = 1
        if settings.hard:
            sheet = _sheet(settings, repeats or DEFAULT_REPEATS, 1)
            sessions = sessions_needed(sheet, settings.shift, spread, power=settings.power)
            if sessions == 0:
                raise SettingsError(
                    f"a shift of {settings.shift:g} can't be seen between sessions that scatter by "
                    f"{spread.session_sd:.3g}; look for a larger one, or change the condition during the session."
                )
    if repeats is None:
        repeats = DEFAULT_REPEATS
        if settings.easy:
            least = DEFAULT_REPEATS if settings.hard else 2
            sheet = _sheet(settings, least, sessions)
            repeats = repeats_needed(sheet, settings.shift, spread, power=settings.power, least=least)
    return repeats, sessions


def _sheet(settings: PlanSettings, repeats: int, sessions: int) -> Sheet:
    """What is filmed of one pattern and speed."""
    return Sheet(tuple(settings.easy.items()), tuple(settings.hard.items()), repeats, sessions)


def _powers(settings: PlanSettings, spread: Spread, repeats: int, sessions: int) -> list[str]:
    shift = settings.shift or 0.0
    n_hard = math.prod(settings.hard_levels)
    power = _power_of(settings, spread, repeats, sessions)
    counted = "counted shots" + (f" with {spread.response}" if spread.untold_share else "")
    out = [
        f"{name}: a shift of {shift:g} is seen with {power[name]:.0%} power, from about "
        f"{_shots_a_level(settings, name, spread, repeats, sessions):.0f} {counted} a level in each pattern and speed"
        for name in settings.easy
    ]
    if settings.easy:
        out.append(
            f"taken to do the same in every session: {', '.join(settings.easy)}; if not, compare widens its interval, "
            "and more sessions help where more shots don't"
        )
    for name, levels in settings.hard.items():
        if name in power:
            per_level = sessions * n_hard // len(levels)
            out.append(
                f"{name}: a shift of {shift:g} is seen with {power[name]:.0%} power, from {per_level} sessions a level"
            )
        else:
            out.append(
                f"{name}: one session a level: what {name} does can't be told from what the evening does; "
                f"plan --sessions {LEAST_SESSIONS} or more"
            )
    return out


def _power_of(settings: PlanSettings, spread: Spread, repeats: int, sessions: int) -> dict[str, float]:
    """Each condition's power to see the shift; without those that no session is left to judge by."""
    shift = settings.shift or 0.0
    sheet = _sheet(settings, repeats, sessions)
    return power_inside(sheet, shift, spread) | power_of_sessions(sheet, shift, spread)


def _shots_a_level(settings: PlanSettings, easy: str, spread: Spread, repeats: int, sessions: int) -> float:
    """Shots that count at each level of an easy condition, over all sessions, in one pattern and speed."""
    others = math.prod(len(levels) for name, levels in settings.easy.items() if name != easy)
    return repeats * sessions * math.prod(settings.hard_levels) * others * spread.kept_share


def _at_the_limits(settings: PlanSettings, spread: Spread, repeats: int, sessions: int) -> list[str]:
    """A line on how large the scatter may be for all that the pilot tells, and what that leaves of the power."""
    if not math.isfinite(spread.shot_sd_high):
        return []
    told = math.isfinite(spread.session_sd_high)
    line = f"the scatter may be larger than the pilot's: up to {spread.shot_sd_high:.3g} a shot"
    line += f" and {spread.session_sd_high:.3g} a session" if told else ""
    line += " (upper 80 % limits)"
    worst = replace(spread, shot_sd=spread.shot_sd_high, session_sd=spread.session_sd_high if told else 0.0)
    power = _power_of(settings, worst, repeats, sessions) if settings.shift is not None else {}
    seen = [f"{name} {value:.0%}" for name, value in power.items() if told or name in settings.easy]
    if seen:
        line += f"; power then: {', '.join(seen)}"
    if settings.hard and not told:
        line += "; how much sessions scatter it doesn't tell, film three or more"
    return [line]


def _without_target(settings: PlanSettings, spread: Spread) -> list[str]:
    """A note where what is to shift can't be measured unless the patterns' own files say more."""
    bare = [name for name, target in settings.patterns if not target]
    if spread.response != "miss_mm" or not bare:
        return []
    return [f"NOTE: {', '.join(bare)}: without a target pocket no shot has a miss_mm; write NAME:POCKET, unless the "
            "pattern's file names the pocket"]


def _shuffled(settings: PlanSettings, repeats: int, sessions: int) -> pd.DataFrame:
    rng = np.random.default_rng(settings.seed)
    hard = [dict(zip(settings.hard, c, strict=True)) for c in itertools.product(*settings.hard.values())]
    cells = [
        {
            "pattern": pattern,
            "target": target,
            "speed_class": speed,
            "player": settings.player,
            **dict(zip(settings.easy, combination, strict=True)),
        }
        for pattern, target in settings.patterns
        for speed in (settings.speeds or ("",))
        for combination in itertools.product(*settings.easy.values())
    ]
    rows = []
    number = 0
    for _ in range(sessions):
        for chosen in rng.permutation(len(hard)):
            number += 1
            order = 0
            for block in range(1, repeats + 1):
                for cell in _block(cells, settings, rng):
                    order += 1
                    rows.append(
                        {"session": f"session-{number:02d}", "block": block, "order": order, **hard[chosen], **cell}
                    )
    return pd.DataFrame(rows)


def _block(cells: Sequence[dict[str, str]], settings: PlanSettings, rng: np.random.Generator) -> list[dict[str, str]]:
    """Every combination once, shuffled; batch conditions keep together, their levels in random order."""
    turn = {
        name: {levels[i]: k for k, i in enumerate(rng.permutation(len(levels)))}
        for name, levels in settings.easy.items()
        if name in settings.batch
    }
    shuffled = [cells[i] for i in rng.permutation(len(cells))]
    return sorted(shuffled, key=lambda cell: tuple(turn[name][cell[name]] for name in settings.batch))
