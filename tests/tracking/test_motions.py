"""The motion fit finds true motions again, within the errors that it states."""

import numpy as np
import pytest

from fixtures.synthetic import Surface, bank_shot
from fixtures.synthetic.physics import rolling_velocity
from pipeline.paths import MotionEvent, Seen
from pipeline.physics import Friction
from pipeline.shot_fit import fit_shot
from shared.equipment import standard_table

TABLE = standard_table()


def seen_of(play, ball, seconds, noise_mm, rng, systematic=None):
    t = np.arange(1 / 120, seconds, 1 / 60)
    xy = np.array([play.at(ball, float(s)).at(float(s))[0] for s in t]) + rng.normal(0, noise_mm, (len(t), 2))
    fields = np.zeros((len(t), 2, 0)) if systematic is None else systematic(xy)
    name = "cue" if ball == "cue" else "object"
    return Seen(name, t, xy, np.repeat(noise_mm**2 * np.eye(2)[None], len(t), axis=0), fields)


def fitted(seed, *, noise_mm=0.3, seconds=1.6, systematic=None, **shot):
    rng = np.random.default_rng(seed)
    play = bank_shot(TABLE, surface=Surface(sliding=0.22, rolling=0.012), until_s=3.0, **shot)
    seen = [seen_of(play, b, seconds, noise_mm, rng, systematic) for b in ("cue", "1")]
    events = [
        MotionEvent("strike", 0.4 + 0.004, "cue"),
        MotionEvent("ball", play.events[1]["t"] - 0.004, "cue", "object"),
        MotionEvent("cushion", play.events[2]["t"] + 0.003, "object", "left"),
    ]
    return play, fit_shot(seen, events, table=TABLE, friction=Friction()).motion


SHOTS = [
    {"roll_ratio": 0.0, "cut_deg": 0.0}, {"roll_ratio": 0.9, "cut_deg": 5.0}, {"roll_ratio": -0.9, "cut_deg": -15.0},
    {"roll_ratio": -0.3, "cut_deg": 20.0, "speed_mps": 3.5},
    {"roll_ratio": 0.5, "direction_deg": 100.0, "speed_mps": 1.8},
]


@pytest.mark.parametrize("shot", SHOTS)
def test_velocities_at_the_contacts(shot):
    play, motion = fitted(1, **shot)
    path = motion.path()
    for i, event in ((1, play.events[1]), (2, play.events[2])):
        assert path.time(i)[0] == pytest.approx(event["t"], abs=5e-4)
        v = path.before["cue" if i == 1 else "object", i][1][0]
        true = np.array(event["before"]["cue" if i == 1 else "1"]["v_mm_s"])
        assert np.hypot(*(v - true)) < 0.012 * np.hypot(*true)
    out = np.array(play.events[2]["after"]["1"]["v_mm_s"])
    assert np.hypot(*(path.after["object", 2][1][0] - out)) < 0.006 * np.hypot(*out)


def test_stated_uncertainties_are_honest():
    """Errors over stated uncertainties of 25 fits: rms about 1 (the priors make a little less than 1 right)."""
    z = []
    for seed in range(5):
        for shot in SHOTS:
            play, motion = fitted(seed, **shot)
            theta, sigma = motion.theta, np.sqrt(np.diag(motion.covariance))
            at = motion.layout.leg["object", 2]
            after = play.events[2]["after"]["1"]
            truth = np.concatenate([after["v_mm_s"], rolling_velocity(np.array(after["omega"]), play.radius_mm)])
            z.append((theta[at : at + 4] - truth) / sigma[at : at + 4])
    rms = np.sqrt(np.mean(np.square(z), axis=0))
    assert np.all((rms > 0.6) & (rms < 1.4)), rms


def test_friction_of_the_cloth():
    _, motion = fitted(4, roll_ratio=0.0, cut_deg=10.0)
    friction = motion.friction
    assert friction.sliding == pytest.approx(0.22, abs=max(4 * friction.sliding_u, 0.001))
    assert friction.rolling == pytest.approx(0.012, abs=max(4 * friction.rolling_u, 0.0001))
    assert friction.sliding_u < 0.01
    assert friction.rolling_u < 0.001


def test_wrong_frames_do_not_pull_the_fit():
    play, motion = fitted(5, cut_deg=8.0)
    spoilt = []
    for s in motion.seen.values():
        xy = s.xy_mm.copy()
        xy[10::17] += 40.0
        spoilt.append(Seen(s.ball, s.t_s, xy, s.covariance, s.systematic))
    again = fit_shot(spoilt, motion.events, table=TABLE, friction=Friction()).motion
    v, true = again.path().after["object", 2][1][0], np.array(play.events[2]["after"]["1"]["v_mm_s"])
    assert np.hypot(*(v - true)) < 0.012 * np.hypot(*true)


def test_what_shifts_all_frames_alike_is_carried_in_full():
    """A field that stretches x by 1 part in 1000 (k=1) puts 0.1 % on velocities along x, whatever the frames' noise."""

    def stretch(xy):
        out = np.zeros((len(xy), 2, 1))
        out[:, 0, 0] = xy[:, 0] * 1e-3
        return out

    _, plain = fitted(6, noise_mm=0.05)
    _, carried = fitted(6, noise_mm=0.05, systematic=stretch)
    at = carried.layout.leg["object", 2]
    extra = np.sqrt(carried.covariance[at, at] - plain.covariance[at, at])
    assert extra == pytest.approx(1e-3 * abs(carried.theta[at]), rel=0.35)
