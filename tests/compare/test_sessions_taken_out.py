"""Sessions are taken out by their means: the same answers as with a column a session, without its memory."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest

from pipeline.compare import resample
from pipeline.compare.model import fit_linear
from pipeline.compare.resample import shift_quantiles
from tests.compare.dense import DenseFit


def _turned(n):
    return (np.arange(n) % 2).astype(float)


def _usual(rng, sizes, *, u=(0.2, 1.2)):
    """A condition that stays for a session, one that takes turns inside it, their product and a covariate."""
    session = np.repeat(np.arange(len(sizes)), sizes)
    n = len(session)
    held, turned, covariate = (session % 2).astype(float), _turned(n), rng.normal(0, 1, n)
    y = 30 + held - turned + 0.8 * covariate + rng.normal(0, 0.7, len(sizes))[session] + rng.normal(0, 1, n)
    x = np.column_stack([np.ones(n), held, turned, held * turned, covariate])
    return y, x, rng.uniform(*u, n), session


def _shuffled(rng, sizes):
    rows = _usual(rng, sizes)
    order = rng.permutation(len(rows[0]))
    return tuple(part[order] for part in rows)


def _redundant(rng, sizes):
    """More columns than there is to say: both levels of each condition, a column twice, an empty one."""
    y, x, u, session = _usual(rng, sizes)
    more = [1 - x[:, 1], 1 - x[:, 2], x[:, 4], np.zeros(len(y)), x[:, 1] + x[:, 2]]
    return y, np.column_stack([x, *more]), u, session


def _changed_once(rng, sizes):
    """The condition stays for a session in all but one."""
    y, x, u, session = _usual(rng, sizes)
    x[session == 1, 1] = _turned(np.sum(session == 1))[::-1]
    return y, x, u, session


def _held_only(rng, sizes):
    """Nothing changes inside a session."""
    y, x, u, session = _usual(rng, sizes)
    return y, x[:, :2], u, session


def _empty_cell(rng, sizes):
    """One combination was never filmed: the product can't be told."""
    y, x, u, session = _usual(rng, sizes)
    keep = x[:, 3] == 0
    return y[keep], x[keep], u[keep], session[keep]


def _far_from_zero(rng, sizes):
    """A covariate with a mean of ten thousand times its spread, and a room's reading that hardly moves in a session."""
    y, x, u, session = _usual(rng, sizes)
    x[:, 4] += 1e4
    return y, np.column_stack([x, 20.0 + session + 1e-4 * rng.normal(0, 1, len(y))]), u, session


def _uneven_weights(rng, sizes):
    y, x, _, session = _usual(rng, sizes)
    return y, x, 10 ** rng.uniform(-1, 2, len(y)), session


def _no_u(rng, sizes):
    y, x, _, session = _usual(rng, sizes)
    return y, x, np.zeros(len(y)), session


CASES = {
    "usual": (_usual, (6, 8, 5, 9)),
    "in no order": (_shuffled, (6, 8, 5, 9)),
    "sessions of one shot": (_usual, (1, 9, 1, 7, 1, 8, 2)),
    "redundant columns": (_redundant, (6, 8, 5, 9)),
    "condition is the session": (_usual, (12, 9)),
    "changed in one session": (_changed_once, (8, 7, 9)),
    "nothing changes inside": (_held_only, (5, 6, 7, 4, 3)),
    "a cell never filmed": (_empty_cell, (8, 10, 9, 11)),
    "far from zero": (_far_from_zero, (9, 8, 10, 12)),
    "uneven weights": (_uneven_weights, (9, 8, 10, 12)),
    "no uncertainties": (_no_u, (9, 8, 10, 12)),
    "one session": (_usual, (14,)),
}


def _contrasts(rng, p):
    return [*np.eye(p), rng.normal(0, 1, p), np.eye(p)[0] - np.eye(p)[-1], np.eye(p)[1] + np.eye(p)[2 % p] / 2]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("case", CASES)
def test_same_answers_as_with_a_column_a_session(case, seed):
    make, sizes = CASES[case]
    rng = np.random.default_rng(seed)
    y, x, u, session = make(rng, sizes)
    u = np.maximum(u, 0.5 * np.median(u))  # as the model takes them
    cell = (_turned(len(y)) + 2 * (x[:, 1] > 0)).astype(int)
    dense = DenseFit(y, x, u=u, session=session, cell=cell)
    fit = fit_linear(y, x, u=u, session=session, cell=cell)
    robust = fit_linear(y, x, u=u, session=session, cell=cell, robust=True)
    assert (fit.residual_df, fit.session_df) == (dense.residual_df, dense.session_df)
    assert fit.sd == pytest.approx(math.sqrt(dense.s2), rel=1e-6)
    assert fit.leverage == pytest.approx(dense.leverage, abs=1e-7)
    assert fit.fitted == pytest.approx(y - dense.residual, abs=1e-6)
    if dense.session_df:
        assert fit.session_sd == pytest.approx(math.sqrt(dense.session_var), rel=1e-4, abs=1e-6)
    seen = set()
    for c in _contrasts(rng, x.shape[1]):
        for got, want in ((fit, dense.estimate(c)), (robust, dense.estimate(c, robust=True))):
            e = got.estimate(c)
            seen.add(e.basis)
            assert e.basis == want[0]
            loose = 1e-5 if e.basis == "between sessions" else 1e-6  # the session variance is sought to 1e-6
            assert (e.value, e.se) == pytest.approx(want[1:3], rel=loose, abs=1e-9, nan_ok=True)
            assert e.df == pytest.approx(want[3], rel=1e-6)
    inside = [c for c in np.eye(x.shape[1]) if fit.estimate(c).basis == "within sessions"]
    if inside:
        assert "within sessions" in seen
        assert fit.f_test(inside).f == pytest.approx(dense.f(np.array(inside)), rel=1e-6)
    if case == "condition is the session":
        assert "not told apart" in seen
    if case in ("a cell never filmed", "redundant columns"):
        assert "not estimable" in seen


