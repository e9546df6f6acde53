"""Settings: folders, service addresses, what a question takes by default, contact, and a customer's key.

Order of precedence: environment, then the pilot's ``config.toml``, then the defaults. ``config.toml`` is in the
configuration folder with ``sites.toml``, ``plans.toml`` and ``aircraft.toml``::

    home = "meadow"               # the saved site of a question that names none
    aircraft = "camera-quad-250g"  # and any other option of a question, under its name with underscores
    height = "60 m"

    model = "icon_eu"             # one weather model for every place, unless --model names another;
                                  # without it the model is chosen by place and day
    ensemble = "none"             # or names of ensembles, as with --ensemble; without it chosen likewise
    contact = "me@example.org"    # sent to the services in the User-Agent, so that they can reach you
    patience_seconds = 30         # longest time for one request to one service, retries included

    [sources]                     # addresses of the services, for a mirror or your own server
    forecast = "https://api.open-meteo.com/v1/forecast"

    [store]                       # how much the cache folder may hold
    maximum_age_days = 30
    maximum_megabytes = 200

The key of a pilot who pays for the forecast service comes from the environment or from a file that only its owner may
read.
"""

from __future__ import annotations

import difflib
import math
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from wxfly import __version__
from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.options import OPTIONS, Option, Words, kept_values, plan_options, read_kept, usual_options
from wxfly.pilot.own_files import (
    OwnPart,
    OwnTable,
    SetAside,
    change_keys,
    change_toml,
    check_name,
    read_table,
    remove_entry,
)
from wxfly.pilot.services import SERVICES

PROJECT = "wxfly"

DEFAULT_ADDRESSES = {service.name: service.address for service in SERVICES.values()}
"""Addresses of the services by name; ``WXFLY_<NAME>_URL`` in the environment overrides each."""

# 16 days, gust, visibility, CAPE, surface pressure and wind at 80 and 100 m for every place on Earth: for what is asked
# without a place to choose for.
DEFAULT_MODEL = "ncep_gfs_global"

LOOPBACK = ("localhost", "127.0.0.1", "::1")
"""Names of this machine."""


@dataclass(frozen=True)
class Settings:
    """The settings in force.

    Attributes
    ----------
    addresses : dict of str
        Address of each service; empty for one that must not be asked.
    model : str
        Weather model, unless the pilot names another.
    names_model : bool
        Whether the pilot's settings name that model; without it, one is chosen by place and day.
    ensemble : str
        Ensembles that give the chance, their names joined by commas, or ``none``; empty where one is chosen.
    contact : str
        The pilot's contact for the User-Agent; where empty, only the project is named.
    patience_seconds : float
        Longest time for one request to one service, retries included [s].
    maximum_age_days, maximum_megabytes : float
        Limits of the store [d], [MB].
    home : str
        The saved site of a question that names none; empty for the first saved one.
    usual : Words
        The options that a question takes where nothing else says them, but for model and ensemble.
    key : str
        Key of a customer of the forecast service; empty for the free service. Never printed.
    origins : mapping
        Where each setting that is no default is from, by its key: ``environment`` or ``file``.
    set_aside : tuple of SetAside
        The unreadable parts of the pilot's files. An address in one is never asked, and a limit in one deletes
        nothing from the store.
    """

    addresses: dict[str, str] = field(default_factory=lambda: dict(DEFAULT_ADDRESSES))
    model: str = DEFAULT_MODEL
    names_model: bool = False
    ensemble: str = ""
    contact: str = ""
    patience_seconds: float = 30.0
    maximum_age_days: float = 30.0
    maximum_megabytes: float = 200.0
    home: str = ""
    usual: Words = field(default_factory=Words)
    key: str = field(default="", repr=False)
    origins: Mapping[str, str] = field(default_factory=dict, compare=False)
    set_aside: tuple[SetAside, ...] = ()

    @property
    def units(self) -> str:
        """Return the usual units of the pilot, a key of `wxfly.units.SYSTEMS`."""
        return self.usual.units or "metric"

    @property
    def user_agent(self) -> str:
        """Return the User-Agent that is sent to the services."""
        return f"{PROJECT}/{__version__} ({self.contact or 'forecast client for small multirotors'})"

    @property
    def hosts(self) -> frozenset[str]:
        """Return the only hosts that may be contacted, redirects included."""
        return frozenset(_authority(address) for address in self.addresses.values() if address)

    def doubtful(self, key: str) -> SetAside | None:
        """Return the unreadable part of ``config.toml`` that may be a key; None where there is none."""
        parts = (part for part in self.set_aside if isinstance(part, OwnPart))
        return next((part for part in parts if _may_say(part, key)), None)

    def key_for(self, url: str) -> dict[str, str]:
        """Return the parameter that carries the key, for a service that takes it; none for any other."""
        takes_key = any(row.takes_key and url == self.addresses[row.name] for row in SERVICES.values())
        return {"apikey": self.key} if self.key and takes_key else {}


