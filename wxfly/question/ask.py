"""From words on a command line, or in a form, to a briefing: the one way in for every front end."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.answer.briefing import make_briefing
from wxfly.answer.briefing import run_of as of_provenance
from wxfly.answer.request import Briefing, Question, Request
from wxfly.assessment.forecast_error import ErrorLaw
from wxfly.errors import WxflyError, unknown_name
from wxfly.history.airport_reports import with_report_warnings
from wxfly.history.site_bias import members_asked_for, with_record
from wxfly.pilot.aircraft import DEFAULT as DEFAULT_AIRCRAFT
from wxfly.pilot.aircraft import Aircraft, find_aircraft, load_aircraft
from wxfly.pilot.elements import NAMES, REQUIRED_BY_DEFAULT
from wxfly.pilot.intent import read_intent
from wxfly.pilot.limits import Limits, limits_for
from wxfly.pilot.own_files import told
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import find_rules, load_rules
from wxfly.pilot.settings import config_folder, load_settings
from wxfly.pilot.site import Site, period_of, read_sites, zone_of
from wxfly.times import read_day, read_moment
from wxfly.units import read_quantity

Progress = Callable[[str], None]

DEFAULT_HEIGHT = 60.0
WEEK = 7
SORTIE_OPTIONS = ("distance", "return_height", "work", "batteries", "battery_reserve", "cells", "payload")
"""Any of them asks for the way home to be judged."""


@dataclass(frozen=True)
class Asked:
    """A briefing, and how its reader wants it shown."""

    briefing: Briefing
    units: str
    time_zone: str | None


def own_aircraft_file() -> Path:
    """Give the path of the pilot's own aircraft."""
    return config_folder() / "aircraft.toml"


def sites_file() -> Path:
    """Give the path of the pilot's saved sites."""
    return config_folder() / "sites.toml"


def own_rules_file() -> Path:
    """Give the path of the pilot's own rule sets."""
    return config_folder() / "rules.toml"


@dataclass(frozen=True)
class Prepared:
    """A question made ready: the forecast, and what of it is asked for.

    Attributes
    ----------
    cube : xarray.Dataset
        With the dimension ``site``; what is too old is taken out.
    requests, periods : tuple
        One of each for each site.
    minimum_duration : numpy.timedelta64
        Shortest window of use.
    now : numpy.datetime64
        UTC.
    provenance, notes
        As in `wxfly.answer.briefing.Briefing`.
    units, time_zone
        As in `Asked`.
    ensembles : tuple of xarray.Dataset
        Members, each cube of one model; empty without any.
    law : ErrorLaw or None
        That of the site's record where the pilot switched it on.
    """

    cube: xr.Dataset
    requests: tuple[Request, ...]
    periods: tuple[tuple[np.datetime64, np.datetime64], ...]
    minimum_duration: np.timedelta64
    now: np.datetime64
    provenance: Mapping[str, object]
    notes: tuple[str, ...]
    units: str
    time_zone: str | None
    ensembles: tuple[xr.Dataset, ...] = ()
    law: ErrorLaw | None = None


