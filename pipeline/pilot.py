"""What a pilot tells a plan: how shots and sessions scatter, how surely, and how many shots don't count.

Each pattern and speed scatters by itself; the plan promises its power in each of them, so the largest scatter is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.plan_power import TYPICAL, Spread
from pipeline.speed_classes import same_class
from shared.errors import SettingsError
from shared.names import same_name

_LEAST_PILOT = 2  # counted shots, to differ
_LEAST_DF = 4  # of a pattern and speed whose own scatter is told; of fewer, chance makes the largest
_LIMIT = 0.8  # confidence of the upper limits
_USUAL_RATIO = 0.5  # of session to shot scatter, where nothing tells it
_COMBINED = ("pilot_condition", "pilot_session_condition")


def pilot_spread(
    shots: pd.DataFrame,
    response: str,
    *,
    contacts: pd.DataFrame | None = None,
    patterns: Sequence[str] = (),
    speeds: Sequence[str] = (),
) -> Spread:
    """From pooled shots: scatter inside sessions and conditions (adjusted), between sessions, share of mis-hits.

    contacts         : the pool's, from which the speed kept after each cushion is worked out
    patterns, speeds : those planned; the pilot's shots of these alone are used where it has any. None: all
    Of several patterns and speeds the largest scatter is taken; ``notes`` name them, and those that the pilot lacks.
    Where the pilot has fewer than three sessions, the scatter of sessions is the typical one in proportion.
    Raises SettingsError where the pilot can't tell the scatter of shots, or has a cell that isn't understood.
    """
    from pipeline.compare.counting import counted_mask
    from pipeline.compare.given_frames import given_contacts, given_shots, with_session
    from pipeline.compare.responses import add_speed_kept

    too_few = f"the pilot has too few counted shots with {response} to tell their scatter; film more."
    shots = given_shots(shots)
    if shots.empty:
        raise SettingsError(too_few)
    shots = with_session(add_speed_kept(shots, given_contacts(contacts)))
    shots, notes = _planned(shots, _told(shots, response), patterns, speeds)
    told = _told(shots, response)
    if int(told.sum()) < _LEAST_PILOT:
        raise SettingsError(too_few)
    found, strata, covariates, alike = _scatter(shots, response)
    if found.empty:
        raise SettingsError(f"the pilot doesn't tell how shots scatter: {' '.join(alike)}" if alike else too_few)
    notes += _too_few(found, strata[told.to_numpy()])
    own = _told_apart(found)
    at = int(own["sd"].to_numpy().argmax())
    shot_sd, df = float(own["sd"].iloc[at]), float(own["residual_df"].iloc[at])
    if len(own) > 1:
        each = ", ".join(f"{name} {sd:.3g}" for name, sd in zip(own["stratum"], own["sd"], strict=True))
        notes.append(f"scatter of a shot in each pattern and speed of the pilot: {each}; planned by the largest")
    evenings = shots.loc[told, "session"].nunique()
    source = f"pilot: {int(told.sum())} counted shots with {response} in {evenings} session(s)"
    sessions = found[found["mixed_model_session_sd"].notna()]
    session_high = math.nan
    if len(sessions):
        worst = sessions.iloc[int(sessions["mixed_model_session_sd"].to_numpy().argmax())]
        session_sd, session_high = float(worst["mixed_model_session_sd"]), _session_limit(worst)
    else:
        session_sd = shot_sd * (TYPICAL[response][1] / TYPICAL[response][0] if response in TYPICAL else _USUAL_RATIO)
        source += "; too few sessions to tell their scatter: taken as typical, in proportion"
    counted = counted_mask(shots)
    fewer = [_largest(_scatter(shots, response, covariates[:n])[0]) / shot_sd for n in range(len(covariates))]
    return Spread(
        response=response,
        shot_sd=shot_sd,
        session_sd=session_sd,
        mishit_share=1 - int(counted.sum()) / len(shots),
        untold_share=1 - int(told.sum()) / int(counted.sum()),
        source=source,
        shot_sd_high=shot_sd * math.sqrt(_growth(df)),
        session_sd_high=session_high,
        growth=(*fewer, 1.0),
        notes=tuple(notes),
    )


def refuse_of_the_table(response: str, parameters: pd.DataFrame) -> None:
    """Raises SettingsError where ``response`` is no measure of a shot but one of the sessions' table.csv.

    parameters : rows of the sessions' table.csv with `session`
    """
    from pipeline.compare.table_parameters import parameter_names

    if response in parameter_names(parameters):
        raise SettingsError(
            f"{response} is of the table itself, one reading a session; no plan is made for it. Plan for a measure of "
            "a shot, as restitution, and compare the table's by the same sessions."
        )


def _told(shots: pd.DataFrame, response: str) -> pd.Series:
    """True where a shot counts and has the response; what `compare` works out itself counts as had."""
    from pipeline.compare.counting import counted_mask

    counted = counted_mask(shots)
    return counted & shots[response].notna() if response in shots else counted


def _planned(
    shots: pd.DataFrame, told: pd.Series, patterns: Sequence[str], speeds: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """The shots of what is planned, of those alone that the pilot has; lines on what it lacks."""
    if not patterns:
        return shots, []
    mine = {
        " ".join(filter(None, (pattern, speed))): _is(shots, "pattern", pattern) & _is(shots, "speed_class", speed)
        for pattern in patterns
        for speed in (speeds or ("",))
    }
    there = [name for name, mask in mine.items() if bool((mask & told).any())]
    lacking = [name for name in mine if name not in there]
    if not there:
        at_any_speed = pd.DataFrame({name: _is(shots, "pattern", name) for name in patterns}).any(axis=1)
        some = bool((at_any_speed & told).any())
        instead = "the same patterns at other speeds" if some else "all of the pilot's shots"
        line = f"{_named(lacking)}: no such shot counts in the pilot; {instead} are used, which may scatter otherwise"
        return (shots[at_any_speed] if some else shots), [line]
    lines = [f"{_named(lacking)}: no such shot counts in the pilot; taken to scatter as the others"] if lacking else []
    return shots[pd.DataFrame({name: mine[name] for name in there}).any(axis=1)], lines


def _is(shots: pd.DataFrame, column: str, wanted: str) -> pd.Series:
    """Where a declared cell is this word, however spelled; everywhere if none is wanted."""
    if not wanted:
        return pd.Series(True, index=shots.index)
    if column not in shots:
        return pd.Series(False, index=shots.index)
    same = same_class if column == "speed_class" else same_name
    cells = shots[column].astype("string").fillna("")
    return cells.map({word: same(word) == same(wanted) for word in cells.unique()}).astype(bool)


def _scatter(
    shots: pd.DataFrame, response: str, adjust: Sequence[str] | None = None
) -> tuple[pd.DataFrame, pd.Series, tuple[str, ...], tuple[str, ...]]:
    """`compare`'s scatter, a row a pattern and speed, with ``sd`` of a shot, its measurement included; each shot's
    pattern and speed; the covariates that all of these are adjusted for; lines on those whose shots are all alike.

    adjust : covariates to adjust for; None: the usual ones for the response
    """
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.settings import CompareSettings

    by = _something_that_varies(shots)
    kept = {name: cells for name, cells in by.items() if name in _COMBINED}
    for tried in [by, kept] if len(by) > len(kept) else [by]:  # a small pilot may have no shots to spare for readings
        settings = CompareSettings(
            responses=(response,), by=tuple(tried), adjust=None if adjust is None else tuple(adjust)
        )
        rows = compare_conditions(shots.assign(**tried), settings=settings)
        found, table = rows.scatter, rows.covariates
        if len(found):
            found = found[found["stratum"].isin(rows.strata)]
            found = found.assign(sd=np.hypot(found["shot_sd"], found["measurement_u_rms"]))
            table = table[table["stratum"].isin(rows.strata)] if len(table) else table
        if len(found):
            break
    used = table.loc[table["used"].astype(bool), "covariate"].astype(str).tolist() if len(table) else []
    everywhere = tuple(name for name in dict.fromkeys(used) if used.count(name) == len(found))
    return found, rows.shots["stratum"], everywhere, rows.alike


def _told_apart(found: pd.DataFrame) -> pd.DataFrame:
    """The patterns and speeds whose own scatter is told; where it is of none, all of them together."""
    own = found[found["residual_df"] >= _LEAST_DF]
    return _pooled(found) if own.empty else own


def _largest(found: pd.DataFrame) -> float:
    """Scatter of a shot, of the pattern and speed where it is largest."""
    return float(_told_apart(found)["sd"].max())


def _too_few(found: pd.DataFrame, strata: pd.Series) -> list[str]:
    """A line on patterns and speeds of so few shots that their own scatter isn't told."""
    enough = set(found.loc[found["residual_df"] >= _LEAST_DF, "stratum"])
    few = [str(name) for name in strata.unique() if name not in enough and name]
    if not few:
        return []
    others = "the others" if enough else "all of them together"
    return [f"{_named(few)}: too few counted shots in the pilot to tell their own scatter; taken as that of {others}"]


