"""Sites: the places where a pilot flies, the file that keeps them, and whole days on a site's local clock."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, time, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from wxfly.errors import WxflyError, shortened, unknown_name
from wxfly.physics.sun import sun_position
from wxfly.physics.wind.terrain import SECTORS
from wxfly.pilot.options import Words, kept_values, read_kept, said, usual_options
from wxfly.pilot.own_files import OwnTable, change_keys, change_toml, check_name, parse_toml, read_table, remove_entry
from wxfly.times import AskedDay, AskedHour, DaysAhead

Made = TypeVar("Made")

LOWEST_GROUND, HIGHEST_GROUND = -500.0, 9000.0
"""Range of plausible ground heights above mean sea level [m]."""


HILL_SHAPES = ("ridge", "round_hill", "escarpment")


@dataclass(frozen=True)
class Hill:
    """A hill that the pilot flies over.

    Attributes
    ----------
    shape : str
        One of `HILL_SHAPES`.
    height, half_width : float
        Height above its surroundings; distance from the crest to where the ground is half as high [m].
    distance_from_crest : float
        Distance of the launch point along the ground [m].
    """

    shape: str
    height: float
    half_width: float
    distance_from_crest: float = 0.0

    def __post_init__(self) -> None:
        if self.shape not in HILL_SHAPES:
            raise unknown_name("shape of the hill", self.shape, HILL_SHAPES)
        if not (self.height > 0 and self.half_width > 0 and self.distance_from_crest >= 0):
            raise WxflyError("a hill's height and half_width must be above 0 m, its distance_from_crest 0 m or more")


@dataclass(frozen=True)
class Site:
    """A place to fly at.

    Attributes
    ----------
    name : str
        The pilot's name for it.
    latitude, longitude : float
        Position [degree], north and east positive.
    surface_altitude : float
        Ground above mean sea level [m]; NaN when unknown.
    time_zone : str
        IANA name, for example ``Europe/Lisbon``; only reports use it.
    surface_cover : str or None
        Name of a class in ``data/surface_cover.toml``; None takes the forecast's own exposure unchanged.
    sectors : mapping
        Surface cover class by sector that the wind comes from (`SECTORS` of `wxfly.physics.wind.exposure`); takes
        precedence over `surface_cover`.
    obstacle_height : float
        Height of trees or houses close around the site [m]; they lift the wind profile.
    hill : Hill or None
        The hill below the flight, for a caution.
    defaults : Words
        What a question about the site takes where neither it nor its plan says anything.
    is_demo : bool
        Whether it is an invented place of the shipped demonstration.
    """

    name: str
    latitude: float
    longitude: float
    surface_altitude: float = math.nan
    time_zone: str = "UTC"
    surface_cover: str | None = None
    sectors: Mapping[str, str] = field(default_factory=dict, hash=False)
    obstacle_height: float = 0.0
    hill: Hill | None = None
    defaults: Words = field(default_factory=Words, compare=False)
    is_demo: bool = False

    def __post_init__(self) -> None:
        if not (math.isnan(self.surface_altitude) or LOWEST_GROUND <= self.surface_altitude <= HIGHEST_GROUND):
            raise WxflyError(f"site {self.name!r}: ground at {self.surface_altitude} m is outside -500 to 9000 m")
        if not (math.isfinite(self.latitude) and -90 <= self.latitude <= 90):
            raise WxflyError(f"site {self.name!r}: latitude {self.latitude} is outside -90 to 90 degrees")
        if not (math.isfinite(self.longitude) and -180 <= self.longitude <= 180):
            raise WxflyError(f"site {self.name!r}: longitude {self.longitude} is outside -180 to 180 degrees")
        for sector in self.sectors:
            if sector not in SECTORS:
                raise unknown_name(f"site {self.name!r}: sector", sector, SECTORS)
        for cover in (*((self.surface_cover,) if self.surface_cover else ()), *self.sectors.values()):
            if cover not in surface_cover_classes():
                raise unknown_name(f"site {self.name!r}: surface cover", cover, surface_cover_classes())
        if not 0 <= self.obstacle_height <= 100:
            raise WxflyError(f"site {self.name!r}: obstacle_height {self.obstacle_height} m is outside 0 to 100 m")
        try:
            zone_of(self.time_zone)
        except WxflyError as fault:
            raise WxflyError(f"site {self.name!r}: {fault}") from None

    @property
    def key(self) -> tuple[float, float]:
        """Return the position that identifies the place in the store."""
        return place_key(self.latitude, self.longitude)

    @property
    def roughness_by_sector(self) -> tuple[float, ...] | None:
        """Return the roughness length of the ground upwind for each of `SECTORS` [m]; None where none is given."""
        if self.surface_cover is None and not self.sectors:
            return None
        classes = surface_cover_classes()
        # A sector without a class takes the smoothest known: up to where all ground has the same wind, the one from
        # smooth ground is the strongest, and above nothing changes.
        named = [self.sectors.get(sector, self.surface_cover) for sector in SECTORS]
        lengths = [None if cover is None else float(classes[cover]["roughness_length"]) for cover in named]
        smoothest = min(length for length in lengths if length is not None)
        return tuple(smoothest if length is None else length for length in lengths)


def place_key(latitude: float, longitude: float) -> tuple[float, float]:
    """Return a position rounded to 4 decimals, about 10 m [degree]: closer positions are the same place."""
    return round(latitude, 4), round(longitude, 4)


def zone_of(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise WxflyError(
            f"time zone '{shortened(name, 80)}' is not known; "
            "wanted an IANA name such as Europe/Lisbon or America/Denver"
        ) from None


class SiteClock:
    """The clock of a place.

    Parameters
    ----------
    time_zone : str
        IANA name.
    """

    def __init__(self, time_zone: str) -> None:
        self.name = time_zone
        self._zone = zone_of(time_zone)

    def local(self, moment: np.datetime64 | datetime) -> datetime:
        """Return a UTC moment, of numpy or an aware one, as an aware local one."""
        if isinstance(moment, datetime):
            return moment.astimezone(self._zone)
        return datetime.fromisoformat(f"{moment.astype('datetime64[s]')}+00:00").astimezone(self._zone)

    def zone(self, moment: np.datetime64 | datetime) -> str:
        """Return the abbreviation in force at a moment, such as ``CET`` or ``UTC+03``."""
        name = self.local(moment).tzname() or "UTC"
        return f"UTC{name}" if name[0] in "+-" else name

    def hour(self, moment: np.datetime64 | datetime, *, up: bool = False) -> str:
        """Write a moment as ``14:05``; `up` rounds to the next minute instead of the one before."""
        local = self.local(moment)
        if up and local.second:
            local += timedelta(seconds=60 - local.second)
        return f"{local:%H:%M}"

    def at(self, wall: datetime) -> datetime:
        """Return the moment at which the clock shows a time, as an aware one."""
        return wall.replace(tzinfo=self._zone)

    def midnight(self, day: date) -> np.datetime64:
        """Return the start of a day on the clock, UTC."""
        return _utc(datetime.combine(day, time(), self._zone))

    def noon(self, day: date) -> np.datetime64:
        """Return 12:00 of a day on the clock, UTC."""
        return _utc(datetime.combine(day, time(12), self._zone))

    def date(self, moment: np.datetime64 | datetime) -> date:
        """Return the local date of a moment."""
        return self.local(moment).date()


@cache
def surface_cover_classes() -> dict[str, dict[str, Any]]:
    """Return the surface cover classes by name: roughness length [m], appearance, source."""
    text = (files("wxfly") / "data" / "surface_cover.toml").read_text(encoding="utf-8")
    return parse_toml(text, "the shipped surface_cover.toml")


_KEYS: dict[str, type] = {
    "latitude": float, "longitude": float, "surface_altitude": float, "time_zone": str, "surface_cover": str,
    "obstacle_height": float,
}  # fmt: skip
_HILL_KEYS: dict[str, type] = {"shape": str, "height": float, "half_width": float, "distance_from_crest": float}
_TABLES = ("sectors", "hill", "defaults")


def read_sites(path: Path) -> OwnTable[Site]:
    """Read the pilot's saved sites; an absent file counts as empty, and an unreadable entry is set aside."""
    return read_table(path, _read_site)


