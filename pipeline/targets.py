"""The pocket that each shot was meant for: what takes.csv says, else session.toml, else the file of its pattern."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from pipeline.judging import add_aim
from pipeline.patterns import Pattern, pattern_named
from pipeline.results import declare
from pipeline.sessions import Session
from pipeline.work import Entry
from shared.columns import CONTACTS, SHOTS, TRACKS

MATCHED = "matched"  # the record, kept of a clip, of targets that patterns gave

Targets = dict[int | None, str]


def declared_targets(session: Session, clip: str, patterns: Mapping[str, Pattern]) -> Targets:
    """By shot number; under None that of the clip's other shots. "" for shots that takes.csv contradicts itself on."""
    doubtful = [shot for name, shot in session.takes.doubtful if name == clip]
    if None in doubtful:
        return {}
    always = {name: str(session.settings.conditions[name]) for name in ("target", "pattern")
              if name in session.settings.conditions}
    rows = [take for take in session.takes.takes if take.clip == clip]
    whole = always | {k: v for take in rows if take.shot is None for k, v in take.declared.items()}
    wanted = {None: whole} | {take.shot: whole | dict(take.declared) for take in rows if take.shot is not None}
    found = {shot: _target(said, patterns) for shot, said in wanted.items()}
    targets: Targets = {shot: target for shot, target in found.items() if target}
    return targets | dict.fromkeys(doubtful, "")  # not the clip's either


def matched_targets(session: Session, clip: str, entry: Entry, patterns: Mapping[str, Pattern]) -> Targets:
    """Of a clip's measured shots without a declared pattern or target, those whose balls lay as a pattern has them."""
    shots, _ = declare(SHOTS.conform(entry.table("shots")), session.takes, session.settings)
    shots = shots[shots["pattern"].isna() & shots["target"].isna()]
    if not len(shots):
        return {}
    matched = add_aim(shots, CONTACTS.conform(entry.table("contacts")), TRACKS.conform(entry.table("tracks")),
                      table=session.settings.table, patterns=patterns)
    pairs = zip(matched["shot"], matched["pattern"], strict=True)  # names as the files have them
    return {int(shot): patterns[str(name)].target for shot, name in pairs
            if str(name) in patterns and patterns[str(name)].target}


def with_pattern_targets(shots: pd.DataFrame, patterns: Mapping[str, Pattern]) -> pd.DataFrame:
    """The shots with ``target`` filled from the pattern where nothing else was declared."""
    theirs = shots["pattern"].astype("string").map(lambda name: _target({"pattern": name}, patterns) or None,
                                                   na_action="ignore").astype("string")
    return shots.assign(target=shots["target"].astype("string").fillna(theirs))


def _target(said: Mapping[str, Any], patterns: Mapping[str, Pattern]) -> str:
    pattern = pattern_named(str(said.get("pattern") or ""), patterns)
    return str(said.get("target") or (pattern.target if pattern else ""))
