"""The pilot's units and SI, converted only at the edges: sources, reports, command line.

Everything inside wxfly is SI. A unit here is a name, a factor and an offset: ``SI = value * factor + offset``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError, unknown_name


@dataclass(frozen=True)
class Unit:
    """One unit: its quantity, and how a value in it becomes SI."""

    symbol: str
    quantity: str
    factor: float
    offset: float = 0.0


_FOOT = 0.3048
_STATUTE_MILE = 1609.344

# Exact by definition: the international foot, mile and knot; degF from degC.
UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("m/s", "speed", 1.0),
        Unit("km/h", "speed", 1 / 3.6),
        Unit("mph", "speed", _STATUTE_MILE / 3600),
        Unit("kt", "speed", 1852 / 3600),
        Unit("m", "length", 1.0),
        Unit("km", "length", 1000.0),
        Unit("ft", "length", _FOOT),
        Unit("mi", "length", _STATUTE_MILE),
        Unit("K", "temperature", 1.0),
        Unit("degC", "temperature", 1.0, 273.15),
        Unit("degF", "temperature", 5 / 9, 459.67 * 5 / 9),
        Unit("mm/h", "precipitation", 1.0),
        Unit("in/h", "precipitation", 25.4),
        Unit("Pa", "pressure", 1.0),
        Unit("hPa", "pressure", 100.0),
        Unit("inHg", "pressure", 3386.389),
        Unit("g", "mass", 0.001),
        Unit("kg", "mass", 1.0),
        Unit("min", "time", 60.0),
        Unit("s", "time", 1.0),
        Unit("h", "time", 3600.0),
        Unit("J", "energy", 1.0),
        Unit("Wh", "energy", 3600.0),
        Unit("W", "power", 1.0),
        Unit("degree", "angle", 1.0),
        Unit("mAh", "charge", 3.6),
        Unit("Ah", "charge", 3600.0),
        Unit("mohm", "resistance", 0.001),
        Unit("ohm", "resistance", 1.0),
        Unit("1", "number", 1.0),
    )
}

# What a pilot reads, by system. "aviation" is ICAO Annex 5 practice: knots, feet, metres of visibility, degC.
SYSTEMS: dict[str, dict[str, str]] = {
    "metric": {
        "wind": "m/s", "height": "m", "temperature": "degC", "precipitation": "mm/h", "visibility": "km",
        "pressure": "hPa",
    },
    "imperial": {
        "wind": "mph", "height": "ft", "temperature": "degF", "precipitation": "in/h", "visibility": "mi",
        "pressure": "inHg",
    },
    "aviation": {
        "wind": "kt", "height": "ft", "temperature": "degC", "precipitation": "mm/h", "visibility": "km",
        "pressure": "hPa",
    },
}  # fmt: skip


_SHOWN_AS = {"speed": "wind", "length": "height", "temperature": "temperature"}
_IN_EVERY_SYSTEM = {"mass": "g", "time": "min"}


def to_si(value: npt.ArrayLike, unit: str) -> npt.NDArray[np.float64]:
    """Convert a value in the named unit to SI.

    Parameters
    ----------
    value : array_like
        Value or values in `unit`.
    unit : str
        A symbol of `UNITS`.

    Returns
    -------
    ndarray
        The same shape, in SI.
    """
    u = _unit(unit)
    return np.asarray(value, dtype=float) * u.factor + u.offset


def from_si(value: npt.ArrayLike, unit: str) -> npt.NDArray[np.float64]:
    """Convert an SI value to the named unit; the inverse of `to_si`."""
    u = _unit(unit)
    return (np.asarray(value, dtype=float) - u.offset) / u.factor


def _unit(symbol: str) -> Unit:
    try:
        return UNITS[symbol]
    except KeyError:
        raise unknown_name("unit", symbol, UNITS) from None


_QUANTITY = re.compile(r"^\s*([-+]?\d+(?:\.\d+)?)\s*([A-Za-z/]*)\s*$")


def parse_quantity(text: str, quantity: str, default_unit: str) -> float:
    """Read a number with an optional unit, such as ``80``, ``80m`` or ``260 ft``, into SI.

    Parameters
    ----------
    text : str
        What the user wrote.
    quantity : str
        The quantity wanted: ``length``, ``speed``, ``temperature``, ``time`` and so on.
    default_unit : str
        The unit of a bare number.

    Returns
    -------
    float
        The value in SI.

    Raises
    ------
    WxflyError
        When the text is not a number with a unit of that quantity.
    """
    valid = sorted(u.symbol for u in UNITS.values() if u.quantity == quantity)
    match = _QUANTITY.match(text)
    if not match:
        raise WxflyError(f"'{text}' is not a {quantity}; write a number and one of {', '.join(valid)}")
    number, symbol = float(match[1]), match[2] or default_unit
    if symbol not in valid:
        raise unknown_name(f"unit of {quantity}", symbol, valid)
    return float(to_si(number, symbol))


def read_quantity(text: str, quantity: str, units: str) -> float:
    """Read what a pilot writes: a number without a unit is in the units that the answer is shown in.

    Parameters
    ----------
    text : str
        A number with an optional unit.
    quantity : str
        ``length``, ``speed``, ``temperature``, ``mass`` or ``time``; a length is a height or a distance, in metres or
        feet. Mass and time are in grams and minutes in every system.
    units : str
        Key of `SYSTEMS`.

    Returns
    -------
    float
        In SI.
    """
    shown = _SHOWN_AS.get(quantity)
    return parse_quantity(text, quantity, _IN_EVERY_SYSTEM[quantity] if shown is None else SYSTEMS[units][shown])
