"""One hour: whether it has room, each element with its limit and what is left of it, and what would give it room."""

from __future__ import annotations

from datetime import datetime, timedelta

from wxfly.answer.request import ChangeKind
from wxfly.answer.windows import Room, room_of
from wxfly.assessment.suitability import State
from wxfly.pilot.elements import BY_NAME, GRAVEST
from wxfly.question.ask import HourAsked
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.hours import ElementFacts, limits_of_hours, unknown_of_hours
from wxfly.report.facts.site import SiteAnswerFacts, demand_at, hour_at, spare_at, waiting_after
from wxfly.report.facts.values import ElementName, Facts, Period, Share, StateWord, moment_of
from wxfly.report.facts.verdict import Asked, begin, likely, some_titles
from wxfly.report.facts.windows import CauseFacts, ChangeFacts, chance_and_causes, change_facts, is_grave
from wxfly.report.facts.writing import Clock, Reader, amount, in_ten, room_in_words, titles

MOST_ELEMENTS = 4
"""How many elements the paragraph names."""
LEAST_ELEMENTS = 2
"""How many it names where all of them have room."""


class ElementOfHour(Facts, frozen=True):
    """One thing that can stop a flight, in one hour."""

    name: ElementName
    """The element."""
    title: str
    """Words for people."""
    unit: str
    """SI unit of demand and limit; grades are 0 none, 1 possible, 2 likely."""
    is_required: bool
    """Whether the hour is not known without it."""
    judged: bool
    """Whether there is a limit; without one it counts neither way."""
    demand: float | None
    """What the hour asks."""
    limit: float | None
    """What that is compared with; null where there is none."""
    margin: Share | None
    """Share of the limit that is left: 1 nothing used, 0 at the limit, below 0 beyond."""
    words: str
    """Number, limit and what is left, in the units of `display_units` of the answer."""


class OneHourFacts(Facts, frozen=True):
    """Whether an hour has room to fly, and why."""

    start: datetime
    """Start of the hour; it lasts 3600 s."""
    usable: Period | None
    """Its lit part that is still to come; null when there is none."""
    word: Room
    """Whether there is room to fly: probably no room where the chance is below 0.5, little room where the hour is
    narrow."""
    state: StateWord
    """As of the hours of the answer."""
    margin: Share | None
    """The smallest of its elements."""
    limiting_element: ElementName | None
    """The element of that margin; null when nothing is known."""
    chance: Share | None
    """Chance that every limit holds in the hour, its light left aside; null where it is unknown."""
    causes: list[CauseFacts]
    """What may break a limit, the largest share first."""
    unknown_elements: list[ElementName]
    """Judged elements that are unknown in the hour, those first for which it is not known."""
    elements: list[ElementOfHour]
    """All elements, the one with the least room first, those without a margin last."""
    changes: list[ChangeFacts]
    """The lower height and the other aircraft that would give the hour room."""
    nearest_window: Period | None
    """The window of the day that is nearest to the hour; null when there is none, or the hour has room."""
    first_line: str
    """Whether the hour has room, and by what, in the units of `display_units` of the answer."""
    sentences: list[str]
    """The rest of the paragraph: what is unknown, the elements that matter, what would give room."""
    answer: AnswerFacts
    """The whole day."""


def one_hour_facts(asked: HourAsked) -> OneHourFacts:
    """Return the facts of one hour."""
    answer = facts_of(asked.briefing, asked.question)
    site = answer.sites[0]
    start = moment_of(asked.hour)
    hour = hour_at(site, start)
    site_chance = asked.briefing.answers[0].site_chance
    chance, causes = chance_and_causes(None if site_chance is None else site_chance.of(hour, hour))
    usable = _usable(site, hour)
    word = _word(site, hour, usable, chance)
    changes = [change_facts(change) for change in asked.changes]
    near = None if word.is_enough else _nearest_window(site, start)
    reader = Reader(answer.display_units, Clock(answer.display_time_zone or site.site.time_zone))
    unknown = unknown_of_hours(site.hours, site.elements)[hour]
    return OneHourFacts(
        start=start,
        usable=usable,
        word=word,
        state=site.hours.state[hour],
        margin=site.hours.margin[hour],
        limiting_element=site.hours.limiting_element[hour],
        chance=chance,
        causes=causes,
        unknown_elements=unknown,
        elements=_elements(site, hour, reader.units),
        changes=changes,
        nearest_window=near,
        first_line=_first_line(answer, hour, word, usable, chance, unknown, reader),
        sentences=[
            *_unknown(site, hour, unknown, word),
            *_of_elements(site, hour, reader.units),
            *(_how_sure(causes) if usable else []),
            *_what_would_help(site, changes, near, reader, word),
        ],
        answer=answer,
    )


def _usable(site: SiteAnswerFacts, hour: int) -> Period | None:
    start, end = site.hours.usable_start[hour], site.hours.usable_end[hour]
    return None if start is None or end is None else Period(start, end)


def _word(site: SiteAnswerFacts, hour: int, usable: Period | None, chance: float | None) -> Room:
    """Return whether an hour has room; night is known beforehand, whatever else is not."""
    if usable is None:
        return Room.NONE
    state = next(state for state in State if state.words == site.hours.state[hour])
    return room_of(state, chance or 0.0)


