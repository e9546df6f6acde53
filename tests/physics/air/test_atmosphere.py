"""Air: laws that must hold at every value; published values are in test_reference_values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import atmosphere as handbook_atmosphere
from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.air import atmosphere

C = 273.15
temperatures = st.floats(225, 323)
humidities = st.floats(0.02, 1.0)
pressures = st.floats(50_000, 108_000)


@given(temperatures, humidities)
def test_dew_point_and_humidity_are_inverse(t: float, rh: float) -> None:
    dew_point = handbook_atmosphere.dew_point_from_relative_humidity(t, rh)
    assert float(dew_point) <= t + 1e-6
    assert float(atmosphere.relative_humidity_from_dew_point(t, dew_point)) == pytest.approx(rh, rel=1e-9)


@given(temperatures, humidities, pressures)
def test_moist_air_is_lighter(t: float, rh: float, p: float) -> None:
    e = rh * atmosphere.saturation_vapour_pressure(t)
    assert handbook_atmosphere.virtual_temperature(t, e, p) >= t
    assert atmosphere.air_density(t, e, p) <= atmosphere.air_density(t, 0.0, p)


@given(temperatures, humidities, pressures)
def test_wet_bulb_lies_between_dew_point_and_temperature(t: float, rh: float, p: float) -> None:
    wet = float(handbook_atmosphere.wet_bulb_temperature(t, rh, p))
    assert float(handbook_atmosphere.dew_point_from_relative_humidity(t, rh)) - 0.01 <= wet <= t + 1e-3


def test_wet_bulb_of_saturated_air_is_its_temperature() -> None:
    assert float(handbook_atmosphere.wet_bulb_temperature(C + 10, 1.0, 101325)) == pytest.approx(C + 10, abs=1e-3)


@given(st.floats(-2000, 10_900))
def test_altitudes_are_inverse(altitude: float) -> None:
    p = handbook_atmosphere.pressure_at_pressure_altitude(altitude)
    assert float(atmosphere.pressure_altitude(p)) == pytest.approx(altitude, abs=1e-4)
    rho = atmosphere.density_at_density_altitude(altitude)
    assert float(atmosphere.density_altitude(rho)) == pytest.approx(altitude, abs=1e-4)
    # In the standard atmosphere the two altitudes are one.
    t = atmosphere.STANDARD_TEMPERATURE - atmosphere.STANDARD_LAPSE_RATE * altitude
    assert float(atmosphere.density_altitude(atmosphere.air_density(t, 0.0, p))) == pytest.approx(altitude, abs=0.2)


@given(pressures, temperatures, st.floats(0, 500))
def test_pressure_falls_with_height_as_its_weight_says(p: float, t: float, z: float) -> None:
    provided = float(atmosphere.pressure_at_height(p, t, z))
    assert provided <= p
    density = float(atmosphere.air_density(t - 0.00325 * z, 0.0, (p + provided) / 2))
    assert p - provided == pytest.approx(density * STANDARD_GRAVITY * z, rel=2e-3, abs=0.5)
    isothermal = float(atmosphere.pressure_at_height(p, t, z, lapse_rate=0.0))
    assert isothermal == pytest.approx(provided, rel=1e-3)


@given(st.floats(90_000, 105_000), temperatures, st.floats(-100, 3000))
def test_sea_level_pressure_is_undone(at_sea_level: float, t: float, altitude: float) -> None:
    p = atmosphere.surface_pressure_from_sea_level(at_sea_level, t, altitude)
    warm = t + atmosphere.STANDARD_LAPSE_RATE * altitude
    assert float(atmosphere.pressure_at_height(at_sea_level, warm, altitude)) == pytest.approx(float(p))


def test_sea_level_pressure_for_station_pressure_would_be_a_fifth_wrong() -> None:
    """At 1500 m, as handbooks warn: density from pressure reduced to sea level is 20 % too high."""
    right = atmosphere.surface_pressure_from_sea_level(101_325.0, C + 5.25, 1500.0)
    assert 101_325.0 / float(right) == pytest.approx(1.20, abs=0.01)


class TestTemperatureAtHeight:
    levels = np.array([80.0, 120.0, 180.0])

    def test_between_levels(self) -> None:
        aloft = np.array([284.0, 283.0, 280.0])
        found = [float(atmosphere.temperature_at_height(286.0, aloft, self.levels, z)) for z in (2, 41, 80, 100, 150)]
        assert found == pytest.approx([286.0, 285.0, 284.0, 283.5, 281.5])

    def test_above_the_top_by_the_lapse_rate(self) -> None:
        aloft = np.array([284.0, 283.0, 280.0])
        assert float(atmosphere.temperature_at_height(286.0, aloft, self.levels, 280)) == pytest.approx(279.35)

    def test_without_levels(self) -> None:
        empty = np.empty((4, 0))
        found = atmosphere.temperature_at_height(np.full(4, 286.0), empty, [], 102)
        assert found == pytest.approx(np.full(4, 285.35))

    def test_an_inversion_is_kept(self) -> None:
        aloft = np.array([[278.0, 279.0, 279.0]])
        assert float(atmosphere.temperature_at_height(np.array([272.0]), aloft, self.levels, 80.0)[0]) == 278.0

    @pytest.mark.parametrize(
        ("missing", "wanted", "known"),
        [(0, 100, False), (1, 100, False), (2, 100, True), (0, 50, False), (1, 50, True), (0, 120, True),
         (1, 120, False), (2, 300, False), (1, 300, True)],
    )  # fmt: skip
    def test_a_missing_level_that_is_needed_is_not_known(self, missing: int, wanted: float, known: bool) -> None:
        aloft = np.array([284.0, 283.0, 280.0])
        aloft[missing] = np.nan
        found = float(atmosphere.temperature_at_height(286.0, aloft, self.levels, wanted))
        assert np.isnan(found) != known

    def test_a_height_for_each_hour(self) -> None:
        aloft = np.tile([284.0, 283.0, 280.0], (3, 1))
        found = atmosphere.temperature_at_height(np.full(3, 286.0), aloft, self.levels, [80.0, 100.0, np.nan])
        assert found[:2] == pytest.approx([284.0, 283.5])
        assert np.isnan(found[2])

    def test_dimensions(self) -> None:
        aloft = np.full((2, 5, 3), 280.0)
        assert atmosphere.temperature_at_height(np.full((2, 5), 280.0), aloft, self.levels, 100.0).shape == (2, 5)


@given(st.floats(0.5, 1.3), st.floats(0, 6000))
def test_thrust_in_hand_agrees_with_density_altitude(density: float, highest: float) -> None:
    in_hand = float(atmosphere.spare_thrust(density, highest))
    altitude = float(atmosphere.density_altitude(density))
    if abs(altitude - highest) > 0.01:
        assert (in_hand > 0) == (altitude < highest)


def test_unknown_in_unknown_out() -> None:
    n = np.nan
    for value in (
        atmosphere.saturation_vapour_pressure(n), atmosphere.air_density(n, 900.0, 1e5),
        atmosphere.air_density(290.0, n, 1e5), atmosphere.pressure_at_height(1e5, n, 100.0),
        atmosphere.surface_pressure_from_sea_level(1e5, 288.0, n), atmosphere.density_altitude(n),
        handbook_atmosphere.wet_bulb_temperature(280.0, n, 1e5),
        handbook_atmosphere.dew_point_from_relative_humidity(280.0, n),
        handbook_atmosphere.dew_point_from_relative_humidity(280.0, 0.0),
    ):  # fmt: skip
        assert np.isnan(value)
