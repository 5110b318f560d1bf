"""The judge on made-up hits: what was put in comes out, and nothing after the first cushion matters."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.compare.counting import why_left_out
from pipeline.hit import HIT_COLUMNS, QUALITY_COLUMNS, Hit, Measured, TrackQuality
from pipeline.hit_checks import Intention, check_hit
from pipeline.judging import judge_shots, unknown_patterns
from pipeline.patterns import Pattern
from pipeline.report import short_reason
from pipeline.speed_classes import without_shots
from pipeline.tolerances import derive_tolerances, read_tolerances
from pipeline.verdict import judge
from shared.columns import SHOTS
from shared.equipment import standard_table
from shared.errors import SettingsError
from shared.settings import SessionSettings

TABLE = standard_table()
TOLERANCES = derive_tolerances(TABLE)
GOOD = TrackQuality(frames_seen=0.95, residual_mm=0.8, calibration_rms_px=0.5)


def hit(**measures: tuple[float, float]) -> Hit:
    clean = {
        "cue_speed_mps": (2.5, 0.02), "cue_impact_speed_mps": (2.2, 0.02), "object_speed_mps": (2.1, 0.02),
        "cut_angle_deg": (0.0, 0.2), "throw_deg": (0.0, 0.2), "cue_roll_ratio": (0.0, 0.02),
        "cue_cross_ratio": (0.0, 0.02),
    }
    return Hit(kind="bank", **{name: Measured(*value) for name, value in (clean | measures).items()})


def verdict(given_hit: Hit, intended: Intention | None = None, tracking: TrackQuality = GOOD):
    return judge(given_hit, tracking, intended=intended or Intention(), tolerances=TOLERANCES)


def test_a_stun_hit_is_clean_without_reasons():
    assert verdict(hit()).verdict == "clean"
    assert verdict(hit()).reasons == ()


@pytest.mark.parametrize(("measures", "word"), [
    ({"cue_roll_ratio": (0.65, 0.05)}, "follow"),
    ({"cue_roll_ratio": (-0.5, 0.05)}, "draw"),
    ({"cue_cross_ratio": (0.4, 0.05)}, "sideways"),
    ({"throw_deg": (2.0, 0.3)}, "side"),
    ({"cue_side_spin_rps": (-7.0, 0.5)}, "side"),
    ({"cut_angle_deg": (6.0, 0.3)}, "not full"),
    ({"aim_error_deg": (-3.0, 0.1)}, "aim"),
])
def test_each_deviation_is_named(measures, word):
    found = verdict(hit(**measures))
    assert found.verdict == "mishit"
    assert any(reason.startswith(word) for reason in found.reasons), found.reasons


def test_a_wanted_follow_is_clean_and_a_stun_in_its_place_is_not():
    wanted = Intention(roll_ratio=0.75, roll_tolerance=0.35, stroke="follow")
    assert verdict(hit(cue_roll_ratio=(0.7, 0.05)), wanted).verdict == "clean"
    found = verdict(hit(), wanted)
    assert found.verdict == "mishit"
    assert found.reasons[0].startswith("too little follow")


def follow_reason(tolerances):
    shots = pd.DataFrame({"kind": "bank", "pattern": pd.array([None], dtype="string"), "cue_roll_ratio": 0.2,
                          "cue_roll_ratio_u": 0.01, "object_speed_mps": 2.1, "object_speed_mps_u": 0.02})
    judged = judge_shots(SHOTS.conform(shots), SessionSettings(tolerances={"wanted_spin": "follow", **tolerances}))
    return judged["reasons"].iloc[0]


@pytest.mark.parametrize(("tolerances", "within"), [
    ({}, "0.35"), ({"pocket_share": 0.5}, "0.17"), ({"pocket_share": 1.5}, "0.52"),
    ({"roll_ratio": 0.15}, "0.15"), ({"roll_ratio": 0.15, "pocket_share": 0.5}, "0.15"),
])
def test_tolerances_given_hold_for_a_wanted_follow_as_well(tolerances, within):
    assert f"wanted 0.75 (follow) within {within}" in follow_reason(tolerances)


def test_a_roll_within_a_wide_tolerance_that_was_given_is_a_wanted_follow():
    assert "roll ratio" not in follow_reason({"roll_ratio": 0.8})


def test_reasons_hold_no_minus_zero_and_their_units_stand_where_they_belong():
    hits = [hit(cue_roll_ratio=(-0.001, 0.5), cut_angle_deg=(0.83, 4.0), throw_deg=(-2.0, 0.1)),
            hit(cue_roll_ratio=(0.9, 0.01), cut_angle_deg=(-20.0, 0.01), cue_side_spin_rps=(-0.0001, 40.0))]
    intended = Intention(roll_ratio=-0.0, cut_deg=-0.0, cut_from="pattern", side_ratio=-0.0, throw_offset_deg=-0.001)
    told = [check for given_hit in hits
            for check in check_hit(given_hit, intended=intended, tolerances=TOLERANCES, radius_mm=28.575)]
    words = [text for check in told for text in (check.words, check.doubt)]
    assert {check.name for check in told} == {"roll", "cross", "cut", "throw", "side"}
    assert not [text for text in words if re.search(r"[-]0(\.0*)?(?![.\d])", text)]
    assert any(text.startswith("cut 0.83 ± 4.00° may or may not be within ") for text in words)


def test_what_the_measurement_cannot_tell_is_marked_uncertain():
    near = verdict(hit(cue_roll_ratio=(TOLERANCES.roll_ratio - 0.02, 0.05)))
    assert near.verdict == "clean"
    assert near.reasons[0].startswith("uncertain:")
    over = verdict(hit(cue_roll_ratio=(TOLERANCES.roll_ratio + 0.02, 0.05)))
    assert over.verdict == "mishit"
    assert over.reasons[0].startswith("uncertain: follow")


def test_a_vague_throw_does_not_make_a_mishit():
    found = verdict(hit(throw_deg=(2.0, 1.5)))
    assert found.verdict == "clean"
    assert "throw" in found.reasons[0]


def test_what_is_less_certain_than_its_tolerance_is_wide_decides_nothing_and_says_so():
    for off in (0.5, 2.5):  # either side of the tolerance
        found = verdict(hit(aim_error_deg=(off * TOLERANCES.aim_deg, 1.5 * TOLERANCES.aim_deg)))
        assert found.verdict == "clean"
        assert found.reasons[0].startswith("uncertain: aim")
        assert found.reasons[0].endswith("its uncertainty being larger than that")
    near = verdict(hit(aim_error_deg=(0.9 * TOLERANCES.aim_deg, 0.5 * TOLERANCES.aim_deg)))
    assert "uncertainty" not in near.reasons[0]


@pytest.mark.parametrize(("cut", "short"), [
    ((14.0, 0.1), "thin hit"), ((2.0, 0.1), "thick hit"), ((-9.0, 0.1), "wrong side"), ((-3.0, 0.1), "wrong side"),
    ((-0.1, 0.2), "thick hit"),  # full, as far as it can be told
])
def test_a_cut_is_told_by_how_it_differs_from_the_wanted_one(cut, short):
    for hand in (1, -1):
        wanted = Intention(cut_deg=hand * 8.0, cut_from="pattern")
        reasons = verdict(hit(cut_angle_deg=(hand * cut[0], cut[1])), wanted).reasons
        assert any(reason.startswith(f"{short}: cut ") for reason in reasons), reasons
        assert short in {short_reason(reason) for reason in reasons}
        left_out = pd.DataFrame({"reasons": ["; ".join(reasons)], "review": [""]})
        assert f"{short} " in why_left_out(left_out) + " "
        assert "wanted" not in why_left_out(left_out)


def test_a_hit_that_cannot_show_side_says_so():
    found = verdict(Hit(kind="bank", object_speed_mps=Measured(2.0, 0.02), cue_roll_ratio=Measured(0.0, 0.02)))
    assert found.verdict == "clean"
    assert found.reasons == (
        "uncertain: a hit too thick or too thin would not show: the cut was not measured",
        "uncertain: side would not show: neither throw nor marks on the ball were measured")


@pytest.mark.parametrize("hand", [1, -1])
def test_a_cut_that_nothing_wanted_is_not_judged_and_says_so(hand):
    far = hit(cut_angle_deg=(hand * 12.3, 0.01), throw_deg=(-hand * 1.8, 0.2))
    found = verdict(far)
    assert found.verdict == "clean"
    (reason,) = found.reasons
    assert reason.startswith(f"uncertain: cut not judged: {hand * 12.30:.2f} ± 0.01°, too far from full")
    assert "wanted_cut_deg" in reason
    assert short_reason(reason) == "uncertain: cut not judged"
    left_out = pd.DataFrame({"reasons": found.reasons, "review": [""]})
    assert why_left_out(left_out) == "uncertain: cut not judged (1)"
    assert verdict(far, Intention(cut_deg=hand * 12.0, cut_from="pattern")).reasons == ()
    assert verdict(hit(cut_angle_deg=(hand * 9.9, 0.01), throw_deg=(-hand * 1.4, 0.2))).verdict == "mishit"


def test_a_cut_shot_throws_by_its_cut_and_that_is_not_side():
    # 20 degrees of cut throw a stunned ball 3.05 degrees back, textbook geometry with friction 0.06 (grip)
    wanted = Intention(cut_deg=20.0, cut_from="pattern")
    assert verdict(hit(cut_angle_deg=(20.0, 0.3), throw_deg=(-3.0, 0.3)), wanted).verdict == "clean"
    assert verdict(hit(cut_angle_deg=(20.0, 0.3), throw_deg=(0.5, 0.3)), wanted).verdict == "mishit"


@pytest.mark.parametrize(("tracking", "words"), [
    (TrackQuality(frames_seen=0.3), "30 % of the frames"),
    (TrackQuality(residual_mm=20.0), "20.0 mm"),
    (TrackQuality(calibration_rms_px=9.0), "9.0 px"),
])
def test_poor_tracking_is_unusable_and_says_why(tracking, words):
    found = verdict(hit(), tracking=tracking)
    assert found.verdict == "unusable"
    assert words in found.reasons[0]


def test_a_bank_without_spin_measured_is_unusable():
    blind = Hit(kind="bank", object_speed_mps=Measured(2.0, 0.02))
    found = verdict(blind)
    assert found.verdict == "unusable"
    assert "spin" in found.reasons[0]


def test_a_kick_is_judged_on_its_speed():
    kick = Hit(kind="kick", cue_speed_mps=Measured(3.0, 0.02))
    assert verdict(kick).verdict == "clean"
    assert verdict(kick).reasons == ("uncertain: follow, draw or side on a kick's plain cue ball does not show",)
    marked = Hit(kind="kick", cue_speed_mps=Measured(3.0, 0.02), cue_side_spin_rps=Measured(8.0, 0.3))
    assert verdict(marked).reasons[0].startswith("side: 8.0")
    wanted = Intention(speed_mps=2.0, speed_from="class slow in session.toml")
    assert verdict(kick, wanted).reasons[0].startswith("hard: 3.00 ± 0.02 m/s")


def test_tolerances_shrink_with_the_share_of_the_pocket_and_can_be_set():
    half = derive_tolerances(TABLE, pocket_share=0.5)
    assert half.roll_ratio == pytest.approx(TOLERANCES.roll_ratio / 2)
    assert read_tolerances(TABLE, {"roll_ratio": 0.1}).roll_ratio == 0.1
    with pytest.raises(SettingsError, match="'rol_ratio' is not known"):
        read_tolerances(TABLE, {"rol_ratio": 0.1})


@pytest.mark.parametrize(("given", "words"), [
    ({"roll_ratio": "small"}, "roll_ratio = 'small' must be a number"),
    ({"roll_ratio": -0.1}, "above 0"),
    ({"throw_deg": float("nan")}, "must be a number"),
    ({"speed_medium_mps": "2.2"}, "speed_medium_mps = '2.2' must be a number"),
    ({"wanted_cut_deg": [1]}, "must be a number"),
    ({"wanted_spin": "stnu"}, "'stnu' is not known; use stun, follow"),
    ({"wanted_spin": True}, "must be a number"),
    ({"speed_mps": 2.2}, "'speed_mps' is not known"),
    ({"speed_Medium_mps": 2.2, "speed_medium_mps": 2.0}, "mean the same class; remove one"),
])
def test_a_tolerance_of_no_use_is_refused_in_one_line(given, words):
    with pytest.raises(SettingsError, match=words):
        read_tolerances(TABLE, given)


def test_session_wide_wishes_are_heeded():
    shots = rows(np.random.default_rng(3), 1).assign(cue_roll_ratio=0.7, cut_angle_deg=12.0, throw_deg=-1.8)
    stun = judge_shots(shots, SessionSettings())
    assert "follow" in stun.loc[0, "reasons"]
    wanted = SessionSettings(tolerances={"wanted_spin": "follow", "wanted_cut_deg": 12.0, "throw_deg": 3})
    assert judge_shots(shots, wanted).loc[0, "verdict"] == "clean"


def test_the_usual_cut_of_a_pattern_is_wanted_from_four_shots_on():
    few = rows(np.random.default_rng(3), 3).assign(cue_roll_ratio=0.0, cut_angle_deg=8.0, throw_deg=-1.1)
    assert set(judge_shots(few, SessionSettings())["verdict"]) == {"mishit"}
    enough = rows(np.random.default_rng(3), 5).assign(cue_roll_ratio=0.0, cut_angle_deg=8.0, throw_deg=-1.1)
    enough.loc[4, "cut_angle_deg"] = 11.5
    judged = judge_shots(enough, SessionSettings())
    assert judged["verdict"].tolist() == ["clean"] * 4 + ["mishit"]
    assert "thin hit" in judged.loc[4, "reasons"]
    assert "usual for long" in judged.loc[4, "reasons"]


def test_a_turn_of_the_line_of_centres_common_to_a_pattern_is_not_taken_for_side():
    same = rows(np.random.default_rng(3), 6).assign(cue_roll_ratio=0.0, cut_angle_deg=0.4, throw_deg=-0.5)
    same.loc[5, "throw_deg"] = 1.1  # 1.6 from the others
    judged = judge_shots(same, SessionSettings())
    assert judged["verdict"].tolist() == ["clean"] * 5 + ["mishit"]
    assert judged.loc[5, "reasons"].startswith(("side", "uncertain: side"))
    every = same.assign(throw_deg=2.0)  # more than the uncertainty of 0.3 explains: side on all of them
    assert set(judge_shots(every, SessionSettings())["verdict"]) == {"mishit"}


SIDE_BANK = Pattern(name="Side-Bank", kind="kick", cue=(3.0, 2.0), aim={"cushion": "left", "sight": 5.0})


def test_a_pattern_is_known_in_any_spelling_of_case_spaces_and_hyphens():
    names = pd.array(["Side bank", "side-bank", "SIDE_BANK", "side bank", "other"], dtype="string")
    shots = rows(np.random.default_rng(3), 5).assign(cue_roll_ratio=0.7, cut_angle_deg=8.0, throw_deg=-1.1,
                                                     pattern=names)
    known = {"Side-Bank": SIDE_BANK.model_copy(update={"spin": "follow"})}
    judged = judge_shots(shots, SessionSettings(tolerances={"throw_deg": 3.0}), known)
    assert judged["verdict"].tolist() == ["clean"] * 4 + ["mishit"]  # their usual cut is that of all four
    assert judged["pattern"].tolist() == names.tolist()


def test_a_declared_pattern_without_a_file_is_named_where_others_have_one():
    known = {"Side-Bank": SIDE_BANK}
    (line,) = unknown_patterns(["side bank", "", "side-bnk", "side-bnk"], known, SessionSettings())
    assert line.startswith("pattern 'side-bnk': no file in patterns/ has this name, so its shots are judged as stun ")
    assert line.endswith(" The nearest is 'Side-Bank'.")
    (line,) = unknown_patterns(["x"], known, SessionSettings(tolerances={"wanted_spin": "follow"}))
    assert "as follow hits" in line
    assert "nearest" not in line
    assert unknown_patterns(["x"], {}, SessionSettings()) == []


def test_a_speed_class_counts_in_metres_per_second_only():
    shots = rows(np.random.default_rng(3), 1).assign(
        cue_roll_ratio=0.0, cut_angle_deg=0.0, throw_deg=0.0, speed_class="medium", cue_impact_speed_mps=3.2)
    assert judge_shots(shots, SessionSettings()).loc[0, "verdict"] == "clean"  # what is medium here was not said
    said = SessionSettings(tolerances={"speed_medium_mps": 2.2})
    assert "hard: 3.20" in judge_shots(shots, said).loc[0, "reasons"]
    assert "hard: 3.20" in judge_shots(shots.assign(speed_class=" Medium"), said).loc[0, "reasons"]


def verdicts_by_speed(pattern=None, tolerances=None, classes=("soft", "Medium", "firm", None)):
    """Verdict by class of stun shots at 1.3, 2.2, 3.2 and (without a class) 2.2 m/s."""
    shots = rows(np.random.default_rng(3), 4).assign(
        cue_roll_ratio=0.0, cut_angle_deg=0.0, throw_deg=0.0, speed_class=pd.array(classes, dtype="string"),
        cue_impact_speed_mps=[1.3, 2.2, 3.2, 2.2])
    patterns = {"long": Pattern(name="long", kind="kick", cue=(3.0, 2.0), aim={"cushion": "left", "sight": 5.0},
                                **pattern)} if pattern else {}
    return judge_shots(shots, SessionSettings(tolerances=tolerances or {}), patterns)


def test_a_patterns_speed_is_that_of_its_own_class():
    only_medium = {"speed_mps": 2.2, "speed_class": "medium"}
    assert verdicts_by_speed(only_medium)["verdict"].tolist() == ["clean"] * 4
    off = verdicts_by_speed(only_medium, classes=("medium", "medium", "MEDIUM", "soft"))
    assert off["verdict"].tolist() == ["mishit", "clean", "mishit", "clean"]
    every = verdicts_by_speed({"speed_mps": 2.2})  # it names no class: of all of them, which the reason says
    assert every["verdict"].tolist() == ["mishit", "clean", "mishit", "clean"]
    assert "pattern long, whose file names no speed_class" in every.loc[0, "reasons"]


def test_a_shot_without_a_class_has_its_patterns():
    hard = verdicts_by_speed({"speed_class": "medium"}, {"speed_medium_mps": 1.2})
    assert hard["verdict"].tolist() == ["clean", "mishit", "clean", "mishit"]


def test_a_class_that_no_shot_has_is_named():
    given = {"speed_medum_mps": 2.2, "speed_soft_mps": 1.3, "roll_ratio": 0.2, "speed_share": 0.2}
    (line,) = without_shots(given, ["Medium", "soft", ""])
    assert "speed_medum_mps" in line
    assert "'Medium'" in line
    assert without_shots({"speed_medium_mps": 2.2}, ["Medium"]) == []


# ------------------------------------------------------------------ blind to the outcome

ALLOWED = {"pattern", "speed_class", *HIT_COLUMNS, *(f"{n}_u" for n in HIT_COLUMNS), *QUALITY_COLUMNS}
OTHERS = [c for c in SHOTS.expanded if c.name not in ALLOWED]


def rows(rng: np.random.Generator, count: int) -> pd.DataFrame:
    base = {
        "shot_id": [f"a-{i:02d}" for i in range(count)], "pattern": "long", "kind": "bank", "banked_ball": "object",
        "frames_seen": 0.95, "residual_mm": 0.8, "calibration_rms_px": 0.5,
        "cue_roll_ratio": rng.normal(0, 0.3, count), "cue_roll_ratio_u": 0.05,
        "cut_angle_deg": rng.normal(0, 1.5, count), "cut_angle_deg_u": 0.3,
        "throw_deg": rng.normal(0, 1.2, count), "throw_deg_u": 0.3,
        "cue_impact_speed_mps": rng.normal(2.2, 0.1, count), "cue_impact_speed_mps_u": 0.02,
        "object_speed_mps": 2.1, "object_speed_mps_u": 0.02,
    }
    return SHOTS.conform(pd.DataFrame(base))


ANY = {
    "number": st.floats(-1e6, 1e6) | st.just(float("nan")),
    "integer": st.integers(0, 9) | st.just(pd.NA),
    "text": st.sampled_from(["", "left", "pocketed", "short", "accept", "reject"]) | st.just(pd.NA),
    "time": st.just("2030-01-01T00:00:00+00:00"),
    "yes/no": st.booleans() | st.just(pd.NA),
}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_no_column_but_the_hit_and_its_tracking_changes_a_verdict(data):
    shots = rows(np.random.default_rng(3), 8)
    before = judge_shots(shots, SessionSettings())
    assert set(before["verdict"]) == {"clean", "mishit"}  # so that a change could show
    changed = shots.copy()
    for column in data.draw(st.lists(st.sampled_from(OTHERS), min_size=1, max_size=12, unique=True)):
        values = data.draw(st.lists(ANY[column.kind], min_size=len(shots), max_size=len(shots)))
        changed[column.name] = pd.Series(values, dtype=SHOTS.dtypes[column.name])
    after = judge_shots(changed, SessionSettings())
    assert list(after["verdict"]) == list(before["verdict"])
    assert list(after["reasons"]) == list(before["reasons"])
    assert list(shots["verdict"].isna()) == [True] * len(shots)  # the input is left alone


def test_the_columns_of_the_outcome_are_among_those_that_must_not_matter():
    """Guards the test above: should a column of the outcome be allowed one day, this says so."""
    names = {column.name for column in OTHERS}
    assert {"incoming_angle_deg", "rebound_angle_deg", "rebound_settled_angle_deg", "restitution", "outcome", "pocket",
            "miss_mm", "rails", "rail", "rail_sight", "rebound_speed_mps", "speed_at_impact_mps"} <= names


def test_a_small_uncertainty_is_never_shown_as_none():
    followed = hit(cue_roll_ratio=(0.568, 0.004))
    assert "0.568 ± 0.004" in verdict(followed).reasons[0]
