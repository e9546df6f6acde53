"""The verdict: whether, when and how sure, what decides, and the few lines that a decision needs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from wxfly.answer.findings import LIGHT
from wxfly.answer.request import ChangeKind, QuestionKind
from wxfly.answer.windows import EVEN_CHANCE, Room
from wxfly.assessment.suitability import State
from wxfly.cube.notes import ZONES
from wxfly.cube.notes import NoteKind as NoteKind
from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.limit_rules import LimitSense
from wxfly.report.facts.hours import ComparisonFacts, DayFacts, LitHours
from wxfly.report.facts.site import (
    SiteAnswerFacts,
    all_over,
    all_over_in_short,
    deciding_at,
    hour_at,
    is_on_way_back,
    margin_at,
)
from wxfly.report.facts.sortie import after_sunset, out_of_sight, what_to_mind
from wxfly.report.facts.values import ElementName, Facts, Period, Share, distinguished, energy_missing, listed
from wxfly.report.facts.windows import CauseFacts, ChangeFacts, WindowFacts
from wxfly.report.facts.writing import (
    Reader,
    age,
    amount,
    day_name,
    direction,
    duration,
    in_ten,
    is_written_as_nothing,
    number,
    room_in_words,
    titles,
    unit_of,
)
from wxfly.report.facts.zones import doubt_of, warning_of, words_of_first_line
from wxfly.units import UNITS


class About(StrEnum):
    """What a line of the verdict is about."""

    ZONES = "zones"
    NOTE = "note"
    NOT_KNOWN = "not known"
    TIGHTEST = "tightest"
    ENDS = "ends"
    WIND = "wind"
    MIND = "mind"
    WORK = "work"
    NEAREST = "nearest"
    LONGEST = "longest"
    SUREST = "surest"
    CHANGE = "change"
    DAY = "day"
    SITE = "site"
    BETTER = "better"


MOST_LINES = 6
ALIKE = 0.05
"""Two sites of the same chance in ten count as equal where their margins differ by less than this share of a limit
[1]; common practice, no source."""
FAR_APART = 0.25
"""Nor are they equal where one is the better one by more than this chance [1]; common practice, no source."""
_GIVE_WAY = (About.CHANGE, About.WIND, About.LONGEST)
"""Lines that are left out where there are too many, in this order."""
OUTLOOK_ONLY = "beyond three days an outlook only, ask again"
"""Said of a window that is so far ahead that only one forecast shows it."""
_MINDS_SHOWN = 2
_TITLES_SHOWN = 4
_OLD = 6 * 3600
"""Age from which a forecast is named with it where there is a note on it [s]; common practice, no source."""
FIRST_NOTES = (
    NoteKind.FORECAST, NoteKind.NO_NEWER_FORECAST, NoteKind.MEMBERS, NoteKind.LOOSER_LIMITS, NoteKind.CHOICE,
)  # fmt: skip
"""Kinds of notes that the first line of an answer points to."""


class Note(Facts, frozen=True):
    """One line that the reader must know first."""

    kind: NoteKind
    """What it is about."""
    text: str
    """The line."""


class VerdictLine(Facts, frozen=True):
    """One line below the first."""

    about: About
    """What it is about."""
    label: str
    """What it is about, in a word for people: the day or the site where it is about one."""
    words: str
    """The line, in the units of `display_units`."""


class VerdictFacts(Facts, frozen=True):
    """Whether, when and how sure."""

    word: Room
    """Whether there is room to fly: probably no room where the chance is below 0.5, little room where the hours are
    narrow."""
    site_positions: list[int]
    """Position in `sites` of the site that it is about; several where sites are equal, none where no site has room."""
    period: Period | None
    """When there is room; null without a window."""
    chance: Share | None
    """Chance that every limit holds in `chance_period`; null where it is not known, and without a window."""
    chance_period: Period | None
    """The stretch that the chance is for: as long as was asked."""
    tightest: ElementName | None
    """The element that leaves the least room in the window."""
    spare: Share | None
    """How much of its limit is left."""
    as_far_as_known: bool
    """Whether something that the decision needs is not known."""
    of_forecast: str
    """What must be known first: that the forecast is invented, how old it is, that the site is in a zone in force;
    empty where there is nothing."""
    first_line: str
    """Whether, when and how sure, in the units of `display_units`."""
    lines: list[VerdictLine]
    """What is not known, what is tightest, what ends it, wind and gust, what to mind; of a week the days, the best
    first; of a comparison the other sites."""


@dataclass(frozen=True)
class Asked:
    """What a verdict is made from.

    Attributes
    ----------
    sites : sequence of SiteAnswerFacts
        The answers.
    readers : sequence of Reader
        Units and clock of each.
    notes : sequence of Note
        What must be known first.
    comparison : ComparisonFacts or None
        Of several sites.
    now : datetime
        UTC.
    duration : int
        Shortest window of use [s].
    is_invented : bool
        Whether place or weather are.
    age : int or None
        Of the forecast [s].
    hour : Period or None
        The one hour that it is about; None for the window of the verdict, or the time asked about.
    ends : datetime or None
        When the last hour of the forecast begins; None where it is not known.
    """

    sites: Sequence[SiteAnswerFacts]
    readers: Sequence[Reader]
    notes: Sequence[Note]
    comparison: ComparisonFacts | None
    now: datetime
    duration: int
    is_invented: bool
    age: int | None
    hour: Period | None = None
    ends: datetime | None = None

    def year(self, position: int) -> int:
        """Return the year of now on the clock of a reader."""
        return self.readers[position].clock.date(self.now).year


def verdict_facts(kind: QuestionKind, asked: Asked) -> VerdictFacts:
    """Return the verdict of an answer."""
    if kind == "compare":
        return _of_sites(asked)
    if kind == "now":
        return _of_now(asked)
    site, reader = asked.sites[0], asked.readers[0]
    window = site.best
    unknown = list(_not_known(asked, [site.site.name]))
    first = _first_line(asked, 0, bool(unknown))
    if kind == "week":
        lines = [*_notes(asked), *unknown, *_days(asked, site, reader)]
        lines += [VerdictLine(About.MIND, "Mind", OUTLOOK_ONLY)] if window and window.outlook_only else []
    elif window is None:
        lines = _few([*_notes(asked), *unknown], list(_lines_of_none(asked, site, reader)))
    else:
        lines = _few([*_notes(asked), *unknown], list(_lines_of(site, window, reader)))
    return _made(asked, [0] if window else [], window, _word(site, window), first, lines, bool(unknown))


def _made(
    asked: Asked,
    positions: list[int],
    window: WindowFacts | None,
    word: Room,
    first: str,
    lines: list[VerdictLine],
    is_unknown: bool,
) -> VerdictFacts:
    chance = None if window is None else _chance_of(window)
    return VerdictFacts(
        word=word,
        site_positions=positions,
        period=None if window is None else Period(window.start, window.end),
        chance=chance[0] if chance else None,
        chance_period=chance[1] if chance else None,
        tightest=None if window is None else window.limiting_element,
        spare=None if window is None else window.margin,
        as_far_as_known=is_unknown,
        of_forecast=_capital(", ".join(_of_forecast(asked))),
        first_line=first,
        lines=lines,
    )


def _chance_of(window: WindowFacts) -> tuple[float | None, Period]:
    """Return the chance of the surest stretch of a window, and that stretch."""
    part = window.surest or window
    return part.chance, Period(part.start, part.end)


def _word(site: SiteAnswerFacts, window: WindowFacts | None) -> Room:
    return _word_of(site.lit_hours) if window is None else window.room


def _word_of(hours: LitHours) -> Room:
    return Room.NOT_KNOWN if hours.lit_count and hours.not_known_count == hours.lit_count else Room.NONE


def _few(needed: list[VerdictLine], others: list[VerdictLine]) -> list[VerdictLine]:
    """Return at most so many lines: a change and the wind give way to what must be known."""
    while len(needed) + len(others) > MOST_LINES:
        gives_way = [line for about in _GIVE_WAY for line in others if line.about == about]
        if not gives_way:
            break
        others.remove(gives_way[0])
    return [*needed, *others]


# --- the first line --------------------------------------------------------------------------------------------


def begin(asked: Asked, words: str, is_unknown: bool, *, is_wet: bool = False) -> str:
    """Put before a verdict by what it must be read."""
    before = [
        *_of_forecast(asked),
        *(["as far as known"] if is_unknown else []),
        *(["forecast wet all along"] if is_wet else []),
    ]
    return _capital(": ".join([", ".join(before), words[:1].lower() + words[1:]]) if before else words)


def _of_forecast(asked: Asked) -> Iterator[str]:
    """Yield what must be known first: that it is invented, how old it is, that there is a note, a zone in force."""
    if asked.is_invented:
        yield "invented, do not fly by this"
    if any(note.kind in FIRST_NOTES for note in asked.notes):
        old = (asked.age or 0) >= _OLD and any(note.kind is NoteKind.FORECAST for note in asked.notes)
        yield f"forecast {age(asked.age)}, see the note" if old else "see the note"
    of_zones = []
    for name, site in zip(names_of(asked.sites, asked.readers[0].units), asked.sites, strict=True):
        warning = warning_of(site.zones, asked.hour or site.best or site.period)
        if warning:
            of_zones.append(f"{name} {warning}" if len(asked.sites) > 1 else warning)
    of_zones += filter(None, [doubt_of(asked.sites[0].zones)])
    if of_zones:
        yield f"{', '.join(of_zones)}, see Zones"


def _first_line(asked: Asked, position: int, is_unknown: bool) -> str:
    site, reader = asked.sites[position], asked.readers[position]
    window, name, year = site.best, site.site.name, asked.year(position)
    if window is None:
        # A no is only as sure as the hours that are known; of what is wholly unknown the words say so themselves.
        partly = 0 < site.lit_hours.not_known_count < site.lit_hours.lit_count
        return begin(asked, f"{_none(asked, site, f'at {name} {period_words(site, year)}')}.", partly)
    if window.room is Room.PROBABLY_NONE:
        chance, part = _chance_of(window)
        when = reader.clock.when(part.start, part.end, year)
        words = f"Probably no room to fly at {name}, {when}; {in_ten(chance)}."
    else:
        words = f"{_capital(_room(window))} to fly at {name}, {_when_and_how_sure(asked, window, reader, year)}."
    is_unknown = is_unknown or bool(window.advised_not_known)
    return begin(asked, words, is_unknown, is_wet=window.forecast_wet)


def _when_and_how_sure(asked: Asked, window: WindowFacts, reader: Reader, year: int) -> str:
    when = reader.clock.when(window.start, window.end, year)
    return f"{when}; {how_sure(window, reader)}"


def _room(window: WindowFacts) -> str:
    """Return in words whether a window has room, as sure as its surest stretch is."""
    return room_in_words(window.room, _chance_of(window)[0])


def how_sure(window: WindowFacts, reader: Reader) -> str:
    """Return in words the chance in tenths that a window keeps its limits, and for which part of it."""
    chance, part = _chance_of(window)
    if chance is None:
        return "how sure is not known"
    if (part.start, part.end) == (window.start, window.end):
        return in_ten(chance)
    length = duration((part.end - part.start).total_seconds())
    if part.start == window.start:
        return f"{in_ten(chance)} for the first {length}"
    return f"surest {length} from {reader.clock.hour(part.start, up=True)}, {in_ten(chance)}"


def period_words(site: SiteAnswerFacts, year: int | None = None) -> str:
    """Return in words which days were asked about."""
    if not site.days:
        return "in the time asked about"
    first, last = site.days[0].date, site.days[-1].date
    return f"on {day_name(first, year)}" + ("" if first == last else f" to {day_name(last, year)}")


def _none(asked: Asked, site: SiteAnswerFacts, where: str) -> str:
    if _word(site, None) is Room.NOT_KNOWN:
        return f"Not known whether there is room to fly {where}"
    return f"No room to fly {where}: {_why_none(site, site.lit_hours, asked.duration)}"


def _why_none(site: SiteAnswerFacts, hours: LitHours, length: int) -> str:
    """Return in a few words why there is no window."""
    if not hours.lit_count:
        return "dark throughout"
    if hours.longest is not None:
        return f"{_length(hours.longest)} at most, shorter than {duration(length)}"
    return _what_decides(hours) or "no hour has it"


def _what_decides(hours: LitHours) -> str:
    """Return in words which element decides in most of the hours without room; empty where none does."""
    if hours.deciding_element is None:
        return ""
    row = BY_NAME[hours.deciding_element]
    beyond = "likely" if row.sense == LimitSense.GRADE else "beyond its limit"
    return f"{row.title} is {beyond} in {hours.deciding_count} of {hours.lit_count} lit hours"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


# --- the lines below it ----------------------------------------------------------------------------------------


def _notes(asked: Asked) -> list[VerdictLine]:
    """Return what must be known first: how old the forecast is, which members are lost."""
    zones = "; ".join(note.text.removeprefix(ZONES) for note in asked.notes if note.kind is NoteKind.ZONES)
    phrase = "; ".join(note.text for note in asked.notes if note.kind not in (NoteKind.INVENTED, NoteKind.ZONES))
    lines = [VerdictLine(About.ZONES, "Zones", zones)] if zones else []
    return [*lines, VerdictLine(About.NOTE, "Note", _capital(phrase))] if phrase else lines


def _not_known(asked: Asked, names: Sequence[str]) -> Iterator[VerdictLine]:
    phrase = [not_known(site) for site in asked.sites]
    if not any(phrase):
        return
    if asked.ends is not None and all(asked.ends < site.period.start for site in asked.sites):
        words = f"all of it: the forecast ends {asked.readers[0].clock.stamp(asked.ends)}"
        yield VerdictLine(About.NOT_KNOWN, "Not known", words)
    elif len(set(phrase)) == 1:
        yield VerdictLine(About.NOT_KNOWN, "Not known", phrase[0])
    else:
        words = "; ".join(f"{name}: {words}" for name, words in zip(names, phrase, strict=True) if words)
        yield VerdictLine(About.NOT_KNOWN, "Not known", words)


def some_titles(elements: Sequence[str]) -> str:
    """List elements by their titles, the first few where they are many."""
    if len(elements) <= _TITLES_SHOWN:
        return titles(elements)
    return f"{titles(elements[:_TITLES_SHOWN]).replace(' and ', ', ')} and {len(elements) - _TITLES_SHOWN} more"


def not_known(site: SiteAnswerFacts) -> str:
    """Name what the decision needs and does not have; empty when all is known."""
    unknown = site.not_known
    parts = []
    required = [gap for gap in unknown.gaps if gap.is_required]
    if required:
        hours = {hour for gap in required for first, last in gap.hour_runs for hour in range(first, last + 1)}
        parts.append(f"{some_titles([g.element for g in required])} {_in_hours(len(hours), site.lit_hours.lit_count)}")
    never = [gap.element for gap in unknown.gaps if not gap.is_required and gap.everywhere]
    partly = [gap.element for gap in unknown.gaps if not gap.is_required and not gap.everywhere]
    advised = [some_titles(never)] if never else []
    advised += [f"{some_titles(partly)} in part"] if partly else []
    if advised:
        parts.append(f"{', '.join(advised)}: find out before you fly")
    lost = sum(last - first + 1 for first, last in unknown.lost_probability_runs)
    if lost:
        where = "" if lost == site.lit_hours.lit_count else " in part"
        parts.append(f"probability of precipitation{where}, counted as certain")
    if site.sortie is not None and site.sortie.missing_figures:
        parts.append(f"{RETURN_LEG.title}: {energy_missing(site.sortie.missing_figures)}")
    skipped = [name for name in unknown.not_judged if name != RETURN_LEG.name]
    if skipped:
        parts.append(f"{titles(skipped)}: the aircraft gives no limit")
    return "; ".join(parts)


def _in_hours(count: int, lit: int) -> str:
    return "in every lit hour" if count == lit else f"in {count} of {lit} hours"


def _lines_of(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> Iterator[VerdictLine]:
    yield VerdictLine(About.TIGHTEST, "Tightest", tightest(site, window, reader))
    if site.survey is not None:
        found = site.survey.found_hours
        words = f"{site.survey.wanted_hours} h of work {'fit' if found >= site.survey.wanted_hours else 'do not fit'}"
        yield VerdictLine(About.WORK, "Work", f"{words}: {found} full hours have room")
    ends = what_ends(site, window, reader)
    if ends:
        yield VerdictLine(About.ENDS, "Ends", ends)
    wind = wind_and_gust(site, window, reader)
    if wind:
        yield VerdictLine(About.WIND, "Wind", wind)
    yield from _mind(site, window, reader)


def _mind(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> Iterator[VerdictLine]:
    """Yield what to mind, the gravest first; twilight is stated with what ends a window, night here."""
    mind = [] if site.advice is None else what_to_mind(site.advice, reader.units)
    if site.advice is not None and site.advice.is_night:
        mind = [after_sunset(site.advice, site.limits.aircraft_light), *mind]
    mind = [OUTLOOK_ONLY, *mind] if window.outlook_only else mind
    if site.sortie is not None and site.sortie.plan is not None:
        beyond = out_of_sight(site.sortie.plan, window.sight_range, reader.units)
        mind = [beyond, *mind] if beyond else mind
    more = len(mind) - _MINDS_SHOWN
    if mind:
        yield VerdictLine(
            About.MIND, "Mind", "; ".join(mind[:_MINDS_SHOWN]) + (f"; and {more} more" if more > 0 else "")
        )


def tightest(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> str:
    """Return in words what is tightest in a window and its margin; first what is likely to break a limit."""
    hour = hour_at(site, window.limiting_hour)
    left = margin_at(site, window.limiting_element, hour, reader.units)
    cause = window.likely_cause
    if cause is None:
        return left
    is_kept = (window.margin or 0.0) > 0 and not BY_NAME[cause.element].rule.words
    if cause.element == window.limiting_element and cause.share is not None and is_kept:
        if cause.share < EVEN_CHANCE:
            return f"{left}; at worst {in_ten(cause.share)} over it"
        return f"{likely(cause)}; in the forecast {left}"
    return f"{likely(cause)}; {left}"


def likely(cause: CauseFacts) -> str:
    """Return in words how likely an element is to break its limit."""
    row = BY_NAME[cause.element]
    what = "" if row.sense == LimitSense.GRADE else " to break its limit"
    if cause.share is None:
        return f"{row.title} not known how likely{what}"
    return f"{row.title} {in_ten(cause.share)}{what}"


def what_ends(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> str:
    """Return in words what ends the stretch with room around a window; empty where the answer itself ends there."""
    within = window.within
    around = ""
    if (within.start, within.end) != (window.start, window.end):
        around = f"within limits {reader.clock.span(within.start, within.end)}"
        around += _likely_part(site, window, reader)
    if window.ended_by is None:
        return around
    if window.ended_by == LIGHT:
        twilight = site.advice is not None and site.advice.is_twilight
        ends = "at last light" if twilight else "with the light"
    elif window.ends_at_unknown:
        ends = f"then {BY_NAME[window.ended_by].title} not known"
    else:
        after = next(i for i, start in enumerate(site.hours.start) if start >= within.end)
        ends = f"then {deciding_at(site, after, reader.units)}"
    return f"{around}, {ends}" if around else ends


def _likely_part(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> str:
    """Return in words which hours around a window are more likely than not to have room; empty where all are.

    Hours whose chance is not known are not likely.
    """
    hours, within, hour = site.hours, window.within, timedelta(hours=1)
    inside = [i for i, start in enumerate(hours.start) if start + hour > within.start and start < within.end]
    of_window = [i for i in inside if hours.start[i] + hour > window.start and hours.start[i] < window.end]
    is_likely = {i: (chance := hours.chance[i]) is not None and chance >= EVEN_CHANCE for i in inside}
    if all(is_likely.values()) or not of_window:
        return ""
    if not any(is_likely.values()):
        return " (none of it likely)"
    if not all(is_likely[i] for i in of_window):
        return ""  # the first line says so
    first, last = of_window[0], of_window[-1]
    while is_likely.get(first - 1):
        first -= 1
    while is_likely.get(last + 1):
        last += 1
    span = reader.clock.span(max(hours.start[first], within.start), min(hours.start[last] + hour, within.end))
    return f" (likely only {span})"


def wind_and_gust(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> str:
    """Return in words which wind and gust are expected, and at which height; empty where neither is known."""
    expected, unit = window.expected, unit_of("wind", reader.units)
    speeds, direction_words = [], ""
    if expected.wind_low is not None and expected.wind_high is not None:
        low, high = number(expected.wind_low, unit), number(expected.wind_high, unit)
        speeds.append(low if low == high else f"{low}–{high}")
        if expected.wind_from_direction is not None:
            direction_words = f", from {direction(expected.wind_from_direction)}"
    if expected.gust is not None:
        speeds.append(f"gust {number(expected.gust, unit)}")
    height = amount(site.height, "height", reader.units)
    return f"{', '.join(speeds)} {UNITS[unit].written}{direction_words} at {height}" if speeds else ""


def _lines_of_none(asked: Asked, site: SiteAnswerFacts, reader: Reader) -> Iterator[VerdictLine]:
    hours = site.lit_hours
    if hours.longest is not None:
        span = reader.clock.span(hours.longest.start, hours.longest.end)
        decides = _what_decides(hours)
        yield VerdictLine(About.LONGEST, "Longest", f"{span} has room" + (f"; {decides}" if decides else ""))
    elif hours.nearest_hour is not None:
        yield VerdictLine(About.NEAREST, "Nearest", nearest(site, hours, reader, with_day=len(site.days) > 1))
    known = [outlook for outlook in site.outlooks if outlook.chance is not None]
    if known:
        surest = max(known, key=lambda o: o.chance or 0.0)
        when = f"{duration(asked.duration)} from {reader.clock.hour(surest.start, up=True)}"
        yield VerdictLine(About.SUREST, "Surest", f"{in_ten(surest.chance)} for {when}")
    for change in site.changes[:1]:
        words = change_in_words(change, reader)
        if words:
            yield VerdictLine(
                About.CHANGE, "Later" if change.kind in (ChangeKind.LATER, ChangeKind.DAY) else "Would help", words
            )


def _length(period: Period) -> str:
    return duration((period.end - period.start).total_seconds())


def nearest(site: SiteAnswerFacts, hours: LitHours, reader: Reader, *, with_day: bool = False) -> str:
    """Return in words which hour came nearest to having room, and how near."""
    assert hours.nearest_hour is not None
    hour = hour_at(site, hours.nearest_hour)
    start, end = site.hours.usable_start[hour], site.hours.usable_end[hour]
    assert start is not None and end is not None
    day = f"{reader.clock.day(start)} " if with_day else ""
    return f"{day}{reader.clock.span(start, end)}: {all_over(site, hour, reader.units)}"


def change_in_words(change: ChangeFacts, reader: Reader) -> str:
    """Return in words what would change an answer; empty where the pilot can do nothing with it."""
    if change.kind is ChangeKind.MORE:
        element = BY_NAME[change.element or ""]
        if not element.quantity or element.sense != LimitSense.AT_MOST or change.amount is None:
            return ""
        if is_written_as_nothing(change.amount, element.quantity, reader.units):
            return ""
        return f"{amount(change.amount, element.quantity, reader.units)} more {element.title} would break it"
    assert change.window is not None
    when = f"{reader.clock.day(change.window.start)} {reader.clock.span(change.window.start, change.window.end)}"
    match change.kind:
        case ChangeKind.LATER:
            return f"there is room {when}"
        case ChangeKind.LOWER:
            return f"at {amount(change.height, 'height', reader.units)} the forecast is inside your limits {when}"
        case ChangeKind.SHORTER:
            return f"for a flight of {_length(change.window)} the forecast is inside your limits {when}"
        case ChangeKind.AIRCRAFT:
            return f"the forecast is inside the limits of a {change.aircraft_title} {when}"
        case _:
            return f"the forecast is inside your limits {when}"


# --- now -------------------------------------------------------------------------------------------------------


def _of_now(asked: Asked) -> VerdictFacts:
    """Return the verdict on the time from now on: whether there is room, until when, and what ends it."""
    site, reader, year = asked.sites[0], asked.readers[0], asked.year(0)
    name, window = site.site.name, site.best
    unknown = list(_not_known(asked, [name]))
    needed = [*_notes(asked), *unknown]
    is_unknown = bool(unknown)
    if window is None:
        word = _word_of_now(asked, site)
        where = f"now at {name}, {reader.clock.day(asked.now, year)} {reader.clock.hour(asked.now)}"
        where = f"{where} {reader.clock.zone(asked.now)}"
        if word is Room.NOT_KNOWN:
            words = f"Not known whether there is room to fly {where}."
        else:
            words = f"No room to fly {where}: {_why_not_now(asked, site, reader)}."
        others = [line for line in _lines_of_none(asked, site, reader) if line.about is not About.LONGEST]
        lines = _few(needed, others)
        return _made(
            asked, [], None, word, begin(asked, words, is_unknown and word is not Room.NOT_KNOWN), lines, is_unknown
        )
    words = f"{_capital(_room(window))} to fly now at {name}, {_when_and_how_sure(asked, window, reader, year)}."
    first = begin(asked, words, is_unknown or bool(window.advised_not_known), is_wet=window.forecast_wet)
    lines = _few(needed, list(_lines_of(site, window, reader)))
    return _made(asked, [0], window, window.room, first, lines, is_unknown)


def _word_of_now(asked: Asked, site: SiteAnswerFacts) -> Room:
    """Return the verdict where no window begins now: unknown only where the present hour has light and is unknown."""
    if _is_dark(asked, site) or site.hours.state[0] != State.NOT_KNOWN.words:
        return Room.NONE
    return Room.NOT_KNOWN


def _is_dark(asked: Asked, site: SiteAnswerFacts) -> bool:
    """Return whether there is no light at the present moment."""
    lit = site.hours.usable_start[:1]
    return not lit or lit[0] is None or lit[0] > asked.now


def _why_not_now(asked: Asked, site: SiteAnswerFacts, reader: Reader) -> str:
    """Return in words what the present hour lacks, or that what it has ends too soon."""
    hours = site.hours
    if _is_dark(asked, site):
        return "it is dark"
    if hours.state[0] == State.OUTSIDE.words:
        return deciding_at(site, 0, reader.units)
    longest = site.lit_hours.longest
    ends = longest.end if longest is not None and longest.start == asked.now else hours.usable_end[0]
    return f"only until {reader.clock.hour(ends or asked.now)}, shorter than {duration(asked.duration)}"


# --- a week ----------------------------------------------------------------------------------------------------


def _days(asked: Asked, site: SiteAnswerFacts, reader: Reader) -> list[VerdictLine]:
    """Return a line for each day, the better first; the month stands where there are two."""
    year = asked.year(0)
    ranked = sorted(site.days, key=lambda day: _place_of_day(site, day))
    is_one_month = len({(day.date.year, day.date.month) for day in site.days}) == 1
    return [
        VerdictLine(
            About.DAY,
            day_name(day.date, year, with_month=not is_one_month),
            day_in_words(site, day, reader, with_chance=True),
        )
        for day in ranked
    ]


def windows_of(site: SiteAnswerFacts, day: DayFacts) -> list[WindowFacts]:
    """Return the windows that start on a day of the site's clock, in order of rank."""
    return [window for window in site.windows if day.start <= window.start < day.end]


