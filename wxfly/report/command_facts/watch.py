"""A watch: what changed in an answer since it was last told, what is kept of that, and telling only what changed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from pathlib import Path

from msgspec import DecodeError, ValidationError, json, structs, to_builtins

from wxfly.answer.windows import Room
from wxfly.assessment.suitability import State
from wxfly.cube.notes import NoteKind
from wxfly.pilot.own_files import alone_with, write_whole
from wxfly.pilot.settings import config_folder
from wxfly.probability.chance import KEEP_STEP
from wxfly.question.watch import QuietHours, next_look
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import unknown_of_hours
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import CAUTIONS, ElementName, Facts, Period, Share, state_word
from wxfly.report.facts.verdict import FIRST_NOTES, some_titles
from wxfly.report.facts.writing import Clock, Reader, in_ten, room_in_words
from wxfly.report.facts.zones import met_in_words
from wxfly.times import utc_now

FEW_DAYS = 2
"""Of so many days at most every new window is told; of a week that goes on, only what changes."""
_DOUBTS = [kind for kind in FIRST_NOTES if kind is not NoteKind.CHOICE]
STEP = timedelta(minutes=30)
"""By how much the end of a stretch moves before that is told. Common practice, no source."""


class Turn(StrEnum):
    """What may become of what was told; those for the worse come first."""

    def __new__(cls, word: str, is_worse: bool) -> Turn:
        """Make a turn with whether it is one for the worse."""
        turn = str.__new__(cls, word)
        turn._value_ = word
        turn.is_worse = is_worse
        return turn

    is_worse: bool

    NOT_KNOWN = "not known", True
    DOUBT = "doubt", True
    ZONE = "zone", True
    GONE = "gone", True
    SHORTER = "shorter", True
    MOVED = "moved", True
    LITTLE_ROOM = "little room", True
    LESS_PROBABLE = "less probable", True
    KNOWN = "known", False
    OPENED = "opened", False
    LONGER = "longer", False
    ROOM = "room", False
    MORE_PROBABLE = "more probable", False


class Stretch(Facts, frozen=True):
    """An unbroken stretch of hours with room to fly."""

    start: datetime
    end: datetime
    """Cut to daylight."""
    room: Room
    """Whether there is room or little room."""
    chance: Share | None
    """That every limit holds in its surest part of the length that is asked for; null where it is not known."""
    zones: list[str]
    """Each zone of the pilot's file that the flight meets in it, in words."""


class Gap(Facts, frozen=True):
    """Lit hours in which an element that is judged is not known."""

    element: ElementName
    """The element."""
    start: datetime
    end: datetime
    """From the first of these hours to the end of the last."""


class Told(Facts, frozen=True):
    """What a watch told, as it keeps it."""

    at: datetime
    """When."""
    place: str
    """Name and coordinates of the site."""
    time_zone: str
    """IANA name, of the site."""
    until: datetime
    """End of the period that it was about."""
    has_forecast: bool
    """Whether there was a forecast that can be used."""
    unknown: list[Gap]
    """What was not known."""
    doubts: list[str]
    """What had to be known first of the forecast, its members and the limits, in words."""
    stretches: list[Stretch]
    """Those with room."""
    due: datetime | None = None
    """When a look is worth its requests again; null for at once."""


class ChangeOfAnswer(Facts, frozen=True):
    """One change of the answer."""

    turn: Turn
    """What became of it."""
    is_worse: bool
    """Whether it is a change for the worse."""
    before: Stretch | None
    """As it was told; null for what opened, and for what is or is not known."""
    after: Stretch | None
    """As it is now; null for what is gone, and for what is or is not known."""
    elements: list[ElementName]
    """Elements that are not known any more, or are again."""
    words: str
    """In words, in the pilot's units on the clock of the site."""


