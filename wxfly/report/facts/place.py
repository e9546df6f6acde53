"""The place, the aircraft, and the forecast that answers for them."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from wxfly.answer.briefing import AgeCountsFrom, age_of
from wxfly.answer.request import Briefing
from wxfly.cube.contract import VARIABLES
from wxfly.flight.advice import sight
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.site import Site
from wxfly.report.facts.values import Degrees, Facts, Metres, Seconds, known_moment, moment_of, number, seconds
from wxfly.retrieval.origin import NOT_KNOWN, ForecastOrigin, KpOrigin


class ModelHoursFacts(Facts, frozen=True):
    """A stretch of hours of one model."""

    model: str
    """Name of the model that these hours are of."""
    run: datetime | None
    """Start of its run."""
    first: datetime
    """First and last hour."""
    last: datetime
    """First and last hour."""
    taken: dict[str, str]
    """Variables that come from another model in these hours, and whose they are."""


class KpFacts(Facts, frozen=True):
    """The parts of the Kp, each with its age at `now`; null where there is no such part."""

    forecast_retrieved: datetime | None
    forecast_age: Seconds | None
    """Of one that is not renewed any more, the end of the last observation."""
    observed_until: datetime | None
    observed_age: Seconds | None
    """End of the last observed Kp."""
    outlook_issued: datetime | None
    outlook_age: Seconds | None
    outlook_from: datetime | None
    """First hour that is taken from the outlook."""


class ForecastFacts(Facts, frozen=True):
    """One forecast: of one model, or of several one after the other, each hour of one of them."""

    is_ensemble: bool
    """Whether it gives the chance only."""
    source: str | None
    institution: str | None
    model: str | None
    """The service, who runs the model, and its name."""
    attribution: str | None
    licence: str | None
    """Show both to whoever reads what you make of the answer."""
    history: str | None
    """How it was obtained."""
    run: datetime | None
    retrieved: datetime | None
    """Start of the run, and when it was retrieved."""
    age: Seconds | None
    """At `now`, counted from `age_counts_from`."""
    age_counts_from: AgeCountsFrom | None
    """The first of these that is known."""
    by_hours: list[ModelHoursFacts]
    """Which hours are of which model, in order of time; more than one where models follow one another."""
    kp_ages: KpFacts | None
    """Ages of the Kp beside the forecast."""
    has_surrounding_cells: bool
    """Whether the chance counts how far the model's cells around the site differ."""


class SiteFacts(Facts, frozen=True):
    """The place."""

    name: str
    """What the pilot calls it. It may hold any character: escape it where you show it."""
    latitude: Degrees
    longitude: Degrees
    """North and east positive."""
    surface_altitude: Metres | None
    """Ground above mean sea level."""
    time_zone: str
    """IANA name."""
    surface_cover: str | None
    """Class of the surface, where the pilot gave one."""
    invented: bool
    """Whether the place is invented."""


class AircraftFacts(Facts, frozen=True):
    """What is flown."""

    name: str
    title: str
    """Short name, and words for people."""
    kind: str
    """Kind of aircraft."""
    sight_range: Metres | None
    """Distance to which its attitude is seen in clear air, from its size."""


def forecast_facts(briefing: Briefing, provenance: ForecastOrigin, *, is_ensemble: bool) -> ForecastFacts:
    """Return where a forecast is from, and how old it is for a briefing."""

    def words(value: str) -> str | None:
        return None if value in (NOT_KNOWN, "") else value

    age, since = age_of(provenance, briefing.now)
    return ForecastFacts(
        is_ensemble=is_ensemble,
        source=words(provenance.source),
        institution=words(provenance.institution),
        model=words(provenance.model),
        attribution=words(provenance.attribution),
        licence=words(provenance.license),
        history=words(provenance.history),
        run=known_moment(provenance.run),
        retrieved=known_moment(provenance.retrieved),
        age=None if np.isnat(age) else seconds(age),
        age_counts_from=since,
        by_hours=[
            ModelHoursFacts(of.model, known_moment(of.run), moment_of(of.first), moment_of(of.last), dict(of.taken))
            for of in provenance.by_hours
        ],
        kp_ages=None if provenance.kp is None else _kp_facts(provenance.kp, briefing.now),
        has_surrounding_cells=provenance.has_cells,
    )


def _kp_facts(kp: KpOrigin, now: np.datetime64) -> KpFacts:
    def age(since: np.datetime64) -> int | None:
        return None if np.isnat(since) else seconds(now - since)

    return KpFacts(
        forecast_retrieved=known_moment(kp.retrieved),
        forecast_age=age(kp.retrieved),
        observed_until=known_moment(kp.observed_until),
        observed_age=age(kp.observed_until),
        outlook_issued=known_moment(kp.outlook_issued),
        outlook_age=age(kp.outlook_issued),
        outlook_from=known_moment(kp.outlook_from),
    )


def site_facts(site: Site) -> SiteFacts:
    """Return a place."""
    ground = None if site.surface_altitude is None else number(site.surface_altitude)
    return SiteFacts(site.name, site.latitude, site.longitude, ground, site.time_zone, site.surface_cover, site.is_demo)


def aircraft_facts(aircraft: Aircraft) -> AircraftFacts:
    """Return what is flown."""
    seen = sight(np.array([np.nan]), aircraft)[0]
    return AircraftFacts(aircraft.name, aircraft.title, aircraft.kind, number(seen))


def title_of_variable(name: str) -> str:
    """Return a variable of a forecast in words."""
    return VARIABLES[name].long_name
