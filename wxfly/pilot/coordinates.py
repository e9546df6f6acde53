"""Coordinates as people write them: decimal degrees, degrees and minutes, or seconds too, with sign or letter.

References
----------
[ISO-6709] ISO 6709, Standard representation of geographic point location by coordinates: latitude comes first, north
    and east are positive (from memory).
[ICAO-Annex-15] Aeronautical publications and notices write degrees, minutes and seconds without a gap, with two digits
    for degrees of latitude and three for degrees of longitude: 521836N0064800E (from memory).
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from wxfly.errors import WxflyError

_MARKS = {
    "°": "º˚⁰",
    "'": "′’‘ʹ´`‛",
    '"': "″”“ʺ‟„",
    "-": "\u2212\u2013\u2010\u2011",
    " ": "\u200b\u200e\u200f\ufeff",
}
_ONE_MARK = str.maketrans({other: mark for mark, others in _MARKS.items() for other in others})
_ONLY = re.compile(r"[\d\s.,;:+\-°'\"NSEW]+", re.IGNORECASE)
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_ANGLE = re.compile(
    r"""\s*(?P<before>[NSEW])?\s*(?P<sign>[+-])?\s*
    (?P<degrees>\d{1,3}(?:\.\d+)?)
    (?:(?:\s*[°:]\s*|\s+)(?P<minutes>\d{1,2}(?:\.\d+)?)
       (?:(?:\s*[':]\s*|\s+)(?P<seconds>\d{1,2}(?:\.\d+)?)\s*"?|\s*'?)
      |\s*°?)
    \s*(?P<after>[NSEW])?\s*""",
    re.IGNORECASE | re.VERBOSE,
)
_WITHOUT_GAPS = re.compile(
    r"\s*(\d\d)(\d\d(?:\.\d+)?)(\d\d(?:\.\d+)?)?\s*([NS])[\s,]*(\d{3})(\d\d(?:\.\d+)?)(\d\d(?:\.\d+)?)?\s*([EW])\s*",
    re.IGNORECASE,
)


class _Angle(NamedTuple):
    """One half of a pair, in degrees, with its letter if it has one."""

    value: float
    letter: str


def parse_coordinates(text: str) -> tuple[float, float] | None:
    """Read a latitude and a longitude.

    Parameters
    ----------
    text : str
        Decimal degrees, degrees and minutes, or degrees, minutes and seconds. A sign, or one of N, S, E, W before or
        after. A comma, a semicolon or a space between the two. Latitude comes first [ISO-6709], unless letters state
        otherwise. The marks of degree, minute and second may be omitted or typographic; the decimal sign may be a
        comma. The form of aeronautical notices [ICAO-Annex-15] is read too.

    Returns
    -------
    tuple of float or None
        Latitude and longitude [degree]; None when the text is a name.

    Raises
    ------
    WxflyError
        When the text must be coordinates but cannot be read, or is not a place on Earth. States the likely pair.

    Examples
    --------
    >>> parse_coordinates("52°30'N, 6°45'W")
    (52.5, -6.75)
    >>> parse_coordinates("-33.9 151.2")
    (-33.9, 151.2)
    """
    plain = _plain(text)
    numbers = len(_NUMBER.findall(plain))
    if not _ONLY.fullmatch(plain) or not numbers:
        return None
    halves = _halves_without_gaps(plain) or _halves(plain)
    angles = [angle for half in halves if (angle := _angle(text, half)) is not None]
    if len(angles) == 2:
        return _as_pair(text, *angles)
    has_letter = re.search("[NSEW]", plain, re.IGNORECASE) is not None
    if "°" in plain or (not has_letter and numbers > 1):
        raise WxflyError(
            f"'{text}' cannot be read as coordinates; wanted a latitude and a longitude, such as 52.31,-6.84 or"
            " 52°18'36\"N 6°50'24\"W"
        )
    return None


def _plain(text: str) -> str:
    """Return the text with one form of each mark, and a point as the decimal sign."""
    plain = text.translate(_ONE_MARK).strip()
    plain = re.sub(r"'\s?'", '"', plain)
    if plain.startswith("(") and plain.endswith(")"):
        plain = plain[1:-1]
    between_digits = re.findall(r"(?<=\d),(?=\d)", plain)
    is_decimal = ";" in plain or len(between_digits) > 1
    return re.sub(r"(?<=\d),(?=\d)", ".", plain) if is_decimal and "." not in plain else plain


def _halves_without_gaps(plain: str) -> list[str]:
    """Split a pair written as in aeronautical notices."""
    found = _WITHOUT_GAPS.fullmatch(plain)
    if found is None:
        return []
    one, other = found.groups()[:4], found.groups()[4:]
    return [f"{d} {m} {s or 0}{letter}" if "." not in m else f"{d} {m}{letter}" for d, m, s, letter in (one, other)]


def _halves(plain: str) -> list[str]:
    """Split the text at its comma, or else its letters, its second sign, its degree marks, or in the middle."""
    apart = re.split("[,;]", plain)
    if len(apart) > 1:
        return apart
    letters = [m.start() for m in re.finditer("[NSEW]", plain, re.IGNORECASE)]
    starts = [m.start() for m in _NUMBER.finditer(plain)]
    signs = [m.start() for m in re.finditer("[+-]", plain) if m.start() > starts[0]]
    degrees = [m.start() for m in re.finditer("°", plain)]
    if len(letters) == 2:
        cut = letters[0] + 1 if letters[0] > starts[0] else letters[1]
    elif len(signs) == 1:
        cut = signs[0]
    elif len(degrees) == 2:
        cut = max(s for s in starts if s < degrees[1])
    elif not letters and not degrees and len(starts) in (2, 4, 6):
        cut = starts[len(starts) // 2]
    else:
        return []
    return [plain[:cut], plain[cut:]]


def _angle(text: str, half: str) -> _Angle | None:
    """Read one half; None where it is not an angle."""
    found = _ANGLE.fullmatch(half)
    if found is None or (found["before"] and found["after"]):
        return None
    letter = (found["before"] or found["after"] or "").upper()
    if letter and found["sign"]:
        raise WxflyError(f"'{text}' has a sign and a letter in one number; wanted one of them, such as -33.9 or 33.9S")
    degrees, minutes, seconds = (found[name] or "0" for name in ("degrees", "minutes", "seconds"))
    for name, part in (("minutes", minutes), ("seconds", seconds)):
        if float(part) >= 60:
            raise WxflyError(f"'{text}' has {part} {name}; wanted 0 to below 60")
    for value, name, smaller in ((degrees, "degrees", found["minutes"]), (minutes, "minutes", found["seconds"])):
        if "." in value and smaller is not None:
            following = "minutes" if name == "degrees" else "seconds"
            raise WxflyError(f"'{text}' has {value} {name} and {following}; only the last part may have decimals")
    value = float(degrees) + float(minutes) / 60 + float(seconds) / 3600
    return _Angle(-value if found["sign"] == "-" or letter in ("S", "W") else value, letter)


def _as_pair(text: str, first: _Angle, second: _Angle) -> tuple[float, float]:
    """Return latitude and longitude; refuse a pair that is not a place on Earth."""
    for letters, what in (("NS", "latitudes"), ("EW", "longitudes")):
        if all(angle.letter and angle.letter in letters for angle in (first, second)):
            raise WxflyError(f"'{text}' has two {what}; wanted a latitude (N or S) and a longitude (E or W)")
    if (first.letter or "N") in "EW" or (second.letter or "E") in "NS":
        first, second = second, first
    latitude, longitude = first.value, second.value
    too_north, too_east = abs(latitude) > 90, abs(longitude) > 180
    if not (too_north or too_east):
        return latitude, longitude
    north = f"latitude {_short(latitude)} is outside -90 to 90 degrees"
    east = f"longitude {_short(longitude)} is outside -180 to 180 degrees"
    told = " and ".join(part for part, is_wrong in ((north, too_north), (east, too_east)) if is_wrong)
    raise WxflyError(f"'{text}': {told}{_likely(first, second)}")


def _likely(latitude: _Angle, longitude: _Angle) -> str:
    """Return the wording that suggests the likely pair; without one, a reminder of the order and signs."""
    north, east = latitude.value, longitude.value
    if abs(north) > 90 and abs(north) <= 180 and abs(east) <= 90:
        if latitude.letter or longitude.letter:
            likely = f"{_short(abs(east))}{latitude.letter or 'N'} {_short(abs(north))}{longitude.letter or 'E'}"
        else:
            likely = f"{_short(east)},{_short(north)}"
        return f"; latitude comes first: did you mean {likely}?"
    if abs(north) <= 90 and 180 < abs(east) <= 360:
        return f": did you mean {_short(north)},{_short(east - 360 if east > 0 else east + 360)}?"
    return "; latitude comes first, north and east are positive"


def _short(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def distance_km(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """Return the great-circle distance [km] between two places [degree] on a sphere of 6371 km (haversine formula)."""
    a, b = math.radians(latitude), math.radians(other_latitude)
    half = math.radians(other_longitude - longitude) / 2
    inside = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(half) ** 2
    return 2 * 6371.0 * math.asin(math.sqrt(min(1.0, inside)))


def bearing(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """Return the direction [degree], clockwise from north, in which the great circle to another place begins."""
    a, b = math.radians(latitude), math.radians(other_latitude)
    turn = math.radians(other_longitude - longitude)
    east = math.sin(turn) * math.cos(b)
    north = math.cos(a) * math.sin(b) - math.sin(a) * math.cos(b) * math.cos(turn)
    return math.degrees(math.atan2(east, north)) % 360.0
