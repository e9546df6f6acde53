"""Reading a row of check values: the inputs however they are spelt, what is expected, and how near is near
enough."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

Value = float | str | Sequence[float]
CHECKS: dict[str, tuple[Callable[..., Value], float | None, bool]] = {}
"""Quantity -> its function, and the tolerance that stands for the row's."""


class NotCoveredError(Exception):
    """A row that wxfly does not compute, with the reason."""


_NUMBER = r"[-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?(?:\s*/\s*\d+(?![\d.]*\s*(?:/|-\d)))?"
_UNIT = (
    r"(?:deg\s?[CF]|°\s?[CF]|hPa|kPa|Pa|mbar|inHg|mb|K/km|km/h|kt|kn|mph|m/s|g/m3|kg/m3|ft|km|mm/h|mm|cm|m|"
    r"K|C|F|%|W|s|min)"
)
_PAIR = re.compile(
    rf"(?P<key>[A-Za-zΔθλφ_][\w.]*(?:\([^)=]*\))?(?:-[A-Za-z][\w]*)?)\s*(?:>=|=|:)\s*(?P<number>{_NUMBER})\s*"
    rf"(?P<unit>{_UNIT}(?![A-Za-z]))?"
)
_BARE = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT}(?![A-Za-z]))?")


def to_number(text: str) -> float:
    """Read a number, also a fraction such as 1/7."""
    text = text.replace("−", "-").replace(" ", "")
    if "/" in text:
        over, under = text.split("/")
        return float(over) / float(under)
    return float(text)


@dataclass(frozen=True)
class Row:
    """One row of a table of check values."""

    quantity: str
    inputs: str
    expected: str
    tolerance: str
    source: str
    source_kind: str

    def pairs(self) -> dict[str, tuple[float, str]]:
        """Return what is written as key = number unit, keys in lower case."""
        found: dict[str, tuple[float, str]] = {}
        for match in _PAIR.finditer(self.inputs):
            key = re.sub(r"\s+", "", match["key"]).lower()
            found.setdefault(key, (to_number(match["number"]), (match["unit"] or "").replace(" ", "")))
        return found

    def get(self, *keys: str, default: float | None = None) -> tuple[float, str]:
        """Return number and unit of the first of several spellings of a key."""
        pairs = self.pairs()
        for key in keys:
            if key.lower() in pairs:
                return pairs[key.lower()]
        if default is not None:
            return default, ""
        raise NotCoveredError(f"inputs not understood: none of {', '.join(keys)} in '{self.inputs}'")

    def number(self, *keys: str, default: float | None = None) -> float:
        """Return the bare number of a key; where the inputs are a single number, that one."""
        try:
            return self.get(*keys, default=default)[0]
        except NotCoveredError:
            alone = _BARE.fullmatch(self.inputs.strip())
            if alone:
                return to_number(alone["number"])
            raise

    def _with_unit(self, keys: tuple[str, ...], units: str) -> tuple[float, str]:
        try:
            return self.get(*keys)
        except NotCoveredError:
            for match in _BARE.finditer(self.inputs):
                unit = (match["unit"] or "").replace(" ", "")
                if unit and re.fullmatch(units, unit):
                    return to_number(match["number"]), unit
            alone = _BARE.fullmatch(self.inputs.strip())
            if alone:
                return to_number(alone["number"]), (alone["unit"] or "").replace(" ", "")
            raise

    def temperature(self, *keys: str) -> float:
        """Return a temperature [K]; without a unit it is K from 150 on, else degC."""
        value, unit = self._with_unit(keys or ("t", "temperature"), r"K|C|degC|°C|F|degF|°F")
        unit = unit.lstrip("°").removeprefix("deg")
        if unit == "F":
            return (value - 32) / 1.8 + 273.15
        return value if unit == "K" or (unit != "C" and value > 150) else value + 273.15

    def pressure(self, *keys: str) -> float:
        """Return a pressure [Pa]; without a unit it is inHg below 40, hPa below 2000."""
        value, unit = self._with_unit(keys or ("p", "ps", "pressure"), "hPa|kPa|Pa|mbar|mb|inHg")
        factor = {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "mb": 100.0, "kPa": 1000.0, "inHg": 3386.389}
        if unit in factor:
            return value * factor[unit]
        return value * (3386.389 if value < 40 else 100.0 if value < 2000 else 1.0)

    def humidity(self, *keys: str) -> float:
        """Return a relative humidity [1]; per cent where it says so or is above 1.5."""
        value, unit = self._with_unit(keys or ("rh", "rhw", "humidity"), "%")
        return value / 100 if unit == "%" or value > 1.5 else value

    def speed(self, *keys: str) -> float:
        """Return a speed [m s-1]."""
        value, unit = self.get(*keys)
        factor = {"km/h": 1 / 3.6, "kt": 0.514444, "kn": 0.514444, "mph": 0.44704}
        return value * factor.get(unit, 1.0)

    def length(self, *keys: str) -> float:
        """Return a length [m]."""
        value, unit = self._with_unit(keys, "m|km|ft")
        return value * {"km": 1000.0, "ft": 0.3048}.get(unit, 1.0)

    def word(self, *keys: str) -> str:
        """Return what stands behind a key as it is written."""
        for key in keys:
            match = re.search(rf"(?<![A-Za-z]){re.escape(key)}\s*[=:]\s*([^;,|]+)", self.inputs, re.IGNORECASE)
            if match:
                return match[1].strip()
        raise NotCoveredError(f"inputs not understood: none of {', '.join(keys)} in '{self.inputs}'")

    def place(self) -> tuple[float, float]:
        """Return latitude and longitude [degree], written as a pair, with letters, by key, or as a known town."""
        text = self.inputs
        pairs = self.pairs()
        for lat_key, lon_key in (("lat", "lon"), ("latitude", "longitude")):
            if lat_key in pairs and lon_key in pairs:
                return pairs[lat_key][0], pairs[lon_key][0]
        lettered = re.search(
            r"([-+]?\d+(?:\.\d+)?)\s*°?\s*([NS])[\s,]+([-+]?\d+(?:\.\d+)?)\s*°?\s*([EW])(?![A-Za-z])", text
        )
        pair = re.search(r"(?<![\d.])([-+]?\d{1,2}(?:\.\d+)?)\s*,\s*([-+]?\d{1,3}(?:\.\d+)?)(?![\d.])", text)
        if pair and (not lettered or pair.start() < lettered.start()):  # what comes first is the place
            return float(pair[1]), float(pair[2])
        if lettered:
            lat = float(lettered[1]) * (-1 if lettered[2] == "S" else 1)
            return lat, float(lettered[3]) * (-1 if lettered[4] == "W" else 1)
        for town, place in TOWNS.items():
            if town.lower() in text.lower():
                return place
        raise NotCoveredError(f"inputs not understood: no place in '{text}'")