def _place_of_day(site: SiteAnswerFacts, day: DayFacts) -> tuple[bool, tuple[float, ...]]:
    """Return the place of a day among the others: with room before without, then the better first."""
    windows = windows_of(site, day)
    if windows:
        return False, (windows[0].rank,)
    chance = next((o.chance for o in site.outlooks if day.start <= o.start < day.end), None)
    return True, (_word_of(day.lit_hours).place, -round(chance or 0.0, 1), day.start.timestamp())


def day_in_words(site: SiteAnswerFacts, day: DayFacts, reader: Reader, *, with_chance: bool) -> str:
    """Return in words whether a day has room, when, how sure and what decides."""
    hours = day.lit_hours
    windows = windows_of(site, day)
    if windows:
        window, *others = windows
        phrase = f"{_room(window)} {reader.clock.span(window.start, window.end)}"
        if with_chance:  # the first line has told all of its window
            of_first_line = window is site.best
            phrase = f"{_room(window)}, as above" if of_first_line else f"{phrase}, {_in_ten_from(window, reader)}"
            phrase += ", way back decides" if _is_decided_on_way_back(site, window) else ""
        phrase += f", also {listed([reader.clock.span(w.start, w.end) for w in others])}" if others else ""
        return phrase + (f", {titles(window.advised_not_known)} not known" if window.advised_not_known else "")
    if not hours.lit_count:
        return "no room, dark throughout"
    if hours.not_known_count == hours.lit_count:
        missing = [g.element for g in site.not_known.gaps if g.is_required and _touches(site, g.hour_runs, day)]
        return f"not known, {some_titles(missing)} missing"
    if hours.longest is not None:
        return f"no room, {_length(hours.longest)} at most"
    if hours.nearest_hour is None:
        return "no room"
    if with_chance:
        return f"no room: {all_over_in_short(site, hour_at(site, hours.nearest_hour), reader.units)}"
    return f"no room; nearest {nearest(site, hours, reader)}"


