"""What was asked, in full."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

from wxfly.report.facts.values import (
    Degrees,
    ElementName,
    Facts,
    Kelvins,
    Kilograms,
    Metres,
    Seconds,
    Share,
    Speed,
    known_moment,
    number,
)

if TYPE_CHECKING:
    from wxfly.question.reading import Question


class Place(Facts, frozen=True):
    """A place as the pilot wrote it.

    Attributes
    ----------
    words : str
        Name, saved name or coordinates.
    height : float
        Flight height above ground.
    """

    words: str
    height: Metres


class ForecastAsked(Facts, frozen=True):
    """Which forecast was asked for.

    Attributes
    ----------
    model : str or None
        Null for that of the settings.
    file : str or None
        Name of the file that answers instead of a service.
    offline : bool
        Whether no service was asked.
    as_of : datetime or None
        The moment to answer for; null for now.
    ensemble_names : list of str
        Ensembles whose members give the chance.
    uses_site_record : bool
        Whether wind and gust are corrected by the record of the site.
    """

    model: str | None
    file: str | None
    offline: bool
    as_of: datetime | None
    ensemble_names: list[str]
    uses_site_record: bool


class SortieAsked(Facts, frozen=True):
    """The sortie as far as the pilot gave it.

    Attributes
    ----------
    distance : float or None
        To the farthest point, over ground; null for as far as the aircraft's attitude is seen.
    return_height : float or None
        Above ground; null for the flight height.
    work_time : int
        At the farthest point.
    batteries : int
        How many are charged.
    battery_reserve : float
        Share of a battery to land with.
    battery_temperature : float or None
        Before take-off; null for that of the air.
    payload : float
        Beyond the mass of the aircraft.
    """

    distance: Metres | None
    return_height: Metres | None
    work_time: Seconds
    batteries: int
    battery_reserve: Share
    battery_temperature: Kelvins | None
    payload: Kilograms


class QuestionFacts(Facts, frozen=True):
    """The question in full.

    Attributes
    ----------
    places : list of Place
        In the order asked; empty for the first saved site or the demonstration.
    height : float
        Flight height above ground where no place is named.
    aircraft_name, rules : str
        Names.
    required, accepted : list of str
        Elements that the hours must know, and those that the pilot takes on himself.
    reserve, confidence, gust_at_launch : float or None
        In place of the usual limits; null where the pilot gave none.
    forecast_asked : ForecastAsked
        Which forecast was asked for.
    day : date or None
        At the site; null for the day that is `first_day` days from today.
    first_day, day_count : int
        The day asked about, from today, and how many days a week's question covers.
    toward : float or None
        Direction in which the pilot looks at the aircraft.
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    sortie_asked : SortieAsked or None
        What is to be flown; null where the way home was not asked for.
    confidence_of_return : float
        How sure the way home must be.
    ranks_anew : bool
        Whether windows are ranked whatever was chosen before.
    display_units : str
        Units in which people are shown the answer. This answer is in SI units whatever they are.
    display_time_zone : str or None
        IANA zone in which people are shown times; null for each site's own.
    """

    places: list[Place]
    height: Metres
    aircraft_name: str
    rules: str
    required: list[ElementName]
    accepted: list[ElementName]
    reserve: Share | None
    confidence: Share | None
    gust_at_launch: Speed | None
    forecast_asked: ForecastAsked
    day: date | None
    first_day: int
    day_count: int
    toward: Degrees | None
    prefers_low_light: bool
    sortie_asked: SortieAsked | None
    confidence_of_return: Share
    ranks_anew: bool
    display_units: str
    display_time_zone: str | None


def question_facts(question: Question) -> QuestionFacts:
    """Return what was asked."""
    asked, sortie, limits = question.forecast, question.sortie, question.asked_of_limits
    return QuestionFacts(
        places=[Place(place.words, place.height) for place in question.places],
        height=question.height,
        aircraft_name=question.aircraft.name,
        rules=question.rules.name,
        required=list(limits.required),
        accepted=list(limits.accepted),
        reserve=limits.reserve,
        confidence=limits.confidence,
        gust_at_launch=None if limits.gust_at_launch is None else number(limits.gust_at_launch),
        forecast_asked=ForecastAsked(
            asked.model,
            None if asked.path is None else asked.path.name,
            asked.offline,
            None if asked.as_of is None else known_moment(asked.as_of),
            list(asked.ensembles),
            asked.uses_site_record,
        ),
        day=question.day,
        first_day=question.first_day,
        day_count=question.days,
        toward=question.toward,
        prefers_low_light=question.prefers_low_light,
        sortie_asked=None
        if sortie is None
        else SortieAsked(
            sortie.distance,
            sortie.return_height,
            round(sortie.work_time),
            sortie.batteries,
            sortie.reserve,
            sortie.battery_temperature,
            sortie.payload,
        ),
        confidence_of_return=question.confidence,
        ranks_anew=question.ranks_anew,
        display_units=question.units,
        display_time_zone=question.time_zone,
    )
