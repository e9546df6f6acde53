"""The field check: what an anemometer in the hand may show, what was read, and what that means for a launch now."""

from __future__ import annotations

import math
from datetime import datetime

from wxfly.answer.windows import Room as Room
from wxfly.flight.advice import precipitation_words
from wxfly.flight.anemometer_reading import FAR_BELOW as FAR_BELOW
from wxfly.flight.anemometer_reading import STARTING_SPEED, AnemometerRule
from wxfly.flight.anemometer_reading import NoCredit as NoCredit
from wxfly.flight.launch_decision import STORM as STORM
from wxfly.flight.launch_decision import During, any_reading_passes, stops_passed
from wxfly.flight.launch_decision import LaunchVerdict as LaunchVerdict
from wxfly.flight.launch_decision import Reason as Reason
from wxfly.question.field_check import CheckAsked
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.values import ElementName, Facts, Kelvins, Metres, Share, Speed, moment_of, number, share


class LaunchFacts(Facts, frozen=True):
    """What an anemometer in the hand may show over two minutes; null where the forecast does not say."""

    anemometer_height: Metres
    """Height of the anemometer above ground."""
    some_reading_passes: bool
    """Whether there is a reading at which the limits hold."""
    least_mean: Speed
    """Below it an anemometer may stand still: such a mean says nothing."""
    largest_mean: Speed | None
    largest_gust: Speed | None
    """Up to both readings the limits hold at every flight height, with `confidence`."""
    mean_stop: Speed | None
    gust_stop: Speed | None
    """Above one of them a limit is more likely passed than kept."""
    lowest_mean_expected: Speed | None
    highest_mean_expected: Speed | None
    """From the forecast of the hours."""
    gust_expected: Speed | None
    """The highest, from the forecast of the hours."""
    confidence: Share
    """How sure the limits hold."""


class ReadingFacts(Facts, frozen=True):
    """What was read, what it says of the wind at flight height, and what the two make of the forecast."""

    anemometer_height: Metres
    """Height of the anemometer above ground."""
    mean: Speed
    """Mean of two minutes."""
    gust: Speed | None
    """The strongest; null where none was read."""
    temperature: Kelvins | None
    """Null where none was read."""
    weight: Share
    """Weight of the reading beside the forecast."""
    deviation: Speed
    """Standard deviation of the wind at flight height with the reading in it; of the forecast where `no_credit` says
    why the reading takes nothing off."""
    extrapolation_deviation: Speed
    """Standard deviation of carrying the reading up."""
    expected_at_anemometer: Speed | None
    expected_gust_at_anemometer: Speed | None
    """Forecast at the hand, for two minutes."""
    forecast_wind: Speed | None
    extrapolated_wind: Speed | None
    wind_now: Speed | None
    forecast_gust: Speed | None
    extrapolated_gust: Speed | None
    gust_now: Speed | None
    """At flight height: by the forecast, by the reading, and by both."""
    is_below_forecast: bool
    """Whether the reading says less than the forecast."""
    no_credit: NoCredit | None
    """Why a reading below the forecast takes nothing off; null where it does."""
    expected_temperature: Kelvins | None
    """Forecast near the ground."""
    temperature_now: Kelvins | None
    """Temperature by forecast and reading."""
    temperature_is_plausible: bool
    """Whether a temperature was read that is not too far from the forecast."""


class PassedFacts(Facts, frozen=True):
    """A limit that, by what was read, is more likely passed than kept."""

    element: ElementName
    """Wind or gust."""
    height: Metres
    """Height above ground at which the limit counts."""
    at_launch: bool
    """Whether it is the limit of the launch."""


class DuringFacts(Facts, frozen=True):
    """What stands against a launch in the hours of the flight, beside wind, gust and the way back."""

    element: ElementName
    """Which."""
    hour: int
    """Position of its worst hour."""
    chance: Share | None
    """Chance that it breaks its limit; null where it is not known."""
    in_doubt: bool
    """Whether the flight must reckon with it."""
    falls: str | None
    """Kind and strength of precipitation that is forecast in that hour."""


class ComingFacts(Facts, frozen=True):
    """What is forecast beside the flight and breaks a limit, or is not known there."""

    element: ElementName
    """Which."""
    moment: datetime
    """Start of its nearest hour after the flight, or end of its last before it."""
    is_past: bool
    """Whether it is forecast before the flight."""
    is_known: bool
    """Whether it is known to break its limit."""
    chance: Share
    """Chance that the error of timing brings it into the flight."""
    in_doubt: bool
    """Whether the flight must reckon with it."""


