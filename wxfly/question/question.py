"""Reading a question: the pilot's words become one immutable value in SI units, for everything that follows."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from wxfly.answer.request import QuestionKind
from wxfly.errors import WxflyError, near_names, unknown_name
from wxfly.flight.anemometer_reading import ANEMOMETER_HEIGHT, check_anemometer_height, check_temperature
from wxfly.flight.sortie import BATTERY_RESERVE, CONFIDENCE
from wxfly.pilot.aircraft import DEFAULT as DEFAULT_AIRCRAFT
from wxfly.pilot.aircraft import Aircraft, find_aircraft
from wxfly.pilot.elements import NAMES, REQUIRED_BY_DEFAULT
from wxfly.pilot.limits import Limits, OwnLimit, check_height, element_of_limit, limits_for, read_limit
from wxfly.pilot.options import OPTIONS, Words
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import RuleSet, find_rules
from wxfly.pilot.services import OF_ONE_MODEL
from wxfly.pilot.settings import own_aircraft_file, own_rules_file, sites_file
from wxfly.pilot.site import COMPASS, read_sites, zone_of
from wxfly.pilot.work import PlannedWork, read_work
from wxfly.pilot.zones import ZoneFile, read_zones
from wxfly.question.defaults import Taken, take_usual
from wxfly.retrieval.members import check_members
from wxfly.sources.open_meteo.models import find_model
from wxfly.times import DAY_WORDS, AskedDay, AskedHour, is_day, is_hour, read_day, read_hour, read_moment
from wxfly.units import read_number, read_quantity, read_share

DEFAULT_HEIGHT = 60.0
NO_MEMBERS = "none"
"""Takes the place of the name of an ensemble where the chance comes from the one forecast."""
WEEK = 7
_LETTERS = {"N": "north", "E": "east", "S": "south", "W": "west"}
_DEGREES = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:°|deg|degrees?)?")


@dataclass(frozen=True)
class Place:
    """A place as the pilot wrote it, and the flight height there [m]."""

    words: str
    height: float


@dataclass(frozen=True, kw_only=True)
class ForecastAsked:
    """The forecast that is requested.

    Attributes
    ----------
    model : str or None
        None for the model of the settings.
    path : Path or None
        A saved reply or a forecast file to answer from instead of a service.
    offline : bool
        Whether to ask no service.
    as_of : numpy.datetime64 or None
        Time of the answer, UTC; None for now.
    ensembles : tuple of str
        Names of the ensembles that give the chance.
    uses_site_record : bool
        Whether the site's record corrects wind and gust.
    """

    model: str | None = None
    path: Path | None = None
    offline: bool = False
    as_of: np.datetime64 | None = None
    ensembles: tuple[str, ...] = ()
    uses_site_record: bool = False


@dataclass(frozen=True, kw_only=True)
class AskedOfLimits:
    """The pilot's changes to the limits of any aircraft.

    Attributes
    ----------
    required, accepted : tuple of str
        Elements, as in `wxfly.pilot.limits.Limits`.
    reserve, confidence, gust_at_launch : float or None
        Replacements of the usual values [1], [1], [m s-1]; None where the pilot gives none.
    own_limits : tuple of OwnLimit
        Replacements of the limits of their elements.
    """

    required: tuple[str, ...]
    accepted: tuple[str, ...]
    reserve: float | None
    confidence: float | None
    gust_at_launch: float | None
    own_limits: tuple[OwnLimit, ...] = ()


@dataclass(frozen=True)
class Origin:
    """The origin of a word that was not given with the question.

    Attributes
    ----------
    option : str
        The option without its dashes; for a limit with its element.
    source : str
        ``plan roof``, ``defaults of meadow`` or ``settings``.
    """

    option: str
    source: str


@dataclass(frozen=True, kw_only=True)
class SortieAsked:
    """The planned flight, as far as the pilot states it.

    Attributes
    ----------
    distance : float or None
        Ground distance to the farthest point [m]; None for as far as the aircraft's attitude is visible.
    return_height : float or None
        Height above ground [m]; None for the flight height.
    work_time : float
        Time at the farthest point [s].
    batteries : int
        Number of charged batteries.
    reserve : float
        Share of a battery to land with.
    battery_temperature : float or None
        Temperature before take-off [K]; None for that of the air.
    payload : float
        Mass beyond the aircraft's own [kg].
    """

    distance: float | None = None
    return_height: float | None = None
    work_time: float = 0.0
    batteries: int = 1
    reserve: float = BATTERY_RESERVE
    battery_temperature: float | None = None
    payload: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Question:
    """A pilot's question, in SI units.

    Attributes
    ----------
    kind : str
        ``best``, ``compare``, ``week`` or ``now``.
    places : tuple of Place
        In the order given; empty for the first saved site or the demonstration.
    height : float
        Flight height above ground where no place is named [m].
    aircraft, rules, limits, work
        The machine, its rules and limits, and the duration of the flight.
    asked_of_limits : AskedOfLimits
        The pilot's changes to the limits of any aircraft.
    forecast : ForecastAsked
        The forecast that is requested.
    day : date, DaysAhead, Weekday or None
        Day at the site; None for `first_day`. It becomes a date once the site is known.
    first_day : int
        Number of days from today to the requested day.
    days : int
        Number of days that a week's question covers.
    hours : int or None
        Number of hours that a question about now covers; None for the rest of the day.
    hour : time, datetime or None
        The only requested hour; None for the hours of the day.
    toward : float or None
        Viewing direction of the pilot [degree].
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    sortie : SortieAsked or None
        The planned flight; None where the return leg is not requested.
    confidence : float
        Confidence required of the return leg and of a reading.
    ranks_anew : bool
        Whether to rank windows without earlier choices.
    units : str
        Key of `wxfly.units.SYSTEMS` for the answer.
    time_zone : str or None
        IANA zone for times; None for each site's own.
    plan : str or None
        Name of the saved plan.
    zones : ZoneFile or None
        The pilot's file of zones.
    origins : tuple of Origin
        Origins of the words that were not given with the question.
    """

    kind: QuestionKind
    places: tuple[Place, ...]
    height: float
    aircraft: Aircraft
    rules: RuleSet
    limits: Limits
    asked_of_limits: AskedOfLimits
    work: PlannedWork
    forecast: ForecastAsked
    day: AskedDay | None
    first_day: int
    days: int
    hours: int | None
    hour: AskedHour | None
    toward: float | None
    prefers_low_light: bool
    sortie: SortieAsked | None
    confidence: float
    ranks_anew: bool
    units: str
    time_zone: str | None
    plan: str | None = None
    zones: ZoneFile | None = None
    origins: tuple[Origin, ...] = ()

    @property
    def usual_limits(self) -> Limits:
        """Return the limits without those that the pilot gives element by element."""
        return _limits(self.aircraft, self.rules, replace(self.asked_of_limits, own_limits=()))

    def limits_with(self, aircraft: Aircraft) -> Limits:
        """Return the limits of the question for another aircraft; limits of the pilot's own may only tighten them."""
        return _limits(aircraft, self.rules, self.asked_of_limits, only_stricter=True)