class WatchFacts(Facts, frozen=True):
    """What a watch tells: the changes since it last told, or the answer itself where it tells for the first time."""

    site: str
    """Name of the site."""
    now: datetime
    """When the answer was made."""
    since: datetime | None
    """When the watch last told; null for the first time."""
    changes: list[ChangeOfAnswer]
    """Those for the worse come first; empty for the first time."""
    first_line: str
    """The first line of the answer."""
    notes: list[str]
    """What the first line refers to as a note."""
    watched: list[str]
    """Every stretch with room in words, where it tells for the first time."""
    cautions: list[str]
    """Show them to whoever reads what you make of it."""
    fault: str | None
    """Why there is no answer, or why it could not be told everywhere; null without a fault."""
    told: Told | None
    """What the next look is compared with; null where nothing was told yet."""


@dataclass(frozen=True)
class Look:
    """What one look sees.

    Attributes
    ----------
    told : Told
        What is told of it, where it is told.
    dark : list of Period
        Lit hours that are not known for want of something.
    unsure : list of Stretch
        Stretches within all limits that probably have no room.
    reader : Reader
        Of the words.
    shortest : timedelta
        Shortest window of use.
    tells_new_days : bool
        Whether windows of a day that came in since the last look are told: so where few days are watched.
    """

    told: Told
    dark: list[Period]
    unsure: list[Stretch]
    reader: Reader
    shortest: timedelta
    tells_new_days: bool


def watch_facts(answer: AnswerFacts, before: Told | None) -> WatchFacts:
    """Return what is to be told of an answer about one site, compared with what was told by its time.

    Parameters
    ----------
    answer : AnswerFacts
        The answer now.
    before : Told, optional
        What was told last; None for the first time.

    Returns
    -------
    WatchFacts
        Its `told` is what the next look is compared with: of what is told now as it is now, of the rest as it was told
        before, so that small changes add up.
    """
    site = answer.sites[0]
    look = _look(answer, site)
    changes: list[ChangeOfAnswer] = []
    told = look.told
    if before is not None and before.place == told.place:
        changes = sorted(_changes(before, look), key=lambda c: list(Turn).index(c.turn))
        told = _remembered(before, look, changes)
    else:
        before = None
    return WatchFacts(
        site=site.site.name,
        now=answer.now,
        since=None if before is None else before.at,
        changes=changes,
        first_line=answer.verdict.first_line,
        notes=[note.text for note in answer.notes if note.kind in FIRST_NOTES],
        watched=[_in_words(one, look.reader) for one in told.stretches] if before is None else [],
        cautions=answer.cautions,
        fault=None,
        told=told,
    )


def lost_facts(site: str, before: Told | None, now: datetime, why: str) -> WatchFacts:
    """Return what is to be told when no forecast can be had: nothing of what was told is known any more."""
    words = f"no forecast can be had, so what was told is not known any more: {why}"
    is_lost = before is not None and before.has_forecast and before.until > now
    return WatchFacts(
        site=site,
        now=now,
        since=None if before is None else before.at,
        changes=[_change(Turn.NOT_KNOWN, None, None, words)] if is_lost else [],
        first_line=f"NOT KNOWN: {why}",
        notes=[],
        watched=[],
        cautions=list(CAUTIONS),
        fault=why,
        told=None if before is None else structs.replace(before, at=now, has_forecast=False, due=None),
    )


def with_fault(facts: WatchFacts | None, why: str) -> WatchFacts:
    """Return what says a fault alone: its changes, where there were any, were told, or are told by the next look."""
    if facts is None:
        return lost_facts("", None, utc_now(), why)
    return structs.replace(facts, changes=[], fault=why)