def _is_decided_on_way_back(site: SiteAnswerFacts, window: WindowFacts) -> bool:
    """Return whether the least margin of a window is that of the way back: its energy, or its height."""
    if window.limiting_element == RETURN_LEG.name:
        return True
    return is_on_way_back(site, window.limiting_element, hour_at(site, window.limiting_hour))


def _in_ten_from(window: WindowFacts, reader: Reader) -> str:
    """Return in words how sure a window is where the first line names the length that it is for."""
    chance, part = _chance_of(window)
    if chance is None:
        return "how sure is not known"
    return f"{in_ten(chance)} from {reader.clock.hour(part.start, up=True)}"


def _touches(site: SiteAnswerFacts, hour_runs: list[tuple[int, int]], day: DayFacts) -> bool:
    starts = site.hours.start
    return any(starts[first] < day.end and starts[last] >= day.start for first, last in hour_runs)


# --- several sites ---------------------------------------------------------------------------------------------


def _of_sites(asked: Asked) -> VerdictFacts:
    comparison = asked.comparison
    assert comparison is not None
    names = names_of(asked.sites, asked.readers[0].units)
    order = _order(asked, comparison)
    unknown = list(_not_known(asked, names))
    needed = [*_notes(asked), *unknown]
    if not order:
        words = [_word(site, None) for site in asked.sites]
        word = Room.NOT_KNOWN if all(w is Room.NOT_KNOWN for w in words) else Room.NONE
        period = period_words(asked.sites[0], asked.year(0))
        where = f"at {listed(names)} {period}"
        unknown_all = word is Room.NOT_KNOWN
        phrase = f"{'Not known whether there is room' if unknown_all else 'No room'} to fly {where}"
        lines = [_other(asked, names, i) for i in range(len(names))]
        # A no is only as sure as the hours that are known.
        partly = not unknown_all and any(site.lit_hours.not_known_count for site in asked.sites)
        return _made(asked, [], None, word, begin(asked, f"{phrase}.", partly), [*needed, *lines], bool(unknown))
    best = order[0]
    site, reader = asked.sites[best], asked.readers[best]
    window = site.best
    assert window is not None
    alike = [i for i in order if _are_alike(asked, best, i)]
    is_unknown = bool(unknown) or bool(window.advised_not_known)
    sure = _when_and_how_sure(asked, window, reader, asked.year(best))
    room = f"{_capital(_room(window))} to fly"
    if len(alike) > 1:
        first = f"{room}, equal at {listed([names[i] for i in alike])}, {sure}."
    elif len(order) > 1:
        first = f"{room}, best at {names[best]}, {sure}."
    else:
        first = f"{room} at {names[best]} alone, {sure}."
    first = begin(asked, first, is_unknown, is_wet=window.forecast_wet)
    others = [i for i in (*order, *(k for k in range(len(names)) if k not in order)) if i not in alike]
    lines = [VerdictLine(About.TIGHTEST, "Tightest", f"{names[best]}, {tightest(site, window, reader)}")]
    lines += [_other(asked, names, i) for i in others]
    better = better_in_words(comparison, names)
    lines += [VerdictLine(About.BETTER, "Better", better)] if better else []
    wind = wind_and_gust(site, window, reader)
    lines += [VerdictLine(About.WIND, "Wind", f"{names[best]}, {wind}")] if wind else []
    lines += _mind(site, window, reader)
    return _made(asked, alike, window, window.room, first, _few(needed, lines), bool(unknown))


