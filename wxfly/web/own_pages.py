"""The pilot's own things as forms, checked and kept as by the commands; and as one text, to take to another machine."""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from wxfly.errors import WxflyError, shortened, unknown_name
from wxfly.pilot.aircraft import FIGURES, AircraftKind, load_aircraft, parse_aircraft
from wxfly.pilot.options import (
    OPTIONS,
    Names,
    Option,
    OwnLimits,
    Words,
    kept_values,
    plan_options,
    usual_options,
    written,
)
from wxfly.pilot.own_files import OwnTable, change_toml, damage_notes, parse_toml, read_if_there
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import (
    SETTINGS,
    find_plan,
    load_settings,
    own_aircraft_file,
    own_rules_file,
    plans_file,
    read_plans,
    remove_plan,
    sites_file,
)
from wxfly.pilot.site import read_sites, remove_site, surface_cover_classes
from wxfly.question.settings import (
    figure_text,
    forget_aircraft,
    keep_aircraft,
    keep_defaults,
    keep_plan,
    keep_settings,
    keep_site,
    settings_in_force,
)
from wxfly.web.questions import NOT_OFFERED, FormField, label_of, option_field

Pairs = Sequence[tuple[str, str]]
Link = tuple[str, str]


@dataclass(frozen=True)
class Entry:
    """One line of a list: its name, what it says, and where it is changed or removed."""

    name: str
    words: str
    links: tuple[Link, ...] = ()


@dataclass(frozen=True)
class OwnPage:
    """What a page of own things shows.

    Attributes
    ----------
    title, heading, button, action : str
        Of the page, of its form, and where that is sent.
    entries : sequence of Entry
        What there is.
    form : sequence of FormField
        The form; empty where the page asks a yes.
    hidden : sequence of (str, str)
        What the form sends unseen.
    question, back : str
        What a yes is asked for, and where a no leads.
    notes : sequence of str
        What cannot be read of the file.
    links : sequence of (str, str)
        Where else one may go from here: address and words.
    """

    title: str
    heading: str = ""
    button: str = "Save"
    action: str = ""
    entries: Sequence[Entry] = ()
    form: Sequence[FormField] = ()
    hidden: Sequence[tuple[str, str]] = ()
    question: str = ""
    back: str = ""
    notes: Sequence[str] = ()
    links: Sequence[Link] = ()


@dataclass(frozen=True)
class OwnKind:
    """A kind of own things: one row for each.

    Attributes
    ----------
    path : str
        Address of its page.
    show : callable
        Makes its page from what the address or a refused form says.
    keep : callable
        Keeps a form; returns what was done, in words.
    remove : callable or None
        Removes by name.
    one : str
        What one of them is called.
    """

    path: str
    show: Callable[[Mapping[str, str]], OwnPage]
    keep: Callable[[Mapping[str, str]], str]
    remove: Callable[[str], None] | None = None
    one: str = ""


def typed(pairs: Pairs) -> dict[str, str]:
    """Return a form by name; a field that comes twice is refused.

    Raises
    ------
    WxflyError
        For a field that comes twice.
    """
    found: dict[str, str] = {}
    for name, value in pairs:
        if name in found:
            raise WxflyError(f"{name} is given twice; give it once")
        found[name] = value
    return found


def removal(kind: OwnKind, name: str) -> OwnPage:
    """Return the page that asks before something is removed."""
    return OwnPage(
        f"Remove {kind.one} {name}?", button="Remove it", action=f"{kind.path}/remove", hidden=[("name", name)],
        question=f"{kind.one.capitalize()} {name} is taken out of your file. This cannot be undone here.",
        back=kind.path,
    )  # fmt: skip


def _links(path: str, name: str, *others: Link) -> tuple[Link, ...]:
    query = urlencode({"name": name})
    return (*others, (f"{path}?{query}#form", "change"), (f"{path}/remove?{query}", "remove"))


def _words(options: Sequence[Option], given: Mapping[str, str]) -> Words:
    """Return the words of a form, each read as on the command line."""
    words: dict[str, Any] = {}
    for option in options:
        if option.key in given:
            words[option.name] = option.kind.parse(option.key, given[option.key])
    return Words(**words)