def _look(answer: AnswerFacts, site: SiteAnswerFacts) -> Look:
    hours, now = site.hours, answer.now
    lit = [
        (start, end, state, names)
        for start, end, state, names in zip(
            hours.usable_start, hours.usable_end, hours.state, unknown_of_hours(hours, site.elements), strict=True
        )
        if start is not None and end is not None and end > now
    ]
    unknown = [
        Gap(name, span.start, span.end)
        for name in sorted({name for *_, names in lit for name in names})
        for span in _joined(Period(start, end) for start, end, _, names in lit if name in names)
    ]
    windows = sorted((w for w in site.windows if w.within.end > now), key=lambda w: w.within.start)
    stretches = [
        Stretch(
            max(w.within.start, now), w.within.end, w.room, None if w.surest is None else w.surest.chance,
            met_in_words(site.zones, w.within),
        )
        for w in windows
    ]  # fmt: skip
    told = Told(
        at=now,
        place=f"{site.site.name} {site.site.latitude:.5f},{site.site.longitude:.5f}",
        time_zone=site.site.time_zone,
        until=site.period.end,
        has_forecast=True,
        unknown=unknown,
        doubts=list(dict.fromkeys(note.text for note in answer.notes if note.kind in _DOUBTS)),
        stretches=[one for one in stretches if one.room.is_enough],
    )
    return Look(
        told,
        _joined(Period(start, end) for start, end, state, _ in lit if state == state_word(State.NOT_KNOWN)),
        [one for one in stretches if not one.room.is_enough],
        Reader(answer.display_units, Clock(answer.display_time_zone or site.site.time_zone)),
        timedelta(seconds=answer.minimum_duration),
        len(site.days) <= FEW_DAYS,
    )


def _joined(spans: Iterable[Period]) -> list[Period]:
    """Join spans that touch; they come in order of time."""
    joined: list[Period] = []
    for span in spans:
        if joined and joined[-1].end == span.start:
            joined[-1] = Period(joined[-1].start, span.end)
        else:
            joined.append(span)
    return joined


def _remembered(before: Told, look: Look, changes: Sequence[ChangeOfAnswer]) -> Told:
    """Return what a look leaves to compare with."""
    now = look.told
    if not before.has_forecast:
        return now
    told_of = {name for change in changes for name in change.elements}
    unknown = [gap for gap in before.unknown if gap.element not in told_of]
    for gap in now.unknown:
        start = gap.start if gap.element in told_of else max(gap.start, before.until)
        if start < gap.end:
            unknown.append(Gap(gap.element, start, gap.end))
    said = [change.after for change in changes if change.after is not None]
    over = [change.before for change in changes if change.before is not None]
    stretches = [
        one for was in before.stretches if was.end > now.at and (one := _cut(was, now.at)) not in over
    ] + [one for one in now.stretches if one in said or one.start >= before.until]  # fmt: skip
    return structs.replace(
        now,
        at=now.at if changes else before.at,
        until=max(before.until, now.until),
        unknown=unknown,
        stretches=sorted(stretches, key=lambda one: one.start),
    )


def _changes(before: Told, look: Look) -> Iterator[ChangeOfAnswer]:
    now, reader = look.told, look.reader
    yield from _of_knowledge(before, look)
    for doubt in now.doubts:
        if _bare(doubt) not in map(_bare, before.doubts):
            yield _change(Turn.DOUBT, None, None, doubt)
    seen = []
    for was in before.stretches:
        if was.end <= now.at or (was.start <= now.at and was.end - now.at < look.shortest):
            continue  # over, not gone: what is left is too short for a window
        was = _cut(was, now.at)
        close = max(now.stretches, key=lambda s: _shared(was, s), default=None)
        if close is None or _shared(was, close) <= timedelta(0):
            yield _change(Turn.GONE, was, None, f"{_when(was, reader)}: {_why_gone(was, look)}")
            continue
        seen.append(close)
        yield from _of_one(was, close, reader)
    for stretch in now.stretches:
        if stretch not in seen and (stretch.start < before.until or look.tells_new_days):
            yield _change(Turn.OPENED, None, stretch, _in_words(stretch, reader))


def _of_knowledge(before: Told, look: Look) -> Iterator[ChangeOfAnswer]:
    """Yield what is not known any more, and what is known again."""
    now, reader = look.told, look.reader
    until = now.until if look.tells_new_days else before.until
    lost, found = {}, []
    for name in dict.fromkeys(gap.element for gap in [*now.unknown, *before.unknown]):
        is_now = [Period(gap.start, min(gap.end, until)) for gap in now.unknown if gap.element == name]
        was = _joined(Period(gap.start, gap.end) for gap in before.unknown if gap.element == name)
        new = [span for span in is_now if span.start < span.end and not any(map(partial(_holds, span), was))]
        if new:
            lost[name] = new
        elif not is_now and any(span.end > now.at for span in was):
            found.append(name)
    if lost:
        first, last = min(s.start for of in lost.values() for s in of), max(s.end for of in lost.values() for s in of)
        more = "" if first >= before.until else " any more"
        words = f"{reader.clock.when(first, last, first.year)}: not known{more}: {some_titles(list(lost))}"
        yield _change(Turn.NOT_KNOWN, None, None, words, list(lost))
    if not before.has_forecast:
        yield _change(Turn.KNOWN, None, None, "there is a forecast again")
    elif found:
        rest = "; all that the decision needs is known now" if not now.unknown else ""
        yield _change(Turn.KNOWN, None, None, f"known again: {some_titles(found)}{rest}", found)


