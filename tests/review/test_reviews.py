"""Decisions on the disk: appended, torn lines skipped, shots found again after measuring anew; agreement."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

import pandas as pd
import pytest

from pipeline.agreement import agreements, cohens_kappa
from pipeline.review_file import Review, append_reviews, read_review_file, read_reviews
from pipeline.reviews import apply_reviews, on_shots, review_problems, standing
from shared.errors import SettingsError


def review(decision, *, shot="a-01", clip="a.mp4", start=1.3, reviewer="kim", at="2026-01-01T10:00:00+00:00", note=""):
    return Review(decided_at=at, shot_id=shot, clip=clip, start_s=start, reviewer=reviewer, decision=decision,
                  note=note)


def shots():
    return pd.DataFrame({"shot_id": ["a-01", "a-02"], "clip": "a.mp4", "start_s": [1.3, 9.0],
                         "notes": pd.array([None, "x"], dtype="string")})


def test_what_is_appended_comes_back_word_for_word(tmp_path):
    said = review("reject", note='side, "a lot"\nof it')
    append_reviews(tmp_path, said)
    append_reviews(tmp_path, review("accept", shot="a-02", start=9.0))
    assert [r.decision for r in read_reviews(tmp_path)] == ["reject", "accept"]
    assert read_reviews(tmp_path)[0].note == 'side, "a lot" of it'


def test_no_cell_can_become_a_formula_and_all_come_back_as_given(tmp_path):
    append_reviews(tmp_path, review("accept", note="=1+1", reviewer="@kim"))
    assert ",'@kim," in (tmp_path / "reviews.csv").read_text()
    assert ",'=1+1," in (tmp_path / "reviews.csv").read_text()
    assert [(r.note, r.reviewer) for r in read_reviews(tmp_path)] == [("=1+1", "@kim")]


@pytest.mark.parametrize("saved", [
    lambda text: text.replace("1.3000", '"1,3000"').replace(",", ";").replace('"1;3000"', "1,3000").encode(),
    lambda text: ("\ufeff" + text).encode(),
    lambda text: text.replace("\n", "\r\n").encode("cp1252"),
    lambda text: "".join(f"{line},mine\n" for line in text.splitlines()).encode(),
    lambda text: text.rstrip("\n").encode(),
], ids=["semicolons, decimal comma", "byte order mark", "Windows", "a column more", "no last line end"])
def test_decisions_are_read_and_added_to_after_a_spreadsheet_saved_them(tmp_path, saved):
    path = tmp_path / "reviews.csv"
    append_reviews(tmp_path, review("reject", reviewer="Jürgen", note="too thick"))
    path.write_bytes(saved(path.read_text()))
    append_reviews(tmp_path, review("accept", shot="a-02", start=9.0, reviewer="Jürgen"))
    kept = read_review_file(tmp_path)
    assert kept.unread == ()
    assert [(r.decision, r.start_s, r.reviewer, r.note) for r in kept.reviews] == [
        ("reject", 1.3, "Jürgen", "too thick"), ("accept", 9.0, "Jürgen", "")]


def test_a_workbook_in_its_place_is_refused_in_one_line(tmp_path):
    (tmp_path / "reviews.csv").write_bytes(b"PK\x03\x04 and so on")
    with pytest.raises(SettingsError, match=r"not CSV in UTF-8 any more; save it so"):
        read_reviews(tmp_path)


def test_a_line_torn_inside_quotes_takes_no_other_with_it_and_is_named(tmp_path):
    append_reviews(tmp_path, review("accept"))
    with (tmp_path / "reviews.csv").open("a") as file:
        file.write('2026-01-01T10:00:01+00:00,a-02,a.mp4,9.0,kim,reject,"side, a l')
    append_reviews(tmp_path, review("reject", shot="a-02", start=9.0))
    assert [r.shot_id for r in read_reviews(tmp_path)] == ["a-01", "a-02"]
    (line,) = review_problems(shots(), read_review_file(tmp_path), {}, clips=["a.mp4"])
    assert line.startswith("reviews.csv: line 3 can't be read as a decision;")


def test_decisions_on_no_shot_are_told_but_not_of_clips_that_were_not_measured(tmp_path):
    append_reviews(tmp_path, review("accept", start=5.0), review("reject", start=5.0, clip="b.mp4"), review("accept"))
    (line,) = review_problems(shots(), read_review_file(tmp_path), {}, clips=["a.mp4"])
    assert "1 decision belongs to no shot as measured now (the first: kim's on a.mp4 at 5.00 s)" in line


def test_another_recording_of_the_same_name_does_not_inherit_decisions(tmp_path):
    append_reviews(tmp_path, replace(review("reject"), recording="a" * 64))
    assert apply_reviews(shots(), tmp_path, {"a.mp4": "a" * 64})["review"].iloc[0] == "reject"
    assert apply_reviews(shots(), tmp_path, {"a.mp4": "b" * 64})["review"].isna().all()
    (line,) = review_problems(shots(), read_review_file(tmp_path), {"a.mp4": "b" * 64}, clips=["a.mp4"])
    assert "1 decision is about another recording of the same name" in line
    assert review_problems(shots(), read_review_file(tmp_path), {"a.mp4": "a" * 64}, clips=["a.mp4"]) == []


def test_decisions_follow_their_recording_to_another_name(tmp_path):
    append_reviews(tmp_path, replace(review("reject"), recording="a" * 64),
                   replace(review("accept", clip="new.mp4"), recording="b" * 64))  # now another clip's name
    renamed = {"new.mp4": "a" * 64, "other.mp4": "c" * 64}
    append_reviews(tmp_path, replace(review("accept", clip="new.mp4", reviewer="sam"), recording="a" * 64),
                   replace(review("undo", clip="new.mp4"), recording="a" * 64))
    measured = shots().assign(clip="new.mp4")
    found = apply_reviews(measured, tmp_path, renamed)
    assert found[["review", "reviewer"]].fillna("").to_numpy().tolist() == [["accept", "sam"], ["", ""]]
    (replaced,) = review_problems(measured, read_review_file(tmp_path), renamed, clips=["new.mp4"])
    assert "1 decision is about another recording of the same name (the first: kim's on new.mp4)" in replaced
    append_reviews(tmp_path, replace(review("reject", start=5.0), recording="a" * 64))
    lost, _ = review_problems(measured, read_review_file(tmp_path), renamed, clips=["new.mp4"])
    assert "1 decision belongs to no shot as measured now (the first: kim's on new.mp4 at 5.00 s)" in lost


def test_a_line_torn_by_a_kill_is_skipped_and_the_next_one_is_whole(tmp_path):
    append_reviews(tmp_path, review("accept"))
    with (tmp_path / "reviews.csv").open("a") as file:
        file.write("2026-01-01T10:00:01+00:00,a-02,a.m")
    assert len(read_reviews(tmp_path)) == 1
    append_reviews(tmp_path, review("reject", shot="a-02", start=9.0))
    assert [r.shot_id for r in read_reviews(tmp_path)] == ["a-01", "a-02"]


def test_undo_takes_back_only_the_last_one_of_that_shot_and_reviewer():
    lines = [review("accept"), review("reject"), review("accept", reviewer="sam"), review("undo")]
    assert {(r.reviewer, r.decision) for r in standing(lines)} == {("kim", "accept"), ("sam", "accept")}
    assert standing([review("accept"), review("undo"), review("undo")]) == []


def test_decisions_show_up_in_the_shots_and_skips_do_not(tmp_path):
    append_reviews(tmp_path, review("reject"))
    append_reviews(tmp_path, review("skip", shot="a-02", start=9.0))
    found = apply_reviews(shots(), tmp_path, {})
    cells = found.loc[0, ["review", "reviewer", "reviewed_at"]].tolist()
    assert cells == ["reject", "kim", "2026-01-01T10:00:00+00:00"]
    assert found["review"].isna().tolist() == [False, True]


def test_a_decision_is_found_however_the_clips_letters_are_composed(tmp_path):
    composed, apart = (unicodedata.normalize(form, "é.mp4") for form in ("NFC", "NFD"))
    for clip, decision in ((apart, "accept"), (composed, "reject")):
        append_reviews(tmp_path, review(decision, clip=clip))
    assert [r.decision for r in standing(read_reviews(tmp_path))] == ["reject"]  # of one shot, not of two
    for clip in (composed, apart):
        assert apply_reviews(shots().assign(clip=clip), tmp_path, {})["review"].iloc[0] == "reject"


def test_a_shot_numbered_anew_keeps_its_decision(tmp_path):
    append_reviews(tmp_path, review("reject", shot="a-01", start=9.02))
    found = apply_reviews(shots(), tmp_path, {})
    assert found["review"].isna().tolist() == [True, False]


def test_the_latest_of_two_reviewers_stands_and_their_difference_is_noted_once(tmp_path):
    append_reviews(tmp_path, review("reject", at="2026-01-01T10:00:00+00:00"))
    append_reviews(tmp_path, review("accept", reviewer="sam", at="2026-01-02T10:00:00+00:00"))
    found = apply_reviews(apply_reviews(shots(), tmp_path, {}), tmp_path, {})
    assert found.loc[0, "review"] == "accept"
    assert found.loc[0, "reviewer"] == "sam"
    assert found.loc[0, "notes"] == "reviewers differ: kim reject, sam accept"


@pytest.mark.parametrize(("kims", "sams", "last"), [
    ("28.11.2026 20:10", "2026-11-28T20:30:00+00:00", "sam"),
    ("2026-11-28T20:10:00+00:00", "11/28/26 20:30", "sam"),
    ("2026-11-28 20:40", "2026-11-28T20:30:00+00:00", "sam"),  # of no known zone
    ("", "2026-11-28T20:30:00+00:00", "sam"),
    ("2026-11-28T20:40:00+00:00", "2026-11-28T20:30:00.000+00:00", "kim"),
    ("2026-11-28T20:40:00Z", "2026-11-28T21:30:00+01:00", "kim"),
])
def test_a_time_that_a_spreadsheet_rewrote_leaves_the_order_of_the_lines(tmp_path, kims, sams, last):
    append_reviews(tmp_path, review("accept", at=kims), review("reject", reviewer="sam", at=sams))
    assert apply_reviews(shots(), tmp_path, {}).loc[0, "reviewer"] == last


def test_the_line_of_a_later_decision_counts_not_that_of_the_first(tmp_path):
    append_reviews(tmp_path, review("accept", at="30.11.2026 20:10"),
                   review("reject", reviewer="sam", at="30.11.2026 22:10"), review("reject", at="01.12.2026 18:10"))
    assert apply_reviews(shots(), tmp_path, {}).loc[0, "reviewed_at"] == "01.12.2026 18:10"


def test_the_note_of_a_difference_goes_when_they_agree_again_or_nothing_is_decided_any_more(tmp_path):
    append_reviews(tmp_path, review("reject", shot="a-02", start=9.0), review("accept", start=9.0, reviewer="s; m"))
    differing = apply_reviews(shots(), tmp_path, {})
    assert differing.loc[1, "notes"] == "x; reviewers differ: kim reject, s, m accept"
    append_reviews(tmp_path, review("undo", start=9.0, reviewer="s; m"))
    assert apply_reviews(differing, tmp_path, {}).loc[1, ["review", "notes"]].tolist() == ["reject", "x"]
    (tmp_path / "reviews.csv").unlink()
    assert apply_reviews(differing, tmp_path, {})["notes"].fillna("").tolist() == ["", "x"]


def test_agreement_and_report_leave_out_decisions_on_no_shot():
    lines = [review("accept"), review("accept", reviewer="sam"), review("reject", start=50.0),
             review("reject", start=50.0, reviewer="sam"), review("reject", clip="b.mp4")]
    mine, others = on_shots(lines, shots())
    assert (mine, others) == (lines[:2], lines[2:])


def test_no_file_leaves_all_blank(tmp_path):
    assert apply_reviews(shots(), tmp_path, {})["review"].isna().all()


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
