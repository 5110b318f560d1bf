"""The tracking filter and smoother against closed forms and a general-purpose reference.

Sources: steady-state constant-velocity filter, Kalata, IEEE Trans. AES (1984) (alpha from beta; read in documents that
credit it); the algebraic Riccati equation solved by SciPy; the state-space smoother of statsmodels.
"""

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from pipeline.tracks import _process_noise, _transition, smooth


def _gains(index, noise_mm=0.3, period_s=1 / 60):
    """(alpha, beta) that the filter settles to at a tracking index sigma_w T^2 / sigma_v."""
    accel_mps2 = index * noise_mm / period_s**2 / 1000
    count = 400
    _, covariance = smooth(
        period_s * np.arange(count), np.zeros((count, 2)), np.tile(np.eye(2) * noise_mm**2, (count, 1, 1)), accel_mps2
    )
    last = covariance[-1]
    return last[0, 0] / noise_mm**2, period_s * last[0, 2] / noise_mm**2


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [
        (0.01, 0.1318510, 0.0093175),
        (0.1, 0.36, 0.08),
        (0.5, 0.6283735, 0.3048059),
        (1.0, 0.75, 0.5),
        (4.6296296, 0.9396034, 1.1377646),  # 60 frames/s, 5 m/s^2, 0.3 mm
    ],
)
def test_settled_gains(index, alpha, beta):
    found = _gains(index)
    assert found == pytest.approx((alpha, beta), abs=2e-6)
    r = (4 + index - math.sqrt(8 * index + index**2)) / 4
    assert found[0] == pytest.approx(1 - r**2, abs=2e-6)
    assert found[1] == pytest.approx(2 * (2 - found[0]) - 4 * math.sqrt(1 - found[0]), abs=5e-6)


def test_settled_spread_solves_the_riccati_equation():
    period, noise, accel = 1 / 120, 0.4, 8000.0
    f, q = _transition(period), _process_noise(period, accel)
    h = np.array([[1.0, 0, 0, 0], [0, 1, 0, 0]])
    predicted = solve_discrete_are(f.T, h.T, q + 1e-9 * np.eye(4), np.eye(2) * noise**2)
    gain = predicted @ h.T @ np.linalg.inv(h @ predicted @ h.T + np.eye(2) * noise**2)
    wanted = predicted - gain @ h @ predicted
    _, covariance = smooth(period * np.arange(300), np.zeros((300, 2)), np.tile(np.eye(2) * noise**2, (300, 1, 1)), 8.0)
    assert covariance[-1] == pytest.approx(wanted, rel=1e-5, abs=1e-5)


def test_without_process_noise_the_smoother_is_the_straight_line():
    """Least squares of the ten values at unit steps: intercept 0.0345455, slope 0.9945455."""
    z = np.array([0, 1.1, 1.9, 3.2, 3.9, 5.1, 6.0, 6.8, 8.1, 9.0])
    state, _ = smooth(np.arange(10.0), np.column_stack([z, -z]), np.tile(np.eye(2) * 0.01, (10, 1, 1)), 0.0)
    assert state[0, :2] == pytest.approx([0.0345455, -0.0345455], abs=1e-5)
    assert state[:, 2] == pytest.approx(np.full(10, 0.9945455), abs=1e-5)


def test_smoother_against_statsmodels():
    from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

    rng = np.random.default_rng(8)
    period, noise, accel, count = 1 / 60, 0.35, 3000.0, 60
    steps = np.cumsum(rng.normal(0, accel * period**2, (count, 2)), axis=0)
    path = np.cumsum(steps + np.array([8.0, -5.0]), axis=0)
    z = path + rng.normal(0, noise, (count, 2))
    reference = KalmanSmoother(k_endog=2, k_states=4, k_posdef=4)
    reference.bind(z.T.copy(order="F"))
    reference["design"] = np.array([[1.0, 0, 0, 0], [0, 1, 0, 0]])
    reference["transition"], reference["selection"] = _transition(period), np.eye(4)
    reference["state_cov"], reference["obs_cov"] = _process_noise(period, accel), np.eye(2) * noise**2
    start = np.array([*z[0], 0, 0])
    spread = np.diag([noise**2, noise**2, 1e8, 1e8])
    f = _transition(period)
    # ours takes the first value as its start; theirs then begins with the second, one prediction on
    reference.bind(z[1:].T.copy(order="F"))
    reference.initialize_known(f @ start, f @ spread @ f.T + _process_noise(period, accel))
    wanted = reference.smooth()
    state, covariance = smooth(period * np.arange(count), z, np.tile(np.eye(2) * noise**2, (count, 1, 1)), accel / 1000)
    assert state[1:] == pytest.approx(wanted.smoothed_state.T, rel=1e-5, abs=1e-3)
    assert covariance[1:] == pytest.approx(wanted.smoothed_state_cov.transpose(2, 0, 1), rel=1e-4, abs=1e-4)
