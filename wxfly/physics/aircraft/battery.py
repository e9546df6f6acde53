"""Lithium battery packs: what cold, load and age leave of them.

Cold takes a pack in two ways. Some of its energy stays out of reach, gradually. And its resistance grows, so that
the voltage under load falls, until the aircraft's controller cuts off: that comes like a cliff, in a strong pull
of a cold pack, however full it is. Both are given here; a plan needs both.

References
----------
[rcex] rcex.cz/?p=3589: resistance of a 2S 2200 mAh 23C lithium polymer pack measured at 0, 10 and 30 degC, with an
    Arrhenius fit; 20 milliohm a cell at 25 degC, which times the capacity is 0.044 ohm Ah.
[BU-502] Battery University BU-502: at -18 degC a battery gives about half of its capacity at 27 degC.
[PyBaMM] PyBaMM 26.10, single particle model with electrolyte, cell LG M50 (parameter set ORegan2022), 1 C with one
    lumped temperature: 0.944, 0.904 and 0.806 of the capacity at 25 degC from 10, 0 and -10 degC, and 0.02 from
    -20 degC. A simulation of an energy cell: packs for power stand cold better.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ZERO_CELSIUS = 273.15
REFERENCE_TEMPERATURE = 298.15

ACTIVATION_TEMPERATURE = 3131.0
"""Of the resistance's Arrhenius law [K], [rcex]."""
RESISTANCE_CAPACITY = 0.044
"""Resistance of a cell at 25 degC times its capacity [ohm Ah], [rcex]."""
CUT_OFF_VOLTAGE = 3.2
"""Of a cell under load, at which consumer controllers force a landing [V]; common practice, no source."""
NOMINAL_VOLTAGE = 3.7
"""Of a lithium polymer cell [V]."""
SELF_HEATING = 4.0
"""Warming of a cell over a flight, as far as it brings capacity back [K]. By landing it is some 15 K, but the
cold start weighs more: with 4 K the table below gives 0.91 and 0.80 from 0 and -10 degC, where [PyBaMM] has
0.904 and 0.806."""
CYCLE_LIFE = 300.0
"""Cycles after which a pack has four fifths of its capacity and twice its resistance; common practice, no source."""

# Share of the rated energy that a cell of a temperature gives down to its cut-off at a moderate rate. Common
# practice, no source; [BU-502] brackets the cold end.
_CELL_TEMPERATURES = np.array([-20.0, -10.0, 0.0, 10.0, 25.0]) + ZERO_CELSIUS
_CELL_SHARES = np.array([0.50, 0.75, 0.88, 0.95, 1.00])
HOTTEST = 60.0 + ZERO_CELSIUS
"""Above it a pack must not be used [K]; common practice, no source."""

# Voltage at rest of a lithium polymer cell by the share of charge left; common practice, no source.
_CHARGES = np.array([0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.00])
_VOLTAGES = np.array([3.27, 3.61, 3.69, 3.73, 3.77, 3.80, 3.84, 3.87, 3.95, 4.02, 4.11, 4.20])