def _parse_sites(text: str, path: Path) -> dict[str, Site]:
    return {name: _read_site(name, entry, str(path)) for name, entry in parse_toml(text, str(path)).items()}


def _read_site(name: str, entry: Any, place: str) -> Site:
    where = f"{place}: [{name}]"
    check_name(name)
    if not isinstance(entry, dict):
        raise WxflyError(f"{place}: '{name}' must be a table of keys, such as [{name}] with latitude = 0.0")
    unknown = [key for key in entry if key not in (*_KEYS, *_TABLES)]
    if unknown:
        raise unknown_name(f"{where} key", unknown[0], (*_KEYS, *_TABLES))
    values = _typed(where, {k: v for k, v in entry.items() if k not in _TABLES}, _KEYS)
    for key in ("latitude", "longitude"):
        if key not in values:
            raise WxflyError(f"{where} has no {key}")
    for key in _TABLES:
        if not isinstance(entry.get(key, {}), dict):
            raise WxflyError(f"{place}: [{name}.{key}] must be a table of keys")
    if "sectors" in entry:
        values["sectors"] = _typed(f"{place}: [{name}.sectors]", entry["sectors"], dict.fromkeys(SECTORS, str))
    if "hill" in entry:
        hill = _typed(f"{place}: [{name}.hill]", entry["hill"], _HILL_KEYS)
        missing = [key for key in ("shape", "height", "half_width") if key not in hill]
        if missing:
            raise WxflyError(f"{place}: [{name}.hill] has no {', no '.join(missing)}; lengths are in m")
        values["hill"] = _made(place, lambda: Hill(**hill))
    if "defaults" in entry:
        values["defaults"] = read_kept(entry["defaults"], usual_options(), f"{place}: [{name}.defaults]")
    return _made(place, lambda: Site(name=name, **values))


