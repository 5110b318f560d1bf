"""Every shot of a session judged: what was wanted of each, then pipeline/verdict. Blind to the outcome throughout."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from statistics import median
from typing import Any

import pandas as pd

from pipeline.consequence import throw_deg
from pipeline.hit import hit_of, quality_of
from pipeline.hit_checks import Intention
from pipeline.patterns import Pattern, aim_error, departure_of, match_pattern, pattern_named
from pipeline.speed_classes import class_speeds, same_class
from pipeline.tolerances import Tolerances, read_tolerances, wanted_roll
from pipeline.unread import PATTERN_FOLDER
from pipeline.verdict import Verdict, judge
from shared.columns import join_notes
from shared.equipment import Table
from shared.names import same_name
from shared.session_file import nearest
from shared.settings import SessionSettings

FEW = 4  # shots of one pattern before their usual cut or speed says what was meant

_MATCHED = "pattern: matched by where the balls lay"


def add_aim(
    shots: pd.DataFrame, contacts: pd.DataFrame, tracks: pd.DataFrame, *, table: Table, patterns: Mapping[str, Pattern]
) -> pd.DataFrame:
    """The shots with ``aim_error_deg`` and its u filled where the pattern is known, and blank patterns matched, which
    ``notes`` then say.

    shots, contacts, tracks : SHOTS, CONTACTS, TRACKS rows; left alone
    """
    out = shots.copy()
    for index, row in zip(out.index, _records(out), strict=True):
        departure = departure_of(row, tracks, contacts)
        if departure is None:
            continue
        name = _text(row["pattern"])
        if not name:
            name = match_pattern(departure, patterns, _text(row["kind"]), table) or ""
            if name:
                out.loc[index, "pattern"] = name
                out.loc[[index], "notes"] = join_notes([row["notes"]], [_MATCHED])
        pattern = pattern_named(name, patterns)
        if pattern is not None and pattern.kind == _text(row["kind"]):
            out.loc[index, ["aim_error_deg", "aim_error_deg_u"]] = aim_error(departure, pattern, table)
    return out


def say_why_no_aim(shots: pd.DataFrame, patterns: Mapping[str, Pattern]) -> pd.DataFrame:
    """The shots with the reason in ``notes`` where ``aim_error_deg`` stayed empty."""
    empty = shots["aim_error_deg"].isna()
    reasons = [_no_aim(row, patterns) if none else "" for row, none in zip(_records(shots), empty, strict=True)]
    return shots.assign(notes=join_notes(shots["notes"], reasons))


def _no_aim(shot: Mapping[str, Any], patterns: Mapping[str, Pattern]) -> str:
    name, kind = _text(shot["pattern"]), _text(shot["kind"])
    pattern = pattern_named(name, patterns)
    if not name:
        why = "no pattern declared, and none matched"
    elif pattern is None:
        why = f"no file in the folder patterns tells the line of {name}"
    elif kind and pattern.kind != kind:
        why = f"the pattern is a {pattern.kind}, the shot a {kind}"
    else:
        why = "the banked ball was not seen long enough on its way"
    return f"aim_error_deg: {why}"


def judge_shots(
    shots: pd.DataFrame, settings: SessionSettings, patterns: Mapping[str, Pattern] | None = None
) -> pd.DataFrame:
    """The shots with ``verdict`` and ``reasons`` filled. Raises SettingsError for tolerances of no use."""
    verdicts = verdicts_of(shots, settings, patterns)
    return shots.assign(
        verdict=pd.Series([v.verdict for v in verdicts], index=shots.index, dtype="string"),
        reasons=pd.Series([_joined(v.reasons) for v in verdicts], index=shots.index, dtype="string"),
    )


def verdicts_of(
    shots: pd.DataFrame, settings: SessionSettings, patterns: Mapping[str, Pattern] | None = None
) -> list[Verdict]:
    """One verdict a row, with its checks."""
    tolerances = read_tolerances(settings.table, settings.tolerances)
    wanted = intentions(shots, settings, tolerances, patterns or {})
    radius = settings.table.ball.radius_mm
    return [
        judge(hit_of(row), quality_of(row), intended=intended, tolerances=tolerances, radius_mm=radius)
        for row, intended in zip(_records(shots), wanted, strict=True)
    ]


def intentions(
    shots: pd.DataFrame, settings: SessionSettings, tolerances: Tolerances, patterns: Mapping[str, Pattern]
) -> list[Intention]:
    """What was wanted of each shot: its pattern's word first, then session.toml's, then the session's own usual.

    The usual cut (and the usual speed of a declared class) is the median over the shots of the same declared pattern,
    if there are at least four: a player who cuts a pattern by 8 degrees every time means to. What session.toml says of
    a speed class goes before its pattern's speed, which is of the pattern's own class where it names one; a shot
    without a class has its pattern's. Capitals make no other class and no other pattern.
    """
    general, told = _general(settings), class_speeds(settings.tolerances)
    shots = shots.assign(speed_class=shots["speed_class"].astype("string").map(same_class, na_action="ignore"))
    rows = _records(shots)
    shots = shots.assign(pattern=shots["pattern"].astype("string").map(same_name, na_action="ignore"))
    cuts = _medians(shots, ["pattern"], "cut_angle_deg")
    speeds = _medians(shots, ["pattern", "speed_class"], "cue_impact_speed_mps")
    kicks = _medians(shots, ["pattern", "speed_class"], "cue_speed_mps")
    offsets = _throw_offsets(shots, tolerances)
    out = []
    for row in rows:
        wanted, written = general, _text(row["pattern"])
        name = same_name(written)
        speed_class, kind = _text(row["speed_class"]), _text(row["kind"])
        pattern = pattern_named(written, patterns)
        if pattern is not None:
            wanted = _from_pattern(wanted, pattern, settings, speed_class)
        own = speed_class or same_class(pattern.speed_class if pattern else "")
        own_speed = told.get(own)
        usual = (kicks if kind == "kick" else speeds).get((name, speed_class)) if speed_class else None
        if own_speed is not None:
            wanted = replace(wanted, speed_mps=own_speed, speed_from=f"class {own} in session.toml")
        elif wanted.speed_mps is None and usual is not None:
            wanted = replace(wanted, speed_mps=usual, speed_from=f"usual for class {speed_class}")
        if name:
            offset, u = offsets.get(name, (0.0, None))
            wanted = replace(wanted, throw_offset_deg=offset, throw_u_deg=u)
        if wanted.cut_deg is None and name and (cut := cuts.get((name,))) is not None:
            wanted = replace(wanted, cut_deg=cut, cut_from=f"usual for {written}")
        out.append(wanted)
    return out


def unknown_patterns(
    declared: Iterable[str], patterns: Mapping[str, Pattern], settings: SessionSettings
) -> list[str]:
    """A line for each declared name that is none of the patterns; none where there are no patterns at all."""
    known = {same_name(name): name for name in patterns}
    stroke = _general(settings).stroke
    lines = []
    for name in dict.fromkeys(declared) if known else ():
        if not name or pattern_named(name, patterns):
            continue
        near = nearest(same_name(name), known)
        hint = f" The nearest is {known[near]!r}." if near else ""
        lines.append(f"pattern {name!r}: no file in {PATTERN_FOLDER}/ has this name, so its shots are judged as "
                     f"{stroke} hits, without a line to aim along.{hint}")
    return lines


def _general(settings: SessionSettings) -> Intention:
    spin: Any = settings.tolerances.get("wanted_spin", "stun")
    roll, roll_tolerance = wanted_roll(spin, settings.tolerances)
    intended = Intention(roll_ratio=roll, roll_tolerance=roll_tolerance, stroke=_stroke_word(spin))
    cut = settings.tolerances.get("wanted_cut_deg")
    return intended if cut is None else replace(intended, cut_deg=float(cut), cut_from="session.toml")


def _from_pattern(wanted: Intention, pattern: Pattern, settings: SessionSettings, speed_class: str) -> Intention:
    """``speed_class``: the shot's, "" where none was declared."""
    speed, who = pattern.speed_mps, f"pattern {pattern.name}"
    if speed is not None and speed_class:
        if not pattern.speed_class:
            who += ", whose file names no speed_class"
        elif same_class(pattern.speed_class) != speed_class:
            speed = None
    roll, roll_tolerance = wanted_roll(pattern.spin, settings.tolerances)
    cut = pattern.cut_deg(settings.table)
    return replace(
        wanted, roll_ratio=roll, roll_tolerance=roll_tolerance, stroke=_stroke_word(pattern.spin),
        side_ratio=pattern.side_ratio, cut_deg=cut, cut_from=f"pattern {pattern.name}" if cut is not None else "",
        speed_mps=speed, speed_from=who if speed else "",
    )


