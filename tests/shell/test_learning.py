"""What shots say of cloth and balls: the prior counts once, scatter widens, no shot learns from itself."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.knowledge import MASS_U, SET_U, CueMass
from pipeline.learning import ClothAndBalls, learnt_from_others, pool_cue_mass, pool_friction, tells_more
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
    # scatter only ever widens, so a little under 1; 200 runs: the rms itself is known to 5 %
    assert ((rms > 0.75) & (rms < 1.1)).all()


def test_clips_that_contradict_each_other_widen_the_result():
    agree = [Friction(0.2, 0.01, 0.004, 0.0002), Friction(0.2, 0.01, 0.004, 0.0002)]
    differ = [Friction(0.17, 0.01, 0.004, 0.0002), Friction(0.23, 0.01, 0.004, 0.0002)]
    assert pool_friction(differ, PRIOR).sliding_u > 4 * pool_friction(agree, PRIOR).sliding_u


def _fitted(rng, truth, u):
    """A shot's friction: ``truth`` (sliding, rolling) seen with relative noise ``u``, joined with the prior."""
    u = np.asarray(u)
    held = np.array([PRIOR.sliding_u / PRIOR.sliding, PRIOR.rolling_u / PRIOR.rolling])
    seen, weight = np.log(truth) + u * rng.standard_normal(2), 1 / u**2 + 1 / held**2
    best = np.exp((seen / u**2 + np.log([PRIOR.sliding, PRIOR.rolling]) / held**2) / weight)
    return Friction(best[0], best[1], *(best / np.sqrt(weight)))


TRUTH = np.array([0.21, 0.0105])


@pytest.mark.parametrize("shots", [2, 4, 12])
@pytest.mark.parametrize("scatter", [(0.09, 0.0), (0.0, 0.04), (0.09, 0.04)])
def test_scatter_of_one_friction_widens_that_one_by_what_it_shows(shots, scatter):
    """Within one standard uncertainty lies 0.68 (300 runs: +- 0.027), where neither scatters more as that widens."""
    rng = np.random.default_rng(17)
    inside = np.zeros(2)
    for _ in range(300):
        truths = TRUTH * np.exp(np.array(scatter) * rng.standard_normal((shots, 2)))
        got = pool_friction([_fitted(rng, truth, (0.03, 0.01)) for truth in truths], PRIOR)
        error = np.abs(np.array([got.sliding, got.rolling]) - TRUTH)
        inside += error < [got.sliding_u, got.rolling_u]
    assert ((inside / 300 > 0.60) & (inside / 300 < 0.83)).all()


def test_shots_that_tell_nothing_of_a_friction_are_no_word_that_it_agrees():
    rng = np.random.default_rng(18)
    inside = 0
    for _ in range(300):
        truths = TRUTH * np.exp([0.09, 0.0] * rng.standard_normal((4, 2)))
        slid = [_fitted(rng, truth, (0.03, 0.01)) for truth in truths]
        rolled = [Friction(PRIOR.sliding, 0.0105, PRIOR.sliding_u, 1e-4) for _ in range(20)]
        got = pool_friction(slid + rolled, PRIOR)
        inside += abs(got.sliding - TRUTH[0]) < got.sliding_u
    assert inside / 300 > 0.60


def test_one_long_roll_does_not_stand_alone_where_shots_scatter():
    rolls = [Friction(0.2, 0.0110, 0.01, 0.00001), Friction(0.2, 0.0100, 0.01, 0.0001),
             Friction(0.2, 0.0102, 0.01, 0.0001), Friction(0.2, 0.0098, 0.01, 0.0001)]
    assert pool_friction(rolls, PRIOR).rolling == pytest.approx(0.01025, abs=0.0001)


def test_a_single_shot_is_pooled_as_it_is_and_what_agrees_as_without_scatter():
    one = Friction(0.23, 0.0102, 0.008, 0.0001, 0.4)
    assert vars(pool_friction([one], PRIOR)) == pytest.approx(vars(one))
    known = (PRIOR.sliding / PRIOR.sliding_u) ** 2
    told = (0.23 / 0.008) ** 2 - known  # of the logarithm, its own
    alike = [Friction(0.23, 0.0102, 0.008, 0.0001) for _ in range(4)]
    got = pool_friction(alike, PRIOR)
    assert got.sliding_u / got.sliding == pytest.approx((4 * told + known) ** -0.5, rel=1e-6)


def _told(cloths, masses=None):
    """By shot, what it says: of cloths (sliding friction, u), or of masses (ratio, u) as well."""
    return {n: ClothAndBalls(cloth, None if masses is None else masses[n]) for n, cloth in enumerate(cloths)}


