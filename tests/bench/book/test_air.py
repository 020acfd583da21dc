"""The air, against the published tables of the standard atmosphere and a worked example."""

from __future__ import annotations

import pytest

from bench.book.air import density, density_altitude, standard_pressure, vapour_pressure

# ICAO Doc 7488 (Manual of the ICAO Standard Atmosphere, 3rd edition 1993) = ISO 2533:1975, table of
# geopotential altitude: m, degrees C, hPa, kg/m3; from memory, and checked by these against each other.
STANDARD = [
    (0, 15.0, 1013.25, 1.22500),
    (1000, 8.5, 898.746, 1.11164),
    (2000, 2.0, 794.952, 1.00649),
    (3000, -4.5, 701.085, 0.909122),
    (5000, -17.5, 540.199, 0.736116),
]


@pytest.mark.parametrize(("altitude", "temperature", "hpa", "kg_m3"), STANDARD)
def test_the_standard_atmosphere_is_that_of_the_tables(
    altitude: float, temperature: float, hpa: float, kg_m3: float
) -> None:
    assert standard_pressure(altitude) / 100 == pytest.approx(hpa, rel=2e-5)
    assert density(temperature, 100 * hpa) == pytest.approx(kg_m3, rel=2e-5)
    assert density_altitude(kg_m3) == pytest.approx(altitude, abs=0.5)


def test_moist_air_is_as_in_a_worked_example() -> None:
    """PsychroLib (D. Meyer and D. Thevenard; Journal of Open Source Software, 2019, from memory), its test
    test_MoistAir, worked in a spreadsheet after ASHRAE Handbook - Fundamentals (2017), chapter 1, equation
    11: 30 degrees, 0.02 kg of water for each kg of dry air, 95 461 Pa: 1.08411986 kg/m3; it allows 0.03 %."""
    vapour = 0.02 * 95_461 / (0.621945 + 0.02)  # the same chapter, equation 20
    humidity = vapour / vapour_pressure(30)
    assert density(30, 95_461, humidity) == pytest.approx(1.08411986, rel=3e-4)


@pytest.mark.parametrize(
    # Saturation pressure over water in Pa: A. Wexler, Journal of Research of the NBS 80A (1976) 775, table;
    # from memory
    ("temperature", "pascal"),
    [(0, 611.2), (10, 1228.1), (20, 2338.8), (30, 4245.5), (40, 7381.4)],
)
def test_vapour_pressure_is_within_half_a_percent(temperature: float, pascal: float) -> None:
    assert vapour_pressure(temperature) == pytest.approx(pascal, rel=5e-3)


def test_warm_and_moist_air_is_thin() -> None:
    dry, moist = density(30, 101_325), density(30, 101_325, 0.8)
    assert moist < dry < density(15, 101_325)
    assert density_altitude(moist) > density_altitude(dry) > 0