def _made(place: str, make: Callable[[], Made]) -> Made:
    """Add the name of the file to an error about its values."""
    try:
        return make()
    except WxflyError as fault:
        raise WxflyError(f"{place}: {fault}") from None


def _typed(where: str, table: dict[str, Any], kinds: Mapping[str, type]) -> dict[str, Any]:
    """Check the keys and types of a table."""
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in kinds:
            raise unknown_name(f"{where} key", key, kinds)
        kind = kinds[key]
        if kind is float and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise WxflyError(f"{where} {key} = {shortened(repr(value), 80)} must be a number")
        if kind is str and not isinstance(value, str):
            raise WxflyError(f"{where} {key} = {shortened(repr(value), 80)} must be a text in quotes")
        values[key] = kind(value)
    return values


def save_site(path: Path, site: Site) -> None:
    """Add or replace a site in the pilot's file, keeping the rest of the file and its comments."""
    import tomlkit

    check_name(site.name)
    table = tomlkit.table()
    for key in _KEYS:
        value = getattr(site, key)
        if value is not None and not (isinstance(value, float) and math.isnan(value)):
            table[key] = value
    if site.sectors:
        table["sectors"] = dict(site.sectors)
    if site.hill is not None:
        table["hill"] = asdict(site.hill)
    if any(said(site.defaults)):
        table["defaults"] = kept_values(site.defaults)
    change_toml(path, lambda document: document.update({site.name: table}), lambda text: _parse_sites(text, path))


def set_defaults(path: Path, name: str, values: Mapping[str, Any]) -> None:
    """Change the defaults of a saved site, keeping the rest of the file and its comments.

    Parameters
    ----------
    path : Path
        The pilot's file.
    name : str
        The site.
    values : mapping
        By key; None takes a key out.

    Raises
    ------
    WxflyError
        For a site that is not saved, with the nearest one.
    """

    def change(document: Any) -> None:
        if name not in document:
            raise unknown_name("saved site", name, document)
        change_keys(document[name].setdefault("defaults", {}), values)

    change_toml(path, change, lambda text: _parse_sites(text, path))


def remove_site(path: Path, name: str) -> None:
    """Remove a site from the pilot's file."""
    remove_entry(path, "saved site", name, lambda text: _parse_sites(text, path))


def period_of(
    site: Site, now: np.datetime64, *, day: AskedDay | None = None, first_day: int = 1, days: int = 1
) -> tuple[np.datetime64, np.datetime64]:
    """Return the UTC bounds of whole days on the site's local clock.

    Parameters
    ----------
    site : Site
        The site whose clock is used: two sites may have different days.
    now : numpy.datetime64
        Present time, UTC.
    day : date, DaysAhead or Weekday, optional
        The first day; by default `first_day` days after today at the site.
    first_day, days : int, optional
        Days from today to the start of the period, and its number of days.
    """
    clock = SiteClock(site.time_zone)
    first = date_of(site, now, DaysAhead(first_day) if day is None else day)
    return clock.midnight(first), clock.midnight(first + timedelta(days=days))


