"""Sites: the places a pilot flies at, and the file they are kept in."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from wxfly.errors import WxflyError, unknown_name


@dataclass(frozen=True)
class Site:
    """A place to fly at.

    Attributes
    ----------
    name : str
        What the pilot calls it.
    latitude, longitude : float
        [degree], north and east positive.
    surface_altitude : float
        Ground above mean sea level [m]; NaN when it is not known.
    time_zone : str
        IANA name, for example ``Europe/Lisbon``; only reports use it.
    surface_cover : str or None
        Name of a class in ``data/surface_cover.toml``; None takes the forecast's own exposure as it is.
    is_demo : bool
        An invented place of the shipped demonstration.
    """

    name: str
    latitude: float
    longitude: float
    surface_altitude: float = math.nan
    time_zone: str = "UTC"
    surface_cover: str | None = None
    is_demo: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.latitude) and -90 <= self.latitude <= 90):
            raise WxflyError(f"site {self.name!r}: latitude {self.latitude} is outside -90 to 90 degrees")
        if not (math.isfinite(self.longitude) and -180 <= self.longitude <= 180):
            raise WxflyError(f"site {self.name!r}: longitude {self.longitude} is outside -180 to 180 degrees")
        if self.surface_cover is not None and self.surface_cover not in surface_cover_classes():
            raise unknown_name(f"site {self.name!r}: surface cover", self.surface_cover, surface_cover_classes())
        zone_of(self.time_zone)


def zone_of(name: str) -> ZoneInfo:
    """Give the time zone of an IANA name, or say what is wrong with it."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise WxflyError(
            f"time zone '{name}' is not known; wanted an IANA name such as Europe/Lisbon or America/Denver"
        ) from None


def surface_cover_classes() -> dict[str, dict[str, Any]]:
    """Give the surface cover classes by name: roughness length [m], what it looks like, source."""
    text = (files("wxfly") / "data" / "surface_cover.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


_KEYS = {
    "latitude": float, "longitude": float, "surface_altitude": float, "time_zone": str, "surface_cover": str,
}  # fmt: skip


def read_sites(path: Path) -> dict[str, Site]:
    """Read the pilot's saved sites; an absent file is an empty list.

    Raises
    ------
    WxflyError
        When the file is not TOML, a key is unknown (with the nearest valid one) or a value is of a wrong kind.
    """
    if not path.is_file():
        return {}
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise WxflyError(f"{path}: not a TOML file ({fault}); mend or remove it") from None
    return {name: _read_site(name, entry, path) for name, entry in document.items()}


def _read_site(name: str, entry: Any, path: Path) -> Site:
    if not isinstance(entry, dict):
        raise WxflyError(f"{path}: '{name}' must be a table of keys, such as [{name}] with latitude = 0.0")
    values: dict[str, Any] = {}
    for key, value in entry.items():
        if key not in _KEYS:
            raise unknown_name(f"{path}: [{name}] key", key, _KEYS)
        kind = _KEYS[key]
        if kind is float and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise WxflyError(f"{path}: [{name}] {key} = {value!r} must be a number")
        if kind is str and not isinstance(value, str):
            raise WxflyError(f"{path}: [{name}] {key} = {value!r} must be a text in quotes")
        values[key] = kind(value)
    for key in ("latitude", "longitude"):
        if key not in values:
            raise WxflyError(f"{path}: [{name}] has no {key}")
    return Site(name=name, **values)


def save_site(path: Path, site: Site) -> None:
    """Add or replace a site in the pilot's file, keeping the rest of the file and its comments."""
    import tomlkit

    if path.is_file():
        read_sites(path)  # refuse to touch a file that we cannot read back
    document = tomlkit.parse(path.read_text(encoding="utf-8")) if path.is_file() else tomlkit.document()
    table = tomlkit.table()
    for key in _KEYS:
        value = getattr(site, key)
        if value is not None and not (isinstance(value, float) and math.isnan(value)):
            table[key] = value
    document[site.name] = table
    _write(path, tomlkit.dumps(document))


def remove_site(path: Path, name: str) -> None:
    """Take a site out of the pilot's file."""
    import tomlkit

    sites = read_sites(path)
    if name not in sites:
        raise unknown_name("saved site", name, sites)
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    del document[name]
    _write(path, tomlkit.dumps(document))


def _write(path: Path, text: str) -> None:
    """Write beside, then rename: a crash leaves the old file whole."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".new")
    beside.write_text(text, encoding="utf-8")
    beside.replace(path)