def _pooled(found: pd.DataFrame) -> pd.DataFrame:
    df = found["residual_df"].to_numpy(dtype=float)
    sd = math.sqrt(float(np.sum(df * found["sd"].to_numpy(dtype=float) ** 2) / np.sum(df)))
    return pd.DataFrame([{"stratum": "", "residual_df": float(np.sum(df)), "sd": sd}])


def _growth(df: float) -> float:
    """Upper limit of a variance told with ``df`` degrees of freedom, over the variance."""
    return float(df / stats.chi2.ppf(1 - _LIMIT, df))


def _session_limit(scatter: pd.Series) -> float:
    """Upper limit of the scatter of sessions, from that of their means: those hold the shots' own scatter, too. An
    estimate of 0 is no proof that there is none."""
    of_shots = float(scatter["sd"]) ** 2 * float(scatter["sessions"]) / float(scatter["shots"])
    of_means = float(scatter["mixed_model_session_sd"]) ** 2 + of_shots
    return math.sqrt(of_means * _growth(float(scatter["session_df"])) - of_shots)


def _named(names: Sequence[str]) -> str:
    return "; ".join(names)


def _something_that_varies(shots: pd.DataFrame) -> dict[str, pd.Series]:
    """Conditions as columns whose effects then don't count as scatter: all that change inside sessions as one; one for
    what stays for a session, if sessions repeat it. Readings of the room are no levels: each is a slope of its own;
    dates and remarks are left out. Shots in turn, if nothing varies."""
    from pipeline.compare.conditions import DERIVED, are_readings, as_numbers, condition_columns, why_no_condition

    names = [c for c in condition_columns(shots) if c not in DERIVED and not why_no_condition(shots[c])]
    sessions = shots["session"].astype("string").fillna("")
    numbers = {name: found for name in names if (found := as_numbers(shots[name])) is not None}
    readings = [name for name, found in numbers.items() if are_readings(found, shots)]
    names = [name for name in names if name not in readings]
    inside = [
        c for c in names if shots.groupby(sessions)[c].agg(lambda cells: len(cells.dropna().unique())).gt(1).any()
    ]
    combined = _combined(shots, inside)
    if len(combined.unique()) < 2:
        combined = pd.Series(np.arange(len(shots)) % 2, index=shots.index).map({0: "a", 1: "b"})
    out = {"pilot_condition": combined}
    held = _combined(shots, [c for c in names if c not in inside])
    if 1 < len(held.unique()) <= len(sessions.unique()) // 2:
        out["pilot_session_condition"] = held
    return out | {f"pilot_{name}": pd.Series(numbers[name], index=shots.index) for name in readings}


def _combined(shots: pd.DataFrame, names: list[str]) -> pd.Series:
    """Which combination of these conditions a shot has: 'c0', 'c1' ..., words that can't be taken for numbers."""
    if not names:
        return pd.Series("", index=shots.index)
    codes = shots.groupby(names, dropna=False, sort=False).ngroup()
    return "c" + codes.astype(str)