def _nearest_window(site: SiteAnswerFacts, start: datetime) -> Period | None:
    middle = start + timedelta(minutes=30)
    apart = [
        (max(w.start - middle, middle - w.end), w.rank, Period(w.start, w.end))
        for w in site.windows
        if w.room is not Room.PROBABLY_NONE and not w.start <= middle <= w.end
    ]
    return min(apart)[2] if apart else None


def _elements(site: SiteAnswerFacts, hour: int, units: str) -> list[ElementOfHour]:
    found = [
        ElementOfHour(
            name=element.name,
            title=element.title,
            unit=element.unit,
            is_required=element.is_required,
            judged=element.judged,
            demand=element.demand[hour],
            limit=limits_of_hours(element)[hour],
            margin=element.margin[hour],
            words=_words(site, element.name, hour, units),
        )
        for element in site.elements
    ]
    by_gravity = [*GRAVEST, *(element.name for element in found)]
    return sorted(found, key=lambda e: (2.0 if e.margin is None else e.margin, by_gravity.index(e.name)))


def _words(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Return in words what an element asks, its limit, and what is left of it."""
    left = spare_at(site, name, hour, units)
    return demand_at(site, name, hour, units) + (f": {left}" if left else "")


def _first_line(
    answer: AnswerFacts,
    hour: int,
    word: Room,
    usable: Period | None,
    chance: float | None,
    unknown: list[ElementName],
    reader: Reader,
) -> str:
    site, start = answer.sites[0], answer.sites[0].hours.start[hour]
    span = usable or Period(start, start + timedelta(hours=1))
    when = reader.clock.when(span.start, span.end, reader.clock.date(answer.now).year)
    where = f"at {site.site.name}, {when}"
    if usable is None:
        words = f"No room to fly {where}: it is dark."
    elif word is Room.NOT_KNOWN:
        words = f"Not known whether there is room to fly {where}: {some_titles(unknown)} not known."
    elif word is Room.NONE:
        words = f"No room to fly {where}: {_what_decides(site, hour)}."
    else:
        room = room_in_words(word, chance)
        words = f"{room[:1].upper()}{room[1:]} to fly {where}; {in_ten(chance)}."
    asked = Asked(
        sites=answer.sites,
        readers=[reader],
        notes=answer.notes,
        comparison=None,
        now=answer.now,
        duration=answer.minimum_duration,
        is_invented=answer.invented,
        age=answer.forecasts[0].age,
        hour=span,
    )
    return begin(asked, words, bool(unknown) and word not in (Room.NOT_KNOWN, Room.NONE))


def _what_decides(site: SiteAnswerFacts, hour: int) -> str:
    element = site.hours.limiting_element[hour]
    held = waiting_after(site, hour)
    if held or element is None:
        return held or "nothing is known"
    row = BY_NAME[element]
    return f"{row.title} is {'likely' if row.rule.words else 'beyond its limit'}"


def _unknown(site: SiteAnswerFacts, hour: int, unknown: list[ElementName], word: Room) -> list[str]:
    if not unknown or site.hours.usable_start[hour] is None:
        return []
    if word is Room.NOT_KNOWN:
        some = any(element.margin[hour] is not None for element in site.elements if _counts(element))
        return ["What follows is known, and is not enough to decide."] if some else []
    return [_sentence(f"{titles(unknown)} not known: find out before you fly")]


def _of_elements(site: SiteAnswerFacts, hour: int, units: str) -> list[str]:
    """Return the elements that matter: those with less than the reserve left, and the tightest of the others."""
    if site.hours.usable_start[hour] is None:
        return []
    known = [e for e in _elements(site, hour, units) if _counts(e) and e.margin is not None]
    tight = [e for e in known if e.margin is not None and e.margin < site.limits.reserve]
    shown = known[: max(min(len(tight), MOST_ELEMENTS), LEAST_ELEMENTS)]
    text = [_sentence(element.words) for element in shown]
    more = len(tight) - len(shown)
    if more > 0:
        return [*text, f"{more} more {'is' if more == 1 else 'are'} tight or over the limit."]
    return [*text, "Every other limit that is known has more room."] if len(known) > len(shown) else text


def _counts(element: ElementFacts | ElementOfHour) -> bool:
    """Return whether an element is worth a sentence: it has a limit, and is not the light, which the hour is cut to."""
    return element.judged and element.name != "daylight"


def _how_sure(causes: list[CauseFacts]) -> list[str]:
    """Name the gravest hazards that are possible, and the largest cause."""
    text = [cause for place, cause in enumerate(causes) if place == 0 or is_grave(cause)]
    return [_sentence("; ".join(likely(cause) for cause in text))] if text else []


def _what_would_help(
    site: SiteAnswerFacts, changes: list[ChangeFacts], near: Period | None, reader: Reader, word: Room
) -> list[str]:
    text = [
        f"At {amount(change.height, 'height', reader.units)} the forecast is inside your limits."
        if change.kind is ChangeKind.LOWER
        else f"The forecast is inside the limits of a {change.aircraft_title}."
        for change in changes
    ]
    if near is not None:
        text.append(f"There is room {reader.clock.span(near.start, near.end)}.")
    return text or ([] if word.is_enough else ["No other hour of the day is known to be likely to have room."])


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
