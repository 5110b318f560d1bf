"""What lies on a reviewer's desk: the shots in an order of their own, what may be seen of each, the decisions."""

from __future__ import annotations

import hashlib
import hmac
import json
import threading
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from pipeline.agreement import agreements
from pipeline.clip_hashes import ClipHashes
from pipeline.condition_words import condition_words
from pipeline.judging import verdicts_of
from pipeline.measured_session import MeasuredSession, read_measured
from pipeline.patterns import read_patterns
from pipeline.recordings import LOG_FILE, recordings_of
from pipeline.review.blind import curtain_for
from pipeline.review.decisions import DecisionReader, Decisions
from pipeline.review.shot_view import number, shot_view, text
from pipeline.review.write_back import write_back
from pipeline.review_file import REVIEWS_FILE, Action, Review, append_reviews, now
from pipeline.reviews import SAME_STRIKE_S, by_clip, of_shot, of_shot_in, on_shots, review_problems
from pipeline.verdict import Verdict
from shared.columns import DERIVED
from shared.errors import ReboundryError, SettingsError
from shared.files import stamp
from shared.names import same_letters
from shared.session_file import SESSION_FILE, read_session
from shared.settings import SessionSettings

Reply = dict[str, Any]


class Desk:
    """One session under review. Safe to call from several threads."""

    def __init__(self, session: MeasuredSession, *, secret: str) -> None:
        self._lock = threading.RLock()
        self._secret = secret.encode()
        self.decided = False  # anything, since the page was opened
        self.clips: list[str] = []  # a clip's number is its place here, for as long as the page is open
        self._rows: dict[str, dict[str, Any]] = {}
        self._recordings: dict[str, str] = {}
        self._behind = ""  # why shots.csv lacks the last decisions
        self._unwritten: list[Review] = []  # looks that could not be written down yet
        self._unwritable = ""  # and why
        self._decisions = DecisionReader()
        self.hashes = ClipHashes(session.out)
        self._stamp = stamp(session.out / LOG_FILE)  # `measure` writes its log last, and whole
        self.load(session)
        #: whether reviews.csv held what shots.csv lacked: it was put right by hand, or the program killed
        self.caught_up = (session.out / REVIEWS_FILE).is_file() and self._write_back()

    def load(self, session: MeasuredSession) -> None:
        """Take up a session, new or measured again: what is the same strike or clip keeps its name or number."""
        with self._lock:
            settings = read_session(session.folder / SESSION_FILE, name=session.folder.name)
            # for the checks behind each verdict; shots.csv keeps only the words
            verdicts = verdicts_of(session.shots, settings, read_patterns(session.folder))
            rows = [{str(k): v for k, v in row.items()} for row in session.shots.to_dict("records")]
            before, self._recordings = self._recordings, recordings_of(session.out)
            self.session = session
            self.settings: SessionSettings = settings
            self._rows = self._named(rows, before)
            self._verdicts: dict[str, Verdict] = dict(zip(self._rows, verdicts, strict=True))
            self.clips += [clip for clip in session.clips if clip not in self.clips]

    def follow(self) -> None:
        """Take up what another program has measured since: a run of `measure` in a terminal."""
        with self._lock:
            now = stamp(self.session.out / LOG_FILE)
            if now == self._stamp:
                return
            try:
                self.load(read_measured(self.session.folder, self.session.out))
            except ReboundryError:  # being written, or of no use: the results as read before stay on the page
                return
            self._stamp = now
            if self.decided:  # one that was made while they were written
                self._write_back()

    def _named(self, rows: list[dict[str, Any]], recordings: dict[str, str]) -> dict[str, dict[str, Any]]:
        """The shots by their names; ``recordings``: as they were when the names in use were given."""
        before = {key: row for key, row in self._rows.items() if self._recording(row) == _of(row, recordings)}
        found: dict[str, dict[str, Any]] = {}
        for row in rows:
            key = next((k for k, old in before.items() if _same_strike(old, row)), None)
            if key is None:
                key = self._id(row)
            else:
                del before[key]
            found[key] = row
        return found

    def measured_recording(self, clip: str) -> str:
        """SHA-256 of a clip when it was measured; empty where it wasn't."""
        return self._recordings.get(same_letters(clip), "")

    def _recording(self, row: dict[str, Any]) -> str:
        return self.measured_recording(text(row["clip"]))

    def _id(self, row: dict[str, Any]) -> str:
        """A name for a shot that tells nothing of the clip, the evening or the order."""
        said = f"{row['clip']}|{self._recording(row)}|{row['shot_id']}|{float(row['start_s']):.3f}"
        return hmac.new(self._secret, said.encode(), hashlib.sha256).hexdigest()[:12]

    def order(self, reviewer: str) -> list[str]:
        """Every reviewer's own shuffled order, the same after a reload."""
        return sorted(self._rows, key=lambda key: hashlib.sha256(
            f"{reviewer}|{self._rows[key]['shot_id']}".encode()).hexdigest())

    def overview(self, reviewer: str, *, blind: bool) -> Reply:
        """The list of shots, the progress, and how far reviewers agree."""
        with self._lock:
            self.follow()
            kept = self._kept()
            keys = self.order(reviewer) if blind else list(self._rows)
            if not blind:  # the list tells name and conditions
                self._note_looks(list(self._rows.values()), reviewer)
            shots = [self._summary(key, n, reviewer, kept.by_clip, blind=blind) for n, key in enumerate(keys, start=1)]
            names = sorted({review.reviewer for review in kept.mine})
            problems = review_problems(self.session.shots, kept.file, self._recordings,
                                       clips=self.session.calibrations)
            on_these, _ = on_shots(kept.standing, self.session.shots)
            return {
                "session": self.session.folder.name if not blind else "",
                "shots": shots,
                "decided": sum(shot["decision"] in ("accept", "reject") for shot in shots),
                "reviewers": names,
                "agreement": [asdict(pair) for pair in agreements(on_these)],
                "clips": [{"index": i, "name": name} for i, name in enumerate(self.clips)],
                "problem": " ".join(filter(None, (self._unwritable, self._behind, *problems))),
            }

    def detail(self, key: str, reviewer: str, *, blind: bool) -> Reply:
        """All that may be seen of one shot."""
        no_pictures = self.no_pictures(key)
        with self._lock:
            row = self.row(key)
            decision = self._decision(row, reviewer)
            hidden = blind and decision is None
            if not blind:
                self._note_looks([row], reviewer)
            view = shot_view(self.session, row, self._verdicts[key], hidden=hidden, no_pictures=no_pictures)
            reviews = self._standing(row)
            others = [] if hidden else [asdict(r) for r in reviews if r.reviewer != reviewer]
            return {**view, "id": key, "decision": asdict(decision) if decision else None, "others": others}

    def hidden(self, key: str, reviewer: str, *, blind: bool) -> bool:
        """Whether the curtain is down for this reviewer."""
        with self._lock:
            return blind and self._decision(self.row(key), reviewer) is None

    def no_pictures(self, key: str) -> str:
        """Why a shot's clip can't be shown; empty where it can."""
        row = self.row(key)
        measured, path = self._recording(row), self.session.clip_path(text(row["clip"]))
        try:
            if path is None:
                return "The clip is not in the session's folder; its paths are shown alone."
            if measured and self.hashes.of(path) != measured:  # which may take a second, hence not under the lock
                return ("Another recording now has this clip's name, so the old one's paths are shown alone; measure "
                        "again.")
        except OSError as error:
            return f"The clip cannot be read ({error.strerror or error}); its paths are shown alone."
        return ""

    def row(self, key: str) -> dict[str, Any]:
        """A shot's row by its opaque name. Raises SettingsError for a name of no shot."""
        if key not in self._rows:
            raise SettingsError("no such shot; reload the page.")
        return self._rows[key]

    def decide(self, key: str, reviewer: str, decision: Action, note: str | None, *, blind: bool) -> bool:
        """Save a decision; when this returns it is on the disk. False where there was nothing to save.

        A skip takes nothing back: what is decided stands, with a new note if there is one. ``note`` None: as it is.
        """
        with self._lock:
            self.follow()
            row = self.row(key)
            before = next((r for r in self._standing(row) if r.reviewer == reviewer), None)
            if note is None:
                note = before.note if before else ""
            if decision == "skip" and before is not None and before.decision != "skip":
                if note == before.note:
                    return False
                self._append(replace(before, decided_at=now(), note=note))
                self._write_back()
                return True
            clip, start_s = text(row["clip"]), float(row["start_s"])
            mine = [*self._kept().mine, *self._unwritten]
            earlier = [r for r in of_shot(mine, clip, start_s) if r.reviewer == reviewer]
            seen = any(r.decision in ("looked", "accept", "reject") for r in earlier)  # the curtain has been up
            self._append(self._review(row, reviewer, decision, note, blind=blind and not seen))
            self._write_back()
            return True

    def undo(self, reviewer: str) -> str | None:
        """Take back this reviewer's last decision; return the shot it was about."""
        with self._lock:
            reviews = [r for r in self._kept().mine if r.reviewer == reviewer]
            stack: list[Review] = []
            for review in reviews:
                if review.decision == "undo":
                    mine = of_shot(stack, review.clip, review.start_s)
                    if mine:
                        stack.remove(mine[-1])
                elif review.decision != "looked":
                    stack.append(review)
            for review in reversed(stack):
                key = self._find(review)
                if key is not None:
                    self._append(self._review(self._rows[key], reviewer, "undo", "", blind=review.blind))
                    self._write_back()
                    return key
            return None

    def curtain(self, key: str, reviewer: str, *, blind: bool) -> Any:
        """Until when pictures may be shown."""
        row = self.row(key)
        events = self.session.events_of(text(row["shot_id"]))
        return curtain_for(row, events, hidden=self.hidden(key, reviewer, blind=blind))

    def _kept(self) -> Decisions:
        return self._decisions.read(self.session.out, self._recordings)

    def _standing(self, row: dict[str, Any]) -> list[Review]:
        """What stands of every reviewer on a shot."""
        return of_shot_in(self._kept().by_clip, text(row["clip"]), float(row["start_s"]))

    def _find(self, review: Review) -> str | None:
        for key, row in self._rows.items():
            if of_shot([review], text(row["clip"]), float(row["start_s"])):
                return key
        return None

    def _decision(self, row: dict[str, Any], reviewer: str) -> Review | None:
        """This reviewer's standing accept or reject."""
        mine = (r for r in self._standing(row) if r.reviewer == reviewer)
        return next((r for r in mine if r.decision in ("accept", "reject")), None)

    def _note_looks(self, rows: list[dict[str, Any]], reviewer: str) -> None:
        """Write down, once, that condition or outcome were shown before the decision. Where nothing can be written, nor
        can a decision: then it is remembered, and goes before the first one that can.
        """
        seen = by_clip(r for r in (*self._kept().mine, *self._unwritten)
                       if r.reviewer == reviewer and r.decision in ("looked", "accept", "reject"))
        new = [row for row in rows if not of_shot_in(seen, text(row["clip"]), float(row["start_s"]))]
        self._unwritten += [self._review(row, reviewer, "looked", "", blind=False) for row in new]
        if self._unwritten:
            try:
                self._write()
            except OSError as error:
                self._unwritable = (f"Nothing can be written to {REVIEWS_FILE} ({error.strerror or error}): decisions "
                                    "will not be saved.")

    def _review(self, row: dict[str, Any], reviewer: str, decision: Action, note: str, *, blind: bool) -> Review:
        return Review(
            decided_at=now(), shot_id=text(row["shot_id"]), clip=text(row["clip"]), start_s=float(row["start_s"]),
            reviewer=reviewer, decision=decision, note=note, blind=blind, verdict=text(row["verdict"]),
            recording=self._recording(row))

    def _append(self, review: Review) -> None:
        self._write(review)
        self.decided = True

    def _write(self, *reviews: Review) -> None:
        """To reviews.csv, after what could not be written before."""
        append_reviews(self.session.out, *self._unwritten, *reviews)
        self._unwritten.clear()
        self._unwritable = ""

    def _write_back(self) -> bool:
        """The review columns of shots.csv; whether they changed. Where it can't be done, decisions stay saved."""
        self._behind = ""
        try:
            return write_back(self.session.out)
        except (OSError, SettingsError) as error:
            why = error.strerror or error if isinstance(error, OSError) else error
            self._behind = (f"Decisions are saved, but shots.csv could not be brought up to date ({why}): close it in "
                            "other programs, then run `reboundry measure` again.")
            return False

    def _summary(
        self, key: str, position: int, reviewer: str, of_clips: Mapping[str, list[Review]], *, blind: bool
    ) -> Reply:
        row = self._rows[key]
        mine = [r for r in of_shot_in(of_clips, text(row["clip"]), float(row["start_s"])) if r.reviewer == reviewer]
        decision = mine[0].decision if mine else ""
        hidden = blind and decision not in ("accept", "reject")
        declared = [name for name in self.session.conditions if name not in DERIVED]  # the list is narrow
        conditions = {} if hidden else condition_words(row, declared)
        return {
            "id": key, "number": position, "verdict": text(row["verdict"]), "decision": decision,
            "note": mine[0].note if mine else "", "pattern": text(row["pattern"]), "kind": text(row["kind"]),
            "speed_class": text(row["speed_class"]), "impact_mps": number(row["cue_impact_speed_mps"]),
            "hidden": hidden, "name": "" if hidden else text(row["shot_id"]), "conditions": conditions,
        }


def _of(row: dict[str, Any], recordings: dict[str, str]) -> str:
    return recordings.get(same_letters(text(row["clip"])), "")


def _same_strike(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return text(one["clip"]) == text(other["clip"]) and abs(
        float(one["start_s"]) - float(other["start_s"])) <= SAME_STRIKE_S


def to_json(reply: Reply) -> bytes:
    """Strict JSON: no NaN."""
    return json.dumps(reply, ensure_ascii=False, allow_nan=False).encode()