@dataclass(frozen=True)
class BriefQuestion:
    """A question for the flight brief of one window.

    Attributes
    ----------
    question : Question
        The question, for one site.
    anemometer_height : float
        Height above ground [m].
    rank : int
        Rank of the window; the best is 1.
    """

    question: Question
    anemometer_height: float
    rank: int


@dataclass(frozen=True)
class CheckQuestion:
    """A reading of an anemometer and the question for the rest of the day.

    Attributes
    ----------
    question : Question
        The question, for one site.
    anemometer_height : float
        Height above ground [m].
    mean, gust : float
        Wind read [m s-1]; the gust is None where none was read.
    temperature : float or None
        Temperature in the shade [K].
    """

    question: Question
    anemometer_height: float
    mean: float
    gust: float | None
    temperature: float | None


def read_question(
    kind: QuestionKind, places: Sequence[str], words: Words, *, first_day: int = 1, with_sortie: bool = False
) -> Question:
    """Read a pilot's question; no service is asked and no forecast is opened.

    Parameters
    ----------
    kind : str
        ``best``, ``compare``, ``week`` or ``now``.
    places : sequence of str
        As the pilot wrote them, each with an optional ``@height``; empty for the pilot's home, the first saved site or
        the demonstration.
    words : Words
        The other words; what they leave out comes from the plan, the sites' defaults and the settings.
    first_day : int, optional
        Number of days from today to the requested day, where the words have no day.
    with_sortie : bool, optional
        Whether to judge the return leg even where the words mention no sortie.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    return _read_taken(kind, take_usual(words, places), first_day, with_sortie)


def _read_taken(kind: QuestionKind, taken: Taken, first_day: int = 1, with_sortie: bool = False) -> Question:
    """Read words with those from the pilot's files; a fault in one of these is reported as such."""
    try:
        return _read(kind, taken, first_day, with_sortie)
    except WxflyError:
        for layer in taken.used:
            try:
                _read(kind, Taken((), layer.words), first_day, with_sortie)
            except WxflyError as fault:
                raise WxflyError(f"{layer.origin}: {fault}; {layer.way_out}") from None
        raise