def _holds(inner: Period, outer: Period) -> bool:
    return outer.start <= inner.start and inner.end <= outer.end


def _bare(words: str) -> str:
    """Return words without their numbers: an age that grows is no new doubt."""
    return re.sub(r"\d[\d.:TZ/-]*", "0", words)


def _why_gone(was: Stretch, look: Look) -> str:
    dark = any(_overlap(was, span) > timedelta(0) for span in look.dark)
    unsure = max(look.unsure, key=lambda one: _shared(was, one), default=None)
    if dark:
        return "not known any more whether there is room"
    if unsure is not None and _shared(was, unsure) > timedelta(0):
        return f"probably no room now, {_sure(unsure.chance)}"
    return f"no room any more{', as far as is known' if look.told.unknown else ''}"


def _of_one(was: Stretch, close: Stretch, reader: Reader) -> Iterator[ChangeOfAnswer]:
    """Yield what became of one stretch."""
    lost = (was.end - was.start) - _shared(was, close)
    gained = (close.end - close.start) - _shared(was, close)
    turn = (
        Turn.MOVED if lost >= STEP and gained >= STEP
        else Turn.SHORTER if lost >= STEP
        else Turn.LONGER if gained >= STEP
        else None
    )  # fmt: skip
    now = _when(close, reader)
    if turn is not None:
        yield _change(turn, was, close, f"{now} now, not {_when(was, reader)}")
    new = [zone for zone in close.zones if zone not in was.zones]
    if new:
        yield _change(Turn.ZONE, was, close, f"{now}: {', '.join(new)}")
    if close.room is not was.room:
        turn = Turn.LITTLE_ROOM if close.room.place > was.room.place else Turn.ROOM
        yield _change(turn, was, close, f"{now}: {_room(close)} now, not {was.room}")
    fell = was.chance is not None and (close.chance is None or close.chance <= was.chance - KEEP_STEP)
    rose = close.chance is not None and (was.chance is None or close.chance >= was.chance + KEEP_STEP)
    if fell or rose:
        turn = Turn.LESS_PROBABLE if fell else Turn.MORE_PROBABLE
        yield _change(turn, was, close, f"{now}: {_sure(close.chance)} now, not {_sure(was.chance)}")


def _change(
    turn: Turn, before: Stretch | None, after: Stretch | None, words: str, elements: Sequence[str] = ()
) -> ChangeOfAnswer:
    return ChangeOfAnswer(turn, turn.is_worse, before, after, list(elements), words)


def _in_words(stretch: Stretch, reader: Reader) -> str:
    return f"{_when(stretch, reader)}: {', '.join([_room(stretch), _sure(stretch.chance), *stretch.zones])}"


def _cut(stretch: Stretch, now: datetime) -> Stretch:
    return structs.replace(stretch, start=max(stretch.start, now))


def _shared(one: Stretch, other: Stretch) -> timedelta:
    return _overlap(one, Period(other.start, other.end))


def _overlap(one: Stretch, other: Period) -> timedelta:
    return max(min(one.end, other.end) - max(one.start, other.start), timedelta(0))


def _when(stretch: Stretch, reader: Reader) -> str:
    return reader.clock.when(stretch.start, stretch.end, stretch.start.year)


def _sure(chance: float | None) -> str:
    return "how sure is not known" if chance is None else in_ten(chance)


def _room(stretch: Stretch) -> str:
    return room_in_words(stretch.room, stretch.chance)


