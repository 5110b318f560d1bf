"""One friction for a session: the prior counts once, scatter widens."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.friction import learnt_from_others, pool_friction, tells_more
from pipeline.physics import Friction

PRIOR = Friction()


def test_clips_that_know_nothing_leave_the_prior_alone():
    assert vars(pool_friction([PRIOR] * 5, PRIOR)) == pytest.approx(vars(PRIOR))


def test_no_clip_leaves_the_prior_alone():
    assert vars(pool_friction([], PRIOR)) == pytest.approx(vars(PRIOR))


def test_the_truth_is_found_within_the_stated_uncertainty():
    """Clips that each see the truth with noise and hold the prior, as a fit with a prior does."""
    rng = np.random.default_rng(11)
    truth, u = np.log([0.23, 0.0085]), np.array([0.05, 0.08])
    base = np.diag(1 / np.array([PRIOR.sliding_u / PRIOR.sliding, PRIOR.rolling_u / PRIOR.rolling]) ** 2)
    start = base @ np.log([PRIOR.sliding, PRIOR.rolling])
    errors = []
    for _ in range(200):
        clips = []
        for _ in range(6):
            seen = truth + u * rng.standard_normal(2)
            covariance = np.linalg.inv(base + np.diag(1 / u**2))
            best = np.exp(covariance @ (start + seen / u**2))
            clips.append(Friction(best[0], best[1], *(best * np.sqrt(np.diag(covariance)))))
        got = pool_friction(clips, PRIOR)
        errors.append([(got.sliding - 0.23) / got.sliding_u, (got.rolling - 0.0085) / got.rolling_u])
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    # the Birge ratio only ever widens, so a little under 1; 200 runs: the rms itself is known to 5 %
    assert ((rms > 0.75) & (rms < 1.1)).all()


def test_clips_that_contradict_each_other_widen_the_result():
    agree = [Friction(0.2, 0.01, 0.004, 0.0002), Friction(0.2, 0.01, 0.004, 0.0002)]
    differ = [Friction(0.17, 0.01, 0.004, 0.0002), Friction(0.23, 0.01, 0.004, 0.0002)]
    assert pool_friction(differ, PRIOR).sliding_u > 4 * pool_friction(agree, PRIOR).sliding_u


def _clips(rng, sliding, u=0.01):
    """Own estimates of clips whose balls slid with ``sliding`` (each), read with relative noise ``u``."""
    out = {}
    for n, value in enumerate(sliding):
        seen = value * np.exp(u * rng.standard_normal())
        out[f"clip-{n}"] = Friction(seen, 0.0100, u * seen, 0.0002)
    return out


def test_a_clip_never_learns_from_itself():
    rng = np.random.default_rng(3)
    clips = _clips(rng, [0.2] * 4)
    others = learnt_from_others(clips, {}, PRIOR)
    clips["clip-0"] = Friction(0.35, 0.01, 0.003, 0.0002)
    # its own estimate only makes the clips look more scattered, which the others' word on it must then allow for
    changed = learnt_from_others(clips, {}, PRIOR)
    assert changed["clip-0"].sliding == pytest.approx(others["clip-0"].sliding, rel=0.01)
    assert learnt_from_others({"alone": PRIOR}, {}, PRIOR) == {}


def test_what_is_learnt_holds_the_truth_as_often_as_it_says():
    """Polished and clean balls in turn: told which is which, or not told, the stated uncertainty must hold."""
    rng = np.random.default_rng(5)
    truth = [0.22, 0.20, 0.22, 0.20, 0.22, 0.20]
    alike = {f"clip-{n}": n % 2 for n in range(6)}
    told, untold, widths = [], [], []
    for _ in range(200):
        clips = _clips(rng, truth)
        for into, groups in ((told, alike), (untold, {})):
            learnt = learnt_from_others(clips, groups, PRIOR)
            into += [(learnt[f"clip-{n}"].sliding - t) / learnt[f"clip-{n}"].sliding_u for n, t in enumerate(truth)]
        widths.append(learnt_from_others(clips, alike, PRIOR)["clip-0"].sliding_u / learnt["clip-0"].sliding_u)
    assert 0.8 < np.sqrt(np.mean(np.square(told))) < 1.3
    assert 0.6 < np.sqrt(np.mean(np.square(untold))) < 1.3
    assert np.median(widths) < 0.35  # told which clips are alike, it learns far more


def test_what_a_clip_could_not_make_use_of_tells_it_no_more():
    """A clip that knows its friction to a percent gains nothing from a vague hint; from a sharp one it does."""
    own = Friction(0.2, 0.0100, 0.002, 0.0001)
    vague, sharp, off = (Friction(0.2, 0.0100, 0.03, 0.0014), Friction(0.2, 0.0100, 0.002, 0.0001),
                         Friction(0.15, 0.0100, 0.006, 0.0014))
    assert not tells_more(vague, own, PRIOR)
    assert tells_more(sharp, own, PRIOR)
    assert tells_more(off, own, PRIOR)


def test_a_clip_that_knows_nothing_is_told_more():
    assert tells_more(Friction(0.2, 0.0100, 0.01, 0.0005), PRIOR, PRIOR)


def test_what_clips_share_does_not_average_out():
    shared = 0.004
    clips = [Friction(0.2, 0.010, 0.005, 0.0004, sliding_common_u=shared) for _ in range(50)]
    assert pool_friction(clips, PRIOR).sliding_u == pytest.approx(shared, rel=0.05)
    learnt = learnt_from_others({str(n): clip for n, clip in enumerate(clips)}, dict.fromkeys(map(str, range(50)), 1),
                                PRIOR)
    assert learnt["0"].sliding_u > 0.95 * shared
    alone = [Friction(0.2, 0.010, 0.005, 0.0004) for _ in range(50)]
    assert pool_friction(alone, PRIOR).sliding_u < 0.001