def test_what_can_be_told_does_not_hang_on_the_weights():
    rng = np.random.default_rng(4)
    y, x, _, session = _redundant(rng, (6, 8, 5, 9))
    told = []
    for spread in (0, 3):
        fit = fit_linear(y, x, u=10 ** rng.uniform(-spread, spread, len(y)), session=session)
        told.append([fit.estimate(c).basis for c in np.eye(x.shape[1])])
        assert (fit.residual_df, fit.session_df) == (len(y) - 7, 2)
    assert told[0] == told[1]


def test_a_difference_that_hangs_on_shots_fitted_exactly_takes_the_others_scatter():
    # cell 0 has one pair only, in a session of its own: its residuals are 0 whatever the scatter
    rng = np.random.default_rng(3)
    session = np.repeat([0, 1, 2], [2, 20, 20])
    x = np.column_stack([np.ones(42), _turned(42), _turned(42) * (session > 0)])
    y = rng.normal(0, 1, 42)
    fit = fit_linear(y, x, session=session, cell=x[:, 1] + 2 * (session > 0), robust=True)
    only, rest = fit.estimate([0, 1, 0]), fit.estimate([0, 1, 1])
    assert (only.method, only.df) == ("t", fit.residual_df)
    assert only.se == pytest.approx(fit.sd * math.sqrt(2))
    assert rest.method.startswith("robust")


def test_memory_does_not_grow_with_sessions_times_shots():
    rng = np.random.default_rng(5)
    y, x, u, session = _usual(rng, (50,) * 1000)
    tracemalloc.start()
    fit = fit_linear(y, x, u=u, session=session, cell=x[:, 2], robust=True)
    estimates = [fit.estimate(c) for c in np.eye(5)]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert {e.basis for e in estimates} == {"within sessions", "between sessions"}
    assert peak < 40 * x.nbytes  # a column a session alone would be 200 times as much


def _draw_apart(spread, pull, cells, *, rng, draws, probabilities):
    """All draws at once, as a matrix a cell."""
    shifts = np.zeros(draws)
    for cell in np.unique(cells):
        mine = cells == cell
        grown = (spread[mine] - spread[mine].mean()) * math.sqrt(mine.sum() / (mine.sum() - 1))
        shifts += rng.choice(grown, size=(draws, mine.sum())) @ pull[mine]
    return np.quantile(shifts, probabilities)


def _skewed(n):
    rng = np.random.default_rng(6)
    cells = rng.integers(0, 3, n)
    return rng.exponential(1.0 + cells, n), rng.normal(0.5, 1, n) / n, cells


def test_residuals_drawn_bit_by_bit_are_the_same_draws(monkeypatch):
    monkeypatch.setattr(resample, "_AT_ONCE", 1000)
    parts = _skewed(400)
    asked = {"draws": 501, "probabilities": (0.025, 0.975)}
    got = shift_quantiles(*parts, rng=np.random.default_rng(7), **asked)
    assert got == pytest.approx(_draw_apart(*parts, rng=np.random.default_rng(7), **asked), rel=1e-12)


def test_of_many_shots_the_cumulants_say_what_drawing_would(monkeypatch):
    spread, pull, cells = _skewed(2500)
    pull = np.abs(pull)  # so that the sum stays skewed
    ends = (0.025, 0.975)
    drawn = shift_quantiles(spread, pull, cells, rng=np.random.default_rng(8), draws=40_000, probabilities=ends)
    monkeypatch.setattr(resample, "MOST_VALUES", 0)
    told = shift_quantiles(spread, pull, cells, rng=np.random.default_rng(8), draws=2000, probabilities=ends)
    size = (drawn[1] - drawn[0]) / 3.92
    assert np.abs(told - drawn).max() < 0.04 * size  # drawing errs by 0.013 itself
    assert sum(drawn) > 0.03 * size  # the upper end is further out, and the expansion knows
    assert sum(told) == pytest.approx(sum(drawn), abs=0.045 * size)
    # one shot that outweighs all others: its sum is nowhere near normal, and is drawn
    pull = np.where(np.arange(2500) == 5, 1.0, pull / 1000)
    heavy = shift_quantiles(spread, pull, cells, rng=np.random.default_rng(9), draws=500, probabilities=ends)
    again = _draw_apart(spread, pull, cells, rng=np.random.default_rng(9), draws=500, probabilities=ends)
    assert heavy == pytest.approx(again, rel=1e-12)


def test_pull_is_how_much_each_response_moves_a_contrast():
    rng = np.random.default_rng(6)
    for shots, between in (([6, 6, 5, 6], 3.0), ([9, 1, 2, 7], 3.0), ([6, 6, 5, 6], 0.0)):
        session = np.repeat(np.arange(4), shots)
        turn = np.arange(len(session)) % 2
        x = np.column_stack([np.ones(len(session)), session % 2, turn, rng.normal(size=len(session))])
        y = rng.normal(size=len(session)) + between * rng.normal(size=4)[session]
        fit = fit_linear(y, x, session=session)
        for row in np.eye(4)[1:]:
            assert fit.pull(row) @ y == pytest.approx(fit.estimate(row).value, abs=1e-9)
    assert np.isnan(fit_linear(y, np.column_stack([x, x[:, 1]]), session=session).pull(np.eye(5)[1])).all()
