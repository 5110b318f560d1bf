"""Scatter of shots and sessions against statsmodels' mixed model, which goes through every shot."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.compare.scatter import session_scatter


def _evenings(seed, sessions, session_sd):
    rng = np.random.default_rng(seed)
    session = np.repeat(np.arange(sessions), rng.integers(2, 30, sessions))
    n = len(session)
    x = np.column_stack([np.ones(n), session % 2, np.arange(n) % 2, rng.normal(0, 1, n)])
    y = 30 + x @ [0, 1, 2, 0.5] + rng.normal(0, session_sd, sessions)[session] + rng.normal(0, 1, n)
    return y, x, session


@pytest.mark.parametrize(("sessions", "session_sd"), [(4, 1.0), (10, 0.4), (60, 0.3), (8, 20.0)])
def test_same_as_statsmodels(sessions, session_sd):
    y, x, session = _evenings(1, sessions, session_sd)
    found = session_scatter(y, x, session)
    fit = MixedLM(y, x, groups=session).fit(reml=True, method="powell")
    assert found.shot_sd == pytest.approx(np.sqrt(fit.scale), rel=1e-4)
    assert found.session_sd == pytest.approx(np.sqrt(fit.cov_re[0, 0]), rel=1e-3)
    assert found.mean == pytest.approx(fit.fe_params[0], rel=1e-5)
    assert found.minus2_log_l == pytest.approx(-2 * fit.llf, abs=1e-6)


def test_columns_that_say_nothing_new_change_nothing():
    y, x, session = _evenings(2, 10, 0.5)
    plain = session_scatter(y, x, session)
    more = session_scatter(y, np.column_stack([x, x[:, 2], 1 - x[:, 1], np.zeros(len(y))]), session)
    assert (more.shot_sd, more.session_sd) == pytest.approx((plain.shot_sd, plain.session_sd), rel=1e-9)


def test_sessions_more_alike_than_chance_scatter_by_nothing():
    y, x, session = _evenings(3, 12, 0.0)
    y = y - np.array([np.mean((y - x @ [0, 1, 2, 0.5])[session == s]) for s in session])
    found = session_scatter(y, x, session)
    assert found.session_sd == 0
    assert found.session_share == 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(y, x, groups=session).fit(reml=True, method="powell")
    assert found.minus2_log_l <= -2 * fit.llf + 1e-6


def test_too_few_sessions_say_so():
    y, x, session = _evenings(4, 2, 1.0)
    found = session_scatter(y, x, session)
    assert np.isnan(found.session_sd)
    assert "fewer than 3" in found.note