def _cloths(rng, sliding, u=0.01):
    """Own estimates of shots whose balls slid with ``sliding`` (each), read with relative noise ``u``."""
    seen = [value * np.exp(u * rng.standard_normal()) for value in sliding]
    return [Friction(value, 0.0100, u * value, 0.0002) for value in seen]


def test_a_shot_never_learns_from_itself():
    rng = np.random.default_rng(3)
    shots = _told(_cloths(rng, [0.2] * 4))
    others = learnt_from_others(shots, {}, PRIOR)
    shots[0] = ClothAndBalls(Friction(0.35, 0.01, 0.003, 0.0002))
    # its own estimate only makes the shots look more scattered, which the others' word on it must then allow for
    changed = learnt_from_others(shots, {}, PRIOR)
    assert changed[0].friction.sliding == pytest.approx(others[0].friction.sliding, rel=0.01)
    assert learnt_from_others({"alone": ClothAndBalls(PRIOR)}, {}, PRIOR) == {}
    assert learnt_from_others({}, {}, PRIOR) == {}


def test_what_is_learnt_holds_the_truth_as_often_as_it_says():
    """Polished and clean balls in turn: told which is which, or not told, the stated uncertainty must hold."""
    rng = np.random.default_rng(5)
    truth = [0.22, 0.20, 0.22, 0.20, 0.22, 0.20]
    alike = {n: n % 2 for n in range(6)}
    told, untold, widths = [], [], []
    for _ in range(200):
        shots = _told(_cloths(rng, truth))
        for into, groups in ((told, alike), (untold, {})):
            learnt = {n: known.friction for n, known in learnt_from_others(shots, groups, PRIOR).items()}
            into += [(learnt[n].sliding - t) / learnt[n].sliding_u for n, t in enumerate(truth)]
        widths.append(learnt_from_others(shots, alike, PRIOR)[0].friction.sliding_u / learnt[0].sliding_u)
    assert 0.8 < np.sqrt(np.mean(np.square(told))) < 1.3
    assert 0.6 < np.sqrt(np.mean(np.square(untold))) < 1.3
    assert np.median(widths) < 0.35  # told which shots are alike, it learns far more


def test_what_a_shot_could_not_make_use_of_tells_it_no_more():
    """A shot that knows its friction to a percent gains nothing from a vague hint; from a sharp one it does."""
    own = Friction(0.2, 0.0100, 0.002, 0.0001)
    vague, sharp, off = (Friction(0.2, 0.0100, 0.03, 0.0014), Friction(0.2, 0.0100, 0.002, 0.0001),
                         Friction(0.15, 0.0100, 0.006, 0.0014))
    for hint, helps in ((vague, False), (sharp, True), (off, True)):
        assert tells_more(ClothAndBalls(hint, CueMass(1.0, 0.002)), ClothAndBalls(own), PRIOR) is helps


def test_masses_tell_a_shot_more_only_where_balls_met():
    own = Friction(0.2, 0.0100, 0.002, 0.0001)
    learnt = ClothAndBalls(Friction(0.2, 0.0100, 0.03, 0.0014), CueMass(0.97, 0.003))
    assert not tells_more(learnt, ClothAndBalls(own), PRIOR)
    assert tells_more(learnt, ClothAndBalls(own, CueMass(1.0, 0.9 * MASS_U)), PRIOR)


def test_a_shot_that_knows_nothing_is_told_more():
    assert tells_more(ClothAndBalls(Friction(0.2, 0.0100, 0.01, 0.0005)), ClothAndBalls(PRIOR), PRIOR)


def test_what_shots_share_does_not_average_out():
    shared = 0.004
    cloths = [Friction(0.2, 0.010, 0.005, 0.0004, sliding_common_u=shared) for _ in range(50)]
    assert pool_friction(cloths, PRIOR).sliding_u == pytest.approx(shared, rel=0.05)
    learnt = learnt_from_others(_told(cloths), dict.fromkeys(range(50), 1), PRIOR)
    assert learnt[0].friction.sliding_u > 0.95 * shared
    alone = [Friction(0.2, 0.010, 0.005, 0.0004) for _ in range(50)]
    assert pool_friction(alone, PRIOR).sliding_u < 0.001


def _shown(rng, ratio, u):
    """What a fit says of the cue ball's mass: what its frames show, with what is known of any two of a set."""
    seen = np.log(ratio) + u * rng.standard_normal()
    weight = 1 / u**2 + 1 / MASS_U**2
    best = np.exp(seen / u**2 / weight)
    return CueMass(float(best), float(best / np.sqrt(weight)))