def cache_folder() -> Path:
    """Return the folder of the store: ``WXFLY_CACHE``, else the platform's cache folder. It may not exist yet."""
    return _folder("WXFLY_CACHE", "user_cache_path")


def config_folder() -> Path:
    """Return the folder of the pilot's files: ``WXFLY_CONFIG``, else the platform's. It may not exist yet."""
    return _folder("WXFLY_CONFIG", "user_config_path")


def sites_file() -> Path:
    """Return the path of the pilot's saved sites."""
    return config_folder() / "sites.toml"


def plans_file() -> Path:
    """Return the path of the pilot's saved plans."""
    return config_folder() / "plans.toml"


def config_file() -> Path:
    """Return the path of the pilot's settings."""
    return config_folder() / "config.toml"


def own_aircraft_file() -> Path:
    """Return the path of the pilot's own aircraft."""
    return config_folder() / "aircraft.toml"


def own_rules_file() -> Path:
    """Return the path of the pilot's own rule sets."""
    return config_folder() / "rules.toml"


def _folder(variable: str, function: str) -> Path:
    given = os.environ.get(variable)
    if given:
        try:
            return Path(given).expanduser()
        except RuntimeError:
            raise WxflyError(
                f"{variable} = '{given}' names the home folder of an unknown user; wanted a path in full"
            ) from None
    import platformdirs

    path: Path = getattr(platformdirs, function)(PROJECT, appauthor=False)
    return path


def load_settings() -> Settings:
    """Read the settings in force from environment, ``config.toml`` and defaults.

    Unreadable parts of the pilot's files are set aside.

    Raises
    ------
    WxflyError
        For a value of a wrong kind in the environment, or an address there that is neither https nor on this machine.
    """
    table = read_table(config_file(), _read_entry)
    set_aside: list[SetAside] = list(table.set_aside)
    usual = {USUAL[key].name: entry[key] for key, entry in table.items() if key in USUAL}
    values: dict[str, Any] = {"usual": Words(**usual)}
    origins = dict.fromkeys((key for key in table if key not in _SECTIONS), "file")
    for name, entry in table.items():
        if name in _SECTIONS:
            origins |= dict.fromkeys(entry if name == "store" else (f"{name}.{key}" for key in entry), "file")
        if name != "sources" and name not in USUAL:
            values |= entry
    addresses = dict(DEFAULT_ADDRESSES)
    # A damaged part may name a mirror; ignoring it would send the places to services that the pilot turned off.
    if any(part.may_be("sources") or "://" in part.text for part in table.set_aside):
        addresses = dict.fromkeys(addresses, "")
    addresses |= table.get("sources", {})
    if any(part.may_be("store") or "maximum_" in part.text for part in table.set_aside):
        values = dict.fromkeys(_STORE, math.inf) | values
    key = ""
    try:
        key = read_key(config_folder())
    except WxflyError as fault:
        if is_of_environment():
            raise
        path = config_folder() / FILE
        set_aside.append(SetAside(path, None, str(fault).removeprefix(f"{path}: ")))
    for name in addresses:
        variable = f"WXFLY_{name.upper()}_URL"
        if variable in os.environ:
            addresses[name] = os.environ[variable]
            origins[f"sources.{name}"] = "environment"
            _check_address(name, addresses[name])
    for name in ("model", "ensemble"):
        if os.environ.get(f"WXFLY_{name.upper()}"):
            values[name] = os.environ[f"WXFLY_{name.upper()}"]
            origins[name] = "environment"
    values["names_model"] = "model" in values
    if "WXFLY_PATIENCE" in os.environ:
        values["patience_seconds"] = _number("WXFLY_PATIENCE", os.environ["WXFLY_PATIENCE"])
        origins["patience_seconds"] = "environment"
    if key:
        addresses = paid_addresses(addresses)
    addresses = {name: address.rstrip("/") for name, address in addresses.items()}
    return Settings(addresses=addresses, key=key, origins=origins, set_aside=tuple(set_aside), **values)


