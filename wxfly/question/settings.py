"""The pilot's settings, saved sites with their defaults, and saved plans: what is in force, and each change checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from wxfly.cube.notes import NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import parse_aircraft
from wxfly.pilot.options import OPTIONS, Names, Words, find_option, kept_values, said, usual_options, written
from wxfly.pilot.own_files import change_toml, check_name, remove_entry
from wxfly.pilot.settings import (
    SETTINGS,
    USUAL,
    Settings,
    change_settings,
    load_settings,
    own_aircraft_file,
    plans_file,
    save_plan,
    setting_key,
    setting_value,
    sites_file,
)
from wxfly.pilot.site import Site, read_sites, save_site, set_defaults
from wxfly.question.defaults import check_home, layers_of, taken_from
from wxfly.question.question import check_words, read_question
from wxfly.retrieval.places import resolve_site
from wxfly.units import parse_quantity


@dataclass(frozen=True)
class InForce:
    """A setting in force.

    Attributes
    ----------
    key : str
        The key for `wxfly set`.
    value : str
        The value as a pilot types it; empty for none.
    source : str
        ``plan`` and its name, ``defaults of`` a site, ``environment``, ``file`` or ``default``.
    """

    key: str
    value: str
    source: str


def settings_in_force(place: str | None, plan: str | None) -> list[InForce]:
    """Return every setting with the value that a question about a place and with a plan would use.

    Parameters
    ----------
    place : str or None
        A saved site; None leaves out the defaults of every site.
    plan : str or None
        A saved plan.
    """
    settings, saved = load_settings(), read_sites(sites_file())
    if place is not None:
        saved.find(place, "saved site")
    words, origins = taken_from(layers_of(plan, None if place is None else saved[place], settings))
    rows = []
    for key in SETTINGS:
        value, source = _of_settings(settings, key)
        name = _option_of(key)
        if name and getattr(words, name) not in (None, ()):
            value = written(getattr(words, name))
            of = origins.get(name) or next(o for k, o in origins.items() if k.startswith(f"{name} "))
            source = "file" if of == "settings" else of
        rows.append(InForce(key, value, source))
    # A plan may also state what no setting can: the day, a file.
    others = [(name, value) for name, value in said(words) if OPTIONS[name].is_of_once]
    return [*rows, *(InForce(OPTIONS[name].key, written(value), origins[name]) for name, value in others)]


def _option_of(key: str) -> str:
    return next((option.name for option in usual_options() if option.key == key), "")


def _of_settings(settings: Settings, key: str) -> tuple[str, str]:
    """Return the value of a setting from the environment, the file or the default, and its source."""
    source = settings.origins.get(key, "default")
    if key.startswith("sources."):
        return settings.addresses[key.removeprefix("sources.")] or "(not asked)", source
    if key in USUAL or (key == "model" and not settings.names_model) or (key == "ensemble" and not settings.ensemble):
        return OPTIONS[_option_of(key)].default, source
    if key == "home" and not settings.home:
        return "the first saved site, or the demonstration", source
    value = getattr(settings, key)
    return (f"{value:g}" if isinstance(value, float) else str(value)), source


def keep_setting(text: str, value: str | None) -> str:
    """Change one setting; return its key.

    Parameters
    ----------
    text : str
        The key as typed.
    value : str or None
        Its value as typed, values of one that takes several joined by commas; None removes it from the file.

    Raises
    ------
    WxflyError
        For an unknown key, with the nearest one, and for a value that no question can use.
    """
    key = setting_key(text)
    keep_settings({key: value})
    return key


def joined_values(text: str, values: Sequence[str]) -> str:
    """Return the values of a setting as one text; an error where it takes but one."""
    key = setting_key(text)
    if len(values) > 1 and not (key in USUAL and isinstance(USUAL[key].kind, Names)):
        raise WxflyError(f"{key} takes one value, not {len(values)}; put one with spaces in quotes")
    return ",".join(values)


def looser_limits() -> list[str]:
    """Return what the settings hold that is looser than the aircraft or the rules, in words."""
    from wxfly.question.ask import own_limit_notes  # here, because it slows the start of the program

    try:
        question = read_question("best", [], Words())
    except WxflyError:  # of something else that a question will tell
        return []
    return [note for note in own_limit_notes(question) if kind_of(note) is NoteKind.LOOSER_LIMITS]


def keep_settings(given: dict[str, str | None]) -> None:
    """Change several settings at once, by key, as `keep_setting` does; a fault in one changes none."""
    settings = load_settings()
    usual, named = settings.usual, given.get("units")
    units = str(setting_value("units", named)) if named else settings.units
    values: dict[str, Any] = {}
    changed = Words()
    for key, text in given.items():
        value = None if text is None else setting_value(key, text)
        if key == "home" and value is not None:
            check_home(value, read_sites(sites_file()))
        if (name := _option_of(key)) and value is not None:
            word = OPTIONS[name].kind.parse(name, str(text)) if key == "ensemble" else value
            changed = replace(changed, **{name: OPTIONS[name].kind.with_unit(word, units)})
        values[key] = value
    check_words(changed)
    _check_together(usual, changed)
    values |= {key: value for key, value in kept_values(changed).items() if key in USUAL}
    change_settings(values)


def _check_together(usual: Words, changed: Words) -> None:
    """Refuse what is valid alone but conflicts with what is kept, where that was valid before."""
    try:
        check_words(usual)
    except WxflyError:
        return  # what is kept already has a fault, which this change may repair
    check_words(replace(usual, **dict(said(changed))))


def keep_plan(name: str, words: Words, *, replaces: bool = False) -> None:
    """Save a plan.

    Parameters
    ----------
    name : str
        Its name.
    words : Words
        Its words; a number without a unit is in the units that it names, else in those of the settings.
    replaces : bool, optional
        Whether to replace a plan of this name.
    """
    if not any(said(words)):
        raise WxflyError("a plan needs at least one option, such as --height 60m (see: wxfly plans add --help-all)")
    units = words.units or load_settings().units
    words = _with_units(words, units)
    check_words(words)
    save_plan(plans_file(), name, words, units, replace=replaces)


def keep_site(
    name: str,
    place: str,
    *,
    surface_altitude: str | None = None,
    surface_cover: str | None = None,
    time_zone: str | None = None,
    offline: bool = False,
    replaces: bool = False,
) -> Site:
    """Save a site, and return it.

    Parameters
    ----------
    name, place : str
        Its name, and ``LATITUDE,LONGITUDE`` or the name of a place.
    surface_altitude, surface_cover, time_zone : str, optional
        Its ground, the class of its surface, and its time zone, as the pilot wrote them.
    offline : bool, optional
        Whether to ask no service.
    replaces : bool, optional
        Whether a saved site of this name may move.

    Raises
    ------
    WxflyError
        When a site of this name is saved already at another place, and it may not move.
    """
    check_name(name)
    saved = read_sites(sites_file())
    found = resolve_site(place, saved={}, offline=offline)
    there = next((known for known in saved if known.casefold() == name.casefold()), None)
    if there is not None and not (there == name and (replaces or saved[there].key == found.key)):
        way = "add --replace" if there == name else "remove that one first"
        at = f"{saved[there].latitude:.4f},{saved[there].longitude:.4f}"
        raise WxflyError(f"a site '{there}' is saved already, at {at}; give another name, or {way}")
    # What a site of this name already says of its ground stays; only the place and what is given change.
    site = replace(
        saved.get(name, found),
        name=name,
        latitude=found.latitude,
        longitude=found.longitude,
        surface_altitude=found.surface_altitude,
        time_zone=found.time_zone,
        is_demo=False,
    )
    if surface_altitude:
        site = replace(site, surface_altitude=parse_quantity(surface_altitude, "length", "m"))
    if surface_cover:
        site = replace(site, surface_cover=surface_cover)
    if time_zone:
        site = replace(site, time_zone=time_zone)
    save_site(sites_file(), site)
    return site


def keep_aircraft(name: str, values: Mapping[str, str]) -> None:
    """Add or change an aircraft in the pilot's file, keeping the rest of the file and its comments.

    Parameters
    ----------
    name : str
        Its name.
    values : mapping
        Title, kind and figures with their units, as typed; an empty text takes a figure out. A figure that is unchanged
        keeps its source.

    Raises
    ------
    WxflyError
        For what no aircraft may have; nothing is changed then.
    """
    import tomlkit

    check_name(name, "aircraft")

    def change(document: Any) -> None:
        table = document[name] if name in document else tomlkit.table()
        for key, text in values.items():
            if text and text != figure_text(table.get(key)):
                table[key] = text
            elif not text and key in table:
                del table[key]
        parse_aircraft(tomlkit.dumps({name: table}), str(own_aircraft_file()))
        document[name] = table

    change_toml(own_aircraft_file(), change)


def figure_text(given: Any) -> str:
    """Return the text of a figure of the pilot's file, which may be a table with its source."""
    value = given.get("value") if isinstance(given, Mapping) else given
    return str(value) if isinstance(value, str) else ""


def forget_aircraft(name: str) -> None:
    """Remove an aircraft from the pilot's file."""
    remove_entry(own_aircraft_file(), "aircraft of your own", name)


def keep_defaults(name: str, words: Words, removed: Sequence[str]) -> Words:
    """Change the defaults of a saved site, and return them.

    Parameters
    ----------
    name : str
        The site.
    words : Words
        The new defaults.
    removed : sequence of str
        Keys to remove.
    """
    units = words.units or load_settings().units
    words = _with_units(words, units)
    before = read_sites(sites_file()).find(name, "saved site").defaults
    gone = {find_option(key, usual_options()).key: None for key in removed}
    if not gone and not any(said(words)):
        raise WxflyError("nothing to set; give an option such as --height 60m, or --remove KEY")
    check_words(words)
    _check_together(before, words)
    set_defaults(sites_file(), name, {**gone, **kept_values(words)})
    return read_sites(sites_file())[name].defaults


def _with_units(words: Words, units: str) -> Words:
    return replace(words, **{name: OPTIONS[name].kind.with_unit(value, units) for name, value in said(words)})
