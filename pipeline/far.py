"""`measure` on clips at addresses, to results at addresses, on the workers of a cluster: any of the three."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.assemble import check_settings
from pipeline.cluster import ClusterExecutor
from pipeline.executor import Executor, InProcess, close, local_executor
from pipeline.mirror import Mirror, StoredExecutor, contents, fetch_earlier, fetch_results, mirror, put_results
from pipeline.progress import TerminalProgress
from pipeline.run import RunOptions, SessionResult, measure_session
from pipeline.sessions import Session, check_names, find_sessions, holds_a_sessions_clips
from pipeline.storage import Place, is_address
from pipeline.terminal import exit_status, run_sessions, show_all
from shared.clip_names import VIDEO
from shared.errors import ReboundryError
from shared.places import whole_path


@dataclass(frozen=True, kw_only=True)
class FarOptions:
    """``out``: where results go, path or address. ``cluster``: a Dask scheduler's address. ``run``: all else."""

    out: str | None = None
    cluster: str | None = None
    run: RunOptions


def measure_far(paths: Sequence[str], options: FarOptions, *, as_json: bool = False) -> int:
    """Measure what the paths and addresses mean, show it, and return the exit status.

    raises : SettingsError for an address, a session or a cluster of no use; StorageError for a place out of reach
    """
    with ExitStack() as stack:
        cluster = stack.enter_context(ClusterExecutor(options.cluster)) if options.cluster else None
        if any(is_address(text) for text in (*paths, options.out or "")):
            results = _measure_at_addresses(paths, options, cluster)
        else:
            out = Path(options.out) if options.out else None
            sessions = find_sessions([Path(path) for path in paths])
            results = [(str(result.folder), result)
                       for result in run_sessions(sessions, replace(options.run, out=out), executor=cluster)]
    show_all([result for _, result in results], [place for place, _ in results], as_json=as_json)
    return exit_status([result for _, result in results])


def _measure_at_addresses(
    paths: Sequence[str], options: FarOptions, cluster: Executor | None
) -> list[tuple[str, SessionResult]]:
    results: list[tuple[str, SessionResult]] = []
    with tempfile.TemporaryDirectory(prefix="reboundry-") as scratch:
        found = _sessions(paths, Path(scratch))
        try:
            if options.out:
                check_names([session for _, session in found])
            for _, session in found:
                check_settings(session)
        except ReboundryError as error:
            words = str(error)
            for where, _ in found:
                words = where.words(words)
            raise type(error)(words) from error
        for where, session in found:
            out = Place(options.out) if options.out else where.place(session.measured)
            if options.out and len(found) > 1:
                out = out / session.name
            try:
                results.append((out.address, _measure_one(session, where, out, options.run, cluster)))
            except ReboundryError as error:
                raise type(error)(where.words(str(error))) from error
            if results[-1][1].stopped:
                break
    return results


def _sessions(paths: Sequence[str], scratch: Path) -> list[tuple[Mirror, Session]]:
    """Each session with the folder that stands in for its place. Clips of one folder belong together."""
    chosen: dict[str, list[str]] = {}
    for text in paths:
        place = Place(text if is_address(text) else str(whole_path(Path(text).expanduser())))
        inside = ""
        if Path(place.name).suffix.lower() in VIDEO and place.is_file():
            inside, place = place.name, place.parent
            if place.name == "clips":
                inside, place = f"clips/{inside}", place.parent
        elif holds_a_sessions_clips(place):
            place = place.parent
        chosen.setdefault(place.address.rstrip("/"), []).append(inside)
    found = []
    for number, (address, inside_it) in enumerate(chosen.items()):
        place = Place(address)
        where = mirror(place, scratch / str(number) / place.name)
        try:
            wanted = [where.folder] if "" in inside_it else [where.folder / clip for clip in inside_it]
            found += [(where, session) for session in find_sessions(wanted)]
        except ReboundryError as error:
            raise type(error)(where.words(str(error))) from error
    return found


def _measure_one(
    session: Session, where: Mirror, out: Place, options: RunOptions, cluster: Executor | None
) -> SessionResult:
    folder = session.measured
    fetch_results(out, folder)
    earlier = fetch_earlier(session, where, out)
    before = contents(folder)
    near = local_executor(max(len(session.clips), earlier), options.jobs)
    alone = "memory" in (*where.source.protocols, *out.protocols)  # which lives in this process only
    executor = StoredExecutor(cluster or (InProcess() if alone else near), near, where=where, out=out)
    own = replace(options, out=folder)
    with TerminalProgress() as progress:
        try:
            result = measure_session(session, options=own, progress=progress, executor=executor)
        finally:
            close(near)
        put_results(folder, out, before=before)
    return result
