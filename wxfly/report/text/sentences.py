"""The sentences of an answer: what holds, why, what is next, what is not known, and where it is from.

Every output that people read takes its words from here, so that a page, a terminal and a calendar say the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from wxfly.answer import findings
from wxfly.answer.briefing import age_of
from wxfly.answer.findings import Day
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.pilot.elements import BY_NAME, LIMIT_RULES, RETURN_LEG, ROW
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.site import SiteClock
from wxfly.report.facts.values import INVENTED, energy_missing, listed, told_apart
from wxfly.report.text.console import clean, isolated
from wxfly.units import SYSTEMS, UNITS, from_si

_MORE_DECIMALS = 2

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def unit_of(quantity: str, units: str) -> str:
    """Return the symbol of the unit that shows a quantity of `wxfly.units.SYSTEMS`; ``1`` for a bare number."""
    return SYSTEMS[units][quantity] if quantity else "1"


def number(value: float, unit: str, *, more: int = 0) -> str:
    """Write an SI value as a number in a unit, with the decimals that a forecast carries and `more`."""
    shown = float(from_si(value, unit))
    decimals = UNITS[unit].decimals + more
    text = f"{shown:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def amount(value: float, quantity: str, units: str) -> str:
    """Write an SI value with its unit, such as ``7.1 m/s``; ``not known`` for NaN."""
    if math.isnan(value):
        return "not known"
    unit = unit_of(quantity, units)
    return f"{number(value, unit)} {UNITS[unit].written}".strip()


def height_down(value: float, units: str) -> str:
    """Write a height in whole metres or feet, rounded down, so that it never looks higher than it may be."""
    unit = unit_of("height", units)
    return f"{math.floor(float(from_si(value, unit)) + 1e-6)} {unit}"


def _short(text: str) -> str:
    return text.removesuffix(".0")


def margin(value: float) -> str:
    """Write a margin to two places, toward the limit, so that it never looks better than it is."""
    if math.isnan(value):
        return "?"
    text = f"{math.floor(round(value * 100, 6)) / 100:.2f}"
    return "0.00" if text == "-0.00" else text


def reading(element: str, demand: float, limit: float, *, height: float, units: str, near_ground: bool = False) -> str:
    """Say what an hour asks and what the limit is, such as ``gust at 80 m, 9.1 of 10.7 m/s``.

    Parameters
    ----------
    element : str
        Name of an element.
    demand, limit : float
        SI, as `wxfly.assessment.suitability.assess` returns them.
    height : float
        Flight height [m].
    units : str
        Key of `wxfly.units.SYSTEMS`.
    near_ground : bool, optional
        Whether the demand is that of the air near the ground, where an element is held at both.
    """
    row = BY_NAME[element]
    at = amount(height, "height", units)
    subject = row.reading.format(height=at, where="near the ground" if near_ground else f"at {at}")
    if math.isnan(demand):
        return f"{subject} not known"
    rule = LIMIT_RULES[row.sense]
    if rule.words:
        word = rule.words[min(max(math.ceil(demand), 0), len(rule.words) - 1)]
        return rule.reading.format(subject=subject, word=word)
    unit = unit_of(row.quantity, units)
    if math.isnan(limit):
        return f"{subject}, {amount(demand, row.quantity, units)}, no limit given"
    here, there = _apart(demand, limit, unit)
    return rule.reading.format(subject=subject, demand=here, limit=there, unit=UNITS[unit].written).rstrip()


def _apart(demand: float, limit: float, unit: str) -> tuple[str, str]:
    """Write two values with as many decimals as tell them apart."""
    for more in range(_MORE_DECIMALS + 1):
        here, there = number(demand, unit, more=more), number(limit, unit, more=more)
        if here != there or demand == limit:
            break
    return here, _short(there)


def direction(degrees: float) -> str:
    """Write where the wind comes from, such as ``SW (225°)``."""
    whole = round(degrees) % 360
    return f"{COMPASS[round(degrees / 22.5) % 16]} ({whole or 360:03d}°)"


class Clock(SiteClock):
    """Writes UTC moments on one clock."""

    def hour_told_apart(self, moment: np.datetime64) -> str:
        """Write a moment as ``14:05``, with the abbreviation in force where the clock shows that time twice."""
        wall = self.local(moment).replace(tzinfo=None)
        around = (self.local(moment + np.timedelta64(h, "h")).replace(tzinfo=None) for h in (-1, 1))
        return f"{self.hour(moment)} {self.zone(moment)}" if wall in around else self.hour(moment)

    def span(self, start: np.datetime64, end: np.datetime64) -> str:
        """Write a span as ``14:05–16:00``, its ends rounded inward; midnight at its end is ``24:00``.

        An hour at whose end the clock goes back to its start is told by both abbreviations.
        """
        first, last = self.hour(start, up=True), self.hour(end)
        if first == last and self.zone(start) != self.zone(end):
            return f"{first} {self.zone(start)}–{last} {self.zone(end)}"
        if last == "00:00" and end > start:
            last = "24:00"
        return f"{first}–{last}"

    def day(self, moment: np.datetime64) -> str:
        """Write the day of a moment as ``Sun 15 Mar``."""
        return day_name(self.date(moment))

    def zones(self, start: np.datetime64, end: np.datetime64) -> str:
        """Return the abbreviations in force over a span: one, or two where the clocks change."""
        first, last = self.zone(start), self.zone(end)
        return first if first == last else f"{first}, then {last}"

    def stamp(self, moment: np.datetime64) -> str:
        """Write a moment in full, such as ``Sun 15 Mar 2026 14:05 CET``."""
        if np.isnat(moment):
            return "not known"
        local = self.local(moment)
        return f"{day_name(local.date())} {local.year} {self.hour(moment)} {self.zone(moment)}"


# English whatever the reader's locale: the rest of the sentence is English too.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_name(day: date) -> str:
    """Write a date as ``Sun 15 Mar``."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def duration(length: np.timedelta64) -> str:
    """Write a length of time as ``45 min`` or ``1 h 20 min``, rounded down to the minute."""
    minutes = int(length / np.timedelta64(1, "m"))
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def age(length: np.timedelta64) -> str:
    """Write the age of a forecast as ``6 h old``."""
    if np.isnat(length):
        return "age not known"
    hours = length / np.timedelta64(1, "h")
    return f"{hours:.0f} h old" if hours >= 1 else f"{max(hours, 0) * 60:.0f} min old"


