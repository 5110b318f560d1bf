"""Decisions on the disk: appended, torn lines skipped, shots found again after measuring anew; agreement."""

from __future__ import annotations

import unicodedata

import pandas as pd
import pytest

from pipeline.agreement import agreements, cohens_kappa
from pipeline.reviews import Review, append_review, apply_reviews, read_reviews, standing


def review(decision, *, shot="a-01", clip="a.mp4", start=1.3, reviewer="kim", at="2026-01-01T10:00:00+00:00", note=""):
    return Review(decided_at=at, shot_id=shot, clip=clip, start_s=start, reviewer=reviewer, decision=decision,
                  note=note)


def shots():
    return pd.DataFrame({"shot_id": ["a-01", "a-02"], "clip": "a.mp4", "start_s": [1.3, 9.0],
                         "notes": pd.array([None, "x"], dtype="string")})


def test_what_is_appended_comes_back_word_for_word(tmp_path):
    said = review("reject", note='side, "a lot"\nof it')
    append_review(tmp_path, said)
    append_review(tmp_path, review("accept", shot="a-02", start=9.0))
    assert [r.decision for r in read_reviews(tmp_path)] == ["reject", "accept"]
    assert read_reviews(tmp_path)[0].note == 'side, "a lot" of it'


def test_a_note_cannot_become_a_formula(tmp_path):
    append_review(tmp_path, review("accept", note="=1+1"))
    assert read_reviews(tmp_path)[0].note == "'=1+1"


def test_a_line_torn_by_a_kill_is_skipped_and_the_next_one_is_whole(tmp_path):
    append_review(tmp_path, review("accept"))
    with (tmp_path / "reviews.csv").open("a") as file:
        file.write("2026-01-01T10:00:01+00:00,a-02,a.m")
    assert len(read_reviews(tmp_path)) == 1
    append_review(tmp_path, review("reject", shot="a-02", start=9.0))
    assert [r.shot_id for r in read_reviews(tmp_path)] == ["a-01", "a-02"]


def test_undo_takes_back_only_the_last_one_of_that_shot_and_reviewer():
    lines = [review("accept"), review("reject"), review("accept", reviewer="sam"), review("undo")]
    assert {(r.reviewer, r.decision) for r in standing(lines)} == {("kim", "accept"), ("sam", "accept")}
    assert standing([review("accept"), review("undo"), review("undo")]) == []


def test_decisions_show_up_in_the_shots_and_skips_do_not(tmp_path):
    append_review(tmp_path, review("reject"))
    append_review(tmp_path, review("skip", shot="a-02", start=9.0))
    found = apply_reviews(shots(), tmp_path)
    cells = found.loc[0, ["review", "reviewer", "reviewed_at"]].tolist()
    assert cells == ["reject", "kim", "2026-01-01T10:00:00+00:00"]
    assert found["review"].isna().tolist() == [False, True]


def test_a_decision_is_found_however_the_clips_letters_are_composed(tmp_path):
    composed, apart = (unicodedata.normalize(form, "é.mp4") for form in ("NFC", "NFD"))
    for clip, decision in ((apart, "accept"), (composed, "reject")):
        append_review(tmp_path, review(decision, clip=clip))
    assert [r.decision for r in standing(read_reviews(tmp_path))] == ["reject"]  # of one shot, not of two
    for clip in (composed, apart):
        assert apply_reviews(shots().assign(clip=clip), tmp_path)["review"].iloc[0] == "reject"


def test_a_shot_numbered_anew_keeps_its_decision(tmp_path):
    append_review(tmp_path, review("reject", shot="a-01", start=9.02))
    found = apply_reviews(shots(), tmp_path)
    assert found["review"].isna().tolist() == [True, False]


def test_the_latest_of_two_reviewers_stands_and_their_difference_is_noted_once(tmp_path):
    append_review(tmp_path, review("reject", at="2026-01-01T10:00:00+00:00"))
    append_review(tmp_path, review("accept", reviewer="sam", at="2026-01-02T10:00:00+00:00"))
    found = apply_reviews(apply_reviews(shots(), tmp_path), tmp_path)
    assert found.loc[0, "review"] == "accept"
    assert found.loc[0, "reviewer"] == "sam"
    assert found.loc[0, "notes"] == "reviewers differ: kim reject, sam accept"


def test_no_file_leaves_all_blank(tmp_path):
    assert apply_reviews(shots(), tmp_path)["review"].isna().all()


def test_kappa_of_the_textbook_table():
    # 50 items, both yes 20, both no 15, yes/no 5, no/yes 10: observed 0.70, chance 0.50, kappa 0.40. The usual worked
    # example of Cohen's kappa (from memory); the arithmetic can be followed by hand.
    first = ["yes"] * 25 + ["no"] * 25
    second = ["yes"] * 20 + ["no"] * 5 + ["yes"] * 10 + ["no"] * 15
    assert cohens_kappa(first, second) == pytest.approx(0.40)


@pytest.mark.parametrize(("first", "second", "kappa"), [
    ("aarr", "aarr", 1.0), ("aarr", "rraa", -1.0), ("", "", None), ("aa", "aa", None), ("ar", "aa", 0.0),
])
def test_kappa_at_its_ends(first, second, kappa):
    assert cohens_kappa(first, second) == kappa


def test_agreement_counts_only_what_both_decided():
    lines = [review("accept"), review("reject", start=9.0), review("accept", reviewer="sam"),
             review("skip", reviewer="sam", start=9.0)]
    (pair,) = agreements(standing(lines))
    assert (pair.first, pair.second, pair.shots, pair.agreed, pair.kappa) == ("kim", "sam", 1, 1, None)