def hour_of(site: Site, now: np.datetime64, day: AskedDay | None, hour: AskedHour) -> np.datetime64:
    """Return the start of the UTC hour in which a pilot's hour lies.

    Parameters
    ----------
    site : Site
        Whose clock is meant.
    now : numpy.datetime64
        Present time, UTC.
    day : date, DaysAhead, Weekday or None
        The day of a time of day; by default today, or tomorrow where that hour is over today.
    hour : time or datetime
        As `wxfly.times.read_hour` returns it.
    """
    clock = SiteClock(site.time_zone)
    if isinstance(hour, datetime):
        return _full_hour(hour if hour.tzinfo else clock.at(hour))

    def on(date: date) -> np.datetime64:
        return _full_hour(clock.at(datetime.combine(date, hour)))

    if day is not None:
        return on(date_of(site, now, day))
    today = clock.date(now)
    start = on(today)
    return start if start + np.timedelta64(1, "h") > now else on(today + timedelta(days=1))


LAST_LIGHT = -6.0
"""Elevation of the sun at the end of civil twilight, the last light of any rule for daylight [degree]."""


def date_of(site: Site, now: np.datetime64, day: AskedDay) -> date:
    """Return the date of a day as a pilot names it, on the site's local clock.

    A weekday is the next of its name. Today counts while it has light left.
    """
    if isinstance(day, date):
        return day
    today = SiteClock(site.time_zone).date(now)
    if isinstance(day, DaysAhead):
        return today + timedelta(days=day.count)
    ahead = (day.number - today.weekday()) % 7
    if ahead == 0 and not _has_light_left(site, now, today):
        ahead = 7
    return today + timedelta(days=ahead)


def _has_light_left(site: Site, now: np.datetime64, today: date) -> bool:
    midnight = SiteClock(site.time_zone).midnight(today + timedelta(days=1))
    moments = np.arange(now.astype("datetime64[m]"), midnight.astype("datetime64[m]"), np.timedelta64(5, "m"))
    elevation, _ = sun_position(site.latitude, site.longitude, moments.astype("datetime64[s]"))
    return bool((elevation > LAST_LIGHT).any())


def midnights(site: Site, start: np.datetime64, end: np.datetime64) -> list[np.datetime64]:
    """Return the midnights on the site's own clock between two moments, UTC."""
    clock = SiteClock(site.time_zone)
    first, last = clock.date(start), clock.date(end)
    return [clock.midnight(first + timedelta(days=n)) for n in range(1, (last - first).days + 1)]


def days_touched(site: Site, start: np.datetime64, end: np.datetime64) -> int:
    """Return how many days of the site's clock a period touches; its bounds are in UTC."""
    return 1 + sum(bool(moment < end) for moment in midnights(site, start, end))


def _full_hour(moment: datetime) -> np.datetime64:
    """Return the start of the UTC hour of an aware moment."""
    hour: np.datetime64 = _utc(moment).astype("datetime64[h]").astype("datetime64[s]")
    return hour


def _utc(moment: datetime) -> np.datetime64:
    offset = moment.utcoffset() or timedelta()
    return np.datetime64(moment.replace(tzinfo=None) - offset, "s")


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
    faults = " and ".join(part for part, is_wrong in ((north, too_north), (east, too_east)) if is_wrong)
    raise WxflyError(f"'{text}': {faults}{_likely(first, second)}")


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


EARTH_RADIUS = 6371.0
"""Radius of a sphere like the Earth [km]: the mean radius of WGS 84, 6371.01, rounded."""


def distance_km(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """Return the great-circle distance [km] between two places [degree] on a sphere (haversine formula)."""
    a, b = math.radians(latitude), math.radians(other_latitude)
    half = math.radians(other_longitude - longitude) / 2
    inside = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(half) ** 2
    return 2 * EARTH_RADIUS * math.asin(math.sqrt(min(1.0, inside)))


def bearing(latitude: float, longitude: float, other_latitude: float, other_longitude: float) -> float:
    """Return the direction [degree], clockwise from north, in which the great circle to another place begins."""
    a, b = math.radians(latitude), math.radians(other_latitude)
    turn = math.radians(other_longitude - longitude)
    east = math.sin(turn) * math.cos(b)
    north = math.cos(a) * math.sin(b) - math.sin(a) * math.cos(b) * math.cos(turn)
    return math.degrees(math.atan2(east, north)) % 360.0


COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
"""The points of the compass, 22.5 degrees apart."""


def compass_point(degrees: float) -> str:
    """Return the point of the compass nearest to a direction [degree]."""
    return COMPASS[round(degrees / 22.5) % 16]