def test_a_cue_ball_lighter_than_the_others_is_found_and_foretold():
    """3 % lighter, and the balls it hits differ among themselves as those of a set may."""
    rng = np.random.default_rng(7)
    pooled, foretold = [], []
    for _ in range(100):
        ratios = 0.97 * np.exp(SET_U * rng.standard_normal(8))
        masses = [_shown(rng, ratio, 0.006) for ratio in ratios]
        whole = pool_cue_mass(masses)
        pooled.append((whole.ratio - 0.97) / whole.u)
        for n, known in learnt_from_others(_told([PRIOR] * 8, masses), {}, PRIOR).items():
            foretold.append((known.cue_mass.ratio - ratios[n]) / known.cue_mass.u)
            assert known.cue_mass.u > SET_U  # however well the others agree
    # the prior says 1.000 +- 0.012, and the truth is 2.5 of these away: a little of that pull is left after eight shots
    assert np.sqrt(np.mean(np.square(pooled))) < 1.6
    assert 0.8 < np.sqrt(np.mean(np.square(foretold))) < 1.3
    assert abs(np.mean(foretold)) < 0.5


@pytest.mark.parametrize("shots", [2, 3])
def test_masses_of_a_few_shots_that_scatter_are_as_uncertain_as_so_few_show(shots):
    rng = np.random.default_rng(19)
    inside = 0
    for _ in range(400):
        got = pool_cue_mass([_shown(rng, 1.01 * np.exp(0.008 * rng.standard_normal()), 0.004) for _ in range(shots)])
        inside += abs(got.ratio - 1.01) < got.u
    assert 0.63 < inside / 400 < 0.80


def test_shots_without_a_hit_tell_nothing_of_masses():
    masses = [CueMass(0.99, 0.004), None, None, None]
    learnt = learnt_from_others(_told([PRIOR] * 4, masses), {}, PRIOR)
    assert learnt[0].cue_mass.ratio == pytest.approx(1.0, abs=1e-6)
    assert learnt[0].cue_mass.u == pytest.approx(MASS_U, rel=0.01)
    assert learnt[1].cue_mass.ratio < 0.995


def test_a_shot_learns_what_the_others_say_without_it():
    """Told apart from one sum over all shots, as if each time only the others were there."""
    rng = np.random.default_rng(9)
    masses = [_shown(rng, 0.98, 0.004) for _ in range(6)]
    shots = _told(_cloths(rng, [0.2, 0.21, 0.2, 0.21, 0.2, 0.21], u=0.05), masses)
    learnt = learnt_from_others(shots, {}, PRIOR)
    others = {n: known for n, known in shots.items() if n != 2}
    # a further shot that says nothing hears from them what the one left out does, but for the scatter it adds to
    heard = learnt_from_others({**others, "new": ClothAndBalls(PRIOR)}, {}, PRIOR)["new"]
    assert learnt[2].cue_mass.ratio == pytest.approx(heard.cue_mass.ratio, rel=2e-4)
    assert learnt[2].friction.rolling == pytest.approx(heard.friction.rolling, rel=1e-3)


def test_shots_that_hardly_tell_of_masses_spoil_nothing():
    """Near-stun hits: how much the cue ball slid stays open, and with it the masses; two of six shots know them."""
    masses = [CueMass(1.0057, 0.0170), CueMass(1.0063, 0.0117), CueMass(1.0019, 0.0050), CueMass(1.0021, 0.0178),
              CueMass(1.0012, 0.0149), CueMass(1.0021, 0.0032)]
    shots = _told([PRIOR] * 6, masses)
    for alike in ({}, {n: n % 2 for n in range(6)}):
        for n, known in learnt_from_others(shots, alike, PRIOR).items():
            well = [k for k in (2, 5) if k != n and (not alike or alike[k] == alike[n])]
            assert known.cue_mass.u < (0.0075 if well else 1.001 * MASS_U)
    assert pool_cue_mass(masses).u < 0.0032


def test_what_is_learnt_is_never_less_certain_than_what_was_known():
    """Cue balls of another mass in every shot, each well told: the next one may be any again."""
    masses = [CueMass(ratio, 0.002) for ratio in (0.93, 1.05, 0.98, 1.08, 0.95, 1.02)]
    for known in learnt_from_others(_told([PRIOR] * 6, masses), {}, PRIOR).values():
        assert 0.9 * MASS_U < known.cue_mass.u < 1.2 * MASS_U