def check_words(words: Words) -> None:
    """Refuse words that cannot form a question, before they are kept.

    Raises
    ------
    WxflyError
        As `read_question` does, and for a height above the limit, or an unknown model or ensemble.
    """
    question = _read("best", Taken((), words), 1, False)
    if words.height is not None:
        check_height(question.height, question.limits)
    if words.model is not None and words.model not in OF_ONE_MODEL:
        find_model(words.model)
    if question.forecast.ensembles not in ((), (NO_MEMBERS,)):
        check_members(question.forecast.ensembles)


def _read(kind: QuestionKind, taken: Taken, first_day: int, with_sortie: bool) -> Question:
    words = taken.words
    units = words.units or "metric"
    aircraft = find_aircraft(words.aircraft or DEFAULT_AIRCRAFT, own_aircraft_file())
    rules = find_rules(words.rules or DEFAULT_RULES, own_rules_file())
    asked_of_limits = _asked_of_limits(taken, units)
    work = read_work(
        duration=words.duration,
        contingency=words.contingency,
        survey=words.survey,
        wait=words.wait,
        costs=words.costs,
    )
    height = _height(words.height, units)
    if words.time_zone:
        zone_of(words.time_zone)
    heights = (_height(text, units) for text in taken.heights)
    return Question(
        kind=kind,
        places=tuple(_place(text, own, units) for text, own in zip(taken.places, heights, strict=False)),
        height=height,
        aircraft=aircraft,
        rules=rules,
        limits=_limits(aircraft, rules, asked_of_limits),
        asked_of_limits=asked_of_limits,
        work=work,
        forecast=ForecastAsked(
            model=words.model,
            path=words.forecast_path,
            offline=bool(words.offline),
            as_of=read_moment(words.as_of),
            ensembles=tuple(part.strip() for text in words.ensemble for part in text.split(",") if part.strip()),
            uses_site_record=bool(words.site_record),
        ),
        day=read_day(words.day),
        first_day=first_day,
        days=WEEK if words.days is None else words.days,
        hours=words.hours,
        hour=None,
        toward=read_direction(words.toward),
        prefers_low_light=words.prefer == "low-light",
        sortie=_sortie(words, units) if with_sortie or words.plans_a_sortie else None,
        confidence=CONFIDENCE if asked_of_limits.confidence is None else max(asked_of_limits.confidence, 0.5),
        ranks_anew=bool(words.fresh),
        units=units,
        time_zone=words.time_zone,
        plan=words.plan,
        zones=None if words.zones is None else read_zones(words.zones),
        origins=tuple(_origins(taken)),
    )


def _origins(taken: Taken) -> Iterator[Origin]:
    for name, source in taken.origins.items():
        option, _, element = name.partition(" ")
        yield Origin(f"{OPTIONS[option].flag} {element}".strip(), source)


def part_day(given: Sequence[str], day: str | None) -> tuple[list[str], str | None]:
    """Split the words of a command into places and a day: the last word is a day if it names one and no saved site.

    Parameters
    ----------
    given : sequence of str
        As the pilot wrote them.
    day : str or None
        The day of the option.

    Raises
    ------
    WxflyError
        When both name a day.
    """
    places = list(given)
    if not places or not is_day(places[-1]) or places[-1] in read_sites(sites_file()):
        return places, day
    word = places.pop()
    if day:
        raise WxflyError(f"two days are named, '{word}' and --date {day}; give one of them")
    return places, word


