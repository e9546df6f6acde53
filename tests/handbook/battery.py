"""Formulas of the check values that wxfly itself does not need: battery."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.aircraft.battery import (
    NOMINAL_VOLTAGE,
    RESISTANCE_CAPACITY,
    Array,
    aged_resistance,
    resistance,
    resting_voltage,
)


def highest_power(voltage: npt.ArrayLike, resistance: npt.ArrayLike) -> Array:
    """Return the most power that a source of this voltage [V] and resistance [ohm] can give: ``V^2 / 4R`` [W]."""
    return np.asarray(np.asarray(voltage, dtype=float) ** 2 / (4.0 * np.asarray(resistance, dtype=float)))


def discharge_current(power: npt.ArrayLike, voltage: npt.ArrayLike, resistance: npt.ArrayLike) -> Array:
    """Return the current at which a source gives a power.

    Parameters
    ----------
    power : array_like
        [W], not negative.
    voltage : array_like
        At rest [V].
    resistance : array_like
        [ohm], above 0; all broadcast.

    Returns
    -------
    ndarray
        [A]: ``(V - sqrt(V^2 - 4 R P)) / 2R``, from ``P = (V - I R) I``. Infinite where it cannot give the power.
    """
    p, v, r = (np.asarray(x, dtype=float) for x in (power, voltage, resistance))
    root = v**2 - 4.0 * r * p
    # The same root written without the difference of two near numbers.
    current = 2.0 * p / (v + np.sqrt(np.maximum(root, 0.0)))
    return np.asarray(np.where(root < 0, np.inf, current))


def loaded_voltage(power: npt.ArrayLike, voltage: npt.ArrayLike, resistance: npt.ArrayLike) -> Array:
    """Return the voltage under a load [V], 0 where the source cannot give the power; see `discharge_current`."""
    current = discharge_current(power, voltage, resistance)
    able = np.isfinite(current) | np.isnan(current)
    sag = np.where(able, current, 0.0) * np.asarray(resistance, dtype=float)
    return np.asarray(np.where(able, np.asarray(voltage, dtype=float) - sag, 0.0))


def loaded_cell_voltage(
    power: npt.ArrayLike,
    rated_energy: npt.ArrayLike,
    charge: npt.ArrayLike,
    cell_temperature: npt.ArrayLike,
    *,
    resistance_capacity: npt.ArrayLike = RESISTANCE_CAPACITY,
    cycles: npt.ArrayLike = 0.0,
) -> Array:
    """Return the voltage of a cell under a load, to be held against `CUT_OFF_VOLTAGE`.

    Parameters
    ----------
    power : array_like
        That the whole pack gives [W].
    rated_energy : array_like
        Of the whole pack [J]. How many cells share it does not matter: each carries its part of the power.
    charge : array_like
        Share of charge left [1].
    cell_temperature : array_like
        [K]
    resistance_capacity : array_like, optional
        Resistance of a cell at 25 degC times its capacity [ohm Ah].
    cycles : array_like, optional
        How often it has been charged [1]; all broadcast.

    Returns
    -------
    ndarray
        [V]; below the cut-off the controller lands or the motors lose power, whatever the charge shown.
    """
    # One cell of 1 Ah stands for the pack: power and resistance are scaled to it.
    scaled = np.asarray(power, float) * NOMINAL_VOLTAGE * 3600.0 / np.asarray(rated_energy, float)
    cell = resistance(resistance_capacity, cell_temperature) * aged_resistance(cycles)
    return loaded_voltage(scaled, resting_voltage(charge), cell)