def names_of(sites: Sequence[SiteAnswerFacts], units: str) -> list[str]:
    """Name the sites apart: by name, and by height in the reader's units where that is needed."""
    names = [site.site.name for site in sites]
    return distinguished(names, [site.height for site in sites], lambda height: amount(height, "height", units))


def _order(asked: Asked, comparison: ComparisonFacts) -> list[int]:
    """Return the sites that have a window, those with the most room first, then in the order of the comparison."""

    def room(position: int) -> int:
        window = asked.sites[position].best
        return len(Room) if window is None else window.room.place

    return sorted(comparison.order, key=room)


def _are_alike(asked: Asked, one: int, other: int) -> bool:
    """Return whether two sites are equal to a pilot: room, chance in ten, margin, what is known, better hours."""
    first, second = (asked.sites[i].best for i in (one, other))
    assert first is not None and second is not None
    comparison = asked.comparison
    shares = None if comparison is None else comparison.chance_better_in_best
    if one != other and shares is not None and abs(shares[0] - shares[1]) > FAR_APART:
        return False
    if comparison is not None and abs(comparison.better.count([one]) - comparison.better.count([other])) > 1:
        return False
    return (
        first.room == second.room
        and in_ten(_chance_of(first)[0]) == in_ten(_chance_of(second)[0])
        and abs((first.margin or 0.0) - (second.margin or 0.0)) < ALIKE
        and first.advised_not_known == second.advised_not_known
    )


