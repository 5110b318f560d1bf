"""What lies on a reviewer's desk: the shots in an order of their own, what may be seen of each, the decisions."""

from __future__ import annotations

import hashlib
import hmac
import json
import threading
from dataclasses import asdict
from typing import Any

from pipeline.agreement import agreements
from pipeline.condition_words import condition_words
from pipeline.judging import verdicts_of
from pipeline.measured_session import MeasuredSession
from pipeline.patterns import read_patterns
from pipeline.review.blind import curtain_for
from pipeline.review.shot_view import number, shot_view, text
from pipeline.review.write_back import write_back
from pipeline.reviews import Action, Review, append_review, apply_reviews, now, of_shot, read_reviews, standing
from pipeline.verdict import Verdict
from shared.columns import DERIVED
from shared.errors import SettingsError
from shared.session_file import SESSION_FILE, read_session
from shared.settings import SessionSettings

Reply = dict[str, Any]


class Desk:
    """One session under review. Safe to call from several threads."""

    def __init__(self, session: MeasuredSession, *, secret: str) -> None:
        self._lock = threading.RLock()
        self._secret = secret.encode()
        self.decided = False  # anything, since the page was opened
        self.load(session)

    def load(self, session: MeasuredSession) -> None:
        """Take up a session, new or measured again."""
        with self._lock:
            self.session = session
            self.settings: SessionSettings = read_session(session.folder / SESSION_FILE, name=session.folder.name)
            self._verdicts: dict[str, Verdict] = {}
            rows = [{str(k): v for k, v in row.items()} for row in session.shots.to_dict("records")]
            self._rows = {self._id(row): row for row in rows}
            for key, verdict in zip(self._rows, self._judged(), strict=True):
                self._verdicts[key] = verdict

    def _judged(self) -> list[Verdict]:
        """For the checks behind each verdict; shots.csv keeps only the words."""
        return verdicts_of(self.session.shots, self.settings, read_patterns(self.session.folder))

    def _id(self, row: dict[str, Any]) -> str:
        """A name for a shot that tells nothing of the clip, the evening or the order."""
        return hmac.new(self._secret, f"{row['clip']}|{row['shot_id']}".encode(), hashlib.sha256).hexdigest()[:12]

    def order(self, reviewer: str) -> list[str]:
        """Every reviewer's own shuffled order, the same after a reload."""
        return sorted(self._rows, key=lambda key: hashlib.sha256(
            f"{reviewer}|{self._rows[key]['shot_id']}".encode()).hexdigest())

    def overview(self, reviewer: str, *, blind: bool) -> Reply:
        """The list of shots, the progress, and how far reviewers agree."""
        with self._lock:
            reviews = read_reviews(self.session.out)
            stands = standing(reviews)
            keys = self.order(reviewer) if blind else list(self._rows)
            shots = [self._summary(key, n, reviewer, stands, blind=blind) for n, key in enumerate(keys, start=1)]
            names = sorted({review.reviewer for review in reviews})
            clips = self.session.clips
            return {
                "session": self.session.folder.name if not blind else "",
                "shots": shots,
                "decided": sum(shot["decision"] in ("accept", "reject") for shot in shots),
                "reviewers": names,
                "agreement": [asdict(pair) for pair in agreements(stands)],
                "clips": [{"index": i, "name": name} for i, name in enumerate(clips)],
            }

    def detail(self, key: str, reviewer: str, *, blind: bool) -> Reply:
        """All that may be seen of one shot."""
        with self._lock:
            row = self.row(key)
            decision = self._decision(row, reviewer)
            hidden = blind and decision is None
            if not blind and decision is None:
                self._note_look(row, reviewer)
            view = shot_view(self.session, row, self._verdicts[key], hidden=hidden)
            reviews = of_shot(standing(read_reviews(self.session.out)), text(row["clip"]), float(row["start_s"]))
            others = [] if hidden else [asdict(r) for r in reviews if r.reviewer != reviewer]
            return {**view, "id": key, "decision": asdict(decision) if decision else None, "others": others}

    def hidden(self, key: str, reviewer: str, *, blind: bool) -> bool:
        """Whether the curtain is down for this reviewer."""
        with self._lock:
            return blind and self._decision(self.row(key), reviewer) is None

    def row(self, key: str) -> dict[str, Any]:
        """A shot's row by its opaque name. Raises SettingsError for a name of no shot."""
        if key not in self._rows:
            raise SettingsError("no such shot; reload the page.")
        return self._rows[key]

    def decide(self, key: str, reviewer: str, decision: Action, note: str, *, blind: bool) -> None:
        """Save a decision; when this returns it is on the disk."""
        with self._lock:
            row = self.row(key)
            clip, start_s = text(row["clip"]), float(row["start_s"])
            earlier = [r for r in of_shot(read_reviews(self.session.out), clip, start_s) if r.reviewer == reviewer]
            seen = any(r.decision in ("looked", "accept", "reject") for r in earlier)  # the curtain has been up
            self._append(row, reviewer, decision, note, blind=blind and not seen)
            self._write_back()

    def undo(self, reviewer: str) -> str | None:
        """Take back this reviewer's last decision; return the shot it was about."""
        with self._lock:
            reviews = [r for r in read_reviews(self.session.out) if r.reviewer == reviewer]
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
                    self._append(self._rows[key], reviewer, "undo", "", blind=review.blind)
                    self._write_back()
                    return key
            return None

    def curtain(self, key: str, reviewer: str, *, blind: bool) -> Any:
        """Until when pictures may be shown."""
        row = self.row(key)
        events = self.session.events_of(text(row["shot_id"]))
        return curtain_for(row, events, hidden=self.hidden(key, reviewer, blind=blind))

    def _find(self, review: Review) -> str | None:
        for key, row in self._rows.items():
            if text(row["clip"]) == review.clip and abs(float(row["start_s"]) - review.start_s) <= 0.5:
                return key
        return None

    def _decision(self, row: dict[str, Any], reviewer: str) -> Review | None:
        """This reviewer's standing accept or reject."""
        stands = of_shot(standing(read_reviews(self.session.out)), text(row["clip"]), float(row["start_s"]))
        return next((r for r in stands if r.reviewer == reviewer and r.decision in ("accept", "reject")), None)

    def _note_look(self, row: dict[str, Any], reviewer: str) -> None:
        """Write down, once, that condition and outcome were shown before the decision."""
        earlier = of_shot(read_reviews(self.session.out), text(row["clip"]), float(row["start_s"]))
        if not any(r.reviewer == reviewer and r.decision == "looked" for r in earlier):
            self._append(row, reviewer, "looked", "", blind=False)

    def _append(self, row: dict[str, Any], reviewer: str, decision: Action, note: str, *, blind: bool) -> None:
        append_review(self.session.out, Review(
            decided_at=now(), shot_id=text(row["shot_id"]), clip=text(row["clip"]), start_s=float(row["start_s"]),
            reviewer=reviewer, decision=decision, note=note, blind=blind, verdict=text(row["verdict"])))

    def _write_back(self) -> None:
        """The review columns of shots.csv."""
        applied = apply_reviews(self.session.shots, self.session.out)
        write_back(self.session.out / "shots.csv", applied)
        self.decided = True

    def _summary(self, key: str, position: int, reviewer: str, stands: list[Review], *, blind: bool) -> Reply:
        row = self._rows[key]
        mine = [r for r in of_shot(stands, text(row["clip"]), float(row["start_s"])) if r.reviewer == reviewer]
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


def to_json(reply: Reply) -> bytes:
    """Strict JSON: no NaN."""
    return json.dumps(reply, ensure_ascii=False, allow_nan=False).encode()
