"""The pilot's units and SI, converted only at the edges: sources, reports, command line.

Everything inside wxfly is SI. A unit here is a name, a factor and an offset: ``SI = value * factor + offset``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wxfly.errors import WxflyError, shortened, unknown_name

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
    typed : tuple of str
        As pilots type it, beside all of these; capitals and spaces make no difference.
    """

    symbol: str
    quantity: str
    factor: float
    offset: float = 0.0
    decimals: int = 1
    sign: str | None = None
    spellings: tuple[str, ...] = ()
    typed: tuple[str, ...] = ()

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
        Unit("m/s", "speed", 1.0, spellings=("m s-1",), typed=("mps", "ms")),
        Unit("km/h", "speed", 1 / 3.6, typed=("kmh", "kph", "km/hr")),
        Unit("mph", "speed", _STATUTE_MILE / 3600, spellings=("mp/h",), typed=("mi/h", "mi/hr")),
        Unit("kt", "speed", 1852 / 3600, spellings=("kn",), typed=("kts", "knot", "knots")),
        Unit("m", "length", 1.0, decimals=0, typed=("metre", "metres", "meter", "meters")),
        Unit("km", "length", 1000.0, typed=("kilometre", "kilometres", "kilometer", "kilometers")),
        Unit("ft", "length", _FOOT, decimals=0, typed=("foot", "feet")),
        Unit("mi", "length", _STATUTE_MILE, typed=("sm", "mile", "miles", "statute mile", "statute miles")),
        Unit("K", "temperature", 1.0),
        Unit("degC", "temperature", 1.0, 273.15, sign="°C", spellings=("celsius",), typed=("c",)),
        Unit("degF", "temperature", 5 / 9, 459.67 * 5 / 9, decimals=0, sign="°F", typed=("f", "fahrenheit")),
        Unit("mm/h", "precipitation", 1.0),
        Unit("in/h", "precipitation", 25.4, decimals=3),
        Unit("mm", "depth of precipitation", 1.0, spellings=("kg m-2",)),
        Unit("inch", "depth of precipitation", 25.4),
        Unit("Pa", "pressure", 1.0),
        Unit("hPa", "pressure", 100.0),
        Unit("kPa", "pressure", 1000.0),
        Unit("inHg", "pressure", 3386.389),
        Unit("g", "mass", 0.001, typed=("gram", "grams")),
        Unit("kg", "mass", 1.0),
        Unit("min", "time", 60.0, typed=("mins", "minute", "minutes")),
        Unit("s", "time", 1.0, typed=("sec", "secs", "second", "seconds")),
        Unit("h", "time", 3600.0, typed=("hr", "hrs", "hour", "hours")),
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
        Unit("%", "share", 0.01, typed=("percent", "per cent")),
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

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
"""Points of the compass, clockwise from north."""


class QuantityError(WxflyError):
    """An error about quantities, which the edge writes in the pilot's units.

    Parameters
    ----------
    template : str
        The message, with a name in braces for each quantity.
    quantity : str
        What they are: a key of `SYSTEMS`.
    values : float
        By name, SI.
    """

    def __init__(self, template: str, quantity: str, **values: float) -> None:
        self._template, self._quantity, self._values = template, quantity, values
        super().__init__(self.in_units("metric"))

    def in_units(self, units: str) -> str:
        """Return the message in the units of a system."""
        unit = UNITS[SYSTEMS[units][self._quantity]]
        written = {name: f"{float(unit.from_si(value)):.4g} {unit.written}" for name, value in self._values.items()}
        return self._template.format(**written)


@contextmanager
def errors_in(units: str | None) -> Iterator[None]:
    """Write errors about quantities in the units of a system; None is metric."""
    try:
        yield
    except QuantityError as fault:
        raise WxflyError(fault.in_units(units if units in SYSTEMS else "metric")) from None


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


_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*([^\d\s.,:+-].*?)?\s*$")
_SEVERAL = re.compile(r"(\d+(?:[.,]\d+)?)\s*([^\d\s.,:+-]*)\s*")
_CLOCK = re.compile(r"^\s*(\d+):([0-5]\d)\s*(?:h|hr|hrs|hours)?\s*$", re.IGNORECASE)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")


