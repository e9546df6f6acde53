"""The pilot's units and SI, converted only at the edges: sources, reports, command line.

Everything inside wxfly is SI. A unit here is a name, a factor and an offset: ``SI = value * factor + offset``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wxfly.errors import WxflyError, unknown_name

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


@dataclass(frozen=True)
class Unit:
    """One unit: a row here is all that reading and writing it takes.

    Attributes
    ----------
    symbol : str
        As a pilot types it; that of CSV headings and of lists.
    quantity : str
        What it measures; a unit becomes another of the same quantity only.
    factor, offset : float
        A value in the unit becomes SI by them.
    decimals : int
        Those that a forecast carries in it.
    sign : str
        As text and pages write it, where that is not the symbol.
    spellings : tuple of str
        As services and CF write it, beside symbol and sign.
    """

    symbol: str
    quantity: str
    factor: float
    offset: float = 0.0
    decimals: int = 1
    sign: str | None = None
    spellings: tuple[str, ...] = ()

    @property
    def written(self) -> str:
        """The unit as people are shown it."""
        return self.symbol if self.sign is None else self.sign

    def to_si(self, value: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return a value in this unit, or values, in SI."""
        import numpy as np  # here, because the command line reads the table on every start

        return np.asarray(value, dtype=float) * self.factor + self.offset

    def from_si(self, value: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return SI in this unit."""
        import numpy as np

        return (np.asarray(value, dtype=float) - self.offset) / self.factor


_FOOT = 0.3048
_STATUTE_MILE = 1609.344

# Exact by definition: the international foot, mile and knot; degF from degC.
UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("m/s", "speed", 1.0, spellings=("m s-1",)),
        Unit("km/h", "speed", 1 / 3.6),
        Unit("mph", "speed", _STATUTE_MILE / 3600, spellings=("mp/h",)),
        Unit("kt", "speed", 1852 / 3600, spellings=("kn",)),
        Unit("m", "length", 1.0, decimals=0),
        Unit("km", "length", 1000.0),
        Unit("ft", "length", _FOOT, decimals=0),
        Unit("mi", "length", _STATUTE_MILE),
        Unit("K", "temperature", 1.0),
        Unit("degC", "temperature", 1.0, 273.15, sign="°C", spellings=("celsius",)),
        Unit("degF", "temperature", 5 / 9, 459.67 * 5 / 9, decimals=0, sign="°F"),
        Unit("mm/h", "precipitation", 1.0),
        Unit("in/h", "precipitation", 25.4, decimals=3),
        Unit("mm", "depth of precipitation", 1.0, spellings=("kg m-2",)),
        Unit("inch", "depth of precipitation", 25.4),
        Unit("Pa", "pressure", 1.0),
        Unit("hPa", "pressure", 100.0),
        Unit("kPa", "pressure", 1000.0),
        Unit("inHg", "pressure", 3386.389),
        Unit("g", "mass", 0.001),
        Unit("kg", "mass", 1.0),
        Unit("min", "time", 60.0),
        Unit("s", "time", 1.0),
        Unit("h", "time", 3600.0),
        Unit("J", "energy", 1.0),
        Unit("Wh", "energy", 3600.0),
        Unit("J/kg", "energy of air", 1.0, spellings=("J kg-1",)),
        Unit("W", "power", 1.0),
        Unit("degree", "angle", 1.0, sign="°", spellings=("degrees",)),
        Unit("mAh", "charge", 3.6),
        Unit("Ah", "charge", 3600.0),
        Unit("mohm", "resistance", 0.001),
        Unit("ohm", "resistance", 1.0),
        Unit("1", "number", 1.0, sign=""),
        Unit("%", "share", 0.01),
    )
}
_BY_SPELLING = {name: unit for unit in UNITS.values() for name in (unit.symbol, unit.written, *unit.spellings) if name}

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
    """Convert a value, or values, in the unit of this symbol to SI."""
    return _unit(unit).to_si(value)


def from_si(value: npt.ArrayLike, unit: str) -> npt.NDArray[np.float64]:
    """Convert an SI value to the named unit; the inverse of `to_si`."""
    return _unit(unit).from_si(value)


def read_as(spelling: object, wanted: str) -> Unit | None:
    """Return the unit that a service spells so; None where it is not one of the quantity that is wanted.

    Parameters
    ----------
    spelling : object
        What the service wrote beside its values.
    wanted : str
        A spelling of another unit of the same quantity.
    """
    unit = _BY_SPELLING.get(spelling) if isinstance(spelling, str) else None
    return unit if unit is not None and unit.quantity == _BY_SPELLING[wanted].quantity else None


def symbols_of(quantity: str) -> list[str]:
    """Return the symbols of all units of a quantity, in the order of the table."""
    return [unit.symbol for unit in UNITS.values() if unit.quantity == quantity]


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
    valid = sorted(symbols_of(quantity))
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
    return parse_quantity(text, quantity, symbol_of_bare(quantity, units))


def symbol_of_bare(quantity: str, units: str) -> str:
    """Return the unit of a number that a pilot writes without one; parameters as in `read_quantity`."""
    shown = _SHOWN_AS.get(quantity)
    return _IN_EVERY_SYSTEM[quantity] if shown is None else SYSTEMS[units][shown]


def is_bare(text: str) -> bool:
    """Return whether a text is a number without a unit."""
    match = _QUANTITY.match(text)
    return match is not None and not match[2]
