"""Packs in the cold, under load and with age. Published values: tests/reference/rotor.csv."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import battery as handbook_battery
from wxfly.physics.aircraft import battery

C = 273.15
temperatures = st.floats(-19.0, 45.0).map(lambda t: t + C)


@given(st.floats(1.0, 500.0), st.floats(3.0, 50.0), st.floats(1e-3, 1.0))
def test_current_times_loaded_voltage_is_the_power(power: float, voltage: float, ohm: float) -> None:
    current = float(handbook_battery.discharge_current(power, voltage, ohm))
    loaded = float(handbook_battery.loaded_voltage(power, voltage, ohm))
    if power > float(handbook_battery.highest_power(voltage, ohm)) * (1 + 1e-9):
        assert np.isinf(current)
        assert loaded == 0.0
    elif power < float(handbook_battery.highest_power(voltage, ohm)) * (1 - 1e-9):
        assert current * loaded == pytest.approx(power, rel=1e-6)
        assert voltage / 2 * (1 - 1e-6) <= loaded <= voltage


@given(temperatures, temperatures)
def test_colder_never_gives_more(one: float, other: float) -> None:
    cold, warm = min(one, other), max(one, other)
    assert battery.capacity_fraction(cold) <= battery.capacity_fraction(warm)
    assert battery.resistance(0.04, cold) >= battery.resistance(0.04, warm)
    assert battery.usable_energy(1.0, cold, cold) <= battery.usable_energy(1.0, warm, cold) + 1e-12
    power = 60.0, 19 * 3600.0, 0.4
    assert handbook_battery.loaded_cell_voltage(*power, cold) <= handbook_battery.loaded_cell_voltage(*power, warm)


@given(st.floats(0.0, 600.0), st.floats(0.0, 600.0))
def test_age_never_gives_more(one: float, other: float) -> None:
    new, old = min(one, other), max(one, other)
    assert battery.aged_capacity(old) <= battery.aged_capacity(new) <= 1.0
    assert battery.aged_resistance(old) >= battery.aged_resistance(new) >= 1.0
    assert battery.usable_energy(1.0, 290.0, 290.0, cycles=old) <= battery.usable_energy(1.0, 290.0, 290.0, cycles=new)


@given(st.floats(0.15, 1.0), temperatures, st.floats(0.0, 300.0), st.floats(0.003, 0.06))
def test_the_power_at_the_cut_off_pulls_just_that_far(charge: float, t: float, cycles: float, rc: float) -> None:
    further = {"resistance_capacity": rc, "cycles": cycles}
    power = battery.power_at_cut_off(19 * 3600.0, charge, t, **further)
    voltage = handbook_battery.loaded_cell_voltage(power, 19 * 3600.0, charge, t, **further)
    assert float(voltage) == pytest.approx(battery.CUT_OFF_VOLTAGE, rel=1e-6)


def test_cold_is_a_cliff_under_load_and_a_slope_without() -> None:
    """The same pull that a pack bears at 20 degC trips the cut-off at -10 degC, while its energy falls slowly."""
    pull = 95.0, 19 * 3600.0, 0.3
    assert handbook_battery.loaded_cell_voltage(*pull, 20 + C) > battery.CUT_OFF_VOLTAGE
    assert handbook_battery.loaded_cell_voltage(*pull, -10 + C) < battery.CUT_OFF_VOLTAGE
    assert battery.usable_energy(1.0, -10 + C, -10 + C) > 0.75


def test_a_share_of_the_load_on_every_cell() -> None:
    """A pack of n cells of R ohm under P is a cell of its capacity under P / n."""
    cells, capacity, ohm, power = 4, 5.0, 0.0088, 300.0
    energy = cells * battery.NOMINAL_VOLTAGE * capacity * 3600
    expected = handbook_battery.loaded_voltage(power / cells, battery.resting_voltage(0.5), ohm)
    got = handbook_battery.loaded_cell_voltage(power, energy, 0.5, 298.15, resistance_capacity=ohm * capacity)
    assert float(got) == pytest.approx(float(expected), rel=1e-9)


def test_outside_what_is_known_nothing_is_known() -> None:
    assert np.isnan(battery.capacity_fraction(-25 + C))
    assert np.isnan(battery.capacity_fraction(65 + C))
    assert np.isnan(battery.usable_energy(1.0, np.nan, 290.0))
    assert np.isnan(handbook_battery.loaded_cell_voltage(np.nan, 1e5, 0.5, 290.0))
    assert np.isnan(handbook_battery.loaded_cell_voltage(10.0, 1e5, np.nan, 290.0))
