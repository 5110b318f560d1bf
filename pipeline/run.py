"""The stages in order, for one session: clips side by side, cloth and balls learnt from one another, files written."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import pandas as pd

from pipeline import compiled_place, lone_clip
from pipeline.assemble import check_settings, lost_shots, write_page, write_results
from pipeline.clip_job import (
    ClipRecord,
    ClipTask,
    earlier_record,
    has_arrived,
    measure_clip,
    needs_look,
    unchanged_sha256,
)
from pipeline.contacts_file import read_contacts
from pipeline.corrections import read_corrections
from pipeline.draw_job import DrawTask, draw_clip, is_drawn, remove_old, shows_last
from pipeline.earlier_results import clips_with_shots, leave_earlier
from pipeline.executor import Executor, InProcess, Lost, OnReport, ProcessPool, close, local_executor
from pipeline.judging import unknown_patterns
from pipeline.knowledge import CueMass, prior_friction
from pipeline.learning import ClothAndBalls, learnt_from_others, tells_more
from pipeline.patterns import read_patterns
from pipeline.physics import Friction
from pipeline.review_file import read_reviews
from pipeline.said import Said, named
from pipeline.sessions import Session
from pipeline.speed_classes import without_shots
from pipeline.targets import MATCHED, Targets, declared_targets, matched_targets
from pipeline.work import Entry, Work, measures_key
from shared.errors import SettingsError, disk_words
from shared.names import same_letters

_HERE = (InProcess, lone_clip.LoneClip, ProcessPool)  # and not on other machines
_WRITE_EVERY_S = 15.0  # while clips are still being measured
_FEW_DRAWINGS = 2  # are done before a pool is up
_ARRIVES_WITHIN_S = 60.0  # so long a shared folder may show its old state here (NFS: acdirmax, from memory)


class Progress(Protocol):
    """Where a run tells how far it is. ``weight``: any unit, as long as it is the same for all."""

    def start(self, words: str, weight: float) -> None:
        """A stage begins that is worth ``weight`` in all."""
        ...

    def reach(self, words: str, weight: float) -> None:
        """So much of the stage is done by now."""
        ...

    def say(self, line: str) -> None:
        """One line for the user, at once."""
        ...


class Silent:
    """Says nothing."""

    def start(self, words: str, weight: float) -> None: ...

    def reach(self, words: str, weight: float) -> None: ...

    def say(self, line: str) -> None: ...


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How to run. ``out`` None: measured/ in the session's folder; ``jobs`` 0: one per processor."""

    out: Path | None = None
    jobs: int = 0
    again: bool = False
    diagrams: bool = True


@dataclass(frozen=True, kw_only=True)
class SessionResult:
    """What a run left behind. ``problems``: a line for all that could not be measured; empty means all was.

    ``earlier``: it was stopped, and left the results of the run before, whose shots these are.
    """

    session: str
    folder: Path
    shots: pd.DataFrame
    problems: tuple[str, ...] = ()
    stopped: bool = False
    earlier: bool = False

    @property
    def contacts(self) -> pd.DataFrame:
        """CONTACTS rows."""
        return read_contacts(self.folder)

    @property
    def tracks(self) -> pd.DataFrame:
        """TRACKS rows, read when asked for: they are many."""
        return pd.read_parquet(self.folder / "tracks.parquet")


def measure_session(
    session: Session, *, options: RunOptions = RunOptions(), progress: Progress | None = None,
    executor: Executor | None = None,
) -> SessionResult:
    """Measure a session's clips and write its files.

    raises : SettingsError where the folder of results can't be written to or a setting is of no use; OSError where a
             file of results can't be written. A clip that can't be measured is a line in ``problems``; the others are
             measured
    """
    return _Run(session, options, progress or Silent(), executor).go()


