"""What the page says of one shot, and how often its files are read for that."""

from __future__ import annotations

import errno
from dataclasses import replace

import pandas as pd
import pytest

from pipeline.measured_session import read_measured
from pipeline.review import decisions
from pipeline.review import desk as desk_module
from pipeline.review.desk import Desk
from pipeline.review_file import append_reviews, read_review_file
from tests.review.from_truth import session_from_truth

NOTES = ("nose lines seen away; cue_drift_deg: hit too straight on; cue_along_mm, cue_across_mm: still rolling; "
         "miss_mm: no target pocket declared; no object ball was hit: no cut, throw or spin at a contact; "
         "restitution, cue_side_spin_rps: of both; aim_error_deg: no pattern declared")


@pytest.fixture
def desk(tmp_path):
    return Desk(read_measured(session_from_truth(tmp_path / "evening", ["eveningA_01"])), secret="x")


@pytest.mark.parametrize(("kind", "told"), [
    ("bank", "cue_drift_deg: hit too straight on; cue_along_mm, cue_across_mm: still rolling; no object ball was hit: "
             "no cut, throw or spin at a contact; aim_error_deg: no pattern declared"),
    ("kick", "aim_error_deg: no pattern declared"),  # what came of a kick's hit is behind the curtain
])
def test_before_the_decision_missing_measures_of_the_hit_are_accounted_for_and_no_others(desk, kind, told):
    shots = desk.session.shots.assign(notes=pd.array([NOTES], dtype="string"), kind=kind)
    desk.load(replace(desk.session, shots=shots))
    (key,) = desk.order("kim")
    assert desk.detail(key, "kim", blind=True)["notes"] == told
    desk.decide(key, "kim", "accept", None, blind=True)
    assert desk.detail(key, "kim", blind=True)["notes"] == NOTES


def test_reviews_are_read_once_until_they_change_however_much_is_asked(desk, monkeypatch):
    read = []
    monkeypatch.setattr(decisions, "read_review_file", lambda out: read.append(out) or read_review_file(out))
    (key,) = desk.order("kim")
    for count in (1, 2):
        desk.decide(key, "kim", "reject", None, blind=True)
        for _ in range(5):
            desk.overview("kim", blind=True)
            desk.detail(key, "kim", blind=True)
            desk.curtain(key, "kim", blind=True)
        assert len(read) <= 2 * count  # before the decision, and with it


def test_where_nothing_can_be_written_shots_are_shown_and_what_was_seen_goes_before_the_first_decision(
    desk, monkeypatch
):
    def refuse(*_):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(desk_module, "append_reviews", refuse)
    for _ in range(2):
        (shot,) = desk.overview("kim", blind=False)["shots"]
        assert shot["name"]
    assert desk.overview("kim", blind=False)["problem"] == (
        "Nothing can be written to reviews.csv (Read-only file system): decisions will not be saved.")
    assert not desk.detail(shot["id"], "kim", blind=False)["hidden"]
    with pytest.raises(OSError, match="Read-only"):
        desk.decide(shot["id"], "kim", "accept", None, blind=True)
    monkeypatch.setattr(desk_module, "append_reviews", append_reviews)
    desk.decide(shot["id"], "kim", "accept", None, blind=True)
    kept = read_review_file(desk.session.out).reviews
    assert [(r.decision, r.blind) for r in kept] == [("looked", False), ("accept", False)]
    assert desk.overview("kim", blind=False)["problem"] == ""
