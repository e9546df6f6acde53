"""Forecasts compared with what was observed: a site's past, the ledger, the airport's report of this morning."""

from __future__ import annotations

from datetime import datetime

from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.site import distance_km
from wxfly.question.verification import LedgerScores, Observed, Verified
from wxfly.report.facts.values import Facts, Hours, Metres, Share, Speed, moment_of, number


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
    """By which wind and gust of the forecast are multiplied."""
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
    """Of the anemometer above ground."""
    errors: list[ErrorFacts]
    """By element and group."""
    learned: LearnedFacts | None
    """Null where the days are too few."""
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
    """Hours told outside, and those of them in which a limit was broken."""
    told_holding: int
    told_holding_broken: int
    """Hours told inside or narrow, and those of them in which a limit was broken."""
    broken_at_most: Share | None
    """Upper bound of the share of the latter, with 95 % confidence; null without an observation."""


class LedgerFacts(Facts, frozen=True):
    """How the verdicts that were kept compare with what was observed."""

    site: str | None
    """The site that they are of; null for all."""
    verdict_count: int
    """How many are kept."""
    scores: list[LeadScore]
    """By lead time."""
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
    """By the airport, and by the forecast for the same hour."""
    is_large: bool
    """Whether they differ by more than a forecast usually does."""


class ObservedFacts(Facts, frozen=True):
    """The latest report of the nearest airport beside the forecast of its hour."""

    site: str
    """Name of the site."""
    station: str
    station_name: str
    """Of the airport."""
    distance: Metres
    """From the site to the airport."""
    reported_at: datetime
    """When the airport observed."""
    report: str
    """As sent."""
    differences: list[DifferenceFacts]
    """What both know."""
    forecast_is_off: bool | None
    """Whether any difference is large; null where the two have nothing in common."""
    hours_ahead_off: list[datetime]
    """Hours ahead for which the airport's own forecast differs by much."""
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
            ErrorFacts(r.element, r.group, r.label, r.hours, r.days, number(r.bias), number(r.error))
            for r in found.rows
        ],
        learned=None if learned is None else LearnedFacts(learned.words, dict(learned.factors), found.is_learned),
        entered_hours=found.entered,
        set_aside=list(found.damage),
    )


def ledger_facts(kept: LedgerScores) -> LedgerFacts:
    """Return the facts of the ledger."""
    return LedgerFacts(
        site=kept.site,
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
            )
            for score in kept.scores
        ],
        set_aside=damage_notes(kept.set_aside),
    )


def observed_facts(observed: Observed) -> ObservedFacts:
    """Return the facts of an airport report beside the forecast."""
    report, site = observed.report, observed.site
    away = distance_km(site.latitude, site.longitude, report.latitude, report.longitude)
    return ObservedFacts(
        site=site.name,
        station=report.station,
        station_name=report.name,
        distance=round(1000 * away),
        reported_at=moment_of(report.observed),
        report=report.text,
        differences=[
            DifferenceFacts(d.name, d.units, number(d.reported), number(d.forecast), d.is_large)
            for d in observed.differences
        ],
        forecast_is_off=any(d.is_large for d in observed.differences) if observed.differences else None,
        hours_ahead_off=[moment_of(h.hour) for h in observed.ahead if any(e.is_large for e in h.expected)],
        why_no_airport_forecast=observed.why_none or None,
        notes=list(map(str, observed.obtained.notes)),
    )