AMPLE = 0.5
"""With at least this share of every limit left, nothing is called near a limit."""

_PROBABILITY = "probability of precipitation"


@dataclass(frozen=True)
class Reader:
    """How an answer is to be shown: the units and the clock.

    Attributes
    ----------
    units : str
        Key of `wxfly.units.SYSTEMS`.
    clock : Clock
        The site's own, or the one the reader asked for.
    """

    units: str
    clock: Clock


def reader_for(answer: SiteAnswer, *, units: str, time_zone: str | None) -> Reader:
    """Return the reader of one site's answer; without a time zone the site's own clock counts."""
    return Reader(units, Clock(time_zone or answer.request.site.time_zone))


def labels(briefing: Briefing, units: str) -> list[str]:
    """Name the answers of a briefing apart: by site, and by height where that is needed."""
    names = [isolated(answer.request.site.name) for answer in briefing.answers]
    heights = [answer.request.height for answer in briefing.answers]
    return told_apart(names, heights, lambda height: amount(height, "height", units))


def asked(answer: SiteAnswer, units: str) -> str:
    """Say for what the answer is, such as ``Kelderness, 60 m above ground, folding camera quad under 250 g``."""
    request = answer.request
    height = amount(request.height, "height", units)
    told = f"{isolated(request.site.name)}, {height} above ground, {isolated(request.aircraft.title)}"
    if request.limits.rules != DEFAULT_RULES:
        told += f", rules {isolated(request.limits.rules)}"
    if request.limits.confidence > 0.5:
        told += f", confidence {request.limits.confidence:g} in wind and gust"
    if request.limits.maximum_gust_at_launch is not None:
        told += f", launch in gusts to {amount(request.limits.maximum_gust_at_launch, 'wind', units)}"
    return told