def ask(question: Question, sites: Sequence[str], options: Mapping[str, Any], *, on_progress: Progress) -> Asked:
    """Answer one of the three questions.

    Parameters
    ----------
    question, sites, options, on_progress
        As in `prepare`.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    ready = prepare(question, sites, options, on_progress=on_progress)
    briefing = make_briefing(
        question,
        ready.cube,
        ready.requests,
        ready.periods,
        minimum_duration=ready.minimum_duration,
        now=ready.now,
        provenance=ready.provenance,
        notes=ready.notes,
        ensembles=ready.ensembles,
        law=ready.law,
    )
    if ready.provenance.get("origin") in ("fetched", "store") and not options.get("as_of"):
        from wxfly.history.previous_choice import remember

        briefing = remember(briefing, on_progress, fresh=bool(options.get("fresh")))
    briefing = _with_changes(briefing, ready, options)
    return Asked(briefing, ready.units, ready.time_zone)


def _with_changes(briefing: Briefing, ready: Prepared, options: Mapping[str, Any]) -> Briefing:
    """Say what would change the answer: height, length, aircraft or day."""
    from wxfly.answer.alternatives import find_changes

    run = of_provenance(ready.provenance)
    others = []
    if any(answer.best is None for answer in briefing.answers):
        others = [(a, _limits(a, options)) for a in load_aircraft(own_aircraft_file()).values()]
    answers = tuple(
        replace(a, changes=find_changes(a, ready.cube.isel(site=i), briefing.minimum_duration, others=others, run=run))
        for i, a in enumerate(briefing.answers)
    )
    return replace(briefing, answers=answers)


def prepare(
    question: Question,
    sites: Sequence[str],
    options: Mapping[str, Any],
    *,
    first_day: int = 1,
    with_sortie: bool = False,
    on_progress: Progress,
) -> Prepared:
    """Read what a pilot asks, and obtain the forecast for it.

    Parameters
    ----------
    question : str
        ``best``, ``compare`` or ``week``.
    sites : sequence of str
        As the pilot wrote them, each with an optional ``@height``; empty for the first saved site or the demo.
    options : mapping
        Of the command line, by name; see ``wxfly best --help``. A missing or empty one takes its default.
    first_day : int, optional
        How many days from today the day asked about is, where none is given.
    with_sortie : bool, optional
        Whether the way home is judged even where the options say nothing of a sortie.
    on_progress : callable
        Told what is being done when it may take over a second.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    from wxfly.retrieval import forecast as retrieval

    aircraft = find_aircraft(options.get("aircraft") or DEFAULT_AIRCRAFT, own_aircraft_file())
    limits = _limits(aircraft, options)
    intent = read_intent(options)
    units = options.get("units") or "metric"
    given = _height(options.get("height"), units)
    height = DEFAULT_HEIGHT if given is None else given
    if options.get("time_zone"):
        zone_of(options["time_zone"])
    as_of = read_moment(options.get("as_of"))

    saved = read_sites(sites_file())
    words = [_split_height(text, saved, units) for text in sites]
    obtained = retrieval.obtain(
        [place for place, _ in words],
        saved=saved,
        forecast_path=options.get("forecast_path"),
        model=options.get("model"),
        offline=bool(options.get("offline")),
        now=as_of,
        on_progress=on_progress,
    )
    obtained = with_report_warnings(obtained, load_settings())
    if not words and len(obtained.sites) > 1:
        names = ", ".join(site.name for site in obtained.sites)
        raise WxflyError(f"the forecast has several places ({names}); name the one you ask about")
    heights = [height if own is None else own for _, own in words] or [height] * len(obtained.sites)
    requests = [
        Request(
            site,
            aircraft,
            limits,
            own,
            prefers_low_light=options.get("prefer") == "low-light",
            toward=read_direction(options.get("toward")),
            intent=intent,
        )
        for site, own in zip(obtained.sites, heights, strict=True)
    ]
    if with_sortie or any(options.get(name) is not None for name in SORTIE_OPTIONS):
        # Only flights that are planned need the rotors; the other answers start faster without.
        from wxfly.question.sortie import plan_sortie

        requests = [plan_sortie(request, options) for request in requests]
    now = obtained.now
    cube, age_notes = obtained.fresh()
    ensembles, ensemble_notes = members_asked_for(
        obtained, options.get("ensemble"), bool(options.get("offline")), on_progress
    )
    cube, ensembles, law, record_notes = with_record(cube, ensembles, obtained.sites, options.get("site_record"))
    if question == "week":
        days = int(options.get("days") or WEEK)
        periods = [period_of(site, now, first_day=0, days=days) for site in obtained.sites]
        horizon = obtained.cube["time"].values[-1].astype("datetime64[s]")
        periods = [(start, min(end, max(horizon, start))) for start, end in periods]
    else:
        day = read_day(options.get("day"))
        periods = [period_of(site, now, day=day, first_day=first_day) for site in obtained.sites]
    if question == "compare":
        # The same hours for all: from the first site's start of day to the last one's end.
        periods = [(min(p[0] for p in periods), max(p[1] for p in periods))] * len(periods)
    if all(end <= now for _, end in periods):
        raise WxflyError(f"that day is over (now is {str(now)[:16]}Z); give a later --date, or --as-of an earlier time")
    return Prepared(
        cube,
        tuple(requests),
        tuple(periods),
        intent.reference_period,
        now,
        obtained.provenance,
        (*_set_aside_notes(), *age_notes, *obtained.notes, *ensemble_notes, *record_notes),
        units,
        options.get("time_zone"),
        ensembles,
        law,
    )


def _set_aside_notes() -> list[str]:
    """Say what of the pilot's sites, aircraft and rules cannot be read."""
    tables = read_sites(sites_file()), load_aircraft(own_aircraft_file()), load_rules(own_rules_file())
    return told([part for table in tables for part in table.set_aside])


def _limits(aircraft: Aircraft, options: Mapping[str, Any]) -> Limits:
    required = list(REQUIRED_BY_DEFAULT)
    wanted, unwanted = options.get("required") or (), options.get("advised") or ()
    for name in (*wanted, *unwanted):
        if name not in NAMES:
            raise unknown_name("element", name, NAMES)
    both = sorted(set(wanted) & set(unwanted))
    if both:
        raise WxflyError(f"{both[0]} is given to --require and to --advise; give it to one")
    required = [n for n in NAMES if (n in required or n in wanted) and n not in unwanted]
    rules = find_rules(options.get("rules") or DEFAULT_RULES, own_rules_file())
    limits = limits_for(aircraft, rules, required=tuple(required))
    limits = replace(limits, accepted=tuple(dict.fromkeys(unwanted)))
    given: dict[str, Any] = {
        key: float(options[key]) for key in ("reserve", "confidence") if options.get(key) is not None
    }
    if options.get("launch_limit"):
        units = options.get("units") or "metric"
        given["maximum_gust_at_launch"] = read_quantity(options["launch_limit"], "speed", units)
        if not given["maximum_gust_at_launch"] > 0:
            raise WxflyError(f"a launch limit of '{options['launch_limit']}' is not above zero")
    return replace(limits, **given)


def _split_height(text: str, saved: Mapping[str, Site], units: str) -> tuple[str, float | None]:
    """Take ``SITE@80m`` apart; a name with an at sign of its own stays whole."""
    place, at, tail = text.rpartition("@")
    if not at or not place or text in saved:
        return text, None
    return place, _height(tail, units)


def _height(text: str | None, units: str) -> float | None:
    return None if not text else read_quantity(text, "length", units)


_COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def read_direction(text: str | None) -> float | None:
    """Read a direction in degrees from north or as a point of the compass."""
    if not text:
        return None
    if text.upper() in _COMPASS:
        return _COMPASS.index(text.upper()) * 22.5
    try:
        degrees = float(text)
    except ValueError:
        degrees = -1.0
    if not 0 <= degrees <= 360:
        raise WxflyError(f"direction '{text}' is not understood; wanted 0 to 360 degrees or a point such as SW")
    return degrees % 360
