"""Momentum theory and glide figures: limits, scaling and calibration. Published values: tests/reference/rotor.csv."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import power as handbook_power
from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.aircraft import power

masses = st.floats(0.05, 20.0)
densities = st.floats(0.7, 1.4)
speeds = st.floats(0.0, 25.0)
diameters = st.floats(0.04, 0.7)


def weight_of(mass: float) -> float:
    return mass * STANDARD_GRAVITY


@given(st.floats(0.5, 15.0), speeds, st.floats(0.0, 80.0), st.floats(0.0, 10.0))
def test_induced_velocity_solves_its_equation(vh: float, v: float, tilt: float, climb: float) -> None:
    vi = float(power.induced_velocity(vh, v, tilt, climb))
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
        assert float(power.induced_velocity(4.5, v, tilt)) == pytest.approx(expected, rel=1e-10)


@given(st.floats(0.0, 50.0))
def test_level_discs_give_the_closed_form(ratio: float) -> None:
    assert float(power.induced_velocity(1.0, ratio)) == pytest.approx(
        float(handbook_power.induced_velocity_ratio(ratio)), rel=1e-9
    )


@given(masses, diameters, densities, densities, st.floats(1.05, 3.0))
def test_hover_power_scales_with_density_mass_and_area(
    mass: float, diameter: float, rho: float, other: float, factor: float
) -> None:
    area = power.disc_area(diameter, 4)

    def hover(mass: float, area: float, rho: float) -> float:
        return float(power.flight_power(weight_of(mass), area, 0.02, 0.0, rho, drive_efficiency=0.6))

    base = hover(mass, area, rho)
    assert hover(mass, area, other) == pytest.approx(base * np.sqrt(rho / other), rel=1e-9)
    assert hover(mass * factor, area, rho) == pytest.approx(base * factor**1.5, rel=1e-9)
    assert hover(mass, area * factor, rho) == pytest.approx(base / np.sqrt(factor), rel=1e-9)


@given(masses, diameters, densities, st.floats(0.0, 3.0))
def test_hover_and_climb_are_those_of_momentum_theory(mass: float, diameter: float, rho: float, c: float) -> None:
    weight, area = weight_of(mass), power.disc_area(diameter, 4)
    vh = float(power.hover_induced_velocity(weight, area, rho))
    hover = float(power.flight_power(weight, area, 0.02, 0.0, rho, drive_efficiency=0.7))
    assert hover == pytest.approx(weight * vh / (power.FIGURE_OF_MERIT * 0.7), rel=1e-9)
    climbing = float(power.flight_power(weight, area, 0.02, 0.0, rho, drive_efficiency=1.0, climb_speed=c * vh))
    # Climb adds what an ideal rotor would need; only the induced part is dearer by its factor.
    induced = float(power.induced_velocity(vh, 0.0, 0.0, c * vh))
    losses = (power.INDUCED_FACTOR - 1) * weight * induced + (
        1 / power.FIGURE_OF_MERIT - power.INDUCED_FACTOR
    ) * weight * vh
    assert climbing - losses == pytest.approx(weight * vh * float(handbook_power.climb_power_ratio(c)), rel=1e-9)


@given(masses, diameters, densities, speeds, st.floats(0.1, 8.0))
def test_power_balance(mass: float, diameter: float, rho: float, v: float, climb: float) -> None:
    """Power is never less than the work on drag and climb and the ideal induced power together."""
    weight, area = weight_of(mass), power.disc_area(diameter, 4)
    thrust, drag, tilt = power.level_flight_thrust(weight, 0.02, v, rho)
    assert float(thrust) == pytest.approx(float(np.hypot(weight, drag)))
    vi = power.induced_velocity(power.hover_induced_velocity(thrust, area, rho), v, tilt, climb)
    least = float(drag * v + weight * climb + thrust * vi)
    assert float(power.flight_power(weight, area, 0.02, v, rho, drive_efficiency=1.0, climb_speed=climb)) > least


def test_descent_takes_as_much_as_level_flight() -> None:
    level = power.flight_power(8.8, 0.18, 0.02, 5.0, 1.2, drive_efficiency=0.6)
    assert power.flight_power(8.8, 0.18, 0.02, 5.0, 1.2, drive_efficiency=0.6, climb_speed=-3.0) == level


@given(masses, diameters, st.floats(10.0, 60.0), st.floats(5.0, 35.0), densities)
def test_calibration_gives_back_what_it_was_fitted_to(
    mass: float, diameter: float, tilt: float, top: float, rho: float
) -> None:
    weight, area = weight_of(mass), power.disc_area(diameter, 4)
    electric = 3.0 * float(power.hover_ideal_power(weight, area, rho))
    efficiency = power.drive_efficiency_from_hover(electric, weight, area, rho)
    drag_area = power.drag_area_from_top_speed(top, weight, tilt, rho)
    hover = power.flight_power(weight, area, drag_area, 0.0, rho, drive_efficiency=efficiency)
    assert float(hover) == pytest.approx(electric, rel=1e-9)
    assert float(power.top_speed(weight, drag_area, tilt, rho)) == pytest.approx(top, rel=1e-9)


def test_thrust_bounds_the_top_speed() -> None:
    free = float(power.top_speed(8.8, 0.02, 35.0, 1.2))
    assert float(power.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=2.0)) == free
    assert 0 < float(power.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=1.1)) < free
    assert float(power.top_speed(8.8, 0.02, 35.0, 1.2, largest_thrust_to_weight=0.9)) == 0.0


@given(st.floats(0.0, 12.0))
def test_the_best_speed_rises_with_the_headwind(headwind: float) -> None:
    def drives(v: np.ndarray) -> np.ndarray:
        return power.flight_power(8.8, 0.18, 0.025, v, 1.225, drive_efficiency=0.6)

    calm = handbook_power.best_range_speed(drives, 20.0)
    against = handbook_power.best_range_speed(drives, 20.0, headwind=headwind)
    assert against >= calm - 1e-3
    assert handbook_power.best_endurance_speed(drives, 20.0) < calm
    fine = np.linspace(headwind + 0.05, 20.0, 4000)
    energy = drives(fine) / (fine - headwind)
    assert float(drives(np.array(against)) / (against - headwind)) <= energy.min() * (1 + 1e-6)
    assert np.isnan(handbook_power.best_range_speed(drives, 20.0, headwind=20.0))


def test_nothing_known_stays_nothing_known() -> None:
    assert np.isnan(power.flight_power(8.8, 0.18, 0.02, np.nan, 1.2, drive_efficiency=0.6))
    assert np.isnan(power.flight_power(8.8, 0.18, 0.02, 5.0, np.nan, drive_efficiency=0.6))
    assert np.isnan(power.top_speed(8.8, 0.02, 35.0, np.nan))


POLAR = {"glide_ratio": 8.0, "best_glide_speed": 12.0}


@given(st.floats(3.0, 50.0), st.floats(7.0, 30.0), st.floats(0.8, 1.4))
def test_drag_is_least_at_the_best_glide_speed(weight: float, v: float, rho: float) -> None:
    best = 12.0 * np.sqrt(1.225 / rho)
    least = weight / 8.0
    assert float(power.glide_drag(weight, best, rho, **POLAR)) == pytest.approx(least)
    assert float(power.glide_drag(weight, v, rho, **POLAR)) >= least * (1 - 1e-12)


@given(st.floats(7.0, 30.0), st.floats(0.8, 1.4))
def test_thin_air_takes_the_same_drag_faster(v: float, rho: float) -> None:
    faster = v * np.sqrt(1.225 / rho)
    assert float(power.glide_drag(15.0, faster, rho, **POLAR)) == pytest.approx(
        float(power.glide_drag(15.0, v, 1.225, **POLAR))
    )


@given(st.floats(20.0, 200.0), st.floats(8.0, 20.0))
def test_calibration_gives_back_the_cruise_power(electric: float, v: float) -> None:
    efficiency = power.drive_efficiency_from_cruise(electric, 15.0, v, **POLAR)
    assert float(power.cruise_power(15.0, v, 1.225, drive_efficiency=efficiency, **POLAR)) == pytest.approx(electric)


def test_climb_adds_the_work_of_lifting() -> None:
    level = power.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, **POLAR)
    climbing = power.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, climb_speed=3.0, **POLAR)
    assert float(climbing - level) == pytest.approx(15.0 * 3.0 / 0.5)
    assert float(power.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, climb_speed=-3.0, **POLAR)) == level


def test_least_power_is_slower_than_best_glide() -> None:
    v = np.linspace(6.0, 20.0, 2001)
    electric = power.cruise_power(15.0, v, 1.225, drive_efficiency=0.5, **POLAR)
    # Of a parabolic polar the airspeed of least power is the best glide's over the fourth root of 3.
    assert v[np.argmin(electric)] == pytest.approx(12.0 / 3**0.25, abs=0.01)
