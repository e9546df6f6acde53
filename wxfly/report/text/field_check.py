"""The words of a field check: what was read, what it weighs, and what it does to the rest of the day."""

from __future__ import annotations

import math
from typing import Protocol

from wxfly.answer.request import Briefing
from wxfly.flight.advice import precipitation_words
from wxfly.flight.anemometer_reading import STARTING_SPEED, Correction, HandRule, NoCredit
from wxfly.flight.launch_decision import STORM, Coming, During, HandVerdict, Reason, Verdict
from wxfly.pilot.elements import BY_NAME, LIMIT_RULES
from wxfly.report.facts.values import listed
from wxfly.report.text import sentences
from wxfly.report.text.brief import rounded_down, wrapped
from wxfly.units import UNITS


class Checked(Protocol):
    """What the words are made of: a reading held against the forecast, and the rest of the day with it."""

    @property
    def correction(self) -> Correction:
        """What the reading does."""

    @property
    def rule(self) -> HandRule:
        """What the anemometer may show."""

    @property
    def verdict(self) -> HandVerdict:
        """What the reading means for a launch now."""

    @property
    def briefing(self) -> Briefing:
        """The rest of the day."""

    @property
    def units(self) -> str:
        """Key of `wxfly.units.SYSTEMS`."""

    @property
    def time_zone(self) -> str | None:
        """As given."""


def render(asked: Checked, width: int = 100) -> str:
    """Write a field check for the terminal; the answer for the rest of the day stands below it."""
    return wrapped([f"{label}: {text}" for label, text in lines(asked)], width)


def lines(asked: Checked) -> list[tuple[str, str]]:
    """Return what a field check says, the verdict of the reading first."""
    c, units = asked.correction, asked.units
    told = [("Reading", verdict(asked))]
    beside = [_coming(one, asked) for one in asked.verdict.coming]
    if asked.verdict.verdict == Verdict.DO_NOT_LAUNCH:  # else the first line names it
        told_above = {STORM} if Reason.STORM in asked.verdict.reasons else set()
        standing = [one for one in asked.verdict.during if one.is_in_doubt and one.element not in told_above]
    else:
        standing = [one for one in asked.verdict.during if one.is_known and not one.is_in_doubt]
    beside = [*(_during(one, asked) for one in standing), *beside]
    if beside:
        told.append(("Beside", "; ".join(beside)))
    told.append(("Weight", _weight(c, units)))
    told.append(("Wind", _wind(c, units)))
    if not math.isnan(c.carried_gust):
        told.append(("Gust", _gust(c, units)))
    if c.reading.temperature is not None:
        told.append(("Temperature", _temperature(c, units)))
    return told


def verdict(asked: Checked) -> str:
    """Say whether the limits of wind and gust hold aloft, and why not."""
    found, unit = asked.verdict, sentences.unit_of("wind", asked.units)
    r, height = asked.correction.reading, _height(asked.correction, asked.units)
    read = f"mean {sentences.number(r.mean, unit)}"
    read += "" if r.gust is None else f", gust {sentences.number(r.gust, unit)}"
    read += f" {unit} at {sentences.amount(r.hand_height, 'height', asked.units)}"
    if found.verdict == Verdict.HOLDS:
        sure = f"{100 * asked.rule.confidence:.0f} in 100"
        told = f"{read}: the limits of wind and gust hold at {height}, {sure}"
        unknown = sentences.titles([one.element for one in found.during])
        told += f", but {unknown} not known" if unknown else ""
        return f"{told}; from now on {_of_flight(asked)}"
    reasons = "; ".join(_reason(reason, asked) for reason in found.reasons)
    if found.verdict == Verdict.DO_NOT_LAUNCH:
        return f"{read}: do not launch; {reasons}"
    # Below, rain and storms are no less.
    way_out = "wait" if set(found.reasons) <= _OF_THE_HOUR else "fly lower and nearer, or wait"
    return f"{read}: in doubt; {reasons}: {way_out}"


_OF_THE_HOUR = {Reason.DURING, Reason.DURING_NOT_KNOWN}


