"""What a question uses where the pilot types nothing: first from its plan, then from the site, then the settings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.limits import element_of_limit
from wxfly.pilot.options import OPTIONS, OwnLimits, Words, said, usual_options, written
from wxfly.pilot.own_files import OwnTable
from wxfly.pilot.settings import Settings, find_plan, load_settings, plans_file, removing, sites_file
from wxfly.pilot.site import Site, read_sites
from wxfly.retrieval.places import demo_sites


@dataclass(frozen=True)
class Layer:
    """The words of one of the pilot's files.

    Attributes
    ----------
    origin : str
        The file in words: ``plan roof``, ``defaults of meadow``, ``settings``.
    words : Words
        Its words.
    way_out : str
        How the pilot can correct it.
    """

    origin: str
    words: Words
    way_out: str


@dataclass(frozen=True)
class Taken:
    """The words of a question with those from the pilot's files.

    Attributes
    ----------
    places : tuple of str
        As given, or the pilot's home where none is given.
    words : Words
        The words of the whole question.
    heights : tuple of (str or None)
        Flight height of each place: sites may have their own heights.
    origins : mapping
        Origin of each word that was not given, by its name; of a limit by ``limits`` and its element.
    used : tuple of Layer
        The layers, each with the words that were taken from it.
    """

    places: tuple[str, ...]
    words: Words
    heights: tuple[str | None, ...] = ()
    origins: Mapping[str, str] = field(default_factory=dict)
    used: tuple[Layer, ...] = ()


def take_usual(given: Words, places: Sequence[str]) -> Taken:
    """Return the words of a question with those of its plan, its sites and the settings.

    Parameters
    ----------
    given : Words
        The words of the pilot's question; they take precedence over everything else.
    places : sequence of str
        As the pilot wrote them.

    Raises
    ------
    WxflyError
        For a plan or a part of the settings that cannot be read, and for sites of one question whose defaults differ.
    """
    settings, saved = load_settings(), read_sites(sites_file())
    if not places and given.forecast_path is None:
        places = home_of(settings, saved)
    first = next(iter(saved.values()), None) if given.forecast_path is None else None
    sites = [site_of(place, saved) for place in places] or [first]
    results = [_filled(given, layers_of(given.plan, site, settings)) for site in sites]
    words, origins, used = results[0]
    _refuse_unlike(places, [result[0] for result in results])
    _refuse_doubtful(settings, words)
    return Taken(tuple(places), words, tuple(result[0].height for result in results), origins, used)


def layers_of(plan: str | None, site: Site | None, settings: Settings) -> list[Layer]:
    """Return the words of the pilot's files in order of precedence: plan, defaults of the site, settings."""
    layers = [] if plan is None else [_plan(plan)]
    layers += [] if site is None else [_of_site(site)]
    return [*layers, Layer("settings", settings.usual, "change it with: wxfly set")]


def taken_from(layers: Sequence[Layer]) -> tuple[Words, Mapping[str, str]]:
    """Return the words that a question takes from layers where it has none itself, and the origin of each."""
    words, origins, _ = _filled(Words(), layers)
    return words, origins


def home_of(settings: Settings, saved: OwnTable[Site]) -> list[str]:
    """Return the place of what is asked without one; empty for the first saved site or the demonstration."""
    part = settings.doubtful("home")
    if part is not None and not settings.home:
        raise WxflyError(f"{part.where}: {part.fault}; your home site is not known: mend it, or name a site")
    if settings.home:
        check_home(settings.home, saved)
    return [settings.home] if settings.home else []


def check_home(name: str, saved: OwnTable[Site]) -> None:
    """Refuse a home that is neither a saved site nor one of the demonstration, or that cannot be read."""
    saved.refuse_uncertain(name, "the site")
    if name not in saved and name not in demo_sites():
        fault = unknown_name("home site", name, [*saved, *demo_sites()])
        raise WxflyError(f"{fault}; save it with: wxfly sites add, or change it with: wxfly set home NAME")


def _plan(name: str) -> Layer:
    return Layer(f"plan {name}", find_plan(plans_file(), name), f"save it anew, or remove it with: {removing(name)}")


_ADD_UP = ("limits", "required", "advised")
"""Options whose values add up over the layers, so that none loosens another."""


def _of_site(site: Site) -> Layer:
    return Layer(f"defaults of {site.name}", site.defaults, f"change it with: wxfly sites set {site.name}")


def site_of(place: str, saved: Mapping[str, Site]) -> Site | None:
    """Return the saved site of a place, with or without a height behind it; None where there is none."""
    for words in (place.strip(), place.rpartition("@")[0].strip()):
        name = words if words in saved else next((n for n in saved if n.casefold() == words.casefold()), None)
        if name is not None:
            return saved[name]
    return None


def _filled(given: Words, layers: Sequence[Layer]) -> tuple[Words, dict[str, str], tuple[Layer, ...]]:
    """Return words filled from the layers in their order, the origin of each, and what each layer provided."""
    words = given
    origins: dict[str, str] = {}
    used: list[Layer] = []
    for layer in layers:
        taken = dict(_missing(words, layer.words))
        words = replace(words, **{name: _joined(getattr(words, name), value) for name, value in taken.items()})
        used.append(replace(layer, words=Words(**taken)))
        for name, value in taken.items():
            if isinstance(OPTIONS[name].kind, OwnLimits):
                origins |= {f"{name} {element_of_limit(one)}": layer.origin for one in value}
            else:
                origins.setdefault(name, layer.origin)
    return words, origins, tuple(used)


def _joined(upper: Any, lower: Any) -> Any:
    return (*upper, *lower) if isinstance(upper, tuple) else lower


def _missing(words: Words, layer: Words) -> Iterator[tuple[str, Any]]:
    """Yield what a layer adds to words; limits and elements to require or advise add up, so that nothing loosens."""
    limited = {element_of_limit(one) for one in words.limits}
    named = {*words.required, *words.advised}
    for name, value in said(layer):
        if name == "limits":
            value = tuple(one for one in value if element_of_limit(one) not in limited)
        elif name in ("required", "advised"):
            value = tuple(one for one in value if one not in named)
        elif getattr(words, name) not in (None, ()):
            continue
        if value != ():
            yield name, value


def _refuse_unlike(places: Sequence[str], words: Sequence[Words]) -> None:
    """Refuse sites of one question that differ in a default: one answer has one aircraft and one set of limits."""
    for place, other in zip(places[1:], words[1:], strict=True) if places else ():
        for option in usual_options():
            mine, theirs = (getattr(one, option.name) for one in (words[0], other))
            if option.name != "height" and mine != theirs:
                both = " and ".join(written(one) if one not in (None, ()) else "none" for one in (mine, theirs))
                raise WxflyError(
                    f"{places[0]} and {place} differ in their {option.key} ({both}); give --{option.flag} for both"
                )


def _refuse_doubtful(settings: Settings, words: Words) -> None:
    """Refuse to answer by a default where an unreadable part of the settings may be stricter."""
    for option in usual_options():
        # What adds up is not replaced by what is given here: the part that cannot be read may hold more.
        adds_up = option.name in _ADD_UP
        part = settings.doubtful(option.key) if adds_up or getattr(words, option.name) in (None, ()) else None
        if part is not None:
            way_out = "correct it" if adds_up else f"correct it, or give --{option.flag}"
            raise WxflyError(f"{part.where}: {part.fault}; your usual {option.key} is not known: {way_out}")
