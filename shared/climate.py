"""Moist air: vapour pressure, dew point and absolute humidity from temperature and relative humidity.

Magnus formula over water with the constants of WMO-No. 8, Annex 4.B: e_w = 6.112 exp(17.62 t / (243.12 + t)) hPa, t
in deg C, for -45 to 60 deg C. Within 0.35 % of the ASHRAE Handbook's table between 5 and 40 deg C, far less than a room
hygrometer's error. Absolute humidity is the ideal-gas density of the vapour, 216.679 e / T g/m3 with e in hPa, T in K.

Every function takes numbers or arrays (broadcast together) and returns the like; a missing value (NaN) stays missing.
"""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.errors import SettingsError

_E0_HPA, _A, _B_C = 6.112, 17.62, 243.12
_VAPOUR_GK_PER_M3_HPA = 216.679  # 1e5 / R_v, R_v = 461.51 J/(kg K)
_ZERO_C_IN_K = 273.15
T_RANGE_C = (-45.0, 60.0)  # where the formula holds

Values = NDArray[np.float64]


def _checked(t_c: ArrayLike, rh_pct: ArrayLike) -> tuple[Values, Values]:
    t = np.asarray(t_c, dtype=float)
    rh = np.asarray(rh_pct, dtype=float)
    bad_t = (t < T_RANGE_C[0]) | (t > T_RANGE_C[1])
    bad_rh = (rh <= 0) | (rh > 100)
    if np.any(bad_t):
        worst = float(t[bad_t].flat[0])
        raise SettingsError(
            f"temperature {worst:g} °C is outside {T_RANGE_C[0]:g} to {T_RANGE_C[1]:g} °C: write it in degrees Celsius."
        )
    if np.any(bad_rh):
        worst = float(rh[bad_rh].flat[0])
        raise SettingsError(f"humidity {worst:g} % is not above 0 and up to 100: write relative humidity in per cent.")
    return t, rh


def _like(value: Values) -> Values | float:
    return float(value) if np.ndim(value) == 0 else value


@overload
def saturation_pressure_hpa(t_c: float) -> float: ...
@overload
def saturation_pressure_hpa(t_c: ArrayLike) -> Values | float: ...
def saturation_pressure_hpa(t_c: ArrayLike) -> Values | float:
    """Vapour pressure of saturated air over water, hPa, at ``t_c`` deg C. Source: WMO-No. 8, Annex 4.B."""
    t, _ = _checked(t_c, 100.0)
    return _like(_E0_HPA * np.exp(_A * t / (_B_C + t)))


@overload
def vapour_pressure_hpa(t_c: float, rh_pct: float) -> float: ...
@overload
def vapour_pressure_hpa(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float: ...
def vapour_pressure_hpa(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float:
    """Partial pressure of water vapour, hPa. Raises SettingsError on values that cannot be a room's."""
    t, rh = _checked(t_c, rh_pct)
    return _like(rh / 100 * _E0_HPA * np.exp(_A * t / (_B_C + t)))


@overload
def dew_point_c(t_c: float, rh_pct: float) -> float: ...
@overload
def dew_point_c(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float: ...
def dew_point_c(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float:
    """Temperature at which this air would be saturated, deg C: the Magnus formula solved for t."""
    t, rh = _checked(t_c, rh_pct)
    log_ratio = np.log(rh / 100) + _A * t / (_B_C + t)
    return _like(_B_C * log_ratio / (_A - log_ratio))


@overload
def absolute_humidity_gm3(t_c: float, rh_pct: float) -> float: ...
@overload
def absolute_humidity_gm3(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float: ...
def absolute_humidity_gm3(t_c: ArrayLike, rh_pct: ArrayLike) -> Values | float:
    """Grams of water vapour in a cubic metre of this air."""
    t, rh = _checked(t_c, rh_pct)
    e_hpa = rh / 100 * _E0_HPA * np.exp(_A * t / (_B_C + t))
    return _like(_VAPOUR_GK_PER_M3_HPA * e_hpa / (t + _ZERO_C_IN_K))


@overload
def humidity_at_pct(t_c: float, rh_pct: float, other_c: float) -> float: ...
@overload
def humidity_at_pct(t_c: ArrayLike, rh_pct: ArrayLike, other_c: ArrayLike) -> Values | float: ...
def humidity_at_pct(t_c: ArrayLike, rh_pct: ArrayLike, other_c: ArrayLike) -> Values | float:
    """Relative humidity, %, of the same vapour at another temperature: why a heated slate dries the cloth.

    Above 100 where the surface would be wet.
    """
    t, rh = _checked(t_c, rh_pct)
    other, _ = _checked(other_c, 100.0)
    here, there = _A * t / (_B_C + t), _A * other / (_B_C + other)
    return _like(rh * np.exp(here - there))