def _reason(reason: Reason, asked: Checked) -> str:
    rule, unit = asked.rule, sentences.unit_of("wind", asked.units)
    if reason == Reason.HOUR_OUTSIDE:
        return f"with the reading weighed in, {_of_flight(asked, outside=True)}"
    if reason == Reason.TOO_NEAR:
        doubt = sentences.amount(asked.correction.deviation, "wind", asked.units)
        sure = f"{100 * rule.confidence:.0f} in 100"
        return f"with the reading weighed in, {_of_flight(asked)}, give or take {doubt}: within, but not {sure}"
    if reason == Reason.ABOVE_RULE:
        below = f"{rounded_down(rule.mean_holds, unit)} and gust {rounded_down(rule.gust_holds, unit)} {unit}"
        return f"the limits hold surely only with a mean below {below}"
    starting = sentences.amount(STARTING_SPEED, "wind", asked.units)
    answer = asked.briefing.answers[0]
    hours = answer.request.intent.hold_hours
    return {
        Reason.STORM: "a storm is forecast for the hours of the flight",
        Reason.COMING: _near(asked, is_known=True),
        Reason.COMING_NOT_KNOWN: _near(asked, is_known=False),
        Reason.DURING: _standing(asked, is_known=True),
        Reason.DURING_NOT_KNOWN: _standing(asked, is_known=False),
        Reason.WAY_HOME_OUTSIDE: f"the {_way_home(asked)}",
        Reason.WAY_HOME_NOT_KNOWN: "what the way home takes is not known",
        Reason.HELD_BACK: f"wind or gust was over its limit within the last {hours} h, and the plan waits so long",
        Reason.HOLD_NOT_KNOWN: f"whether wind or gust was over its limit within the last {hours} h is not known",
        Reason.PASSED_AT_HAND: f"a limit is more likely passed than kept at {_height(asked.correction, asked.units)}",
        Reason.HOUR_NOT_KNOWN: "wind or gust of the hours of a flight from now on is not known",
        Reason.RULE_NOT_KNOWN: "what it means aloft is not known",
        Reason.NO_READING_HOLDS: (
            "in these hours the wind grows so much with height that no reading at the hand says that the limits hold"
        ),
        Reason.MAY_STAND_STILL: (
            f"below {starting} an anemometer in the hand may stand still: it says nothing of the wind aloft"
        ),
        Reason.DECOUPLED: "the air aloft does not follow that at the ground: calm at the hand says nothing of it",
        Reason.COUPLING_NOT_KNOWN: (
            "whether the air aloft follows that at the ground is not known: the forecast's heights do not tell"
        ),
        Reason.GUST_NOT_READ: "the gust was not read",
    }[reason]


def _near(asked: Checked, *, is_known: bool) -> str:
    """Say what is so near in time that it may reach the flight."""
    near = [c for c in asked.verdict.coming if c.is_known == is_known and c.is_in_doubt(asked.rule.confidence)]
    return "; ".join(_coming(one, asked) for one in near)


def _standing(asked: Checked, *, is_known: bool) -> str:
    """Say what stands against a launch in the hours of the flight."""
    standing = [one for one in asked.verdict.during if one.is_known == is_known and one.is_in_doubt]
    if is_known:
        return "; ".join(_during(one, asked) for one in standing)
    return f"not known in the hours of the flight: {sentences.titles([one.element for one in standing])}"


def _during(one: During, asked: Checked) -> str:
    """Say what is forecast in the hours of the flight, and how likely it breaks its limit."""
    answer, row = asked.briefing.answers[0], BY_NAME[one.element]
    if not one.is_known:
        return f"{row.title} in the hours of the flight is not known"
    reading = sentences.reading_of(answer, one.element, one.hour, asked.units)
    is_outside = answer.assessment["margin"].sel(element=one.element).values[one.hour] < 0
    if one.element == "precipitation":
        hour = answer.conditions.isel(time=one.hour)
        code, rate = (float(hour[name].max("edge")) for name in ("weather_code", "precipitation_rate"))
        falls = f"{precipitation_words(code, rate) or row.title} forecast now" if rate > 0 else ""
        if is_outside:
            return f"{falls}: {reading}"
        likely = f"{100 * one.chance:.0f} %"
        return f"{falls}, {likely} likely to be over the limit" if falls else f"{row.title} {likely} likely"
    if is_outside or LIMIT_RULES[row.sense].words:
        return reading
    return f"{reading}: {100 * one.chance:.0f} in 100 that it breaks the limit"


