"""The density of moist air, and the altitude at which the standard atmosphere has it.

The standard atmosphere up to 11 km: ICAO, Manual of the ICAO Standard Atmosphere, Doc 7488, 3rd edition 1993
(the same as ISO 2533:1975): 288.15 K and 101 325 Pa at sea level, 6.5 K less each geopotential kilometre.
Moist air: two ideal gases, as ASHRAE Handbook - Fundamentals (2017), chapter 1, has it. Vapour pressure over
water, from memory: Alduchov and Eskridge, "Improved Magnus form approximation of saturation vapor pressure",
Journal of Applied Meteorology 35 (1996), equation 21: within 0.4 % from -40 to 50 degrees.
"""

from __future__ import annotations

import math

_T0, _P0, _LAPSE = 288.15, 101_325.0, 0.0065
_G, _DRY, _VAPOUR = 9.80665, 287.05287, 461.52  # m/s2, J/(kg K)
_RHO0 = _P0 / (_DRY * _T0)


def standard_pressure(altitude_m: float) -> float:
    """Pressure of the standard atmosphere in Pa at a geopotential altitude up to 11 km."""
    return float(_P0 * (1 - _LAPSE * altitude_m / _T0) ** (_G / (_DRY * _LAPSE)))


def vapour_pressure(temperature_c: float) -> float:
    """Pressure of saturated vapour over water in Pa."""
    return 610.94 * math.exp(17.625 * temperature_c / (243.04 + temperature_c))


def density(temperature_c: float, pressure_pa: float, humidity: float = 0.0) -> float:
    """Density of moist air in kg/m3; `humidity` is relative, 0 to 1."""
    vapour = humidity * vapour_pressure(temperature_c)
    return ((pressure_pa - vapour) / _DRY + vapour / _VAPOUR) / (temperature_c + 273.15)


def density_altitude(density_kg_m3: float) -> float:
    """The altitude in m at which the standard atmosphere has this density."""
    exponent = _G / (_DRY * _LAPSE) - 1
    return _T0 / _LAPSE * (1 - float((density_kg_m3 / _RHO0) ** (1 / exponent)))