def _other(asked: Asked, names: Sequence[str], position: int) -> VerdictLine:
    """Return how a site stands that is not the best."""
    site, reader, year = asked.sites[position], asked.readers[position], asked.year(position)
    window = site.best
    if window is None:
        hours = site.lit_hours
        if _word(site, None) is Room.NOT_KNOWN:
            phrase = "not known whether there is room"
        elif hours.nearest_hour is not None and hours.longest is None:
            phrase = f"no room; nearest {nearest(site, hours, reader)}"
        else:
            phrase = f"no room: {_why_none(site, hours, asked.duration)}"
    else:
        phrase = f"{_room(window)} {reader.clock.when(window.start, window.end, year)}, {_in_ten_from(window, reader)}"
        phrase += f"; {tightest(site, window, reader)}"
    return VerdictLine(About.SITE, names[position], phrase)


_HARDLY = 0.1
"""What has a smaller chance is not worth a word in a comparison [1]; an estimate of ours."""


def better_in_words(comparison: ComparisonFacts, names: Sequence[str]) -> str:
    """Return in words how sure it is which of two sites is the better one; empty where that is not known."""
    shares = comparison.chance_better_in_best
    if shares is None:
        return ""
    one, other, neither, equal = shares
    phrase = [(names[0], one), (names[1], other), ("equal", equal), ("neither", neither)]
    return ", ".join(f"{what} {in_ten(chance)}" for what, chance in phrase if chance >= _HARDLY)


# --- titles ----------------------------------------------------------------------------------------------------


def title_of(site: SiteAnswerFacts, window: WindowFacts, reader: Reader, *, is_invented: bool) -> str:
    """Return a title of a window for a calendar: place, whether there is room, and how sure for how long."""
    invented = "Invented: " if is_invented else ""
    wet = ", forecast wet all along" if window.forecast_wet else ""
    unknown = f", {titles(window.advised_not_known)} not known" if window.advised_not_known else ""
    zone = f", {words}" if (words := words_of_first_line(site.zones, window)) else ""
    return f"{invented}{site.site.name}: {_room(window)} to fly{zone}{wet}{unknown}, {how_sure(window, reader)}"
