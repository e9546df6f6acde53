"""Sentences made from a briefing, for the flight brief, the field check and the charts.

Values are written by `wxfly.report.facts.words`.
"""

from __future__ import annotations

import numpy as np

from wxfly.answer import findings
from wxfly.answer.briefing import age_of
from wxfly.answer.findings import Day
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.pilot.elements import BY_NAME, RETURN_LEG, ROW
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.report.facts.values import INVENTED, energy_missing, told_apart
from wxfly.report.facts.words import COMPASS as COMPASS
from wxfly.report.facts.words import Clock as Clock
from wxfly.report.facts.words import Reader as Reader
from wxfly.report.facts.words import age as age
from wxfly.report.facts.words import amount as amount
from wxfly.report.facts.words import day_name as day_name
from wxfly.report.facts.words import direction as direction
from wxfly.report.facts.words import duration as duration
from wxfly.report.facts.words import height_down as height_down
from wxfly.report.facts.words import margin as margin
from wxfly.report.facts.words import number as number
from wxfly.report.facts.words import reading as reading
from wxfly.report.facts.words import titles as titles
from wxfly.report.facts.words import unit_of as unit_of
from wxfly.report.text.console import clean, isolated
from wxfly.units import UNITS

AMPLE = 0.5
"""With at least this share of every limit left, nothing is called near a limit."""

_PROBABILITY = "probability of precipitation"


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
    return clock.when(window.start, window.end)


def reading_of(answer: SiteAnswer, element: str, hour: int, units: str) -> str:
    """Phrase one element of one hour, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
    # By position: a page asks for some thousand cells, and choosing by label takes a hundred times as long.
    row = ROW[element]
    values = [answer.assessment[name].variable.values[row] for name in ("demand", "limit")]
    demand, limit = (float(of_hours[hour]) for of_hours in values)
    if element == RETURN_LEG.name:
        return reading(element, demand, limit, height=answer.request.height, units=units)
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
        f" {age(None if np.isnat(old) else old / np.timedelta64(1, 's'))} at {clock.stamp(briefing.now)}"
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
