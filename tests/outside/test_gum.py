"""The worked examples of the Guide to the expression of uncertainty in measurement and its Supplement 1.

Inputs and results of H.2 and H.3 as reproduced in the documentation of the GTC library (Measurement Standards
Laboratory of New Zealand) and recomputed; those marked "from memory" are recalled, not read in the Guide itself.
"""

import math

import numpy as np
import pytest

from shared.uncertain import (
    Uncertain,
    combine,
    coverage_interval,
    effective_degrees_of_freedom,
    monte_carlo,
    propagate,
)


def _impedance(v):
    volts, milliamps, phase = v
    amps = milliamps / 1000
    return np.array([volts / amps * math.cos(phase), volts / amps * math.sin(phase), volts / amps])


def test_resistance_and_reactance_of_h2_with_their_correlations():
    """GUM H.2, rounded inputs: R 127.732(70), X 219.85(30), Z 254.26(24); r -0.59, -0.49, +0.99."""
    u = np.array([3.2e-3, 9.5e-3, 7.5e-4])
    r = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    found = Uncertain(np.array([4.999, 19.661, 1.04446]), np.outer(u, u) * r).through(_impedance)
    assert found.value == pytest.approx([127.732, 219.85, 254.26], abs=0.006)
    assert found.u == pytest.approx([0.070, 0.30, 0.24], abs=0.006)
    assert found.correlation[0, 1] == pytest.approx(-0.59, abs=0.01)
    assert found.correlation[0, 2] == pytest.approx(-0.49, abs=0.01)
    assert found.correlation[1, 2] == pytest.approx(0.99, abs=0.01)


def test_the_same_from_the_five_raw_sets():
    """GUM H.2 raw data (from memory; the results agree with the rounded example)."""
    raw = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663, 19.639, 19.640, 19.685, 19.678],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    value, cov = propagate(_impedance, raw.mean(axis=1), np.cov(raw) / 5)
    u = np.sqrt(np.diag(cov))
    assert value == pytest.approx([127.73217, 219.84651, 254.25970], abs=2e-5)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=2e-5)
    r = cov / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.58843, -0.48526, 0.99251], abs=2e-5)


def test_calibration_line_of_h3_and_its_value_at_thirty_degrees():
    """GUM H.3: intercept -0.1712(29), slope 0.00218(67), r -0.93, at 30: -0.1494(41)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    design = np.column_stack([np.ones(t.size), t - 20])
    coefficients, (squares,), _, _ = np.linalg.lstsq(design, b, rcond=None)
    assert squares == pytest.approx(0.000110096583109, rel=1e-9)
    line = Uncertain(coefficients, squares / (t.size - 2) * np.linalg.inv(design.T @ design))
    assert line.value == pytest.approx([-0.17120379, 0.00218270], abs=1e-7)
    assert line.u == pytest.approx([0.0028776, 0.00066794], abs=1e-7)
    assert line.correlation[0, 1] == pytest.approx(-0.93043, abs=1e-5)
    at_thirty = line.through(lambda p: np.array([p[0] + p[1] * 10]))
    assert at_thirty.value[0] == pytest.approx(-0.14937681, abs=1e-7)
    assert at_thirty.u[0] == pytest.approx(0.00413860, abs=1e-7)


def test_end_gauge_of_h1_adds_in_squares():
    """GUM H.1: 32 nm from 25, 16.599, 6.7, 5.8, 3.9 and 2.88679 nm."""
    assert combine(25, 16.599, 6.7, 5.8, 3.9, 2.88679) == pytest.approx(31.66387, abs=1e-4)


def test_end_gauge_of_h1_has_sixteen_effective_degrees_of_freedom():
    """GUM H.1.6: 16 (from memory): 25 with 18, 5.8 with 24, 3.9 with 5, 6.7 with 8, 16.6 with 2, 2.9 with 50."""
    nu = effective_degrees_of_freedom([25, 16.599, 6.7, 5.8, 3.9, 2.88679], [18, 2, 8, 24, 5, 50])
    assert math.floor(nu) == 16


def test_sum_of_four_rectangular_inputs_of_supplement_one():
    """JCGM 101, 9.2.3: the exact 95 % interval is +-2 sqrt(3) (2 - 0.6^(1/4)) = +-3.87941 (prints +-3.88)."""
    rng = np.random.default_rng(101)
    total = rng.uniform(-math.sqrt(3), math.sqrt(3), (4, 1_000_000)).sum(axis=0)
    low, high = coverage_interval(total, 0.95)
    exact = 2 * math.sqrt(3) * (2 - 0.6**0.25)
    assert exact == pytest.approx(3.87941, abs=1e-5)
    assert (low, high) == pytest.approx((-exact, exact), abs=0.02)
    assert total.std() == pytest.approx(2.0, abs=0.01)


def test_first_order_and_monte_carlo_agree_on_a_gentle_function():
    rng = np.random.default_rng(3)
    cov = np.array([[4e-4, 1e-4], [1e-4, 9e-4]])

    def angle(v):
        return np.array([math.degrees(math.atan2(v[1], v[0])), math.hypot(v[0], v[1])])

    value, out = propagate(angle, [1.2, 0.7], cov)
    samples = monte_carlo(angle, [1.2, 0.7], cov, draws=20_000, rng=rng)
    assert samples.mean(axis=0) == pytest.approx(value, abs=0.03)
    assert np.cov(samples.T) == pytest.approx(out, rel=0.06, abs=5e-4)


def test_a_covariance_of_the_wrong_shape_is_refused():
    with pytest.raises(ValueError, match="need a covariance of shape"):
        propagate(lambda v: v, [1.0, 2.0], [[1.0]])


def test_a_lopsided_covariance_is_refused():
    with pytest.raises(ValueError, match="symmetric"):
        Uncertain(np.array([1.0, 2.0]), np.array([[1.0, 0.5], [0.0, 1.0]]))


def test_a_value_without_uncertainty_stays_without():
    value, cov = propagate(lambda v: np.array([v[0] * v[1], v[1]]), [2.0, 3.0], np.diag([0.01, 0.0]))
    assert value == pytest.approx([6.0, 3.0])
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.3, 0.0])
