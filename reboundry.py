"""Measure bank shots in overhead video. Import from here; every other module may change.

>>> import reboundry
>>> session = reboundry.measure("my-session")
>>> session.shots                       # a pandas DataFrame, one row per shot; also .contacts and .tracks
>>> dataset = reboundry.pool(["monday", "tuesday"], "dataset")
>>> print(reboundry.compare(dataset.shots, by=["cloth"]).text())

Everything heavy is loaded on first use.
"""
# Annotations are quoted, not imported from __future__: the names in this module are its public names, and no others.

from collections.abc import Iterable as _Iterable
from collections.abc import Mapping as _Mapping
from collections.abc import Sequence as _Sequence
from pathlib import Path as _Path
from typing import TYPE_CHECKING as _TYPE_CHECKING

from shared.equipment import Table, standard_table
from shared.errors import CalibrationError, ClipError, NoShotError, ReboundryError, SchemaError, SettingsError

if _TYPE_CHECKING:
    import pandas as _pd

    from calibration.store import Calibration as _Calibration
    from pipeline.compare.comparison import Comparison as _Comparison
    from pipeline.measured_session import MeasuredSession as _MeasuredSession
    from pipeline.plan import Plan as _Plan
    from pipeline.pool import PoolReport as _PoolReport
    from pipeline.run import SessionResult as _SessionResult
    from pipeline.set_up import Capability as _Capability

__all__ = [
    "CalibrationError",
    "ClipError",
    "NoShotError",
    "ReboundryError",
    "SchemaError",
    "SettingsError",
    "Table",
    "calibrate",
    "compare",
    "demo_sessions",
    "forecast",
    "load",
    "measure",
    "plan",
    "pool",
    "standard_table",
]


def _place(path: str | _Path, name: str) -> _Path:
    """The path given for ``name``, with ~ as the home folder: as the command line takes it.

    Raises SettingsError for an address, and for what is no path.
    """
    from pipeline.storage import is_address
    from shared.given import path_in

    place = path_in(name, path)
    if is_address(str(path)):
        raise SettingsError(f"{path}: only the command `reboundry measure` takes addresses; give a folder or file on "
                            "this machine.")
    return place.expanduser()


def measure(
    path: str | _Path, *, out: str | _Path | None = None, jobs: int = 1, again: bool = False, diagrams: bool = True
) -> "_SessionResult":
    """Measure a session folder, a folder of clips or one clip, and write its files.

    out     : where results go; None: ``measured/`` in the session's folder
    jobs    : clips measured at once, each in a process of its own; 0: one per processor
    returns : SessionResult: ``shots``, ``contacts``, ``tracks`` (DataFrames), ``problems`` (a line for each clip or
              row that could not be used), ``folder`` with the files
    raises  : SettingsError for settings or paths of no use; OSError where a file of results can't be written
    """
    from pipeline.executor import get_ready
    from pipeline.sessions import find_sessions
    from shared.given import check_number

    check_number("jobs", jobs, "a whole number of clips, as 2; 0: one per processor", whole=True)
    if jobs < 0:
        raise SettingsError(f"jobs={jobs}: give how many clips to measure at once; 0: one per processor.")
    place = None if out is None else _place(out, "out")
    sessions = find_sessions([_place(path, "path")])
    if len(sessions) > 1:
        raise SettingsError(f"{path}: holds {len(sessions)} sessions ({', '.join(s.name for s in sessions)}); measure "
                            "them one by one.")
    get_ready(len(sessions[0].clips), jobs)  # before the imports that the next line brings
    from pipeline.run import RunOptions, measure_session

    options = RunOptions(out=place, jobs=jobs, again=again, diagrams=diagrams)
    return measure_session(sessions[0], options=options)


def load(session: str | _Path, *, out: str | _Path | None = None) -> "_MeasuredSession":
    """A measured session read back from its files: ``shots``, ``contacts``, ``tracks``, ``calibrations`` by clip.

    Raises SettingsError where nothing was measured yet.
    """
    from pipeline.measured_session import read_measured

    return read_measured(_place(session, "session"), None if out is None else _place(out, "out"))


def calibrate(path: str | _Path, *, table: Table | None = None) -> "_Calibration":
    """Find the table in one clip or picture; ``table`` None: nine-foot pool.

    Raises CalibrationError where no table is found or the fit is poor, ClipError for a file without a picture,
    SettingsError for one that isn't there.
    """
    from calibration.find import find_table
    from pipeline.stills import look_at
    from shared.given import shown

    clip = _place(path, "path")
    if not isinstance(table, Table | None):
        raise SettingsError(f'table: {shown(table)}; give a Table, as reboundry.standard_table("pool-8ft").')
    return look_at(clip, lambda still: find_table(still, table=table or standard_table(), clip=clip.name))[0]