def part_one_place(given: Sequence[str], day: str | None) -> tuple[list[str], str | None]:
    """Split the words of a command with at most one place into that place and a day; see `part_day`.

    Raises
    ------
    WxflyError
        For more words than these, with the way out.
    """
    places, day = part_day(given, day)
    if len(places) == 2:
        hint = near_names(places[1], DAY_WORDS)
        did_you_mean = f"; did you mean '{hint[0]}'?" if hint else ""
        raise WxflyError(
            f"'{places[1]}' is not a day{did_you_mean} (today, tomorrow, a weekday or YYYY-MM-DD); "
            "a place of several words goes in quotes"
        )
    if len(places) > 2:
        raise WxflyError(f"{len(places)} places are named, one is wanted; a place of several words goes in quotes")
    return places, day


def read_brief_question(place: str | None, words: Words) -> BriefQuestion:
    """Read a question for a flight brief, as `read_question` does, for one site and always with its return leg."""
    taken = take_usual(words, [place] if place else [])
    question = _read_taken("best", taken, with_sortie=True)
    words = taken.words
    return BriefQuestion(question, _anemometer_height(words, question.units), 1 if words.rank is None else words.rank)


def read_hour_question(given: Sequence[str], words: Words) -> Question:
    """Read a question about one hour.

    Parameters
    ----------
    given : sequence of str
        The words of the command: a site where one is named, a day where one is named, and the hour; day and hour may
        change places.
    words : Words
        The other words of the question.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    parts = list(given)
    if len(parts) > 1 and is_hour(parts[-2]) and not is_hour(parts[-1]):
        parts[-2:] = parts[:-3:-1]
    if not parts:
        raise WxflyError("an hour is wanted, such as: wxfly why meadow 15:00")
    hour = read_hour(parts.pop())
    places, day = part_one_place(parts, words.day)
    if day and isinstance(hour, datetime):
        raise WxflyError(f"two days are named, '{day}' and that of {given[-1]}; give one of them")
    return replace(read_question("best", places, replace(words, day=day), first_day=0), hour=hour)


def read_check_question(place: str | None, words: Words) -> CheckQuestion:
    """Read a reading of an anemometer, and the question for the rest of today."""
    taken = take_usual(words, [place] if place else [])
    question = _read_taken("best", taken, first_day=0)
    words, units = taken.words, question.units
    if words.mean is None:
        raise WxflyError("a reading needs its mean wind, such as --mean 3.1m/s")
    mean = read_quantity(words.mean, "speed", units)
    gust = read_quantity(words.gust, "speed", units) if words.gust else None
    if mean < 0:
        raise WxflyError(f"a mean wind of '{words.mean}' is below zero; wanted one such as 3.1m/s")
    if gust is not None and gust < mean:
        raise WxflyError(f"a gust of '{words.gust}' is below the mean of '{words.mean}'; are they swapped?")
    temperature = read_quantity(words.temperature, "temperature", units) if words.temperature else None
    if temperature is not None:
        check_temperature(temperature)
    return CheckQuestion(question, _anemometer_height(words, units), mean, gust, temperature)


def _anemometer_height(words: Words, units: str) -> float:
    height = _length(words.anemometer_height, units)
    height = ANEMOMETER_HEIGHT if height is None else height
    check_anemometer_height(height)
    return height


def _place(text: str, height: float, units: str) -> Place:
    """Split ``SITE@80m``; a saved name that contains an at sign stays whole."""
    words, at, tail = text.rpartition("@")
    if not at or not words or text in read_sites(sites_file()):
        return Place(text, height)
    own = _length(tail, units)
    return Place(words, height if own is None else own)


def _height(text: str | None, units: str) -> float:
    height = _length(text, units)
    return DEFAULT_HEIGHT if height is None else height


def _asked_of_limits(taken: Taken, units: str) -> AskedOfLimits:
    words = taken.words
    for name in (*words.required, *words.advised):
        if name not in NAMES:
            raise unknown_name("element", name, NAMES)
    both = sorted(set(words.required) & set(words.advised))
    if both:
        raise WxflyError(f"{both[0]} is given to --require and to --advise; give it to one")
    required = (set(REQUIRED_BY_DEFAULT) | set(words.required)) - set(words.advised)
    launch = read_quantity(words.launch_limit, "speed", units) if words.launch_limit else None
    if launch is not None and not launch > 0:
        raise WxflyError(f"a launch limit of '{words.launch_limit}' is not above zero; wanted one such as 8m/s")
    return AskedOfLimits(
        required=tuple(name for name in NAMES if name in required),
        accepted=tuple(dict.fromkeys(words.advised)),
        reserve=None if words.reserve is None else read_share(words.reserve, "reserve"),
        confidence=None if words.confidence is None else read_share(words.confidence, "confidence"),
        gust_at_launch=launch,
        own_limits=tuple(_own_limits(taken, units)),
    )


def _own_limits(taken: Taken, units: str) -> Iterator[OwnLimit]:
    seen = set()
    for text in taken.words.limits:
        element = element_of_limit(text)
        if element in seen:
            raise WxflyError(f"the limit of {element} is given twice; give it once")
        seen.add(element)
        yield read_limit(text, units, taken.origins.get(f"limits {element}", ""))


def _limits(aircraft: Aircraft, rules: RuleSet, asked: AskedOfLimits, *, only_stricter: bool = False) -> Limits:
    """Return the limits of an aircraft under rules, with the pilot's changes."""
    limits = replace(limits_for(aircraft, rules, required=asked.required), accepted=asked.accepted)
    if asked.reserve is not None:
        limits = replace(limits, reserve=asked.reserve)
    if asked.confidence is not None:
        limits = replace(limits, confidence=asked.confidence)
    launch, usual = asked.gust_at_launch, limits.maximum_gust_at_launch
    if launch is not None and not (only_stricter and usual is not None and launch > usual):
        limits = replace(limits, maximum_gust_at_launch=launch)
    for own in asked.own_limits:
        limits = own.applied_to(limits, only_stricter=only_stricter)
    return limits


