"""The pilot's places, plans, aircraft, rule sets and settings as one text, to take to another machine."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import parse_aircraft
from wxfly.pilot.own_files import OwnTable, change_toml, parse_toml, read_if_there
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file, plans_file, read_plans, sites_file
from wxfly.pilot.site import read_sites
from wxfly.question.settings import keep_settings
from wxfly.web.own_pages import OFFERED_SETTINGS, kept_settings
from wxfly.web.questions import NOT_OFFERED

VERSION = 1
"""Version of the text; a later one is refused."""
FILE_NAME = "wxfly-own.json"
_SETTINGS = "settings"


@dataclass(frozen=True)
class _File:
    """One of the pilot's files: one row for each.

    Attributes
    ----------
    path : callable
        Where it is.
    check : callable
        Reads it; raises, or returns entries with those that cannot be read set aside.
    """

    path: Callable[[], Path]
    check: Callable[[Path], object]


_FILES = {
    "places": _File(sites_file, read_sites),
    "plans": _File(plans_file, read_plans),
    "aircraft": _File(own_aircraft_file, lambda path: parse_aircraft(path.read_text(encoding="utf-8"), path.name)),
    "rules": _File(own_rules_file, load_rules),
}


@dataclass(frozen=True)
class Taken:
    """What a text would bring.

    Attributes
    ----------
    entries : mapping
        Tables of TOML by their name, by the file that they belong to.
    settings : mapping
        Settings, as typed.
    """

    entries: Mapping[str, Mapping[str, Any]]
    settings: Mapping[str, str]

    def lines(self) -> Iterator[str]:
        """Yield what is new, what takes the place of another, and what stays as it is."""
        for kind, new in self.entries.items():
            old = parse_toml(read_if_there(_FILES[kind].path()) or "", kind)
            for name, entry in new.items():
                state = "new" if name not in old else "as it is" if old[name] == entry else "takes the place of yours"
                yield f"{kind}: {name}, {state}"
        kept = kept_settings()
        for key, value in self.settings.items():
            old_value = kept.get(key)
            state = "new" if old_value is None else "as it is" if old_value == value else f"instead of {old_value}"
            yield f"{_SETTINGS}: {key} = {value}, {state}"


def export_text() -> str:
    """Return all own things as one text. A customer's key and the addresses of services are not in it."""
    files = {kind: read_if_there(file.path()) or "" for kind, file in _FILES.items()}
    return json.dumps({"wxfly": VERSION, **files, _SETTINGS: kept_settings()}, indent=1, ensure_ascii=False) + "\n"


def read_export(text: str) -> Taken:
    """Read such a text and check all of it as the files are checked; nothing is kept.

    Raises
    ------
    WxflyError
        For anything in it that cannot be read, or that no page may say, such as the address of a service.
    """
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        raise WxflyError(f"this is no file of own things; wanted the text of {FILE_NAME}") from None
    if not isinstance(document, dict) or document.get("wxfly") != VERSION:
        raise WxflyError(f"this is no file of own things of version {VERSION}; wanted the text of {FILE_NAME}")
    unknown = set(document) - {"wxfly", _SETTINGS, *_FILES}
    if unknown:
        raise WxflyError(f"'{min(unknown)}' is no part of {FILE_NAME}; export it anew")
    settings = document.get(_SETTINGS, {})
    if not isinstance(settings, dict) or not all(isinstance(v, str) for v in settings.values()):
        raise WxflyError("the settings of this file cannot be read; export it anew")
    refused = next((key for key in settings if key not in OFFERED_SETTINGS), None)
    if refused is not None:
        raise WxflyError(f"the setting {refused} is not taken from a page; set it on this machine")
    entries = {}
    for kind, file in _FILES.items():
        entries[kind] = _checked(kind, file, document.get(kind, ""))
    return Taken({kind: found for kind, found in entries.items() if found}, settings)


def _checked(kind: str, file: _File, text: Any) -> Mapping[str, Any]:
    if not isinstance(text, str):
        raise WxflyError(f"the {kind} of this file cannot be read; export it anew")
    found = parse_toml(text, kind)
    for name, entry in found.items():
        named = next(_named_files(entry), None)
        if named is not None:
            raise WxflyError(f"{kind}: {name} names a file ({named}), which no page may; take that line out")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{kind}.toml"
        path.write_text(text, encoding="utf-8")
        read = file.check(path)
    if isinstance(read, OwnTable) and read.set_aside:
        raise WxflyError(f"{kind}: {read.set_aside[0].fault}")
    return found


def _named_files(entry: Any) -> Iterator[str]:
    """Yield the options in an entry that name a file of a machine."""
    for key, value in entry.items() if isinstance(entry, dict) else ():
        if key.replace("-", "_") in NOT_OFFERED:
            yield key
        yield from _named_files(value)


def keep(taken: Taken) -> str:
    """Keep what a text brings, beside what is there; entries of the same name are replaced. Return what was done."""
    for kind, new in taken.entries.items():

        def change(document: Any, new: Mapping[str, Any] = new) -> None:
            for name, entry in new.items():
                document[name] = entry

        change_toml(_FILES[kind].path(), change)
    if taken.settings:
        keep_settings(dict(taken.settings))
    count = sum(map(len, taken.entries.values())) + len(taken.settings)
    return f"took over {count} {'entry' if count == 1 else 'entries'}"
