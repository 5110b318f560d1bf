"""Moist air against published tables and an independent library."""

from __future__ import annotations

import sys
from unittest import mock

import numpy as np
import pytest

from shared.climate import (
    absolute_humidity_gm3,
    dew_point_c,
    humidity_at_pct,
    saturation_pressure_hpa,
    vapour_pressure_hpa,
)
from shared.errors import SettingsError

with mock.patch.dict(sys.modules, numba=None):  # with it, psychrolib compiles for seconds what takes none
    import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

# ASHRAE Handbook Fundamentals 2017, ch. 1 table 3 (as shipped in psychrolib's own SI tests), Pa
ASHRAE_PA = {5.0: 872.6, 25.0: 3169.7}


@pytest.mark.parametrize("t_c", ASHRAE_PA)
def test_saturation_pressure_is_the_handbooks_within_the_formulas_own_error(t_c):
    assert saturation_pressure_hpa(t_c) * 100 == pytest.approx(ASHRAE_PA[t_c], rel=0.0035)


# closed form of WMO-No. 8 Annex 4.B computed apart from this code with 20 digits
@pytest.mark.parametrize(
    ("t_c", "rh_pct", "dew_c", "gm3"),
    [
        (20, 50, 9.2552, 8.6206),
        (20, 30, 1.8819, 5.1723),
        (20, 65, 13.2174, 11.2068),
        (25, 60, 16.6931, 13.7793),
        (30, 70, 23.9272, 21.1826),
        (35, 40, 19.3838, 15.7869),
    ],
)
def test_dew_point_and_absolute_humidity(t_c, rh_pct, dew_c, gm3):
    assert dew_point_c(t_c, rh_pct) == pytest.approx(dew_c, abs=1e-4)
    assert absolute_humidity_gm3(t_c, rh_pct) == pytest.approx(gm3, abs=1e-4)


def test_magnus_values():
    got = saturation_pressure_hpa(np.array([5.0, 20.0, 40.0]))
    assert got == pytest.approx([8.71743, 23.32596, 73.67458], abs=1e-5)
    assert vapour_pressure_hpa(20.0, 50.0) == pytest.approx(11.66298, abs=1e-5)


def test_same_vapour_warmed_is_drier():
    assert humidity_at_pct(20.0, 50.0, 25.0) == pytest.approx(36.9075, abs=1e-4)
    assert humidity_at_pct(20.0, 50.0, 30.0) == pytest.approx(27.5478, abs=1e-4)


@pytest.mark.parametrize("t_c", [5.0, 15.0, 24.0, 35.0])
@pytest.mark.parametrize("rh_pct", [20.0, 45.0, 80.0])
def test_agrees_with_psychrolib(t_c, rh_pct):
    e_pa = psychrolib.GetVapPresFromRelHum(t_c, rh_pct / 100)
    assert vapour_pressure_hpa(t_c, rh_pct) * 100 == pytest.approx(e_pa, rel=0.0035)
    if psychrolib.GetTDewPointFromRelHum(t_c, rh_pct / 100) > 0:  # below, psychrolib means the frost point
        assert dew_point_c(t_c, rh_pct) == pytest.approx(psychrolib.GetTDewPointFromRelHum(t_c, rh_pct / 100), abs=0.06)


def test_dew_point_of_saturated_air_is_its_temperature_and_missing_stays_missing():
    assert dew_point_c(18.5, 100.0) == pytest.approx(18.5, abs=1e-9)
    out = dew_point_c(np.array([20.0, np.nan]), np.array([50.0, 50.0]))
    assert np.isnan(out[1])
    assert out[0] == pytest.approx(9.2552, abs=1e-4)


@pytest.mark.parametrize(
    ("t_c", "rh_pct", "word"), [(75.0, 40.0, "Celsius"), (20.0, 0.0, "per cent"), (20.0, 120.0, "per cent")]
)
def test_values_no_room_has_are_refused(t_c, rh_pct, word):
    with pytest.raises(SettingsError, match=word):
        dew_point_c(t_c, rh_pct)