class _Run:
    """One run over one session; lives as long as the run."""

    def __init__(self, session: Session, options: RunOptions, progress: Progress, executor: Executor | None) -> None:
        self.session, self.options, self.progress = session, options, progress
        self.executor: Executor = executor or InProcess(self._reported)  # until it is known how much there is to do
        if isinstance(executor, ProcessPool):
            executor.on_report = self._reported
        self._closes = executor is None
        self.out = options.out or session.measured
        self.work = Work(self.out.absolute() / ".work")  # a worker elsewhere may have another current folder
        self.records: dict[str, ClipRecord] = {}
        self._said = Said()
        self._remarks: tuple[str, ...] = ()
        self._asked: list[str] = []  # names of the clips whose records are wanted
        self._first_of: dict[str, str] = {}  # content hash -> the first clip that has it
        self.stopped = self.earlier = False
        self._had: frozenset[str] = frozenset()  # clips with shots in the results that lay there
        self._patterns = read_patterns(session.folder)
        self._patterns_key = measures_key("", sorted(map(repr, self._patterns.values())))
        self._last_write = time.monotonic()
        self._done = self._seen = 0.0  # of the stage's weight: clips that are done; what the workers have reported

    def go(self) -> SessionResult:
        check_settings(self.session)
        read_reviews(self.out)  # of no use: better told before than after
        _make_folder(self.out)
        self._had = clips_with_shots(self.out)
        for line in (*self.session.problems, *self.session.remarks, *self._unused_classes(), *self._unknown_patterns()):
            self.progress.say(line)
        try:
            return self._go()
        finally:
            for line in (*self._said.lines(self._order), *self._remarks):
                self.progress.say(line)

    def _go(self) -> SessionResult:
        try:
            self._measure_each()
            self._match_patterns()
            self._measure_together()
        except KeyboardInterrupt:
            self.stopped = True
            self._keep_earlier()
            self.earlier = self._would_lose()
        try:
            shots = self._left() if self.earlier else self._write_and_draw()
        finally:
            if self._closes:
                close(self.executor)
        if not self.stopped:
            remove_old(self.out / "pictures", self.work.clips, self._drawn(shots))
            try:
                write_page(self.session, self.out)
            except KeyboardInterrupt:
                self.stopped = True
        problems = (*self.session.problems, *self._said.problems(self._order))
        return SessionResult(session=self.session.name, folder=self.out, shots=shots, problems=problems,
                             stopped=self.stopped, earlier=self.earlier)

    @property
    def _order(self) -> list[str]:
        return [clip.name for clip in self.session.present]

    def _measure_each(self) -> None:
        """Every clip for itself: decoded where need be, its shots measured by what they show themselves.

        Those of earlier runs as well, which are in the tables, too: of them only what no longer holds.
        """
        self._asked = [clip.name for clip in self.session.clips]
        earlier = self._earlier()
        if self._closes:
            many = len(self.session.clips) + sum(map(needs_look, earlier))
            self.executor = _local(many, self.options.jobs, self._reported, self._get_ready_to_draw)
        if self.session.clips and isinstance(self.executor, _HERE) and compiled_place.is_missing():
            self.progress.say(compiled_place.FIRST_RUN)
        self._asked += [task.clip.name for task in earlier]
        self._do("measuring", [*map(self._task, self.session.clips), *earlier], by_size=True)
        self._await_all()

    def _earlier(self) -> list[ClipTask]:
        """The session's other clips that earlier runs looked at and that are unchanged since."""
        found = []
        for clip in self.session.present:
            if clip in self.session.clips:
                continue
            task = replace(self._task(clip), again=False)
            try:
                unchanged = unchanged_sha256(task)
            except OSError as error:
                self._unreadable(clip, error)
                continue
            if unchanged:
                found.append(task)
            elif task.entry.record("tables").get("shots"):
                self._said.warning("has changed since it was measured, so its shots are left out; measure it again.",
                                   clip.name)
        return found

    def _unreadable(self, clip: Path, error: OSError) -> None:
        self._fail(ClipRecord(clip=clip.name, failure=f"{clip.name}: is left out of the tables: {disk_words(error)}"))

    def _fail(self, record: ClipRecord) -> None:
        self.records[record.clip] = record
        self._said.problem(record.failure, record.clip)

    def _await_all(self) -> None:
        """Wait until what workers elsewhere have kept is seen here; what isn't by then was kept in another folder."""
        until = time.monotonic() + _ARRIVES_WITHIN_S
        while missing := [record for record in self.records.values() if not self._has_arrived(record)]:
            if isinstance(self.executor, _HERE) or time.monotonic() > until:
                break
            time.sleep(0.5)
        for record in missing:
            words = (f"{record.clip}: what the worker measured did not arrive in {self.work.folder}; is this folder "
                     "shared with the workers?")
            self._fail(ClipRecord(clip=record.clip, failure=words, seconds=record.seconds))

    def _has_arrived(self, record: ClipRecord) -> bool:
        return has_arrived(Entry(self.work.folder / record.clip), record)

    def _measure_together(self) -> None:
        """Once more, from the kept detections, with what each shot may learn of cloth and balls from the others."""
        told = {(r.clip, shot): of for r in self._all_records() for shot, of in r.told.items()}
        alike = {(clip, shot): self.session.takes.filmed_under(clip, shot) for clip, shot in told}
        prior = prior_friction(self.session.settings)
        learnt: dict[str, dict[int, ClothAndBalls]] = {}
        gaining = set()
        for (clip, shot), of in learnt_from_others(told, alike, prior).items():
            learnt.setdefault(clip, {})[shot] = _rounded(of)
            if tells_more(of, told[clip, shot], prior):
                gaining.add(clip)
        clips = [clip for clip in self._measured_clips() if self._record(clip).shots]
        tasks = [
            replace(self._task(clip), learnt=learnt[clip.name] if clip.name in gaining else None, tables=True,
                    again=False)
            for clip in clips
        ]
        # where no other shot tells more there is nothing to join; tables are made only if they are another run's
        self._do("cloth and balls from all shots" if gaining else "measuring", tasks, by_size=False)
        self._await_all()

    def _do(self, words: str, tasks: Sequence[ClipTask], *, by_size: bool) -> None:
        weights = [float(task.clip.stat().st_size) if by_size and task.clip.exists() else 1.0 for task in tasks]
        self._start(words, sum(weights))
        tasks = [replace(task, weight=weight) for task, weight in zip(tasks, weights, strict=True)]
        for index, result in self.executor.run(measure_clip, tasks):
            task = tasks[index]
            record = result
            if isinstance(result, Lost):
                record = ClipRecord(clip=task.clip.name, failure=f"{task.clip.name}: {result.words}")
            assert isinstance(record, ClipRecord)
            self._keep(task, record)
            self._reach(task.clip.name, weights[index])
            if by_size and time.monotonic() - self._last_write > _WRITE_EVERY_S and not self._would_lose():
                start = time.monotonic()
                with suppress(OSError):  # the last writing raises it, when all that can be kept is
                    self._written()  # what there is to say of it may have changed by the end
                self._last_write = time.monotonic() + 20 * (time.monotonic() - start)  # at most a twentieth of the time

    def _start(self, words: str, weight: float) -> None:
        self._done = self._seen = 0.0
        self.progress.start(words, weight)

    def _reach(self, words: str, weight: float) -> None:
        self._done += weight
        self.progress.reach(words, max(self._done, self._seen))

    def _reported(self, weight: float) -> None:
        """A worker has done part of a clip. Clips that need no decoding report nothing, hence the larger of the two."""
        self._seen += weight
        self.progress.reach("", max(self._done, self._seen))

    def _keep(self, task: ClipTask, record: ClipRecord) -> None:
        """Remember a clip's record, and what the user should know of it."""
        before = self.records.get(record.clip)
        if before is not None:
            seconds = {**before.seconds}
            for stage, spent in record.seconds.items():
                seconds[stage] = round(seconds.get(stage, 0.0) + spent, 4)
            record = replace(record, seconds=seconds, reused=before.reused, told=before.told)
        self.records[record.clip] = record
        if record.failure:
            self._said.problem(record.failure, record.clip)
        if before is None:
            self._twice(record)
        for line in record.warnings:
            if line in record.left_out:  # part of it could not be measured
                self._said.problem(named(line, record.clip), record.clip)
            else:
                self._said.warning(line, record.clip)

    def _twice(self, record: ClipRecord) -> None:
        """Say when a clip is another one's copy: its shots would count twice."""
        first = self._first_of.setdefault(record.sha256, record.clip) if record.sha256 else record.clip
        if first != record.clip:
            one, other = sorted((first, record.clip))
            self._said.warning(f"{other}: is the same recording as {one}, so its shots stand twice; take one of them "
                               "out.", other)

    def _task(self, clip: Path) -> ClipTask:
        targets = declared_targets(self.session, clip.name, self._patterns)
        matched = self.work.entry(clip).record(MATCHED)
        if matched.get("patterns") == self._patterns_key:
            found: Targets = {int(shot): target for shot, target in matched["targets"].items()}
            targets = targets | {shot: target for shot, target in found.items() if not targets.get(shot)}
        return ClipTask(clip=clip, entry=self.work.entry(clip), settings=self.session.settings, targets=targets,
                        corrections=read_corrections(self.out), again=self.options.again)

    def _unused_classes(self) -> list[str]:
        """A line for each speed of a class that is none of this session's."""
        classes = self._declared("speed_class") + [pattern.speed_class for pattern in self._patterns.values()]
        return without_shots(self.session.settings.tolerances, classes)

    def _unknown_patterns(self) -> list[str]:
        """A line for each pattern of this session that none of its files describes, though there are some."""
        return unknown_patterns(self._declared("pattern"), self._patterns, self.session.settings)

    def _declared(self, name: str) -> list[str]:
        """What takes.csv and session.toml say under a declared column's name, with ""s."""
        said = [take.declared.get(name, "") for take in self.session.takes.takes]
        return [*said, str(self.session.settings.conditions.get(name, ""))]

    def _match_patterns(self) -> None:
        """Remember what patterns the lie of the balls shows, whose targets the last measuring then knows."""
        if not any(pattern.target for pattern in self._patterns.values()):
            return
        for clip in self._measured_clips():
            entry = self.work.entry(clip)
            if self._record(clip).shots:
                found = matched_targets(self.session, clip.name, entry, self._patterns)
                entry.keep_record(MATCHED, {"patterns": self._patterns_key, "targets": found})

    def _record(self, clip: Path) -> ClipRecord:
        return self.records.get(clip.name) or ClipRecord(clip=clip.name)

    def _all_records(self) -> list[ClipRecord]:
        return [self._record(clip) for clip in self._measured_clips()]

    def _measured_clips(self) -> list[Path]:
        """Clips of this run, and those of earlier runs, in the session's order."""
        return [clip for clip in self.session.present if clip.name in self.records]

    def _keep_earlier(self) -> None:
        """Clips that were not reached keep what an earlier run measured, where that still holds."""
        for clip in self.session.present:
            known = self.records.get(clip.name)
            if known is not None and (not known.shots or self._is_whole(clip)):
                continue
            try:
                kept = earlier_record(self._task(clip))
            except OSError as error:
                self._unreadable(clip, error)
                continue
            if kept is not None:  # of one that was just being measured together, only that was not heard of
                self.records[clip.name] = kept if known is None else replace(known, tables=kept.tables)

    def _would_lose(self) -> bool:
        """Whether shots of the results that lay there would be missing from files that were written now.

        What is kept under .work/ does not tell: of a clip that is being looked at again nothing is left there.
        """
        return any(clip.name not in self.records or (self._record(clip).shots and not self._is_whole(clip))
                   for clip in self.session.present if same_letters(clip.name) in self._had)

    def _is_whole(self, clip: Path) -> bool:
        """Whether the tables that lie there are those of the clip's record: not where a stop came in between."""
        record = self._record(clip)
        return bool(record.tables) and self._has_arrived(record)

    def _left(self) -> pd.DataFrame:
        """The shots of the run before, whose files stay as they are."""
        self._said.problem(f"{self.session.name}: stopped before all clips were measured anew, so the results are "
                           "still those of the run before; run it again to the end.")
        return leave_earlier(self.out)

    def _write(self) -> pd.DataFrame:
        return self._told(*self._written())

    def _written(self) -> tuple[pd.DataFrame, list[str], tuple[str, ...]]:
        """The shots, after all files are written, and what there is to say of it: problems, and remarks."""
        with_shots = [clip for clip in self.session.present if self._record(clip).shots]
        whole = [self.work.entry(clip) for clip in with_shots if self._is_whole(clip)]
        missing = {name for name in self._asked if name not in self.records}
        missing |= {clip.name for clip in with_shots if self.work.entry(clip) not in whole}
        records = [record for record in self.records.values() if record.clip not in missing]
        found = [self.work.entry(clip) for clip in self.session.present
                 if clip.name not in missing and self._record(clip).frames and self._has_arrived(self._record(clip))]
        return write_results(self.session, self.out, whole, records, calibrated=found, missing=sorted(missing))

    def _told(self, shots: pd.DataFrame, lines: list[str], remarks: tuple[str, ...]) -> pd.DataFrame:
        for line in lines:
            if line not in self.session.problems:
                self._said.problem(line)
        for clip, shot, why in lost_shots(shots):
            # a warning of the clip's that begins so says what to do, too
            more = next((said for said in self._record(Path(clip)).warnings if said.startswith(f"{why};")), why)
            self._said.problem(f"{shot}: nothing could be measured of this shot: {more}.", clip, shot=shot)
        self._remarks = remarks
        return shots

    def _write_and_draw(self) -> pd.DataFrame:
        """The files, and a table diagram for each shot that has none or an old one."""
        if self.stopped or not self.options.diagrams:
            return self._write()
        tasks = [
            DrawTask(entry=self.work.entry(clip), folder=self.out.absolute() / "pictures",
                     settings=self.session.settings)
            for clip in self.session.present if self._record(clip).shots
        ]
        tasks = [task for task in tasks if self.options.again or not is_drawn(task)]
        if len(tasks) <= _FEW_DRAWINGS:
            shots = self._write()
            self._draw(tasks, InProcess())
            return shots
        with ThreadPoolExecutor(1) as writer:  # the workers need not wait for it
            written = writer.submit(self._written)
            self._draw(tasks, self.executor)
            return self._told(*written.result())

    def _drawn(self, shots: pd.DataFrame) -> list[str]:
        """The ids of the shots whose diagrams show what was measured last."""
        return [str(shot) for clip, shot in zip(shots["clip"], shots["shot_id"], strict=True)
                if shows_last(self.work.entry(Path(str(clip))))]

    def _get_ready_to_draw(self) -> None:
        if self.options.diagrams:
            from pipeline.diagram import get_ready

            get_ready(self.session.settings.table)

    def _draw(self, tasks: Sequence[DrawTask], executor: Executor) -> None:
        self._start("drawing", float(len(tasks)))
        try:
            for index, result in executor.run(draw_clip, tasks):
                line = result.words if isinstance(result, Lost) else result
                if line:
                    self._said.problem(line, tasks[index].entry.folder.name)
                self._reach(tasks[index].entry.folder.name, 1.0)
        except KeyboardInterrupt:
            self.stopped = True


def _local(clips: int, jobs: int, on_report: OnReport, meanwhile: Callable[[], object]) -> Executor:
    if lone_clip.pays(clips, jobs):
        return lone_clip.LoneClip(on_report, meanwhile)
    return local_executor(clips, jobs, on_report)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / ".can-write"
        probe.touch()
        probe.unlink(missing_ok=True)  # another run may have begun there, too
    except OSError as error:
        words = f"{folder}: can't be written to ({error.strerror}); give another folder with --out."
        raise SettingsError(words) from error


def _rounded(known: ClothAndBalls) -> ClothAndBalls:
    """To six digits, so that the same clips give the same key whatever the order in which they were done."""
    friction = Friction(**{name: float(f"{value:.6g}") for name, value in vars(known.friction).items()})
    mass = known.cue_mass and CueMass(**{name: float(f"{value:.6g}") for name, value in vars(known.cue_mass).items()})
    return ClothAndBalls(friction, mass)
