"""Momentum theory: limits, scaling and calibration. Published values: tests/reference/rotor.csv."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import rotor as handbook_rotor
from wxfly.physics.aircraft import rotor
from wxfly.physics.constants import STANDARD_GRAVITY

masses = st.floats(0.05, 20.0)
densities = st.floats(0.7, 1.4)
speeds = st.floats(0.0, 25.0)
diameters = st.floats(0.04, 0.7)


def weight_of(mass: float) -> float:
    return mass * STANDARD_GRAVITY


@given(st.floats(0.5, 15.0), speeds, st.floats(0.0, 80.0), st.floats(0.0, 10.0))
def test_induced_velocity_solves_its_equation(vh: float, v: float, tilt: float, climb: float) -> None:
    vi = float(rotor.induced_velocity(vh, v, tilt, climb))
    angle = np.deg2rad(tilt)
    in_plane = v * np.cos(angle) - climb * np.sin(angle)
    through = v * np.sin(angle) + climb * np.cos(angle) + vi
    assert vi == pytest.approx(vh**2 / np.hypot(in_plane, through), rel=1e-9)
    assert 0 < vi <= vh * (1 + 1e-12)


def test_induced_velocity_agrees_with_a_root_finder() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    for v, tilt in ((3.0, 10.0), (8.0, 25.0), (15.0, 40.0), (30.0, 70.0)):
        angle = np.deg2rad(tilt)

        def excess(vi: float, v: float = v, angle: float = angle) -> float:
            return vi - 4.5**2 / np.hypot(v * np.cos(angle), v * np.sin(angle) + vi)

        expected = optimize.brentq(excess, 0.0, 4.5)
        assert float(rotor.induced_velocity(4.5, v, tilt)) == pytest.approx(expected, rel=1e-10)


@given(st.floats(0.0, 50.0))
def test_level_discs_give_the_closed_form(ratio: float) -> None:
    assert float(rotor.induced_velocity(1.0, ratio)) == pytest.approx(
        float(handbook_rotor.induced_velocity_ratio(ratio)), rel=1e-9
    )


@given(masses, diameters, densities, densities, st.floats(1.05, 3.0))
def test_hover_power_scales_with_density_mass_and_area(
    mass: float, diameter: float, rho: float, other: float, factor: float
) -> None:
    area = rotor.disc_area(diameter, 4)

    def power(mass: float, area: float, rho: float) -> float:
        return float(rotor.flight_power(weight_of(mass), area, 0.02, 0.0, rho, drive_efficiency=0.6))

    base = power(mass, area, rho)
    assert power(mass, area, other) == pytest.approx(base * np.sqrt(rho / other), rel=1e-9)
    assert power(mass * factor, area, rho) == pytest.approx(base * factor**1.5, rel=1e-9)
    assert power(mass, area * factor, rho) == pytest.approx(base / np.sqrt(factor), rel=1e-9)


@given(masses, diameters, densities, st.floats(0.0, 3.0))
def test_hover_and_climb_are_those_of_momentum_theory(mass: float, diameter: float, rho: float, c: float) -> None:
    weight, area = weight_of(mass), rotor.disc_area(diameter, 4)
    vh = float(rotor.hover_induced_velocity(weight, area, rho))
    hover = float(rotor.flight_power(weight, area, 0.02, 0.0, rho, drive_efficiency=0.7))
    assert hover == pytest.approx(weight * vh / (rotor.FIGURE_OF_MERIT * 0.7), rel=1e-9)
    climbing = float(rotor.flight_power(weight, area, 0.02, 0.0, rho, drive_efficiency=1.0, climb_speed=c * vh))
    # Climb adds what an ideal rotor would need; only the induced part is dearer by its factor.
    induced = float(rotor.induced_velocity(vh, 0.0, 0.0, c * vh))
    losses = (rotor.INDUCED_FACTOR - 1) * weight * induced + (
        1 / rotor.FIGURE_OF_MERIT - rotor.INDUCED_FACTOR
    ) * weight * vh
    assert climbing - losses == pytest.approx(weight * vh * float(handbook_rotor.climb_power_ratio(c)), rel=1e-9)


@given(masses, diameters, densities, speeds, st.floats(0.1, 8.0))
def test_power_balance(mass: float, diameter: float, rho: float, v: float, climb: float) -> None:
    """Power is never less than the work on drag and climb and the ideal induced power together."""
    weight, area = weight_of(mass), rotor.disc_area(diameter, 4)
    thrust, drag, tilt = rotor.level_flight_thrust(weight, 0.02, v, rho)
    assert float(thrust) == pytest.approx(float(np.hypot(weight, drag)))
    vi = rotor.induced_velocity(rotor.hover_induced_velocity(thrust, area, rho), v, tilt, climb)
    least = float(drag * v + weight * climb + thrust * vi)
    assert float(rotor.flight_power(weight, area, 0.02, v, rho, drive_efficiency=1.0, climb_speed=climb)) > least


def test_descent_takes_as_much_as_level_flight() -> None:
    level = rotor.flight_power(8.8, 0.18, 0.02, 5.0, 1.2, drive_efficiency=0.6)
    assert rotor.flight_power(8.8, 0.18, 0.02, 5.0, 1.2, drive_efficiency=0.6, climb_speed=-3.0) == level


@given(masses, diameters, st.floats(10.0, 60.0), st.floats(5.0, 35.0), densities)
def test_calibration_gives_back_what_it_was_fitted_to(
    mass: float, diameter: float, tilt: float, top: float, rho: float
) -> None:
    weight, area = weight_of(mass), rotor.disc_area(diameter, 4)
    power = 3.0 * float(rotor.hover_ideal_power(weight, area, rho))
    efficiency = rotor.drive_efficiency_from_hover(power, weight, area, rho)
    drag_area = rotor.drag_area_from_top_speed(top, weight, tilt, rho)
    hover = rotor.flight_power(weight, area, drag_area, 0.0, rho, drive_efficiency=efficiency)
    assert float(hover) == pytest.approx(power, rel=1e-9)
    assert float(rotor.top_speed(weight, drag_area, tilt, rho)) == pytest.approx(top, rel=1e-9)


def test_thrust_bounds_the_top_speed() -> None:
    free = float(rotor.top_speed(8.8, 0.02, 35.0, 1.2))
    assert float(rotor.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=2.0)) == free
    assert 0 < float(rotor.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=1.1)) < free
    assert float(rotor.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=0.9)) == 0.0


@given(st.floats(0.0, 12.0))
def test_the_best_speed_rises_with_the_headwind(headwind: float) -> None:
    def power(v: np.ndarray) -> np.ndarray:
        return rotor.flight_power(8.8, 0.18, 0.025, v, 1.225, drive_efficiency=0.6)

    calm = handbook_rotor.best_range_speed(power, 20.0)
    against = handbook_rotor.best_range_speed(power, 20.0, headwind=headwind)
    assert against >= calm - 1e-3
    assert handbook_rotor.best_endurance_speed(power, 20.0) < calm
    fine = np.linspace(headwind + 0.05, 20.0, 4000)
    energy = power(fine) / (fine - headwind)
    assert float(power(np.array(against)) / (against - headwind)) <= energy.min() * (1 + 1e-6)
    assert np.isnan(handbook_rotor.best_range_speed(power, 20.0, headwind=20.0))


def test_nothing_known_stays_nothing_known() -> None:
    assert np.isnan(rotor.flight_power(8.8, 0.18, 0.02, np.nan, 1.2, drive_efficiency=0.6))
    assert np.isnan(rotor.flight_power(8.8, 0.18, 0.02, 5.0, np.nan, drive_efficiency=0.6))
    assert np.isnan(rotor.top_speed(8.8, 0.02, 35.0, np.nan))
