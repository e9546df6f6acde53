"""Briefings for the tests of the reports: quiet days, in which a test changes what it is about."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import xarray as xr

from tests.cubes import START, quiet_cube
from wxfly.answer.briefing import make_briefing
from wxfly.answer.request import Request
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.pilot.work import PlannedWork
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.site import HourWords, site_answer_facts, timeline_facts
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.pages.page import to_html
from wxfly.report.text.answer import words_of
from wxfly.retrieval.origin import ForecastOrigin

MEADOW = Site("Meadow", 52.0, 6.0, 30.0, "Europe/Amsterdam")
RANCH = Site("Ranch", 39.0, -105.0, 30.0, "America/Denver")
NOW = START.astype("datetime64[s]") - np.timedelta64(12, "h")

TAKEN_ON = replace(limits_for(find_aircraft("camera-quad-250g")), accepted=("visibility", "kp"))
"""Limits of a pilot who has taken visibility and Kp on himself: an hour that has lost them goes by the others."""

PROVENANCE = ForecastOrigin(
    source="a test", institution="a test", license="CC BY 4.0", history="made for a test",
    attribution="Weather data by Example (https://example.org/)", model="a_model",
    run=NOW - np.timedelta64(6, "h"), retrieved=NOW - np.timedelta64(1, "h"),
)  # fmt: skip


def hours(first, last):
    """Return stamps of hours of the first day, UTC, both ends included."""
    return [START + np.timedelta64(h, "h") for h in range(first, last + 1)]


def with_values(cube, name, value, first=None, last=None):
    """Set a variable over stamps of hours, or throughout."""
    cube = cube.copy(deep=True)
    chosen = slice(None) if first is None else slice(first, last + 1)
    cube[name].values[chosen] = value
    return cube


_SHARED = {}
"""Cubes that many tests look at and none changes, by their identity."""
_MADE = {}


def shared(make):
    """Make a cube once for all tests; such a cube is only read."""

    @cache
    def once(*arguments):
        cube = make(*arguments)
        return _SHARED.setdefault(id(cube), cube)

    return once


quiet = shared(quiet_cube)


def brief(question="best", cubes=None, sites=None, *, days=1, **changes):
    """Make a briefing of quiet cubes, one for each site; of the same cubes and words it is made once, to be read."""
    sites = tuple(sites or [MEADOW])
    cubes = tuple(cubes or [quiet(24 * days + 12) for _ in sites])
    given = {name: tuple(value) if isinstance(value, list) else value for name, value in changes.items()}
    try:
        key = (question, *map(id, cubes), sites, days, frozenset(given.items()))
    except TypeError:  # something that has no hash, such as a provenance of its own
        key = None
    if key is None or not all(id(cube) in _SHARED for cube in cubes):
        return _brief(question, cubes, sites, days=days, **changes)
    if key not in _MADE:
        _MADE[key] = _brief(question, cubes, sites, days=days, **changes)
    return _MADE[key]


def drawing(briefing):
    """Return the facts of a briefing, and what the pictures of its sites show."""
    facts = facts_of(briefing)
    return facts, timeline_facts(briefing, facts.sites)


def page(briefing, units="metric", time_zone=None):
    """Write the page of a briefing."""
    facts = facts_of(briefing, units=units, time_zone=time_zone)
    return to_html(facts, timeline_facts(briefing, facts.sites), words_of(facts))


def reader_of(answer, units="metric"):
    """Return the units and the site's own clock."""
    return Reader(units, Clock(answer.request.site.time_zone))


def hour_words(answer, units="metric"):
    """Return the words of the hours of an answer."""
    return HourWords(site_answer_facts(answer, "", []), units)


def renamed(briefing, *names):
    """Return the briefing with other names of its sites, not made anew."""
    answers = [
        replace(answer, request=replace(answer.request, site=replace(answer.request.site, name=name)))
        for answer, name in zip(briefing.answers, names, strict=True)
    ]
    return replace(briefing, answers=type(briefing.answers)(answers))