def flight_cell_temperature(start_temperature: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the cell temperature that speaks for a whole flight.

    Parameters
    ----------
    start_temperature : array_like
        Of the cells before take-off [K]; the air's, where the pack lay in the cold.
    air_temperature : array_like
        At flight height [K]; broadcast.

    Returns
    -------
    ndarray
        [K]: the mean of the two, and `SELF_HEATING`.
    """
    return np.asarray((np.asarray(start_temperature, float) + np.asarray(air_temperature, float)) / 2) + SELF_HEATING


def capacity_fraction(cell_temperature: npt.ArrayLike) -> Array:
    """Return the share of a pack's rated energy that it gives at a cell temperature.

    Parameters
    ----------
    cell_temperature : array_like
        [K]

    Returns
    -------
    ndarray
        [1], at most 1. NaN below -20 degC, where cells may give next to nothing ([PyBaMM]), and above 60 degC.
    """
    t = np.asarray(cell_temperature, dtype=float)
    share = np.interp(t, _CELL_TEMPERATURES, _CELL_SHARES)
    inside = (t >= _CELL_TEMPERATURES[0] - 1e-9) & (t <= HOTTEST)
    return np.asarray(np.where(inside, share, np.nan))


def aged_capacity(cycles: npt.ArrayLike) -> Array:
    """Return the share of its new capacity that a pack has after a number of cycles: 0.8 at `CYCLE_LIFE` [1]."""
    return np.asarray(np.maximum(1.0 - 0.2 * np.asarray(cycles, dtype=float) / CYCLE_LIFE, 0.0))


def aged_resistance(cycles: npt.ArrayLike) -> Array:
    """Return the resistance of a pack over its resistance when new: 2 at `CYCLE_LIFE` [1]."""
    return np.asarray(1.0 + np.asarray(cycles, dtype=float) / CYCLE_LIFE)


def usable_energy(
    rated_energy: npt.ArrayLike,
    start_temperature: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    *,
    cycles: npt.ArrayLike = 0.0,
) -> Array:
    """Return the energy that a full pack gives in one flight, down to its cut-off.

    Parameters
    ----------
    rated_energy : array_like
        Printed on the pack [J].
    start_temperature, air_temperature : array_like
        As in `flight_cell_temperature` [K].
    cycles : array_like, optional
        How often it has been charged [1]; all broadcast.

    Returns
    -------
    ndarray
        [J]; NaN where the cells are colder or hotter than anything is known for.
    """
    share = capacity_fraction(flight_cell_temperature(start_temperature, air_temperature))
    share = np.where(np.isnan(capacity_fraction(start_temperature)), np.nan, share)
    return np.asarray(np.asarray(rated_energy, dtype=float) * share * aged_capacity(cycles))


def resistance(resistance_at_25_degrees: npt.ArrayLike, cell_temperature: npt.ArrayLike) -> Array:
    """Return the internal resistance of a pack or a cell at a temperature.

    Parameters
    ----------
    resistance_at_25_degrees : array_like
        At 298.15 K [ohm].
    cell_temperature : array_like
        [K], 253 to 333; broadcast.

    Returns
    -------
    ndarray
        [ohm]: ``R25 exp(3131 (1/T - 1/298.15))`` [rcex].
    """
    t = np.asarray(cell_temperature, dtype=float)
    growth = np.exp(ACTIVATION_TEMPERATURE * (1.0 / t - 1.0 / REFERENCE_TEMPERATURE))
    return np.asarray(np.asarray(resistance_at_25_degrees, dtype=float) * growth)


def resting_voltage(charge: npt.ArrayLike) -> Array:
    """Return the voltage at rest of a lithium polymer cell [V] by the share of charge left, 0 to 1."""
    share = np.asarray(charge, dtype=float)
    return np.asarray(np.where(np.isnan(share), np.nan, np.interp(share, _CHARGES, _VOLTAGES)))


def power_at_cut_off(
    rated_energy: npt.ArrayLike,
    charge: npt.ArrayLike,
    cell_temperature: npt.ArrayLike,
    *,
    resistance_capacity: npt.ArrayLike = RESISTANCE_CAPACITY,
    cycles: npt.ArrayLike = 0.0,
) -> Array:
    """Return the power that pulls a pack's cells down to `CUT_OFF_VOLTAGE` [W]; arguments of `loaded_cell_voltage`.

    Of a cell of resistance R that rests at V it is ``Vc (V - Vc) / R``; 0 for a pack that is below at rest.
    """
    cell = resistance(resistance_capacity, cell_temperature) * aged_resistance(cycles)
    of_cell = CUT_OFF_VOLTAGE * np.maximum(resting_voltage(charge) - CUT_OFF_VOLTAGE, 0.0) / cell
    return np.asarray(of_cell * np.asarray(rated_energy, dtype=float) / (NOMINAL_VOLTAGE * 3600.0))