def watch_text(facts: WatchFacts) -> Sequence[str]:
    """Return the lines that tell of it: the changes, the worse first, and the answer now.

    Of the first look they are the windows, where there are several.
    """
    words = [*(change.words for change in facts.changes), *(facts.watched if len(facts.watched) > 1 else ())]
    return [*(f"{facts.site}: {line}" for line in words), facts.first_line, *(f"Note: {note}" for note in facts.notes)]


# --- telling, and what is kept of it ---------------------------------------------------------------------------


def is_of_a_later_day(answer: AnswerFacts, until: datetime) -> bool:
    """Return whether an answer is about a day after the one that was watched until then.

    A weekday that is over is asked as the next of its name.
    """
    return answer.sites[0].period.start >= until


def due_after(answer: AnswerFacts) -> datetime:
    """Return when to look again after an answer."""
    forecast = answer.forecasts[0]
    models = {hours.model for hours in forecast.by_hours} | {forecast.model or ""}
    return next_look(models, is_answered=all(note.kind is not NoteKind.NO_NEWER_FORECAST for note in answer.notes))


def clock_of(answer: AnswerFacts) -> Clock:
    """Return the clock of the site that an answer is about."""
    return Clock(answer.sites[0].site.time_zone)


def tell_changes(
    path: Path, answer: AnswerFacts, tell: Callable[[WatchFacts], None], *, due: datetime, is_quiet: bool
) -> WatchFacts:
    """Tell what changed since the last time, and keep what was told.

    Parameters
    ----------
    path : Path
        Where what was told is kept, as `file_of` returns it.
    answer : AnswerFacts
        The answer now, about one site.
    tell : callable
        Tells it; called for the first answer and where something changed. Where it raises, nothing is kept, so that
        the next look tells again.
    due : datetime
        When the next look is worth its requests.
    is_quiet : bool
        Whether nothing may be told now; a later look then tells it.

    Returns
    -------
    WatchFacts
        What changed, told or not.
    """
    with alone_with(path):
        before = told_in(path)
        facts = watch_facts(answer, before)
        if facts.since is None or facts.changes:
            if is_quiet:
                if before is not None:
                    _keep(path, structs.replace(before, due=due))
                return facts
            if before is not None:
                _keep(path, structs.replace(before, due=None))  # whatever happens now, the next look is made
            tell(facts)
        assert facts.told is not None
        _keep(path, structs.replace(facts.told, due=due))
    return facts


def tell_loss(
    path: Path, now: datetime, why: str, tell: Callable[[WatchFacts], None], quiet: QuietHours | None = None
) -> WatchFacts:
    """Tell, once, that no forecast can be had any more.

    Parameters
    ----------
    path, tell
        As in `tell_changes`.
    now : datetime
        Present time, UTC.
    why : str
        The fault.
    quiet : QuietHours, optional
        Hours in which nothing is told.

    Returns
    -------
    WatchFacts
        The loss and the fault, told or not.
    """
    with alone_with(path):
        before = told_in(path)
        site = "" if before is None else before.place.rpartition(" ")[0]
        facts = lost_facts(site, before, now, why)
        if before is not None and before.due is not None:
            _keep(path, structs.replace(before, due=None))
        is_quiet = before is not None and quiet is not None and quiet.holds(Clock(before.time_zone), now)
        if is_quiet:
            return structs.replace(facts, changes=[])
        if facts.changes:
            tell(facts)
            assert facts.told is not None
            _keep(path, facts.told)
    return facts


def file_of(teller: str, *question: object) -> Path:
    """Return the file of what was told of a question in one way; the words of the question are what it is known by."""
    asked = json.encode((teller, to_builtins(question, enc_hook=repr)))
    return config_folder() / "watched" / f"{hashlib.sha256(asked).hexdigest()[:16]}.json"


def told_in(path: Path) -> Told | None:
    """Return what was told; None where nothing was, or where the file is damaged: then all is told anew."""
    try:
        return json.decode(path.read_bytes(), type=Told)
    except (OSError, DecodeError, ValidationError, RecursionError):
        return None


def _keep(path: Path, told: Told) -> None:
    write_whole(path, json.encode(told))
