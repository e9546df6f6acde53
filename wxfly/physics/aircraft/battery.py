"""Lithium battery packs: what remains of them in the cold, under load and with age.

Cold weakens a pack in two ways. Some of its energy gradually becomes unavailable. Its resistance also grows, so the
voltage under load falls until the aircraft's controller cuts off. The cut-off comes suddenly, under heavy load on a
cold pack, however full it is. A plan needs both effects.

References
----------
[rcex] rcex.cz/?p=3589: resistance of a 2S 2200 mAh 23C lithium polymer pack measured at 0, 10 and 30 degC, with an
    Arrhenius fit; 20 milliohm per cell at 25 degC, which times the capacity is 0.044 ohm Ah.
[BU-502] Battery University BU-502: at -18 degC a battery gives about half of its capacity at 27 degC.
[PyBaMM] PyBaMM 26.10, single particle model with electrolyte, cell LG M50 (parameter set ORegan2022), 1 C with one
    lumped temperature: 0.944, 0.904 and 0.806 of the capacity at 25 degC from 10, 0 and -10 degC, and 0.02 from
    -20 degC. It simulates an energy cell: packs for power tolerate cold better.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT

Array = npt.NDArray[np.float64]

REFERENCE_TEMPERATURE = 298.15

ACTIVATION_TEMPERATURE = 3131.0
"""Constant of the resistance's Arrhenius law [K], [rcex]."""
RESISTANCE_CAPACITY = 0.044
"""Resistance of a cell at 25 degC times its capacity [ohm Ah], [rcex]."""
CUT_OFF_VOLTAGE = 3.2
"""Voltage of a cell under load at which consumer controllers force a landing [V]; common practice, no source."""
NOMINAL_VOLTAGE = 3.7
"""Nominal voltage of a lithium polymer cell [V]."""
SELF_HEATING = 4.0
"""Effective warming of a cell over a flight, for its capacity [K]. By landing it is some 15 K, but the cold start
matters more. With 4 K the table below gives 0.91 and 0.80 from 0 and -10 degC, where [PyBaMM] has 0.904 and 0.806."""
CYCLE_LIFE = 300.0
"""Cycles after which a pack has four fifths of its capacity and twice its resistance; common practice, no source."""

# Share of the rated energy that a cell delivers down to its cut-off at a moderate rate, by its temperature. Common
# practice, no source; [BU-502] brackets the cold end.
_CELL_TEMPERATURES = np.array([-20.0, -10.0, 0.0, 10.0, 25.0]) + MELTING_POINT
_CELL_SHARES = np.array([0.50, 0.75, 0.88, 0.95, 1.00])
HOTTEST = 60.0 + MELTING_POINT
"""Temperature above which a pack must not be used [K]; common practice, no source."""

# Voltage of a lithium polymer cell at rest, by the share of charge left; common practice, no source.
_CHARGES = np.array([0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.00])
_VOLTAGES = np.array([3.27, 3.61, 3.69, 3.73, 3.77, 3.80, 3.84, 3.87, 3.95, 4.02, 4.11, 4.20])


def flight_cell_temperature(start_temperature: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the battery temperature that represents a whole flight.

    Parameters
    ----------
    start_temperature : array_like
        Battery temperature before take-off [K]; the air temperature if the pack was kept in the cold.
    air_temperature : array_like
        At flight height [K]; broadcast.

    Returns
    -------
    ndarray
        [K]: the mean of the two plus `SELF_HEATING`.
    """
    return np.asarray((np.asarray(start_temperature, float) + np.asarray(air_temperature, float)) / 2) + SELF_HEATING


def capacity_fraction(cell_temperature: npt.ArrayLike) -> Array:
    """Return the share of a pack's rated energy that it delivers at a battery temperature.

    Parameters
    ----------
    cell_temperature : array_like
        [K]

    Returns
    -------
    ndarray
        [1], at most 1. NaN below -20 degC, where a pack may deliver almost nothing ([PyBaMM]), and above 60 degC.
    """
    t = np.asarray(cell_temperature, dtype=float)
    share = np.interp(t, _CELL_TEMPERATURES, _CELL_SHARES)
    inside = (t >= _CELL_TEMPERATURES[0] - 1e-9) & (t <= HOTTEST)
    return np.asarray(np.where(inside, share, np.nan))


def aged_capacity(cycles: npt.ArrayLike) -> Array:
    """Return the share of its original capacity that a pack has after a number of cycles: 0.8 at `CYCLE_LIFE` [1]."""
    return np.asarray(np.maximum(1.0 - 0.2 * np.asarray(cycles, dtype=float) / CYCLE_LIFE, 0.0))


def aged_resistance(cycles: npt.ArrayLike) -> Array:
    """Return the ratio of the resistance of a pack to its resistance when new: 2 at `CYCLE_LIFE` [1]."""
    return np.asarray(1.0 + np.asarray(cycles, dtype=float) / CYCLE_LIFE)


def usable_energy(
    rated_energy: npt.ArrayLike,
    start_temperature: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    *,
    cycles: npt.ArrayLike = 0.0,
) -> Array:
    """Return the energy that a full pack delivers in one flight, down to its cut-off.

    Parameters
    ----------
    rated_energy : array_like
        Printed on the pack [J].
    start_temperature, air_temperature : array_like
        As in `flight_cell_temperature` [K].
    cycles : array_like, optional
        Number of charges so far [1]; all broadcast.

    Returns
    -------
    ndarray
        [J]; NaN where the battery is outside the range of `capacity_fraction`, at the start or over the flight.
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
    """Return the voltage of a lithium polymer cell at rest [V] from the share of charge left, 0 to 1."""
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
    """Return the power that pulls the cells of a pack down to `CUT_OFF_VOLTAGE` [W].

    Parameters
    ----------
    rated_energy : array_like
        Printed on the pack [J].
    charge : array_like
        Share of charge left [1].
    cell_temperature : array_like
        [K], 253 to 333.
    resistance_capacity : array_like, optional
        Resistance of a cell at 25 degC times its capacity [ohm Ah].
    cycles : array_like, optional
        Number of charges so far [1]; all broadcast.

    Returns
    -------
    ndarray
        [W]; for one cell of resistance R and resting voltage V it is ``Vc (V - Vc) / R``. 0 where V is below Vc.
    """
    cell = resistance(resistance_capacity, cell_temperature) * aged_resistance(cycles)
    of_cell = CUT_OFF_VOLTAGE * np.maximum(resting_voltage(charge) - CUT_OFF_VOLTAGE, 0.0) / cell
    return np.asarray(of_cell * np.asarray(rated_energy, dtype=float) / (NOMINAL_VOLTAGE * 3600.0))
