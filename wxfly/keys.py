"""The key of a pilot who pays for the forecast service: from the environment or a file that nobody else may read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from wxfly.errors import WxflyError

VARIABLE = "WXFLY_FORECAST_KEY"
FILE = "forecast.key"

_SERVICES = ("forecast", "ensemble", "previous_runs", "geocoding", "elevation")
_FREE = "open-meteo.com"


def read_key(folder: Path) -> str:
    """Give the key; empty when there is none.

    Parameters
    ----------
    folder : Path
        The configuration folder, in which `FILE` may lie.

    Raises
    ------
    WxflyError
        When what the environment or the file holds is no key, or others may read the file. The key itself is never
        repeated.
    """
    given = os.environ.get(VARIABLE, "").strip()
    return _checked(given, VARIABLE) if given else _of_file(folder / FILE)


def is_of_environment() -> bool:
    """Tell whether the environment gives the key, so that the file is not read."""
    return bool(os.environ.get(VARIABLE, "").strip())


def _of_file(path: Path) -> str:
    try:
        if not path.is_file() and path.exists():
            raise WxflyError(f"{path}: cannot be read (not a file)")
        with path.open(encoding="ascii") as file:
            others = stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077
            if os.name == "posix" and others:
                raise WxflyError(f"{path}: others may read this key; take that away: chmod 600 {path}")
            return _checked(file.read(1000).strip(), str(path))
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a key; wanted letters and digits alone") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None


def _checked(text: str, where: str) -> str:
    if not 8 <= len(text) <= 200 or not text.isascii() or not all(c.isalnum() or c in "-_." for c in text):
        raise WxflyError(f"{where}: not a key; wanted 8 to 200 letters, digits, '-', '_' or '.'")
    return text


def paid_addresses(addresses: dict[str, str], defaults: dict[str, str]) -> dict[str, str]:
    """Turn the free addresses of the forecast service into those for customers; others stay as the pilot set them.

    Parameters
    ----------
    addresses, defaults : dict of str
        Addresses by service, in force and free.
    """
    turned = dict(addresses)
    for name in _SERVICES:
        if addresses[name] == defaults[name] and _FREE in defaults[name]:
            turned[name] = defaults[name].replace("https://", "https://customer-", 1)
    return turned


def takes_key(service_address: str, addresses: dict[str, str]) -> bool:
    """Tell whether a request to this address carries the key: those of the forecast service alone."""
    return any(service_address == addresses[name] for name in _SERVICES)
