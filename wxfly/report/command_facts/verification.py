"""Forecasts compared with what was observed: a site's past, the ledger, the airport's report of this morning."""

from __future__ import annotations

import math
from datetime import datetime

from wxfly.cube.contract import VARIABLES
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.history.airport_check import Expected
from wxfly.history.verification import FEWEST_DAYS
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.site import distance_km
from wxfly.question.verification import LedgerScores, Observed, Verified
from wxfly.report.facts.values import Facts, Hours, Metres, Share, Speed, known_moment, moment_of, number
from wxfly.sources.aviation_weather import ATTRIBUTION, WEATHER, AerodromeForecast, AirportReport


class ErrorFacts(Facts, frozen=True):
    """Errors of wind or gust in one group of hours."""

    element: str
    """wind or gust."""
    group: str
    """Kind of group: lead, sector, time of day, or all."""
    label: str
    """Name of the group."""
    hour_count: int
    day_count: int
    """How many hours and days were compared."""
    bias: Speed | None
    """Mean of forecast minus observation."""
    error: Speed | None
    """Root mean square of the same difference."""


class LearnedFacts(Facts, frozen=True):
    """What a place teaches of its forecasts."""

    words: str
    """In words."""
    factors: dict[str, float]
    """Factors for wind and gust of the forecast."""
    is_kept: bool
    """Whether it was written, for use with `--site-record`."""


class VerificationFacts(Facts, frozen=True):
    """Past forecasts of a site beside its observations."""

    site: str
    """Name of the site."""
    model: str
    """Whose forecasts."""
    forecasts_from: list[str]
    """Where the past forecasts are from."""
    observed_by: str
    """Where the observations are from."""
    observed_height: Metres
    """Height of the anemometer above ground."""
    errors: list[ErrorFacts]
    """Errors by element and group."""
    learned: LearnedFacts | None
    """Null where the days are too few."""
    fewest_days: int
    """Days of wind or gust from which something can be learned."""
    entered_hours: int
    """Observed hours entered in the ledger."""
    set_aside: list[str]
    """What cannot be read of the pilot's files."""


class LeadScore(Facts, frozen=True):
    """How the verdicts of one range of lead times did."""

    least_lead: Hours
    most_lead: Hours
    """Ends of the range."""
    observed_hours: int
    """Hours with a verdict and an observation."""
    unscored_hours: int
    """Hours without an observation, or not known."""
    reported_outside: int
    told_outside_broken: int
    """Hours reported as outside, and those of them in which a limit was broken."""
    told_holding: int
    told_holding_broken: int
    """Hours reported as inside or narrow, and those of them in which a limit was broken."""
    broken_at_most: Share | None
    """Upper bound of the share of the latter, with 95 % confidence; null without an observation."""
    worth: Share | None
    """Share of the worth of perfect knowledge within season and time of day, where staying at home costs a tenth of a
    broken limit; null without chances."""
    worth_pooled: Share | None
    """The same with all hours pooled, which flatters; null without an observation."""


class LedgerFacts(Facts, frozen=True):
    """How the verdicts that were kept compare with what was observed."""

    site: str | None
    """The site that they are of; null for all."""
    near_name: str | None
    """A name of the ledger that is nearly the site's, where no verdict of the site is kept."""
    verdict_count: int
    """How many are kept."""
    scores: list[LeadScore]
    """Scores by lead time."""
    set_aside: list[str]
    """What cannot be read of the ledger."""


class DifferenceFacts(Facts, frozen=True):
    """One quantity, reported and forecast."""

    name: str
    """CF standard name, or the name in the forecast cube."""
    unit: str
    """SI unit of both."""
    reported: float | None
    forecast_value: float | None
    """Value by the airport, and by the forecast for the same hour."""
    reported_is_at_least: bool
    """Whether the airport reported that it is this much or more."""
    is_large: bool
    """Whether they differ by more than a forecast usually does."""


class ExpectedFacts(Facts, frozen=True):
    """One quantity of one hour ahead, by an airport and by the forecast."""

    name: str
    """CF standard name, or the name in the forecast cube."""
    airport_unit: str | None
    forecast_unit: str | None
    """SI units; of low cloud the airport gives the ceiling and the forecast the covered share. Null of weather."""
    airport_value: float | None
    airport_value_at_times: float | None
    """Most of the hour and at times; null where the airport says nothing, and for a ceiling where there is none."""
    has_no_ceiling: bool
    has_no_ceiling_at_times: bool
    """Whether the airport says that there is no ceiling."""
    airport_is_at_least: bool
    """Whether the first of them is this much or more."""
    forecast_value: float | None
    """Value of the forecast."""
    airport_weather: list[str] | None
    airport_weather_at_times: list[str] | None
    forecast_weather: list[str] | None
    """Kinds of weather, the worst first; null of other quantities and where the airport says nothing."""
    is_large: bool
    is_large_at_times: bool
    """Whether they differ by more than a forecast usually does; at times, whether the airport's is that much worse."""


class HourAheadFacts(Facts, frozen=True):
    """One hour ahead, by an airport and by the forecast."""

    time: datetime
    """Start of the hour."""
    expected: list[ExpectedFacts]
    """What both say."""


class AirportForecastFacts(Facts, frozen=True):
    """The own forecast of the nearest airport that makes one."""

    station: str
    """Location indicator of the airport."""
    distance: Metres
    """From the site to the airport."""
    issued: datetime
    """When it was issued."""
    report: str
    """As sent."""
    hours: list[HourAheadFacts]
    """The hours ahead that both know."""