def _coming(one: Coming, asked: Checked) -> str:
    """Say what is forecast beside the flight, when, and how likely its timing brings it."""
    reader = sentences.reader_for(asked.briefing.answers[0], units=asked.units, time_zone=asked.time_zone)
    at, title = reader.clock.hour(one.time), BY_NAME[one.element].title
    if not one.is_known:
        return f"{title} is not known from {at} on"
    share = "under 1" if one.chance < 0.01 else f"{100 * one.chance:.0f}"
    if one.is_past:
        return f"{title} forecast until {at}: {share} in 100 that it is late or still near"
    limit = "" if LIMIT_RULES[BY_NAME[one.element].sense].words else " outside the limit"
    return f"{title}{limit} forecast from {at} on: {share} in 100 that it reaches the flight"


def _of_flight(asked: Checked, *, outside: bool = False) -> str:
    """Return the largest wind and gust of a flight from now on against their limits, or those that pass them."""
    answer = asked.briefing.answers[0]
    told = []
    for element, hour in asked.verdict.worst.items():
        if not outside or answer.assessment["margin"].sel(element=element).values[hour] < 0:
            told.append(sentences.reading_of(answer, element, hour, asked.units))
    return listed(told)


def _way_home(asked: Checked) -> str:
    """Say what the way home takes in the first hour in which it does not hold."""
    answer = asked.briefing.answers[0]
    if "return_leg" not in answer.assessment["element"].values:
        return ""
    outside = answer.assessment["margin"].sel(element="return_leg").values < 0
    return sentences.reading_of(answer, "return_leg", int(outside.argmax()), asked.units)


def _height(correction: Correction, units: str) -> str:
    return sentences.amount(correction.height, "height", units)


def _weight(c: Correction, units: str) -> str:
    doubt = sentences.amount(c.carried_deviation, "wind", units)
    return f"{100 * c.weight:.0f} % for the reading, the rest for the forecast (carried up, give or take {doubt})"


def _wind(c: Correction, units: str) -> str:
    unit = sentences.unit_of("wind", units)
    parts = [
        f"forecast {sentences.number(c.expected_at_hand, unit)} at the hand,"
        f" {sentences.number(c.forecast_wind, unit)} at {_height(c, units)}",
        f"the reading says {sentences.number(c.carried_wind, unit)} there",
        f"from now on {sentences.number(max(c.forecast_wind + c.added_wind, 0.0), unit)} {unit}",
    ]
    return "; ".join(parts) + _less(c, units)


def _gust(c: Correction, units: str) -> str:
    unit = sentences.unit_of("wind", units)
    if math.isnan(c.forecast_gust):
        return f"no forecast; the reading says {sentences.number(c.carried_gust, unit)} {unit} at {_height(c, units)}"
    now = sentences.number(max(c.forecast_gust + c.added_gust, 0.0), unit)
    return (
        f"forecast {sentences.number(c.forecast_gust, unit)} at {_height(c, units)}; the reading says"
        f" {sentences.number(c.carried_gust, unit)}; from now on {now} {unit}"
    )


def _less(c: Correction, units: str) -> str:
    """Say what becomes of a reading below the forecast."""
    if c.carried_wind >= c.forecast_wind:
        return ""
    if c.no_credit is None:
        return "; a reading below the forecast counts half: a hand may stand in a lee"
    starting = sentences.amount(STARTING_SPEED, "wind", units)
    why = {
        NoCredit.STANDS_STILL: f"below {starting} the anemometer may stand still",
        NoCredit.DECOUPLED: "the air aloft goes its own way",
        NoCredit.NOT_KNOWN: "whether the air aloft follows is not known",
    }[c.no_credit]
    return f"; a reading below the forecast takes nothing off: {why}"


def _temperature(c: Correction, units: str) -> str:
    unit = sentences.unit_of("temperature", units)
    symbol = UNITS[unit].written
    assert c.reading.temperature is not None
    read = sentences.number(c.reading.temperature, unit)
    if math.isnan(c.expected_temperature):
        return f"{read} {symbol} read; no forecast to hold it against"
    now = sentences.number(c.expected_temperature + c.added_temperature, unit)
    told = f"forecast {sentences.number(c.expected_temperature, unit)}, read {read}; from now on {now} {symbol}"
    if c.temperature_is_plausible:
        return told
    return f"{told}; so far from the forecast it makes no hour better: air it in the shade and read again"