def parse_quantity(text: str, quantity: str, default_unit: str) -> float:
    """Read a number with an optional unit, such as ``80``, ``80m``, ``260 feet`` or ``7,5 km/h``, into SI.

    A time may have several parts (``1h30``, ``1 h 30 min``, ``1:30``).

    Parameters
    ----------
    text : str
        What the user wrote. A decimal comma is read where it cannot part thousands.
    quantity : str
        The quantity wanted: ``length``, ``speed``, ``temperature``, ``time`` and so on.
    default_unit : str
        The unit of a bare number; empty where a number must have its unit.

    Returns
    -------
    float
        The value in SI.

    Raises
    ------
    WxflyError
        When the text is not a number with a unit of that quantity.

    Examples
    --------
    >>> parse_quantity("1h30", "time", "min")
    5400.0
    """
    if quantity == "time" and (seconds := _time_of_parts(text)) is not None:
        return seconds
    match = _QUANTITY.match(text)
    if not match:
        valid = ", ".join(sorted(symbols_of(quantity)))
        raise WxflyError(f"'{shortened(text, 80)}' is not a {quantity}; write a number and one of {valid}")
    symbol = match[2] or default_unit
    if not symbol:
        raise WxflyError(f"{match[1]} needs its unit, one of {', '.join(sorted(symbols_of(quantity)))}")
    return float(_unit_typed(symbol, quantity).to_si(read_number(match[1])))


def read_number(text: str) -> float:
    """Read a number with a decimal point or a decimal comma.

    Raises
    ------
    WxflyError
        When it is no number, or the comma may part thousands as well.
    """
    if _THOUSANDS.fullmatch(text.strip()):
        raise WxflyError(f"'{text}' may be read in two ways; write it without a comma, or with a decimal point")
    try:
        return float(text.replace(",", ".", 1))
    except ValueError:
        raise WxflyError(f"'{shortened(text, 80)}' is not a number; wanted one such as 0.2") from None


def read_share(given: float | str, what: str) -> float:
    """Read a share: ``0.2`` or ``20%``, or a number as it is; `what` names it in an error.

    Raises
    ------
    WxflyError
        For what is not a number, and for a number above 1 without a per cent sign.
    """
    if not isinstance(given, str):
        return float(given)
    match = _QUANTITY.match(given)
    if match and not match[2] and abs(share := read_number(match[1])) <= 1:
        return share
    if match and match[2] and _spelt(match[2]) in _spellings("share"):
        return float(UNITS["%"].to_si(read_number(match[1])))
    raise WxflyError(f"a {what} of '{shortened(given, 80)}' is not a share; wanted one such as 0.2 or 20%")


def _time_of_parts(text: str) -> float | None:
    """Return a time written as ``1:30`` or in several parts [s]; None for any other text."""
    clock = _CLOCK.match(text)
    if clock:
        return 3600.0 * int(clock[1]) + 60.0 * int(clock[2])
    parts = _SEVERAL.findall(text)
    if len(parts) < 2 or not parts[0][1] or "".join(n + u for n, u in parts) != re.sub(r"\s+", "", text):
        return None
    seconds, larger = 0.0, math.inf
    for number, symbol in parts:
        # After hours 30 and 30m are minutes: nobody writes 1h30 for anything else.
        after_hours = larger == UNITS["h"].factor and symbol in ("", "m")
        unit = _unit_typed("min" if after_hours else symbol, "time")
        if unit.factor >= larger:
            raise WxflyError(f"'{shortened(text, 80)}' is not a time; write the larger unit first, such as 1h30")
        seconds, larger = seconds + float(unit.to_si(read_number(number))), unit.factor
    return seconds


def _unit_typed(symbol: str, quantity: str) -> Unit:
    """Return the unit of a quantity that a pilot typed so."""
    unit = _spellings(quantity).get(_spelt(symbol))
    if unit is None:
        raise unknown_name(f"unit of {quantity}", symbol, sorted(symbols_of(quantity)))
    return unit


def _spelt(symbol: str) -> str:
    return " ".join(symbol.casefold().split())


def _spellings(quantity: str) -> dict[str, Unit]:
    """Return the units of a quantity by everything that they are typed as."""
    return {
        _spelt(name): unit
        for unit in UNITS.values()
        if unit.quantity == quantity
        for name in (unit.symbol, unit.written, *unit.spellings, *unit.typed)
    }


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