class ObservedFacts(Facts, frozen=True):
    """The latest report of the nearest airport beside the forecast of its hour."""

    site: str
    """Name of the site."""
    station: str
    station_name: str
    """Location indicator and name of the airport."""
    distance: Metres
    """From the site to the airport."""
    asked_at: datetime
    """The present time of the answer."""
    reported_at: datetime
    """When the airport observed."""
    report: str
    """As sent."""
    differences: list[DifferenceFacts]
    """What both know."""
    forecast_is_off: bool | None
    """Whether any difference is large; null where the two have nothing in common."""
    forecast_source: str | None
    forecast_run: datetime | None
    forecast_attribution: str | None
    """Whose forecast, of which run, and whom to name for it; null where not known."""
    reports_attribution: str
    """Whom to name for the report and the airport's own forecast."""
    airport_forecast: AirportForecastFacts | None
    """What an airport expects itself."""
    why_no_airport_forecast: str | None
    """Why no airport's own forecast is compared; null where one is."""
    notes: list[str]
    """What must be known first."""


def verification_facts(found: Verified) -> VerificationFacts:
    """Return the facts of a comparison of past forecasts with observations."""
    learned = found.learned
    return VerificationFacts(
        site=found.site,
        model=found.model,
        forecasts_from=list(found.origin),
        observed_by=found.source,
        observed_height=found.height,
        errors=[
            ErrorFacts(
                element=r.element,
                group=r.group,
                label=r.label,
                hour_count=r.hours,
                day_count=r.days,
                bias=number(r.bias),
                error=number(r.error),
            )
            for r in found.rows
        ],
        fewest_days=FEWEST_DAYS,
        learned=None if learned is None else LearnedFacts(learned.words, dict(learned.factors), found.is_learned),
        entered_hours=found.entered,
        set_aside=list(found.damage),
    )


def ledger_facts(kept: LedgerScores) -> LedgerFacts:
    """Return the facts of the ledger."""
    return LedgerFacts(
        site=kept.site,
        near_name=kept.near or None,
        verdict_count=kept.verdicts,
        scores=[
            LeadScore(
                least_lead=round(score.lead[0]),
                most_lead=round(score.lead[1]),
                observed_hours=score.counts.cases,
                unscored_hours=score.unscored,
                reported_outside=score.counts.hits + score.counts.false_alarms,
                told_outside_broken=score.counts.hits,
                told_holding=score.counts.broken_when_cleared[1],
                told_holding_broken=score.counts.broken_when_cleared[0],
                broken_at_most=number(score.broken_at_most) if score.counts.cases else None,
                worth=number(score.value_within),
                worth_pooled=number(score.value) if score.counts.cases else None,
            )
            for score in kept.scores
        ],
        set_aside=damage_notes(kept.set_aside),
    )


def observed_facts(observed: Observed) -> ObservedFacts:
    """Return the facts of an airport report beside the forecast."""
    report, obtained = observed.report, observed.obtained
    attributes = obtained.cube.attrs
    return ObservedFacts(
        site=observed.site.name,
        station=report.station,
        station_name=report.name,
        distance=_distance(observed, report),
        asked_at=moment_of(obtained.now),
        reported_at=moment_of(report.observed),
        report=report.text,
        differences=[
            DifferenceFacts(
                d.name,
                d.units,
                number(d.reported),
                number(d.forecast),
                d.name == "visibility_in_air" and report.visibility_is_more,
                d.is_large,
            )
            for d in observed.differences
        ],
        forecast_is_off=any(d.is_large for d in observed.differences) if observed.differences else None,
        forecast_source=attributes.get("source"),
        forecast_run=known_moment(obtained.run),
        forecast_attribution=attributes.get("attribution"),
        reports_attribution=ATTRIBUTION,
        airport_forecast=_airport_forecast(observed),
        why_no_airport_forecast=observed.why_none or None,
        # No airport reports Kp: what is to be said of it has no part in this comparison.
        notes=[str(note) for note in obtained.notes if kind_of(note) is not NoteKind.KP],
    )


def _distance(observed: Observed, airport: AirportReport | AerodromeForecast) -> float:
    site = observed.site
    return round(1000 * distance_km(site.latitude, site.longitude, airport.latitude, airport.longitude))


def _airport_forecast(observed: Observed) -> AirportForecastFacts | None:
    aerodrome = observed.aerodrome
    if aerodrome is None:
        return None
    return AirportForecastFacts(
        station=aerodrome.station,
        distance=_distance(observed, aerodrome),
        issued=moment_of(aerodrome.issued),
        report=aerodrome.text,
        hours=[HourAheadFacts(moment_of(h.hour), [_expected(one) for one in h.expected]) for h in observed.ahead],
    )


def _expected(one: Expected) -> ExpectedFacts:
    unit = None if one.name == "weather_code" else VARIABLES[one.name].units
    return ExpectedFacts(
        name=one.name,
        airport_unit="m" if one.name == "low_type_cloud_area_fraction" else unit,
        forecast_unit=unit,
        airport_value=_amount(one.prevailing),
        airport_value_at_times=_amount(one.at_times),
        has_no_ceiling=_is_endless(one.prevailing),
        has_no_ceiling_at_times=_is_endless(one.at_times),
        airport_is_at_least=one.is_more,
        forecast_value=_amount(one.forecast),
        airport_weather=_weather(one.prevailing),
        airport_weather_at_times=_weather(one.at_times),
        forecast_weather=_weather(one.forecast),
        is_large=one.is_large,
        is_large_at_times=one.is_large_at_times,
    )


def _amount(said: float | frozenset[str] | None) -> float | None:
    return None if said is None or isinstance(said, frozenset) else number(said)


def _is_endless(said: float | frozenset[str] | None) -> bool:
    return isinstance(said, float) and math.isinf(said)


def _weather(said: float | frozenset[str] | None) -> list[str] | None:
    return [kind for kind in WEATHER if kind in said] if isinstance(said, frozenset) else None