def _check_known(given: Mapping[str, str], known: Sequence[str]) -> None:
    for name in given:
        if name not in known:
            raise unknown_name("field", name, known)


def _option_fields(options: Sequence[Option], values: Mapping[str, str]) -> list[FormField]:
    fields = []
    for option in options:
        one = replace(option_field(option, values.get(option.key, "")), is_needed=False, is_number=False)
        if isinstance(option.kind, Names):
            few = "gust=8m/s,wind=6m/s" if isinstance(option.kind, OwnLimits) else "several with a comma between them"
            one = replace(one, hint=f"{one.hint} ({few})")
        fields.append(one)
    return fields


def _as_typed(words: Words) -> dict[str, str]:
    return {key: written(value) for key, value in kept_values(words).items()}


# --- places ----------------------------------------------------------------------------------------------------

_ALTITUDE = FormField("surface_altitude", "Ground above sea level", "Such as 45m; asked for when left out")
_OF_PLACE = (
    FormField("name", "Name", "Yours, such as meadow", is_front=True, is_needed=True),
    FormField("at", "Place", "LATITUDE,LONGITUDE, or a name to search", is_front=True, is_needed=True),
    replace(_ALTITUDE, is_front=True),
    FormField("surface_cover", "Ground upwind", "What the ground upwind looks like", is_front=True),
    FormField("time_zone", "Time zone", "IANA name; worked out from the place when left out"),
)


def _show_places(given: Mapping[str, str]) -> OwnPage:
    saved = read_sites(sites_file())
    entries = [
        Entry(
            name,
            f"{site.latitude:.4f}, {site.longitude:.4f}; {site.time_zone}; {site.surface_cover or 'ground not said'}"
            + "".join(f"; {key} {value}" for key, value in _as_typed(site.defaults).items()),
            _links("/places", name, (f"/week?{urlencode({'place': name})}", "week")),
        )
        for name, site in saved.items()
    ]
    notes = damage_notes(saved.set_aside)
    changed = given.get("name", "")
    if changed in saved and "at" not in given:
        site = saved.find(changed, "saved site")
        values = {**_as_typed(site.defaults), **given}
        return OwnPage(
            "Places", f"What questions about {changed} take where nothing else says it", action="/places",
            entries=entries, form=_option_fields(_offered(usual_options()), values),
            hidden=[("name", changed), ("defaults", "true")], notes=notes,
        )  # fmt: skip
    return OwnPage("Places", "Add a place", action="/places", entries=entries, form=_place_form(given), notes=notes)


def _place_form(given: Mapping[str, str]) -> list[FormField]:
    covers = tuple((name, name) for name in surface_cover_classes())
    return [
        replace(one, value=given.get(one.name, ""), choices=covers if one.name == "surface_cover" else ())
        for one in _OF_PLACE
    ]


def new_place(given: Mapping[str, str]) -> OwnPage:
    """Return the form of a new place at a point, such as one that was chosen on the map.

    Parameters
    ----------
    given : mapping
        ``latitude`` and ``longitude`` [degree], both or neither.

    Raises
    ------
    WxflyError
        For one of them alone, and for what is no place on Earth.
    """
    _check_known(given, ("latitude", "longitude"))
    if not given:
        return OwnPage("New place", "Save this place", action="/places", form=_place_form({}))
    if len(given) == 1:
        raise WxflyError("latitude and longitude are wanted, both in degrees, such as latitude=52.1&longitude=6.9")
    values = {}
    for name, most in (("latitude", 90), ("longitude", 180)):
        try:
            values[name] = float(given[name])
        except ValueError:
            values[name] = math.nan
        if not abs(values[name]) <= most:
            text = shortened(given[name], 40)
            raise WxflyError(
                f"a {name} of '{text}' is not on Earth; wanted degrees from -{most} to {most}, such as 52.1"
            )
    at = f"{values['latitude']:.5f},{values['longitude']:.5f}"
    on_map = f"/?{urlencode({'around': at, 'within': '20km'})}#map-of-places"
    links = (
        (f"/best?{urlencode({'place': at})}", "Ask for this point, without saving it"),
        (on_map, "See it on the map, nearer"),
    )
    return OwnPage(f"New place at {at}", "Save this place", action="/places", form=_place_form({"at": at}), links=links)


