"""What a degree at the first cushion is at the pocket: by geometry where that cushion is the last, else not said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fixtures.simulated_sessions import Truth, shots_table, simulate_session
from pipeline.compare.comparison import compare_conditions
from pipeline.compare.ground import ground
from pipeline.compare.in_short import ALIKE, AS_THEY_CAME, in_short
from pipeline.compare.output import draw
from pipeline.compare.settings import CompareSettings
from shared.columns import CONTACTS

LENGTH_MM, WIDTH_MM, NOSE_MM = 2540.0, 1270.0, 27.5  # from the nose line to a ball's centre at it
BOTH = CompareSettings(responses=("miss_mm", "rebound_settled_angle_deg"))


def shots_of(angles, misses, **columns):
    """Shots of one evening, clean balls and dirty ones in turn, that settle at these angles (deg) and miss so (mm)."""
    shots = simulate_session("a", rng=np.random.default_rng(1), truth=Truth(mishit_share=0.0), fixed={},
                             varied={"balls": ["clean", "dirty"]}, repeats=len(angles) // 2)
    return shots_table(shots.assign(rebound_settled_angle_deg=angles, rebound_settled_angle_deg_u=0.1, miss_mm=misses,
                                    miss_mm_u=5.0, **columns))


def contacts_of(shots, cushions):
    """Strike, hit and these cushions: (name, x (n,), y (n,)) in order."""
    rows = []
    for i, (session, shot) in enumerate(zip(shots["session"], shots["shot_id"], strict=True)):
        met = [(name, float(x[i]), float(y[i])) for name, x, y in cushions]
        events = [("strike", "cue", "", 1000.0, 300.0), ("ball", "object", "cue", 1320.0, 700.0),
                  *(("cushion", "object", name, x, y) for name, x, y in met)]
        rows += [{"session": session, "shot_id": shot, "n": n, "t_s": 0.3 * n, "kind": kind, "ball": ball,
                  "other": other, "x_mm": x, "y_mm": y} for n, (kind, ball, other, x, y) in enumerate(events, start=1)]
    table = pd.DataFrame(rows)
    return CONTACTS.conform(table.drop(columns="session")).assign(session=table["session"])


def angles_about(middle, step, n=24):
    """(n,) degrees: balls in turn ``step`` apart, with a little scatter."""
    return middle + step * (np.arange(n) % 2) + np.random.default_rng(1).normal(0, 0.2, n)


def off_the_left(target_x, angle, step):
    """Off the left cushion straight towards a pocket of the right one: shots and their contacts."""
    clear = WIDTH_MM - NOSE_MM
    start = np.full(24, target_x - clear * np.tan(np.radians(angle)))
    angles = angles_about(angle, step)
    crossing = start + clear * np.tan(np.radians(angles))
    shots = shots_of(angles, crossing - target_x, target="side-right", rail_sight=start * 8 / LENGTH_MM)
    return shots, contacts_of(shots, [("left", start, np.full(24, clear))])


def two_rails():
    """Left, foot, then the side pocket on the right: mirror-like cushions, so that a flatter angle lands shorter."""
    angles, start = angles_about(60.0, 1.0), np.full(24, 1620.0)
    foot_y = WIDTH_MM - NOSE_MM - (LENGTH_MM - NOSE_MM - start) / np.tan(np.radians(angles))
    crossing = LENGTH_MM - NOSE_MM - foot_y * np.tan(np.radians(angles))
    shots = shots_of(angles, crossing - LENGTH_MM / 2, target="side-right", rails=2, rail_sight=start * 8 / LENGTH_MM)
    left = ("left", start, np.full(24, WIDTH_MM - NOSE_MM))
    return shots, contacts_of(shots, [left, ("foot", np.full(24, LENGTH_MM - NOSE_MM), foot_y)])


def by_response(comparison):
    return comparison.contrasts.set_index("response")


@pytest.mark.parametrize("angle", [10.0, 35.0, 50.0])
@pytest.mark.parametrize("with_contacts", [True, False])
def test_a_degree_is_as_many_mm_along_the_mouth_as_the_ball_lands_further(angle, with_contacts):
    shots, contacts = off_the_left(LENGTH_MM / 2, angle, 0.5)
    contacts = contacts if with_contacts else None
    rows = by_response(compare_conditions(shots, contacts=contacts, settings=BOTH))
    place = ground(shots, pd.DataFrame() if contacts is None else contacts)
    # a straight line turned by a degree: d(tan a) = 1 / cos^2 a
    expected = (WIDTH_MM - NOSE_MM) / np.cos(np.radians(angle)) ** 2 * np.pi / 180
    assert place.mm_per_deg == pytest.approx(expected, rel=0.01)
    lands, settles = rows.loc["miss_mm"], rows.loc["rebound_settled_angle_deg"]
    assert settles["raw_diff"] * place.mm_per_deg == pytest.approx(lands["raw_diff"], rel=0.05)
    assert settles["bound"] * place.mm_per_deg == pytest.approx(lands["bound"])
    assert "mm at the pocket" in settles["answer"]


def test_a_large_difference_of_a_slanted_bank_is_not_called_smaller_than_half_a_pocket():
    shots, contacts = off_the_left(LENGTH_MM / 2, 50.0, 1.6)
    rows = by_response(compare_conditions(shots, contacts=contacts, settings=BOTH))
    assert rows.loc["miss_mm", "raw_diff"] > rows.loc["miss_mm", "bound"]
    assert not any("smaller than half a pocket" in answer for answer in rows["answer"])


def test_past_a_second_cushion_an_angle_is_given_in_degrees_alone():
    shots, contacts = two_rails()
    comparison = compare_conditions(shots, contacts=contacts, settings=BOTH)
    rows = by_response(comparison)
    assert "lands" in rows.loc["miss_mm", "answer"]
    assert "shorter" in rows.loc["miss_mm", "answer"]
    settles = rows.loc["rebound_settled_angle_deg", "answer"]
    assert "° flatter, 95 % interval" in settles
    for word in ("longer", "shorter", "Aim", "mm", "sight", "pocket"):
        assert word not in settles
    assert np.isnan(rows.loc["rebound_settled_angle_deg", "bound"])
    (line,) = [line for line in comparison.lines if "degrees only" in line]
    assert line.startswith("long-side-bank, medium: ")
    assert "another one before side-right" in line
    asked = CompareSettings(responses=BOTH.responses, bound=3.0)
    bounded = by_response(compare_conditions(shots, contacts=contacts, settings=asked))
    assert bounded.loc["rebound_settled_angle_deg", "bound"] == 3.0


def test_without_contacts_only_shots_of_one_cushion_are_told_in_mm():
    shots, _ = two_rails()
    place = ground(shots, pd.DataFrame())
    assert np.isnan(place.mm_per_deg)
    assert place.degrees_only.startswith("nothing tells whether")


def test_a_cushion_met_beside_the_pocket_is_the_arrival_itself(two_evenings):
    shots, contacts = two_evenings  # into a corner, with the far cushion met past the mouth
    place = ground(shots, contacts)
    to_mouth = np.hypot(2540 - 41 - 1613, 1242.5 - 41)
    assert place.mm_per_deg == pytest.approx(np.radians(to_mouth), rel=0.02)  # the way stands nearly square to it
    assert place.opening_mm == 115.9
    assert ground(shots, pd.DataFrame()).mm_per_deg == pytest.approx(place.mm_per_deg, rel=0.02)
    nowhere = ground(shots.assign(target="the moon"), pd.DataFrame())
    assert np.isnan(nowhere.mm_per_deg)
    assert nowhere.degrees_only == ""


def test_each_pattern_has_its_own_words_in_sentences_table_and_pictures(monkeypatch):
    direct, direct_contacts = off_the_left(LENGTH_MM / 2, 35.0, 0.5)
    around, around_contacts = two_rails()
    shots = pd.concat([direct, around.assign(shot_id="x" + around["shot_id"], pattern="around")], ignore_index=True)
    contacts = pd.concat([direct_contacts, around_contacts.assign(shot_id="x" + around_contacts["shot_id"])])
    settings = CompareSettings(responses=("rebound_settled_angle_deg",))
    comparison = compare_conditions(shots, contacts=contacts, settings=settings)
    short = in_short(comparison.contrasts, comparison.responses, comparison.settings)
    cells = short.assign(text=short[ALIKE] + short[AS_THEY_CAME]).groupby("pattern, speed")["text"].agg("\n".join)
    answers = comparison.contrasts.groupby("stratum")["answer"].agg(" ".join)
    monkeypatch.setattr("pipeline.compare.output.svg", lambda figure: figure.axes[0].get_xlabel())
    drawn = draw(comparison, contacts, pd.DataFrame())["rebound_settled_angle_deg"]
    for stratum, right, wrong in (
        ("long-side-bank, medium", ("longer", "shorter"), ("flatter", "steeper")),
        ("around, medium", ("flatter", "steeper"), ("longer", "shorter")),
        ("all patterns and speeds", ("flatter", "steeper"), ("longer", "shorter")),
    ):
        (picture,) = [label for caption, label in drawn if caption.startswith(f"{stratum}: ")]
        assert all(word in picture for word in right)
        for text in (cells[stratum], answers[stratum]):
            assert right[0] in text
            assert not any(word in text for word in wrong)
        if right[0] == "flatter":
            assert not any(word in picture for word in wrong)