def forecast(clip: str | _Path, *, wanted_angle_deg: float = 0.10, wanted_speed_percent: float = 0.4) -> "_Capability":
    """What this clip's camera will be able to measure, with the settings of the session.toml beside it.

    wanted_angle_deg, wanted_speed_percent : standard uncertainties (k=1) that are good enough
    returns : Capability: ``forecasts`` of a slow, a medium and a fast shot, ``advice`` (what to change, line by line),
              ``lines()`` with all of it for people
    raises  : as calibrate; SettingsError for a still picture or a wanted uncertainty that is not above 0
    """
    from pipeline.executor import keep_blas_single

    keep_blas_single()  # before the imports that load NumPy, if the caller hasn't yet
    from pipeline.calibrating import STILL, find, session_settings
    from pipeline.calibrating import forecast as foretold
    from pipeline.wanted import Wanted

    wanted = Wanted(angle_deg=wanted_angle_deg, speed_percent=wanted_speed_percent)
    path = _place(clip, "clip")
    foreseen = foretold(find(path, session_settings(path)), wanted)
    if foreseen is None:
        raise SettingsError(f"{clip}: {STILL}")
    return foreseen


def pool(sessions: str | _Path | _Sequence[str | _Path], out: str | _Path) -> "_PoolReport":
    """Join measured sessions into the dataset ``out``; again with more sessions adds to it. ``.shots`` is the whole."""
    from pipeline.pool import pool_sessions

    several = [sessions] if isinstance(sessions, str) or not isinstance(sessions, _Iterable) else sessions
    return pool_sessions([_place(session, "sessions") for session in several], _place(out, "out"))


def compare(
    shots: "_pd.DataFrame", *, contacts: "_pd.DataFrame | None" = None, by: str | _Sequence[str] = (),
    responses: str | _Sequence[str] = (), within: str | _Sequence[str] = ("pattern", "speed_class"),
    level: float = 0.95,
) -> "_Comparison":
    """What the conditions did: differences with intervals at ``level``, raw and adjusted to balls that come alike.

    shots     : pooled shots, or those of one session; only counted ones are compared
    contacts  : their CONTACTS rows with ``session``; gives the sizes of pockets and places on the table
    by        : condition columns, a list or "cloth,balls"; empty: all that vary and few shots lack
    responses : measures to compare; empty: the usual ones
    raises    : SettingsError where nothing can be compared, a cell of ours isn't understood, or a column, shot or event
                is there twice (each named)
    """
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.settings import CompareSettings
    from shared.given import names_in

    settings = CompareSettings(
        responses=names_in(responses, "responses"), by=names_in(by, "by"), within=names_in(within, "within"),
        level=level,
    )
    return compare_conditions(shots, contacts=contacts, settings=settings)


def plan(
    patterns: _Mapping[str, str], *, easy: _Mapping[str, str | _Sequence[str]] | None = None,
    hard: _Mapping[str, str | _Sequence[str]] | None = None, speeds: str | _Sequence[str] = (),
    response: str = "miss_mm",
    shift: float | None = None, power: float = 0.8, pilot: "_pd.DataFrame | None" = None,
    contacts: "_pd.DataFrame | None" = None, repeats: int | None = None, sessions: int | None = None, seed: int = 1,
) -> "_Plan":
    """A shuffled run sheet: ``.rows`` has a row per shot in order (DataFrame), ``.lines`` says what to expect.

    patterns   : name -> target pocket
    easy, hard : condition -> levels; easy ones take turns inside a session, hard ones stay for a whole session
    shift      : smallest shift of ``response`` to be seen, in its unit, with ``power``; it sizes the plan
    pilot      : pooled shots whose spread in these patterns and speeds is used; None: typical values, and ``lines``
                 says so
    contacts   : the pilot's, for a ``response`` such as speed_kept_2
    raises     : SettingsError for conditions of one level, names already taken, a cell of the pilot that isn't
                 understood and the like
    """
    from pipeline.pilot import pilot_spread
    from pipeline.plan import PlanSettings, make_plan
    from pipeline.plan_power import typical_spread
    from shared.given import check_mapping, check_text, names_in

    check_mapping("patterns", patterns, 'a dict of names and target pockets, as {"cross-corner": "foot-right"}')
    levels: dict[str, dict[str, tuple[str, ...]]] = {"easy": {}, "hard": {}}
    for name, conditions in (("easy", easy), ("hard", hard)):
        if conditions is not None:
            check_mapping(name, conditions, 'a dict of conditions and their levels, as {"balls": "clean,polished"}')
            levels[name] = {column: names_in(given, f"{name} {column}") for column, given in conditions.items()}
    check_text("response", response, 'the name of a measure, as "miss_mm"')
    settings = PlanSettings(
        patterns=tuple(patterns.items()), speeds=names_in(speeds, "speeds"), easy=levels["easy"], hard=levels["hard"],
        repeats=repeats, sessions=sessions, shift=shift, power=power, seed=seed,
    )
    if pilot is None:
        return make_plan(settings, typical_spread(response))
    spread = pilot_spread(pilot, response, contacts=contacts, patterns=list(patterns), speeds=settings.speeds)
    return make_plan(settings, spread)


def demo_sessions(out: str | _Path) -> list[_Path]:
    """Copy the demo's two evenings (rendered, not filmed) into ``out`` as session folders; return them."""
    from pipeline.demo import copy_evenings

    return copy_evenings(_place(out, "out"))


if __name__ == "__main__":
    from pipeline.cli import main as _main

    _main()