def _keep_place(given: Mapping[str, str]) -> str:
    name = given.get("name", "")
    if given.get("defaults") == "true":
        options = _offered(usual_options())
        keys = [option.key for option in options]
        _check_known(given, ["name", "defaults", *keys])
        of_site = _as_typed(read_sites(sites_file()).find(name, "saved site").defaults)
        before = {key: value for key, value in of_site.items() if key in keys}
        changed = {key: value for key, value in given.items() if before.get(key) != value}
        gone = [key for key in before if key not in given]
        words = _words(options, changed)
        if gone or words != Words():
            keep_defaults(name, words, gone)
        return f"saved what questions about {name} take"
    _check_known(given, [one.name for one in _OF_PLACE])
    if not name or "at" not in given:
        raise WxflyError("a name and a place are wanted, such as meadow and 52.1,6.9")
    site = keep_site(
        name, given["at"], surface_altitude=given.get("surface_altitude"), surface_cover=given.get("surface_cover"),
        time_zone=given.get("time_zone"),
    )  # fmt: skip
    return f"saved {name}: {site.latitude:.4f},{site.longitude:.4f}, {site.time_zone}"


def _offered(options: Sequence[Option]) -> list[Option]:
    return [option for option in options if option.name not in NOT_OFFERED]


# --- plans -----------------------------------------------------------------------------------------------------


def _plan_options() -> list[Option]:
    return _offered(plan_options())


def _show_plans(given: Mapping[str, str]) -> OwnPage:
    saved = read_plans(plans_file())
    entries = [
        Entry(
            name, ", ".join(f"{key} {value}" for key, value in _as_typed(words).items()),
            _links("/plans", name, (f"/?{urlencode({'plan': name})}", "ask with it")),
        )
        for name, words in saved.items()
    ]  # fmt: skip
    name = given.get("name", "")
    is_change = name in saved and (len(given) == 1 or given.get("replaces") == "true")
    values = {**(_as_typed(saved[name]) if is_change and len(given) == 1 else {}), **given}
    named = FormField("name", "Name of the plan", "Such as roof", name, is_front=True, is_needed=True)
    return OwnPage(
        "Plans", f"Change the plan {name}" if is_change else "Add a plan", action="/plans", entries=entries,
        form=[*([] if is_change else [named]), *_option_fields(_plan_options(), values)],
        hidden=[("name", name), ("replaces", "true")] if is_change else [], notes=damage_notes(saved.set_aside),
    )  # fmt: skip


def _keep_plan(given: Mapping[str, str]) -> str:
    options, name = _plan_options(), given.get("name", "")
    _check_known(given, ["name", "replaces", *(option.key for option in options)])
    words, replaces = _words(options, given), given.get("replaces") == "true"
    if replaces:  # what no form offers stays
        before = find_plan(plans_file(), name)
        words = replace(words, **{key: getattr(before, key) for key in NOT_OFFERED})
    keep_plan(name, words, replaces=replaces)
    return f"saved plan {name}"


# --- aircraft --------------------------------------------------------------------------------------------------


def _own_aircraft() -> dict[str, Any]:
    path = own_aircraft_file()
    return parse_toml(read_if_there(path) or "", str(path))


def _show_aircraft(given: Mapping[str, str]) -> OwnPage:
    table, own = load_aircraft(own_aircraft_file()), _own_aircraft()
    entries = [
        Entry(name, one.title, _links("/aircraft", name) if name in own else ()) for name, one in table.items()
    ] + [
        Entry(name, "cannot be read", ((f"/aircraft/remove?{urlencode({'name': name})}", "remove"),))
        for name in own
        if name not in table
    ]
    name = given.get("name", "")
    is_change = isinstance(own.get(name), dict)
    values = {**({key: figure_text(one) for key, one in own[name].items()} if is_change else {}), **given}
    form = [
        *([] if is_change else [FormField("name", "Name", "Such as my-quad", name, is_front=True, is_needed=True)]),
        FormField("title", "In words", "", values.get("title", ""), is_front=True, is_needed=True),
        FormField(
            "kind", "Kind", "", values.get("kind", ""), tuple((one, one) for one in AircraftKind), is_front=True,
            is_needed=True,
        ),
        *(
            FormField(
                key, label_of(key),
                f"A {figure.quantity}" + ("" if figure.quantity == "number" else " with its unit"),
                values.get(key, ""), is_front=figure.is_needed, is_needed=figure.is_needed,
            )
            for key, figure in FIGURES.items()
        ),
    ]  # fmt: skip
    return OwnPage(
        "Aircraft", f"Change the aircraft {name}" if is_change else "Add your own aircraft, from the maker's manual",
        action="/aircraft", entries=entries, form=form, hidden=[("name", name)] if is_change else [],
        notes=damage_notes(table.set_aside),
    )  # fmt: skip