def _brief(
    question,
    cubes,
    sites,
    *,
    heights=None,
    aircraft="camera-quad-250g",
    days=1,
    limits=None,
    work=None,
    first_day=1,
    prefers_low_light=False,
    **changes,
):
    heights = heights or [80.0] * len(sites)
    cube = xr.concat(
        [
            c.assign_coords(latitude=s.latitude, longitude=s.longitude, surface_altitude=s.surface_altitude)
            for c, s in zip(cubes, sites, strict=True)
        ],
        "site", coords="minimal", compat="override", data_vars="all",
    )  # fmt: skip
    places = {
        name: ("site", [getattr(s, name) for s in sites]) for name in ("latitude", "longitude", "surface_altitude")
    }
    cube = cube.assign_coords(places)
    limits, work = limits or limits_for(find_aircraft(aircraft)), work or PlannedWork()
    requests = [
        Request(s, find_aircraft(aircraft), limits, h, work=work, prefers_low_light=prefers_low_light)
        for s, h in zip(sites, heights, strict=True)
    ]
    periods = [period_of(s, changes.get("now", NOW), first_day=first_day, days=days) for s in sites]
    if question == "compare":
        periods = [(min(p[0] for p in periods), max(p[1] for p in periods))] * len(periods)
    settings = {"minimum_duration": work.reference_period, "now": NOW, "provenance": PROVENANCE, "notes": ()}
    return make_briefing(question, cube, requests, periods, **(settings | changes))


def invented(site=MEADOW):
    """Return a site of a demonstration."""
    return replace(site, is_demo=True)


@shared
def with_gaps(days=1):
    """Return a cube in which gust is missing for two hours, visibility throughout and Kp from noon."""
    cube = quiet_cube(24 * days + 12)
    cube = with_values(cube, "wind_speed_of_gust", np.nan, 10, 11)
    cube = with_values(cube, "visibility_in_air", np.nan)
    return with_values(cube, "kp_index", np.nan, 12, cube.sizes["time"] - 1)


@shared
def stormy(days=1):
    """Return a cube in which the gust is beyond every limit, least so at 15 UTC."""
    cube = with_values(quiet_cube(24 * days + 12), "wind_speed_of_gust", 20.0)
    return with_values(cube, "wind_speed_of_gust", 12.0, 16, 16)


@shared
def nothing_known():
    """Return a cube in which every value is missing, as of a forecast that is too old to be used."""
    cube = quiet_cube(36)
    return cube.assign({n: cube[n].copy(data=np.full(cube[n].shape, np.nan)) for n in cube.data_vars})


class _Briefings(Mapping):
    """Briefings by name, each made when first wanted and then shared: parameters need only names."""

    def __init__(self, makers):
        self._makers = makers
        self._made = {}

    def __getitem__(self, name):
        if name not in self._made:
            self._made[name] = self._makers[name]()
        return self._made[name]

    def __iter__(self):
        return iter(self._makers)

    def __len__(self):
        return len(self._makers)


@cache
def every_question():
    """Return a briefing of each question, with and without gaps, and one in which nothing holds."""
    return _Briefings(
        {
            "best": lambda: brief(),
            "best with gaps": lambda: brief(cubes=[with_gaps()], limits=TAKEN_ON),
            "best with losses": lambda: brief(cubes=[with_gaps()]),
            "best without window": lambda: brief(cubes=[stormy()]),
            "best of which nothing is known": lambda: brief(cubes=[nothing_known()]),
            "compare": lambda: brief("compare", sites=[MEADOW, RANCH]),
            "compare heights": lambda: brief("compare", sites=[MEADOW, MEADOW], heights=[40.0, 110.0]),
            "compare with gaps": lambda: brief("compare", [quiet(36), with_gaps()], [MEADOW, RANCH], limits=TAKEN_ON),
            "compare three": lambda: brief(
                "compare",
                [quiet(60), stormy(2), with_gaps(2)],
                [MEADOW, RANCH, Site("Whistlebrush by the long water", 46.6, 140.0, 30.0, "Asia/Tokyo")],
            ),
            "week": lambda: brief("week", [quiet(84)], days=3),
            "week with gaps": lambda: brief("week", [with_gaps(3)], days=3, limits=TAKEN_ON),
            "week without window": lambda: brief("week", [stormy(3)], days=3),
        }
    )