def _medians(shots: pd.DataFrame, by: list[str], measure: str) -> dict[tuple[str, ...], float]:
    """Median of a launch measure per group of declared words; groups of fewer than FEW are left out."""
    known = shots[shots[measure].notna() & shots[by].notna().all(axis=1)]
    out: dict[tuple[str, ...], float] = {}
    for words, group in known.groupby(by, sort=False):
        key = tuple(map(str, words)) if isinstance(words, tuple) else (str(words),)
        if len(group) >= FEW and all(key):
            out[key] = float(group[measure].median())
    return out


def _throw_offsets(shots: pd.DataFrame, tolerances: Tolerances) -> dict[str, tuple[float, float]]:
    """By pattern, the median of the throw that the cut does not explain, and the uncertainty that is left without it.

    A small error of the balls' places turns the line of centres of every shot of a pattern alike, as the balls meet at
    the same spot: where its uncertainty can account for the median, that is taken off. What is left of the uncertainty
    is no larger than the shots' own scatter (median absolute deviation, widened for few shots). A median that no
    uncertainty explains is left to be judged: a player who puts side on every shot.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    for row in _records(shots):
        hit, name = hit_of(row), _text(row["pattern"])
        throw, cut, speed = hit.throw_deg, hit.cut_angle_deg, hit.cue_impact_speed_mps
        if not name or throw is None or cut is None or speed is None or speed.value <= 0:
            continue
        roll = hit.cue_roll_ratio.value if hit.cue_roll_ratio else 0.0
        excess = throw.value - throw_deg(cut.value, speed_mps=speed.value, roll_ratio=roll)
        found.setdefault(name, []).append((excess, throw.u))
    out = {}
    for name, values in found.items():
        excesses = [excess for excess, _ in values]
        middle, stated = median(excesses), median(u for _, u in values)
        if len(values) >= FEW and abs(middle) <= tolerances.confidence_k * stated:
            scatter = 1.4826 * median(abs(excess - middle) for excess in excesses)
            out[name] = (middle, scatter * (1 + 2 / len(values)))
    return out


def _stroke_word(spin: float | str) -> str:
    return spin if isinstance(spin, str) else f"roll ratio {spin:zg}"


def _records(shots: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in shots.to_dict("records")]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _joined(reasons: tuple[str, ...]) -> str:
    return "; ".join(reason.replace(";", ",") for reason in reasons)