def _keep_aircraft(given: Mapping[str, str]) -> str:
    keys = ["title", "kind", *FIGURES]
    _check_known(given, ["name", *keys])
    keep_aircraft(given.get("name", ""), {key: given.get(key, "") for key in keys})
    return f"saved aircraft {given['name']}"


# --- settings --------------------------------------------------------------------------------------------------

_EXCHANGE = (("/settings/export", "Export"), ("/settings/import", "Import"))
OFFERED_SETTINGS = tuple(
    key for key in SETTINGS
    if not key.startswith("sources.") and key not in {OPTIONS[name].key for name in NOT_OFFERED}
)  # fmt: skip
"""The addresses of services are left out, and files of this machine: no page may turn the program to others."""


def kept_settings() -> dict[str, str]:
    """Return the settings of the pilot's file, as typed."""
    origins = load_settings().origins
    return {
        row.key: row.value
        for row in settings_in_force(None, None)
        if row.key in OFFERED_SETTINGS and origins.get(row.key) == "file"
    }


def _show_settings(given: Mapping[str, str]) -> OwnPage:
    kept = {**kept_settings(), **given}
    in_force = {row.key: row for row in settings_in_force(None, None)}
    of_options = {option.key: option for option in usual_options()}
    form = []
    for key in OFFERED_SETTINGS:
        row = in_force[key]
        now = f"In force: {row.value or 'none'} ({row.source})"
        if key in of_options:
            one = option_field(of_options[key], kept.get(key, ""))
            one = replace(one, hint=f"{one.hint} {now}", is_needed=False, is_number=False)
        else:
            one = FormField(key, label_of(key), now, kept.get(key, ""), is_front=key == "home")
        form.append(one)
    return OwnPage(
        "Settings", "What every question takes where nothing else says it", action="/settings", form=form,
        entries=[Entry("Places, plans, aircraft, rules and settings", "as one file", _EXCHANGE)],
        notes=damage_notes(load_settings().set_aside),
    )  # fmt: skip


def _keep_settings(given: Mapping[str, str]) -> str:
    _check_known(given, OFFERED_SETTINGS)
    before = kept_settings()
    changed: dict[str, str | None] = {key: value for key, value in given.items() if before.get(key) != value}
    changed |= {key: None for key in before if key not in given}
    if changed:
        keep_settings(changed)
    return f"saved {', '.join(changed)}" if changed else "nothing was changed"


KINDS_OF_OWN: dict[str, OwnKind] = {
    kind.path: kind
    for kind in (
        OwnKind("/places", _show_places, _keep_place, lambda name: remove_site(sites_file(), name), "the place"),
        OwnKind("/plans", _show_plans, _keep_plan, lambda name: remove_plan(plans_file(), name), "the plan"),
        OwnKind("/aircraft", _show_aircraft, _keep_aircraft, forget_aircraft, "the aircraft"),
        OwnKind("/settings", _show_settings, _keep_settings),
    )
}


# --- all as one text --------------------------------------------------------------------------------------------------

_VERSION = 1  # of the text; a later one is refused
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
    return json.dumps({"wxfly": _VERSION, **files, _SETTINGS: kept_settings()}, indent=1, ensure_ascii=False) + "\n"


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
    if not isinstance(document, dict) or document.get("wxfly") != _VERSION:
        raise WxflyError(f"this is no file of own things of version {_VERSION}; wanted the text of {FILE_NAME}")
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


def keep_taken(taken: Taken) -> str:
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
