"""The words of a field check: what was read, what it weighs, and what it does to the rest of the day."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from msgspec.structs import replace

from wxfly.pilot.elements import BY_NAME, ROW
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.report.command_facts.field_check import (
    FAR_BELOW,
    STORM,
    CheckFacts,
    ComingFacts,
    DuringFacts,
    LaunchVerdict,
    NoCredit,
    Reason,
    Room,
)
from wxfly.report.facts import writing
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import HourWords
from wxfly.report.facts.sortie import out_of_sight
from wxfly.report.facts.values import listed
from wxfly.report.text.console import isolated, wrapped
from wxfly.report.text.details import first_notes, readers_of
from wxfly.times import as_moment
from wxfly.units import UNITS, from_si

_OF_THE_HOUR = {Reason.DURING, Reason.DURING_NOT_KNOWN}
_OF_THE_READING = {Reason.FAR_BELOW, Reason.MAY_STAND_STILL}


def rounded_down(value: float | None, unit: str) -> str:
    """Round a reading down, to the safe side, to the tenth that an anemometer shows; what is not known is ``?``."""
    return "?" if value is None else f"{math.floor(float(from_si(value, unit)) * 10 + 1e-9) / 10:.1f}"


class CheckWords:
    """Phrases a field check.

    Parameters
    ----------
    facts : CheckFacts
        What to tell.
    """

    def __init__(self, facts: CheckFacts) -> None:
        self._facts, self._site = facts, facts.answer.sites[0]
        (reader,) = readers_of(facts.answer)
        self._units, self._clock = reader.units, reader.clock
        self._hours = HourWords(self._site, reader.units)
        self._unit = writing.unit_of("wind", reader.units)
        self._height = writing.amount(self._site.height, "height", reader.units)
        self._sure = writing.in_ten(facts.launch.confidence)

    def render(self, width: int) -> str:
        """Write it for a terminal: the verdict, what must be known with it, and what it is made of."""
        blocks = [[self.first_line()], first_notes(self._facts.answer), [f"{label}: {t}" for label, t in self.lines()]]
        return "\n\n".join(wrapped(block, width) for block in blocks if block)

    def first_line(self) -> str:
        """Return in words whether the reading lets the aircraft launch, where and when; `lines` says why."""
        of_forecast, verdict = self._facts.answer.verdict.of_forecast, self.verdict()
        return f"{of_forecast}: {verdict}." if of_forecast else f"{verdict[:1].upper()}{verdict[1:]}."

    def later(self) -> tuple[str, str]:
        """Return of which hours the answer that follows is, and its verdict without what the first line has said."""
        answer, verdict = self._facts.answer, self._facts.answer.verdict
        named = verdict.chance_period if verdict.word is Room.PROBABLY_NONE else verdict.period
        start = self._site.period.start if named is None else named.start
        if self._clock.date(start) != self._clock.date(answer.now):
            when = self._clock.day(start)
        else:
            when = "Today from now on" if named is not None and start <= answer.now else "Later today"
        words = verdict.first_line.removeprefix(verdict.of_forecast).lstrip(",: ")
        return when, words[:1].upper() + words[1:]

    def answer_of_day(self) -> AnswerFacts:
        """Return the answer for the rest of the day, with a first line that says of which hours it is."""
        when, words = self.later()
        answer = self._facts.answer
        first = f"{when}: {words[:1].lower()}{words[1:]}"
        return replace(answer, verdict=replace(answer.verdict, first_line=first))

    def lines(self) -> list[tuple[str, str]]:
        """Return what the verdict of a field check is made of."""
        facts = self._facts
        if facts.verdict is LaunchVerdict.DO_NOT_LAUNCH:  # else the reasons name it
            said_above = {STORM} if Reason.STORM in facts.reasons else set()
            standing = [one for one in facts.during if one.in_doubt and one.element not in said_above]
        else:
            standing = [one for one in facts.during if one.chance is not None and not one.in_doubt]
        said = facts.verdict is LaunchVerdict.IN_DOUBT  # the reasons then name what is near
        beside = [
            *self._all_during(standing),
            *self._all_coming([c for c in facts.coming if not (said and c.in_doubt)]),
        ]
        return [
            (label, text)
            for label, text in (
                ("Why", self.why()),
                ("Mind", self._out_of_sight()),
                ("Height", self._height_passed()),
                ("Reading", self._read()),
                ("Beside", "; ".join(beside)),
                ("Weight", self._weight()),
                ("Wind", self._wind()),
                ("Gust", self._gust()),
                ("Temperature", self._temperature()),
            )
            if text
        ]

    def verdict(self) -> str:
        """Return in words whether the limits of wind and gust hold aloft, where and when."""
        facts, now = self._facts, self._facts.answer.now
        where = f"at {isolated(self._site.site.name)}, {self._clock.day(now)} {self._hour(now)}"
        if facts.verdict is LaunchVerdict.HOLDS:
            line = f"the limits of wind and gust hold {where}; {self._sure}"
            unknown = writing.titles([one.element for one in facts.during])
            return line + (f", but {unknown} not known" if unknown else "")
        if facts.verdict is LaunchVerdict.DO_NOT_LAUNCH:
            return f"do not launch {where}"
        return f"in doubt {where}: {self._way_out()}"

    def _way_out(self) -> str:
        """Return in words what to do in doubt; lower only where a height passes, and then which."""
        reasons, highest = set(self._facts.reasons), self._facts.highest_height
        if reasons & _OF_THE_HOUR:  # below, rain and storms are no less
            return "wait"
        if highest:
            return f"fly no higher than {writing.height_down(highest, self._units)}, or wait"
        if reasons & _OF_THE_READING:
            return "do not launch yet; read again in the open"
        if Reason.GUST_NOT_READ in reasons:
            return "do not launch yet; read the gust too"
        return "do not launch yet; wait"

    def why(self) -> str:
        """Return in words what the verdict is from."""
        if self._facts.verdict is LaunchVerdict.HOLDS:
            length = writing.duration(self._facts.answer.minimum_duration)
            return f"at worst during the flight ({length}) {self._of_flight()}"
        return "; ".join(map(self._reason, self._facts.reasons))

    def _out_of_sight(self) -> str:
        """Return a warning where the planned flight goes farther than the aircraft is seen by its size."""
        sortie, aircraft = self._site.sortie, self._site.aircraft
        plan = None if sortie is None else sortie.plan
        return "" if plan is None else out_of_sight(plan, aircraft.sight_range, self._units)

    def _height_passed(self) -> str:
        """Return in words up to which height the limits hold; empty where that is not worked out."""
        highest = self._facts.highest_height
        if highest is None:
            return ""
        up_to = f"up to {writing.height_down(highest, self._units)} above ground" if highest else "at no height"
        return f"within limits {up_to}, by this reading"

    def _read(self) -> str:
        r = self._facts.reading
        read = f"mean {self._speed(r.mean)}" + ("" if r.gust is None else f", gust {self._speed(r.gust)}")
        return f"{read} {self._unit} at {writing.amount(r.anemometer_height, 'height', self._units)}"

    def _reason(self, reason: Reason) -> str:
        launch, hours = self._facts.launch, self._site.intent.wait_hours
        starting = f"{self._speed(launch.least_mean)} {self._unit}"
        below = (
            f"{rounded_down(launch.largest_mean, self._unit)} and gust {rounded_down(launch.largest_gust, self._unit)}"
        )
        uncertainty = writing.amount(self._facts.reading.deviation, "wind", self._units)
        source = "with the reading weighed in" if self._is_corrected() else "by the forecast"
        return {
            Reason.HOUR_OUTSIDE: f"{source}, {self._of_flight(outside=True)}",
            Reason.FAR_BELOW: self._far_below(),
            Reason.TOO_NEAR: f"{source}, {self._of_flight()}, give or take {uncertainty}: within, but not {self._sure}",
            Reason.ABOVE_RULE: f"the limits hold surely only with a mean below {below} {self._unit}",
            Reason.STORM: "a storm is forecast for the hours of the flight",
            Reason.COMING: self._near(is_known=True),
            Reason.COMING_NOT_KNOWN: self._near(is_known=False),
            Reason.DURING: self._standing(is_known=True),
            Reason.DURING_NOT_KNOWN: self._standing(is_known=False),
            Reason.RETURN_LEG_OUTSIDE: f"the {self._return_leg()}",
            Reason.WAY_HOME_NOT_KNOWN: "what the way back takes is not known",
            Reason.WAITING: f"wind or gust was over its limit within the last {hours} h, and the plan waits so long",
            Reason.WAIT_NOT_KNOWN: f"whether wind or gust was over its limit within the last {hours} h is not known",
            Reason.PASSED_AT_ANEMOMETER: self._passed(),
            Reason.HOUR_NOT_KNOWN: "wind or gust of the hours of a flight from now on is not known",
            Reason.RULE_NOT_KNOWN: "what it means aloft is not known",
            Reason.NO_READING_PASSES: "in these hours the wind grows so much with height that no reading at the hand"
            " says that the limits hold",
            Reason.MAY_STAND_STILL: f"below {starting} an anemometer in the hand may stand still: it says nothing of"
            " the wind aloft",
            Reason.DECOUPLED: "the air aloft does not follow that at the ground: calm at the hand says nothing of it",
            Reason.COUPLING_NOT_KNOWN: "whether the air aloft follows that at the ground is not known: the forecast's"
            " heights do not tell",
            Reason.GUST_NOT_READ: "the gust was not read",
        }[reason]

    def _near(self, *, is_known: bool) -> str:
        """Return in words what is so near in time that it may reach the flight."""
        near = [one for one in self._facts.coming if one.is_known == is_known and one.in_doubt]
        return "; ".join(self._all_coming(near))

    def _all_coming(self, coming: Sequence[ComingFacts]) -> list[str]:
        """Return in words what is forecast beside the flight; what is unknown from the same hour on in one phrase."""
        unknown: dict[datetime, list[str]] = {}
        for one in coming:
            if not one.is_known:
                unknown.setdefault(one.moment, []).append(one.element)
        known = [self._coming(one) for one in coming if one.is_known]
        return known + [f"not known from {self._hour(at)} on: {writing.titles(names)}" for at, names in unknown.items()]

    def _hour(self, moment: datetime) -> str:
        return self._clock.hour(as_moment(moment))

    def _standing(self, *, is_known: bool) -> str:
        """Return in words what stands against a launch in the hours of the flight."""
        standing = [one for one in self._facts.during if (one.chance is not None) == is_known and one.in_doubt]
        return "; ".join(self._all_during(standing))

    def _all_during(self, during: Sequence[DuringFacts]) -> list[str]:
        """Return in words what stands against a launch in the hours of the flight; what is unknown in one phrase."""
        known = [self._during(one) for one in during if one.chance is not None]
        unknown = writing.titles([one.element for one in during if one.chance is None])
        return [*known, f"not known in the hours of the flight: {unknown}"] if unknown else known

    def _during(self, one: DuringFacts) -> str:
        """Return in words what is forecast in the hours of the flight, and how likely it breaks its limit."""
        row = BY_NAME[one.element]
        reading = self._hours.demand_in_words(one.element, one.hour)
        if one.element == "precipitation":
            falls = f"{one.falls} forecast now" if one.falls else ""
            if self._is_outside(one.element, one.hour):
                return f"{falls}: {reading}"
            likely = writing.in_ten(one.chance)
            return f"{falls}, {likely} to be over the limit" if falls else f"{row.title} {likely}"
        if self._is_outside(one.element, one.hour) or LIMIT_RULES[row.sense].words:
            return reading
        return f"{reading}: {writing.in_ten(one.chance)} to break the limit"

    def _is_outside(self, element: str, hour: int) -> bool:
        return (self._site.elements[ROW[element]].margin[hour] or 0.0) < 0

    def _coming(self, one: ComingFacts) -> str:
        """Return in words what is forecast beside the flight, when, and how likely its timing brings it."""
        at, title = self._hour(one.moment), BY_NAME[one.element].title
        chance = writing.in_ten(one.chance)
        if one.is_past:
            return f"{title} forecast until {at}: {chance} to be late or still near"
        limit = "" if LIMIT_RULES[BY_NAME[one.element].sense].words else " outside the limit"
        return f"{title}{limit} forecast from {at} on: {chance} to reach the flight"

    def _of_flight(self, *, outside: bool = False) -> str:
        """Return the largest wind and gust of a flight from now on against their limits, or those that pass them."""
        return listed(
            [
                self._hours.demand_in_words(element, hour)
                for element, hour in self._facts.worst_hours.items()
                if not outside or self._is_outside(element, hour)
            ]
        )

    def _is_corrected(self) -> bool:
        """Return whether the reading changes wind or gust."""
        r = self._facts.reading
        return (r.wind_now, r.gust_now) != (r.forecast_wind, r.forecast_gust)

    def _far_below(self) -> str:
        """Return in words what of the reading is far below the forecast at the anemometer, and the way out."""
        r = self._facts.reading
        pairs = (("mean", r.mean, r.expected_at_anemometer), ("gust", r.gust, r.expected_gust_at_anemometer))
        low = [
            f"{name} ({self._speed(read)}, forecast {self._speed(expected)} {self._unit})"
            for name, read, expected in pairs
            if read is not None and expected is not None and read < FAR_BELOW * expected
        ]
        at = writing.amount(r.anemometer_height, "height", self._units)
        return f"far below the forecast at {at}: your {listed(low)}: you may stand in a lee; read again in the open"

    def _passed(self) -> str:
        """Return in words which limits the reading takes over, and at which height."""
        passed, here = self._facts.passed, self._site.height
        by_place: dict[str, list[str]] = {}
        for one in passed:
            way_back = "" if one.height == here else ", on the way back"
            at = f"at {writing.amount(one.height, 'height', self._units)}{way_back}"
            by_place.setdefault("at launch" if one.at_launch else at, []).append(one.element)
        line = "; ".join(f"{writing.titles(names).lower()} {place}" for place, names in by_place.items())
        only_way_back = all(one.height != here and not one.at_launch for one in passed)
        kept_here = only_way_back and Reason.HOUR_OUTSIDE not in self._facts.reasons
        alone = f"; at {self._height} alone more likely kept" if kept_here else ""
        return f"a limit is more likely passed than kept: {line}{alone}"

    def _return_leg(self) -> str:
        """Return in words what the way back takes in the first hour in which it does not hold."""
        hour = self._facts.return_leg_hour
        return "" if hour is None else self._hours.demand_in_words("return_leg", hour)

    def _speed(self, value: float | None) -> str:
        return "not known" if value is None else writing.number(value, self._unit)

    def _weight(self) -> str:
        r = self._facts.reading
        uncertainty = writing.amount(r.extrapolation_deviation, "wind", self._units)
        if r.no_credit is not None and r.is_below_forecast and not self._is_corrected():
            return "all for the forecast, none for the reading"
        share = f"{100 * r.weight:.0f} %"
        return f"{share} for the reading, the rest for the forecast (at your height, give or take {uncertainty})"

    def _wind(self) -> str:
        r = self._facts.reading
        parts = [
            f"forecast {self._speed(r.expected_at_anemometer)} at the anemometer,"
            f" {self._speed(r.forecast_wind)} at {self._height}",
            f"the reading says {self._speed(r.extrapolated_wind)} there",
            f"now {self._speed(r.wind_now)} {self._unit}",
        ]
        return "; ".join(parts) + self._less()

    def _gust(self) -> str:
        r = self._facts.reading
        if r.extrapolated_gust is None:
            return ""
        extrapolated = f"the reading says {self._speed(r.extrapolated_gust)}"
        if r.forecast_gust is None:
            return f"no forecast; {extrapolated} {self._unit} at {self._height}"
        return (
            f"forecast {self._speed(r.forecast_gust)} at {self._height}; {extrapolated};"
            f" now {self._speed(r.gust_now)} {self._unit}"
        )

    def _less(self) -> str:
        """Return in words what becomes of a reading below the forecast."""
        r = self._facts.reading
        if not r.is_below_forecast:
            return ""
        if r.no_credit is None:
            return "; a reading below the forecast counts half: a hand may stand in a lee"
        why = {
            NoCredit.STANDS_STILL: f"below {self._speed(self._facts.launch.least_mean)} {self._unit} the anemometer may"
            " stand still",
            NoCredit.DECOUPLED: "the air aloft goes its own way",
            NoCredit.NOT_KNOWN: "whether the air aloft follows is not known",
            NoCredit.GUST_NOT_KNOWN: "the forecast has no gust to compare with",
            NoCredit.FAR_BELOW: "so far below it you may stand in a lee",
        }[r.no_credit]
        return f"; a reading below the forecast takes nothing off: {why}"

    def _temperature(self) -> str:
        r, unit = self._facts.reading, writing.unit_of("temperature", self._units)
        if r.temperature is None:
            return ""
        read, symbol = writing.number(r.temperature, unit), UNITS[unit].written
        if r.expected_temperature is None or r.temperature_now is None:
            return f"{read} {symbol} read; no forecast to hold it against"
        now = writing.number(r.temperature_now, unit)
        line = f"forecast {writing.number(r.expected_temperature, unit)}, read {read}; now {now} {symbol}"
        if r.temperature_is_plausible:
            return line
        return f"{line}; so far from the forecast it makes no hour better: air it in the shade and read again"