class CheckFacts(Facts, frozen=True):
    """A field check, and the answer for the rest of the day with the reading in it."""

    answer: AnswerFacts
    """For the rest of the day."""
    verdict: LaunchVerdict
    """Holds: the limits of wind and gust hold aloft, with the confidence of `launch`."""
    reasons: list[Reason]
    """Why it is not better."""
    highest_height: Metres | None
    """Height above ground up to which the limits hold by the same reading and the same decision, in steps of 5 m from
    10 m on; 0 where they hold at none, null where a way back is planned."""
    launch: LaunchFacts
    """What the anemometer may show in the hours of a flight from now on."""
    reading: ReadingFacts
    """What it showed."""
    passed: list[PassedFacts]
    """The limits that are more likely passed than kept by the anemometer, at each height of the flight."""
    worst_hours: dict[ElementName, int]
    """Positions of the worst hour of wind and of gust in a flight from now on."""
    return_leg_hour: int | None
    """Position of the first hour in which the way back does not hold; null for none."""
    during: list[DuringFacts]
    """In the hours of the flight, the likelier first."""
    coming: list[ComingFacts]
    """What is forecast beside the flight, the likelier first."""

    @property
    def room(self) -> Room:
        """What the reading says of a launch now, as room to fly."""
        return _ROOM[self.verdict]


_ROOM = {
    LaunchVerdict.HOLDS: Room.ROOM, LaunchVerdict.IN_DOUBT: Room.NOT_KNOWN, LaunchVerdict.DO_NOT_LAUNCH: Room.NONE,
}  # fmt: skip


def launch_facts(rule: AnemometerRule) -> LaunchFacts:
    """Return what an anemometer in the hand may show."""
    return LaunchFacts(
        anemometer_height=rule.anemometer_height,
        some_reading_passes=any_reading_passes(rule),
        least_mean=STARTING_SPEED,
        largest_mean=number(rule.largest_mean),
        largest_gust=number(rule.largest_gust),
        mean_stop=number(rule.mean_stop),
        gust_stop=number(rule.gust_stop),
        lowest_mean_expected=number(rule.mean_expected[0]),
        highest_mean_expected=number(rule.mean_expected[1]),
        gust_expected=number(rule.gust_expected[1]),
        confidence=rule.confidence,
    )


def check_facts(asked: CheckAsked) -> CheckFacts:
    """Return the facts of a field check."""
    found, confidence, read = asked.verdict, asked.rule.confidence, asked.correction.reading
    answer = facts_of(asked.briefing, units=asked.units, time_zone=asked.time_zone)
    return_leg = next((e.margin for e in answer.sites[0].elements if e.name == "return_leg"), [])
    return CheckFacts(
        answer=answer,
        verdict=found.verdict,
        reasons=list(found.reasons),
        highest_height=asked.highest,
        launch=launch_facts(asked.rule),
        reading=_reading(asked),
        passed=[
            PassedFacts(element, stop.height, stop.is_at_launch)
            for element, stop in stops_passed(asked.rule, read.mean, read.gust)
        ],
        worst_hours=dict(found.worst),
        return_leg_hour=next((i for i, margin in enumerate(return_leg) if margin is not None and margin < 0), None),
        during=[
            DuringFacts(one.element, one.hour, number(one.chance), one.is_in_doubt, _falls(asked, one))
            for one in found.during
        ],
        coming=[
            ComingFacts(
                one.element, moment_of(one.time), one.is_past, one.is_known, share(one.chance),
                one.is_in_doubt(confidence),
            )
            for one in found.coming
        ],
    )  # fmt: skip


def _reading(asked: CheckAsked) -> ReadingFacts:
    c, read = asked.correction, asked.correction.reading
    return ReadingFacts(
        anemometer_height=read.anemometer_height,
        mean=read.mean,
        gust=read.gust,
        temperature=read.temperature,
        weight=share(c.weight),
        deviation=share(c.deviation),
        extrapolation_deviation=share(c.extrapolation_deviation),
        expected_at_anemometer=number(c.expected_at_anemometer),
        expected_gust_at_anemometer=number(c.expected_gust_at_anemometer),
        forecast_wind=number(c.forecast_wind),
        extrapolated_wind=number(c.extrapolated_wind),
        wind_now=number(_not_below_zero(c.forecast_wind + c.added_wind)),
        forecast_gust=number(c.forecast_gust),
        extrapolated_gust=number(c.extrapolated_gust),
        gust_now=number(_not_below_zero(c.forecast_gust + c.added_gust)),
        is_below_forecast=not c.extrapolated_wind >= c.forecast_wind,
        no_credit=c.no_credit,
        expected_temperature=number(c.expected_temperature),
        temperature_now=number(c.expected_temperature + c.added_temperature),
        temperature_is_plausible=c.temperature_is_plausible,
    )


def _not_below_zero(value: float) -> float:
    return value if math.isnan(value) else max(value, 0.0)


def _falls(asked: CheckAsked, one: During) -> str | None:
    if one.element != "precipitation":
        return None
    hour = asked.briefing.answers[0].conditions.isel(time=one.hour)
    code, rate = (float(hour[name].max("edge")) for name in ("weather_code", "precipitation_rate"))
    return (precipitation_words(code, rate) or "precipitation") if rate > 0 else None
