"""Recordings whose shutter time changes: told from the smears, and each part measured with its own."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from pipeline.clip_job import _exposures
from pipeline.detections import DetectSettings, detect_balls
from pipeline.exposures import Exposure, Smears, _stretches, held_at, longest_s, since_motion
from pipeline.shot_motion import Scene
from pipeline.shots import _in_its_light
from pipeline.shutter import exposure_changes, odd_shutters
from pipeline.smears import _SHARES, ENOUGH, Curves, Shutter
from pipeline.strikes import Strike
from tests.pipeline.drawn import draw
from tests.pipeline.test_smears import BEGINS, GIVEN, IVORY, PICTURE, RATE, RED, path

WAY = np.array([0.9, 0.436])
STEP_MM, FRAMES, CHANGES = 34.0, 54, 28
SHORT, LONG = 0.2, 0.7


def filmed(share_at, *, frames: int = FRAMES, step_mm: float = STEP_MM):
    """Frames of a ball that rolls, the shutter open for a share of the time between them that may change."""
    for n, (x, y) in enumerate(path(frames, step_mm)):
        swept = share_at(n) * step_mm * WAY if n > BEGINS else np.zeros(2)
        yield draw(PICTURE, [(x, y, IVORY), (1900.0, 200.0, RED)], index=n, t_s=n / RATE, motion_mm=tuple(swept))


def smear_px(found) -> np.ndarray:
    """Of the ball that moves, by frame."""
    cue = found[(found.white_share > 0.5) & (found.frame > BEGINS + 1) & (found.frame < FRAMES - 1)]
    return np.hypot(cue["blur_x_px"], cue["blur_y_px"]).to_numpy(), cue["frame"].to_numpy()


@pytest.mark.parametrize(("first", "then"), [(SHORT, LONG), (LONG, SHORT)])
def test_a_change_is_found_and_each_part_measured_with_its_own_shutter(first, then):
    smears = Smears()
    found = detect_balls(filmed(lambda n: first if n < CHANGES else then), GIVEN, smears=smears)
    before, after = smears.exposures
    assert before.shutter.seconds * RATE == pytest.approx(first, abs=0.15)
    assert after.shutter.seconds * RATE == pytest.approx(then, abs=0.15)
    assert after.from_s == pytest.approx(CHANGES / RATE, abs=2.5 / RATE)
    assert before.until_s < after.from_s
    assert smears.told == before.shutter
    smear, frame = smear_px(found)
    early, late = (np.median(smear[rows]) for rows in (frame < CHANGES - 2, frame > CHANGES + 2))
    assert late / early == pytest.approx(then / first, rel=0.4)


def test_a_change_long_after_the_shutter_was_told_is_found(monkeypatch):
    """Balls that smeared in the frames since are asked together with those before; fits are made again."""
    monkeypatch.setattr("pipeline.exposures.ENOUGH", 16)
    smears = Smears()
    found = detect_balls(filmed(lambda n: SHORT if n < CHANGES else LONG), GIVEN, smears=smears)
    assert [round(one.shutter.seconds * RATE, 1) for one in smears.exposures] == [SHORT, LONG]
    known = detect_balls(filmed(lambda n: LONG), GIVEN, settings=DetectSettings(shutter_s=LONG / RATE))
    (smear, frame), (smear_known, _) = smear_px(found), smear_px(known)
    late = np.median(smear[frame > CHANGES + 2])
    assert late == pytest.approx(np.median(smear_known), rel=0.2)
    assert len(smears.found) < ENOUGH


@pytest.mark.parametrize("share", [SHORT, LONG, 0.95])
def test_one_shutter_stays_one(share):
    smears = Smears()
    detect_balls(filmed(lambda n: share), GIVEN, smears=smears)
    assert len(smears.exposures) == 1


def test_a_change_is_found_where_a_shutter_is_given_too():
    smears = Smears()
    given = DetectSettings(shutter_s=SHORT / RATE)
    found = detect_balls(filmed(lambda n: SHORT if n < CHANGES else LONG), GIVEN, settings=given, smears=smears)
    assert len(smears.exposures) == 2
    smear, _ = smear_px(found)
    assert smear == pytest.approx(np.median(smear), rel=0.1)  # it is used all the same
    words = odd_shutters(SHORT / RATE, smears.exposures)
    assert words.startswith(f"from {smears.exposures[1].from_s:.2f} s on balls smear as with")
    assert "not of 1/300 s" in words
    assert odd_shutters(None, smears.exposures) == ""


def test_between_two_shots_one_ball_that_seems_to_belong_to_the_other_does_not_move_the_change():
    """It moves all balls of the second shot before it into the first: those that are too fast to be asked."""
    t_s = np.array([*np.arange(0.4, 0.9, 0.02), *np.arange(3.0, 3.5, 0.02)])
    share = np.where(np.arange(len(t_s)) < 26, SHORT, LONG)  # the second shot begins with the 26th
    misfit = 4000.0 * (_SHARES[:, None] - share) ** 2
    curves = Curves(1 / RATE, t_s, np.full(len(t_s), 20.0), misfit)
    before, after = _stretches(curves)
    assert after.t_s[0] == 3.0
    assert before.t_s[-1] < 1.0


def exposure(from_s: float, until_s: float, shutter_s: float) -> Exposure:
    return Exposure(from_s, until_s, Shutter(shutter_s, 0.05 * shutter_s, 900.0))


THREE = [exposure(0.5, 1.0, 0.001), exposure(3.0, 4.0, 0.012), exposure(4.1, 6.0, 0.004)]


def test_what_held_at_a_time_and_the_longest_that_held_meanwhile():
    assert [held_at(THREE, t_s).seconds for t_s in (0.0, 0.9, 1.9, 2.2, 5.0, 9.0)] == [
        0.001, 0.001, 0.001, 0.012, 0.004, 0.004]
    longest = [longest_s(THREE, *times) for times in ((0.4, 2.9), (2.9, 6.5), (4.05, 6.5), (7.0, 8.0))]
    assert longest == pytest.approx([0.0011, 0.0132, 0.0044, 0.0044])  # and two standard uncertainties
    assert longest_s(THREE[:1], 0.4, 2.9) == 0.001


def test_a_shot_is_fitted_with_the_longest_shutter_of_its_own_time():
    """A frame in whose exposure a ball met something shows a bent streak: it must be left out."""
    scene = Scene(GIVEN.table, None, np.arange(10.0), 0.008)
    shutters = [_in_its_light(scene, Strike("a", t_s, until_s), THREE).shutter_s
                for t_s, until_s in ((0.4, 2.9), (2.9, 6.5))]
    assert shutters == pytest.approx([0.0011, 0.0132])
    assert _in_its_light(scene, Strike("a", 0.4, 2.9), []).shutter_s == 0.008


def test_a_change_lies_where_the_motion_begins_that_tells_it():
    moving = [0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 2.6, 2.7, 2.8, 2.9, 3.0, 3.1]
    assert [one.from_s for one in since_motion(THREE[:2], moving)] == [0.5, 2.6]
    assert [one.from_s for one in since_motion(THREE, moving)] == [0.5, 2.6, 4.1]
    assert since_motion([], moving) == []


def test_a_change_is_said_in_one_line_and_told_once_kept():
    assert exposure_changes(THREE[:1]) == ""
    assert exposure_changes(THREE) == (
        "the exposure changes at 3.00, 4.10 s (a shutter of about 1/1000 s, then 1/83, 1/250 s): fast balls are "
        "measured the worse; lock it on the camera")
    many = [exposure(n, n + 0.5, 0.001 * (1 + n % 2)) for n in range(8)]
    assert "at 1.00, 2.00, 3.00 s and 4 more times (" in exposure_changes(many)
    assert _exposures({"info": {"exposures_seen": [asdict(one) for one in THREE]}}) == THREE