def _read_entry(key: str, value: Any, place: str) -> dict[str, Any]:
    """Read one key above the tables, or one table, of ``config.toml``."""
    if key in _SECTIONS:
        table = _table(place, key, value, _SECTIONS[key])
        if key == "sources":
            for name, address in table.items():
                _check_address(name, address, place)
        return table
    if key in USUAL:
        return {key: getattr(read_kept({key: value}, [USUAL[key]], f"{place}:"), USUAL[key].name)}
    if key not in _TOP:
        raise unknown_name(f"{place}: key", key, [*_TOP, *USUAL, *(f"[{s}]" for s in _SECTIONS)])
    read = _value(place, key, value, _TOP[key])
    if key == "contact" and not value.isascii():
        raise WxflyError(f"{place}: contact = {value!r} must be plain ASCII, it is sent in a header")
    return {key: read}


_TOP: dict[str, type] = {"home": str, "model": str, "ensemble": str, "contact": str, "patience_seconds": float}
_STORE: dict[str, type] = {"maximum_age_days": float, "maximum_megabytes": float}
_SECTIONS: dict[str, dict[str, type]] = {"sources": dict.fromkeys(DEFAULT_ADDRESSES, str), "store": _STORE}

USUAL: dict[str, Option] = {option.key: option for option in usual_options() if option.key not in _TOP}
"""The options of a question that the settings may say, by key; model and ensemble are settings anyhow."""

SETTINGS: tuple[str, ...] = (*_TOP, *USUAL, *_STORE, *(f"sources.{name}" for name in DEFAULT_ADDRESSES))
"""Every key that a pilot may set."""


def setting_key(text: str) -> str:
    """Return the key of a setting as it is typed, with dashes or underscores, or say which key is nearest."""
    given = text.strip().lstrip("-").replace("-", "_")
    for option in OPTIONS.values():  # the library's name for an option is known too
        given = option.key if given == option.name and option.key in USUAL else given
    if given not in SETTINGS:
        raise unknown_name("setting", text, SETTINGS)
    return given


def change_settings(values: Mapping[str, Any]) -> None:
    """Change ``config.toml``, keeping the rest of the file and its comments.

    Parameters
    ----------
    values : mapping
        By key of `SETTINGS`; None takes a key out.

    Raises
    ------
    WxflyError
        For a value that the file may not have, or a file that cannot be read or written; nothing is changed then.
    """
    place = str(config_file())
    for key, value in values.items():
        section, entry = _sectioned(key)
        if value is not None:
            _read_entry(section or entry, {entry: value} if section else value, place)

    def change(document: Any) -> None:
        for key, value in values.items():
            section, entry = _sectioned(key)
            change_keys(document.setdefault(section, {}) if section else document, {entry: value})

    change_toml(config_file(), change)


def _sectioned(key: str) -> tuple[str, str]:
    """Return the section of a key, empty above the sections, and the key in it."""
    section, dot, entry = key.rpartition(".")
    return ("store", key) if key in _STORE else (section, entry) if dot else ("", key)


def setting_value(key: str, text: str) -> Any:
    """Return the value for ``config.toml`` of a text on the command line; quantities keep the unit that they have."""
    if key in USUAL:
        return USUAL[key].kind.parse(key, text)
    if {**_TOP, **_STORE}.get(key) is float:
        try:
            return float(text)
        except ValueError:
            raise WxflyError(f"{key} = {text!r} must be a number above 0") from None
    return text


def _may_say(part: OwnPart, key: str) -> bool:
    """Return whether an unreadable part may be a key: it has that name, or one that no setting has and is near it."""
    if part.name in SETTINGS or part.name in _SECTIONS:
        return part.name == key
    return part.may_be(key) or bool(difflib.get_close_matches((part.name or "").casefold(), [key], cutoff=0.75))


def _table(place: str, section: str, table: Any, kinds: dict[str, type]) -> dict[str, Any]:
    if not isinstance(table, dict):
        raise WxflyError(f"{place}: [{section}] must be a table of keys")
    for key in table:
        if key not in kinds:
            raise unknown_name(f"{place}: [{section}] key", key, kinds)
    return {key: _value(place, f"[{section}] {key}", value, kinds[key]) for key, value in table.items()}


def _value(place: str, key: str, value: Any, kind: type) -> Any:
    if kind is float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
            raise WxflyError(f"{place}: {key} = {value!r} must be a number above 0")
        return float(value)
    if not isinstance(value, str) or not value.isprintable():
        raise WxflyError(f"{place}: {key} = {value!r} must be a text in quotes")
    return value