def _sortie(words: Words, units: str) -> SortieAsked:
    given = words.battery_reserve
    reserve = BATTERY_RESERVE if given is None else read_share(given, "battery reserve")
    if not 0 <= reserve < 1:
        raise WxflyError(f"a battery reserve of {reserve:g} is not a share; wanted 0 to below 1, such as 0.25")
    distance = _length(words.distance, units)
    if distance is not None and distance < 0:
        raise WxflyError(f"a distance of '{words.distance}' is below zero; wanted one such as 300m")
    work = read_quantity(words.work, "time", units) if words.work else 0.0
    if work < 0:
        raise WxflyError(f"a time of work of '{words.work}' is below zero; wanted one such as 10min")
    return SortieAsked(
        distance=distance,
        return_height=_length(words.return_height, units),
        work_time=work,
        batteries=1 if words.batteries is None else words.batteries,
        reserve=reserve,
        battery_temperature=(
            read_quantity(words.battery_temperature, "temperature", units) if words.battery_temperature else None
        ),
        payload=read_quantity(words.payload, "mass", units) if words.payload else 0.0,
    )


def _length(text: str | None, units: str) -> float | None:
    """Read a length [m], by default in the unit of `units`; None where none is given."""
    return read_quantity(text, "length", units) if text else None


def read_direction(text: str | None) -> float | None:
    """Read a direction in degrees from north or as a point of the compass: ``SW``, ``southwest``, ``south-west``."""
    if not text:
        return None
    letters = "".join(text.split()).replace("-", "").casefold()
    for position, point in enumerate(COMPASS):
        if letters in (point.casefold(), "".join(_LETTERS[letter] for letter in point)):
            return position * 22.5
    match = _DEGREES.fullmatch(text.strip())
    degrees = read_number(match[1]) if match else -1.0
    if not 0 <= degrees <= 360:
        raise WxflyError(f"direction '{text}' is not understood; wanted 0 to 360 degrees or a point such as SW")
    return degrees % 360