# Places as other rows of such tables write them.
TOWNS = {
    "London": (51.5, -0.1275),
    "Denver": (39.7392, -104.9903),
    "Sydney": (-33.8688, 151.2093),
    "Quito": (-0.18, -78.47),
    "New York": (40.7128, -74.006),
    "Reykjavik": (64.1466, -21.9426),
    "Tromso": (69.6492, 18.9553),
    "Golden": (39.742476, -105.1786),
}


def check(quantity: str, *, tolerance: float | None = None, relative: bool = False) -> Callable[..., object]:
    """Register the function that computes a quantity.

    Parameters
    ----------
    quantity : str
        Name in the table.
    tolerance : float, optional
        Used instead of the row's, where that speaks of several methods and only one is ours.
    relative : bool, optional
        Whether `tolerance` is a share of the expected value.
    """

    def register(function: Callable[[Row], Value]) -> Callable[[Row], Value]:
        CHECKS[quantity] = (function, tolerance, relative)
        return function

    return register


def expected_numbers(text: str) -> list[float]:
    """Return the numbers that a row expects: one, or several parted by a bar."""
    parts = text.split("|")
    found = [re.search(_NUMBER, part) for part in parts]
    if any(f is None for f in found):
        raise NotCoveredError(f"'{text}' is not a number")
    return [to_number(f[0]) for f in found if f]


def tolerances(text: str, expected: list[float]) -> list[float] | None:
    """Return how far each number may be off; None where the row does not say."""
    if text.strip().lower() in ("n/a", ""):
        return None
    parts = [p for p in text.split("|") if p.strip()]
    result = []
    for i, value in enumerate(expected):
        part = parts[min(i, len(parts) - 1)]
        number = re.search(r"\d+\.?\d*(?:[eE][-+]?\d+)?", part)
        if part.strip().lower().startswith("exact"):
            result.append(1e-9 * max(1.0, abs(value)))
        elif number is None:
            return None
        elif re.search(r"\d\s*(?:%|rel)", part):
            share = float(number[0]) * (0.01 if "%" in part else 1.0)
            result.append(share * abs(value))
        else:
            result.append(float(number[0]))
    return result


def last_digit(text: str) -> float:
    """Return half a unit of the last digit that a number is printed to; whole numbers are taken as they are."""
    match = re.search(r"\d*\.(\d+)(?:[eE]([-+]?\d+))?", text)
    if not match:
        return 0.0
    return 0.5 * 10.0 ** (-len(match[1]) + int(match[2] or 0)) * (1 + 1e-6)


def is_near(computed: Sequence[float], row: Row, tolerance: float | None, relative: bool) -> bool:
    """Tell whether what was computed is what the row expects."""
    wanted = expected_numbers(row.expected)
    if tolerance is not None:
        allowed = [tolerance * abs(w) if relative else tolerance for w in wanted]
    else:
        given = tolerances(row.tolerance, wanted)
        if given is None:
            raise NotCoveredError(f"the row gives no tolerance ('{row.tolerance}')")
        allowed = given
    if len(computed) != len(wanted):
        return False
    printed = [last_digit(part) for part in row.expected.split("|")]
    return all(
        math.isfinite(c) and abs(c - w) <= a + p for c, w, a, p in zip(computed, wanted, allowed, printed, strict=True)
    )