def when(window: Window, clock: Clock) -> str:
    """Write a window as ``Sun 15 Mar 12:00–13:00 GMT``."""
    span = clock.span(window.start, window.end)
    if clock.date(window.start) != clock.date(window.end) and not span.endswith("24:00"):
        return f"{clock.day(window.start)} {clock.hour(window.start, up=True)} to {clock.day(window.end)} " + (
            f"{clock.hour(window.end)} {clock.zone(window.start)}"
        )
    return f"{clock.day(window.start)} {span} {clock.zone(window.start)}"


def reading_of(answer: SiteAnswer, element: str, hour: int, units: str) -> str:
    """Phrase one element of one hour, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
    # By position: a page asks for some thousand cells, and choosing by label takes a hundred times as long.
    row = ROW[element]
    values = [answer.assessment[name].variable.values[row] for name in ("demand", "limit")]
    demand, limit = (float(of_hours[hour]) for of_hours in values)
    if element == RETURN_LEG.name:
        return way_home(demand)
    height = answer.request.height
    if element in ("wind", "gust") and "phase_height" in answer.assessment:
        height = float(answer.assessment["phase_height"].variable.values[row, hour])
    near_ground = element == "temperature" and _is_near_ground(answer, demand, hour)
    told = reading(element, demand, limit, height=height, units=units, near_ground=near_ground)
    return told if height == answer.request.height else f"{told}, {_phase(height)}"


def _phase(height: float) -> str:
    return "at launch and landing" if height == HEIGHT_OF_LAUNCH else "on the way home"


def _is_near_ground(answer: SiteAnswer, temperature: float, hour: int) -> bool:
    """Say whether the temperature that counts in an hour is that near the ground and not that at flight height."""
    variable = answer.conditions["air_temperature"].variable
    return temperature not in variable.isel(time=hour).values


def way_home(demand: float) -> str:
    """Phrase the share of the battery that a sortie needs; never smaller than it is."""
    if np.isnan(demand):
        return "way home not known"
    from wxfly.flight.return_leg import CANNOT_BE_FLOWN

    if demand >= CANNOT_BE_FLOWN:
        return "way home, the sortie cannot be flown"
    return f"way home, {math.ceil(round(100 * demand, 6))} of 100 % of the battery, its reserve included"


def reason_of(answer: SiteAnswer, hour: int, units: str) -> str:
    """Phrase what decides in one hour."""
    held = held_back(answer, hour)
    if held:
        return held
    element = str(answer.assessment["limiting_element"].values[hour])
    return reading_of(answer, element, hour, units) if element else "nothing is known"


def held_back(answer: SiteAnswer, hour: int) -> str:
    """Say by what an hour is held back that would not be outside by itself; empty where it is not."""
    if "held_back" not in answer.assessment:
        return ""
    cause = str(answer.assessment["held_back"].values[hour])
    if not cause or (answer.assessment["margin"].values[:, hour] < 0).any():
        return ""
    hours = int(answer.assessment.attrs["hold_hours"])
    before = "the hour before was" if hours == 1 else f"one of the {hours} hours before was"
    if np.isnan(answer.assessment["hour_margin"].values[hour]):
        return f"held back: whether {before} over the {BY_NAME[cause].title} limit is not known"
    return f"held back: {before} over the {BY_NAME[cause].title} limit"


WET = "forecast wet all along"


def standing(answer: SiteAnswer, window: Window) -> str:
    """Say how a window stands, such as ``inside, margin 0.43``, first that it is wet, and what is not known in it."""
    wet = f"{WET}, " if findings.is_wet(answer, window) else ""
    text = f"{wet}{window.state.words}, margin {margin(window.margin)}"
    return f"{text}, {titles(window.unknown)} not known" if window.unknown else text


def titles(elements: Sequence[str]) -> str:
    """List elements by their titles."""
    return listed([BY_NAME[name].title for name in elements])


def window_reason(answer: SiteAnswer, window: Window, units: str) -> str:
    """Say what decides in a window: with half of every limit left what may break one, else that nothing is near."""
    reason = reason_of(answer, findings.deciding_hour(answer, window), units)
    if window.margin < AMPLE:
        return reason
    cause = findings.doubtful_cause(answer, window)
    if cause is None:
        return f"nothing is near a limit; nearest: {reason}"
    row = BY_NAME[cause.element]
    likely = f"{row.title} {round(100 * cause.share)} % likely"
    broken = "" if row.sense == "grade" else " to break its limit"
    return f"{likely}{broken}; nearest by value: {reason}"


def what_ends(answer: SiteAnswer, window: Window, reader: Reader) -> str:
    """Say what ends the stretch of holding hours around a window; empty where the answer itself ends there."""
    times = answer.assessment["time"].values.astype("datetime64[s]")
    after = np.flatnonzero(times + findings.HOUR > window.within_end)
    if not after.size or window.within_end >= answer.end:
        return ""
    hour = int(after[0])
    at = reader.clock.hour(window.within_end)
    lit_end = answer.assessment["usable_end"].values[hour].astype("datetime64[s]")
    dark = not answer.lit_hours[hour] or (times[hour] < window.within_end and lit_end <= window.within_end)
    if dark:
        return f"at {at} with the light"
    return f"at {at}, then {reason_of(answer, hour, reader.units)}"


def around(answer: SiteAnswer, window: Window, reader: Reader) -> str:
    """Say which longer stretch a window is the best part of; empty when it is the whole."""
    if (window.within_start, window.within_end) == (window.start, window.end):
        return ""
    state = answer.assessment["hour_margin"].values
    times = answer.assessment["time"].values
    inside = (times + findings.HOUR > window.within_start) & (times < window.within_end)
    at = int(np.flatnonzero(inside)[np.argmin(state[inside])])
    span = reader.clock.span(window.within_start, window.within_end)
    smallest = margin(float(state[at]))
    reason = reason_of(answer, at, reader.units)
    return f"the best part of {span}, which holds throughout, down to margin {smallest} ({reason})"


def what_it_is_like(answer: SiteAnswer, window: Window, units: str) -> str:
    """Describe wind, gust, air and rain of a window in one sentence."""
    c = findings.conditions_of(answer, window)
    height = amount(answer.request.height, "height", units)
    parts = []
    if not np.isnan(c.wind_high):
        low, high = (number(v, unit_of("wind", units)) for v in (c.wind_low, c.wind_high))
        unit = unit_of("wind", units)
        wind = f"wind at {height} {low if low == high else f'{low} to {high}'} {unit}"
        doubt = number(c.wind_doubt, unit)
        if not np.isnan(c.wind_doubt) and float(doubt) > 0:
            wind += f" (±{doubt} from the way between the forecast's heights, 2 in 3; its own error is larger)"
        if not np.isnan(c.wind_from_direction):
            wind += f" from {direction(c.wind_from_direction)}"
        parts.append(wind)
    if not np.isnan(c.gust):
        parts.append(f"gust to {amount(c.gust, 'wind', units)}")
    if not np.isnan(c.temperature_high):
        unit = unit_of("temperature", units)
        low, high = (number(v, unit) for v in (c.temperature_low, c.temperature_high))
        parts.append(f"{low if low == high else f'{low} to {high}'} {UNITS[unit].written}")
    if not np.isnan(c.density_altitude):
        parts.append(f"density altitude {amount(c.density_altitude, 'height', units)}")
    if not np.isnan(c.precipitation_probability):
        largest = f"{100 * c.precipitation_probability:.0f} %"
        parts.append(f"precipitation probability {largest if largest == '0 %' else f'up to {largest}'}")
    return "; ".join(parts)


def light(answer: SiteAnswer, day: Day, clock: Clock) -> str:
    """Say when the sun rises and sets on a day."""
    sun = findings.sun_of(answer, day, clock)
    words = (
        ("first light", "civil_dawn"),
        ("sunrise", "sunrise"),
        ("sunset", "sunset"),
        ("last light", "civil_dusk"),
    )
    told = [
        (f"{word} {clock.hour(moment, up=name in ('civil_dawn', 'sunrise'))}", clock.zone(moment))
        for word, name in words
        if not np.isnat(moment := getattr(sun.events, name)[0])
    ]
    if not told:
        return _without_events(sun)
    # The day's first hours may lie before a change of the clocks: the zone is that of the events.
    zones = [zone for _, zone in told]
    parts = [
        f"{words} {zone}" if i + 1 == len(told) or zones[i + 1] != zone else words
        for i, (words, zone) in enumerate(told)
    ]
    return ", ".join(parts)


def _without_events(sun: findings.Sun) -> str:
    """Tell the night that lasts from the day that does, by the sun at its highest."""
    if sun.highest > 0:
        return "the sun does not set"
    return f"the sun does not rise; {'twilight' if sun.lowest > -6 else 'no twilight'} all day"


def origin(briefing: Briefing, clock: Clock) -> list[str]:
    """Say where the forecast is from, how old it is and under which terms, with the links the sources ask for."""
    p = briefing.provenance
    old, since = age_of(p, briefing.now)
    lines = [
        f"{p.attribution}.",
        f"Model {p.model}, run {clock.stamp(p.run)}, retrieved {clock.stamp(p.retrieved)};"
        f" {age(old)} at {clock.stamp(briefing.now)}"
        f"{', counted from its first hour' if since == 'first_hour' else ''}.",
        f"Licence of the data: {p.license}.",
    ]
    return [clean(line) for line in lines]


def first_notes(briefing: Briefing) -> list[str]:
    """Return what must be read before anything else: that it is invented, and the notes of the briefing."""
    others = [note for note in briefing.notes if kind_of(note) is not NoteKind.INVENTED]
    notes = [clean(note[:1].upper() + note[1:]) for note in others]
    return [INVENTED, *notes] if briefing.is_invented else notes


def not_known_first(answer: SiteAnswer) -> str:
    """Name what the decision needs and does not have, in one sentence; empty when all is known."""
    found = findings.gaps(answer)
    parts = []
    required = [gap for gap in found if gap.required]
    if required:
        hours = len({hour for gap in required for hour in gap.hours})
        lit = int(answer.lit_hours.sum())
        parts.append(f"{titles([g.element for g in required])} missing: {_hours(hours, lit)} not known")
    never = [gap.element for gap in found if not gap.required and gap.everywhere]
    partly = [gap.element for gap in found if not gap.required and not gap.everywhere]
    advised = [titles(never)] if never else []
    advised += [f"{titles(partly)} in some hours"] if partly else []
    if advised:
        parts.append(f"{', and '.join(advised)} (advised): find out before you fly")
    lost = findings.lost_probability(answer)
    if lost:
        where = "" if len(lost) == answer.lit_hours.sum() else " in some hours"
        parts.append(f"{_PROBABILITY}{where}: it counts as certain in the chance")
    if answer.request.energy_missing:
        parts.append(f"{RETURN_LEG.title} is not judged: {energy_missing(answer.request.energy_missing)}")
    skipped = [name for name in answer.assessment.attrs["not_judged"] if name != RETURN_LEG.name]
    if skipped:
        parts.append(f"{titles(skipped)} is not judged: the aircraft gives no limit")
    return "; ".join(parts)


def _hours(count: int, lit: int) -> str:
    if count == lit:
        return "every lit hour is"
    return f"{count} of {lit} lit hours {'is' if count == 1 else 'are'}"


def not_known_in_full(answer: SiteAnswer, clock: Clock) -> list[str]:
    """List what is not known with its hours; elements that lack the same hours are told together."""
    start, end = answer.usable_parts
    together: dict[tuple[bool, tuple[int, ...]], list[findings.Gap]] = {}
    for gap in findings.gaps(answer):
        together.setdefault((gap.required, gap.hours), []).append(gap)
    lines = []
    for (is_required, hours), gaps in together.items():
        what = f"{titles([g.element for g in gaps])} ({'required' if is_required else 'advised'})"
        if gaps[0].everywhere:
            lines.append(f"{what}: known in no hour")
            continue
        spans = [_span_with_day(start[a], end[b], answer, clock) for a, b in findings.runs(hours)]
        lines.append(f"{what}: not {', '.join(spans)}")
    lost = findings.lost_probability(answer)
    if len(lost) == answer.lit_hours.sum() > 0:
        lines.append(f"{_PROBABILITY}: known in no hour")
    elif lost:
        spans = [_span_with_day(start[a], end[b], answer, clock) for a, b in findings.runs(lost)]
        lines.append(f"{_PROBABILITY}: not {', '.join(spans)}")
    return lines


def _span_with_day(start: np.datetime64, end: np.datetime64, answer: SiteAnswer, clock: Clock) -> str:
    one_day = clock.date(answer.start) == clock.date(answer.end - np.timedelta64(1, "s"))
    if one_day or clock.date(start) == clock.date(end - np.timedelta64(1, "s")):
        return clock.span(start, end) if one_day else f"{clock.day(start)} {clock.span(start, end)}"
    return f"{clock.day(start)} {clock.hour(start, up=True)} to {clock.day(end)} {clock.hour(end)}"


def why_none(answer: SiteAnswer, day: Day | None, minimum: np.timedelta64, reader: Reader) -> list[str]:
    """Say why no window holds, on one day or in the whole period: what decides, how near it came, and when."""
    count = findings.count_hours(answer, None if day is None else day.hours)
    start, end = (answer.start, answer.end) if day is None else (day.start, day.end)
    if count.lit == 0:
        return ["dark throughout"]
    lines = []
    if count.not_known == count.lit:
        missing = titles([g.element for g in findings.gaps(answer) if g.required])
        return [f"not known: {missing} missing in {_all(count.lit)}"]
    stretch = findings.longest_stretch(answer, start, end)
    if stretch is not None:
        span = reader.clock.span(*stretch)
        lines.append(
            f"the longest stretch that holds is {span}, {duration(stretch[1] - stretch[0])},"
            f" shorter than {duration(minimum)}"
        )
    if count.deciding:
        title = BY_NAME[count.deciding].title
        lines.append(f"{title} decides in {count.deciding_hours} of {count.lit} lit hours")
    if stretch is None and count.nearest is not None:
        lines.append(f"nearest {nearest(answer, count.nearest, reader)}")
    if count.not_known:
        lines.append(f"{count.not_known} of {count.lit} lit hours not known")
    return lines


def _all(count: int) -> str:
    return "the only lit hour" if count == 1 else f"all {count} lit hours"


def nearest(answer: SiteAnswer, hour: int, reader: Reader) -> str:
    """Say which hour came nearest and how near."""
    start, end = (part[hour] for part in answer.usable_parts)
    text = f"{reader.clock.span(start, end)}: {reason_of(answer, hour, reader.units)}"
    return f"{text}, margin {margin(float(answer.assessment['hour_margin'].values[hour]))}"