def _number(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise WxflyError(f"{name} = {text!r} must be a number of seconds above 0")
    return value


def _authority(address: str) -> str:
    return urlsplit(address).netloc.lower()


def _check_address(name: str, address: str, place: str = "") -> None:
    """Refuse addresses that would send places over an unencrypted connection."""
    before = f"{place}: " if place else ""
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
        _ = parts.port
    except ValueError:
        host, parts = "", urlsplit("")
    if "@" in parts.netloc or parts.query or parts.fragment:
        raise WxflyError(
            f"{before}address of the {name} service must have no user name, no password, no '?' and no '#' in it"
        )
    if not (parts.scheme == "https" and host) and not (parts.scheme == "http" and host in LOOPBACK):
        raise WxflyError(
            f"{before}address of the {name} service '{address}' must start with https:// (http:// only on this machine)"
        )


VARIABLE = "WXFLY_FORECAST_KEY"
FILE = "forecast.key"


def read_key(folder: Path) -> str:
    """Return the key; empty when there is none.

    Parameters
    ----------
    folder : Path
        The configuration folder, which may contain `FILE`.

    Raises
    ------
    WxflyError
        When the text in the environment or the file is not a key, or others may read the file. The message never
        repeats the key.
    """
    given = os.environ.get(VARIABLE, "").strip()
    return _checked(given, VARIABLE) if given else _of_file(folder / FILE)


def is_of_environment() -> bool:
    """Return whether the environment has the key, so that the file is not read."""
    return bool(os.environ.get(VARIABLE, "").strip())


def _of_file(path: Path) -> str:
    try:
        if not path.is_file() and path.exists():
            raise WxflyError(f"{path}: cannot be read (not a file); wanted a file with the key alone")
        with path.open(encoding="ascii") as file:
            others = stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077
            if os.name == "posix" and others:
                raise WxflyError(f"{path}: others may read this key; make it private: chmod 600 {path}")
            return _checked(file.read(1000).strip(), str(path))
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a key; wanted letters and digits alone") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror}); make it readable for you") from None


def _checked(text: str, where: str) -> str:
    if not 8 <= len(text) <= 200 or not text.isascii() or not all(c.isalnum() or c in "-_." for c in text):
        raise WxflyError(f"{where}: not a key; wanted 8 to 200 letters, digits, '-', '_' or '.'")
    return text


def paid_addresses(addresses: dict[str, str]) -> dict[str, str]:
    """Turn the free addresses of the forecast service into those for customers; others stay as the pilot set them."""
    free = (row for row in SERVICES.values() if row.takes_key and addresses[row.name] == row.address)
    return addresses | {row.name: row.address.replace("https://", "https://customer-", 1) for row in free}


def read_plans(path: Path) -> OwnTable[Words]:
    """Read the pilot's saved plans; an absent file counts as empty, and an unreadable plan is set aside."""
    return read_table(path, _read_plan)


def _read_plan(name: str, entry: Any, place: str) -> Words:
    check_name(name, "plan")
    if not isinstance(entry, dict):
        raise WxflyError(f"{place}: '{name}' must be a table of options, such as [{name}] with height = \"60m\"")
    return read_kept(entry, plan_options(), f"{place}: [{name}]")


def find_plan(path: Path, name: str) -> Words:
    """Return the words of a saved plan.

    Parameters
    ----------
    path : Path
        The pilot's file.
    name : str
        The plan.

    Raises
    ------
    WxflyError
        For a plan that is not saved, with the nearest one, and for one that cannot be read: a part of a plan may be
        looser than the whole.
    """
    plans = read_plans(path)
    try:
        plans.refuse_uncertain(name, "the plan")
    except WxflyError as fault:
        raise WxflyError(f"{fault}, or remove it with: {removing(name)}") from None
    if not plans:
        raise WxflyError(f"plan '{name}' is not saved, and no other is; save it with: wxfly plans add '{name}' OPTIONS")
    return plans.find(name, "plan")


def removing(name: str) -> str:
    """Return the command that removes a plan."""
    return f"wxfly plans remove {name!r}" if " " in name else f"wxfly plans remove {name}"


def save_plan(path: Path, name: str, words: Words, units: str, *, replace: bool = False) -> None:
    """Save a plan in the pilot's file, keeping the rest of the file and its comments.

    Parameters
    ----------
    path : Path
        The pilot's file.
    name : str
        The plan.
    words : Words
        What it says.
    units : str
        Units of numbers that have none; they are saved with their unit.
    replace : bool, optional
        Whether a plan of the same name goes.

    Raises
    ------
    WxflyError
        For a name that is taken, or that cannot be read.
    """
    import tomlkit

    check_name(name, "plan")
    table = tomlkit.table()
    table.update(kept_values(words, units))

    def change(document: Any) -> None:
        if name in document and not replace:
            raise WxflyError(f"plan '{name}' is saved already; replace it with --replace, or give another name")
        document[name] = table

    change_toml(path, change)


def remove_plan(path: Path, name: str) -> None:
    """Remove a plan from the pilot's file, damaged or not."""
    remove_entry(path, "plan", name)
