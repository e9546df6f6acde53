"""What changed in an answer since a watch last reported it: windows that opened, shrank or went, and their chance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from enum import StrEnum

from wxfly.answer.windows import Room
from wxfly.probability.chance import KEEP_STEP
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import Facts, Share
from wxfly.report.facts.verdict import some_titles
from wxfly.report.facts.writing import Clock, Reader, in_ten
from wxfly.report.facts.zones import doubt_of, warning_of

STEP = timedelta(minutes=30)
"""Least shift of the end of a stretch that is reported. Common practice, no source."""


class Turn(StrEnum):
    """What may become of what was reported; those for the worse come first."""

    def __new__(cls, word: str, is_worse: bool) -> Turn:
        """Make a turn with whether it is one for the worse."""
        turn = str.__new__(cls, word)
        turn._value_ = word
        turn.is_worse = is_worse
        return turn

    is_worse: bool

    NOT_KNOWN = "not known", True
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
    """Chance that every limit holds in its surest part of the length that is asked for; null where it is not known."""


class Told(Facts, frozen=True):
    """The last report of a watch, as it is kept."""

    at: datetime
    """When."""
    until: datetime
    """End of the period that it was about."""
    has_forecast: bool
    """Whether there was a forecast that can be used."""
    unknown: list[str]
    """Elements that the decision needs and that were not known in some hour."""
    zones: str
    """The zones of the pilot's file that the flight met, in words; empty where none."""
    stretches: list[Stretch]
    """Those with room."""


class ChangeOfAnswer(Facts, frozen=True):
    """One change of the answer."""

    turn: Turn
    """What became of it."""
    is_worse: bool
    """Whether it is a change for the worse."""
    before: Stretch | None
    """As it was reported; null for what opened, and for what is or is not known."""
    after: Stretch | None
    """As it is now; null for what is gone, and for what is or is not known."""
    words: str
    """In words, in the pilot's units on the clock of the site."""


class WatchFacts(Facts, frozen=True):
    """What a watch reports: the changes since its last report, or the answer itself the first time."""

    site: str
    """Name of the site."""
    now: datetime
    """When the answer was made."""
    since: datetime | None
    """Time of the last report; null for the first time."""
    changes: list[ChangeOfAnswer]
    """Those for the worse come first; empty for the first time."""
    first_line: str
    """The first line of the answer."""
    cautions: list[str]
    """Show them to whoever reads what you make of it."""
    told: Told
    """What the next look is compared with."""


def watch_facts(answer: AnswerFacts, before: Told | None) -> WatchFacts:
    """Return what is to be reported of an answer about one site.

    Parameters
    ----------
    answer : AnswerFacts
        The answer now.
    before : Told, optional
        The last report; None for the first time.
    """
    site = answer.sites[0]
    unknown = sorted({*site.not_known.required, *site.not_known.advised})
    zones = warning_of(site.zones, site.best or site.period) or doubt_of(site.zones)
    told = Told(answer.now, site.period.end, True, unknown, zones, _stretches(site, answer.now))
    changes: list[ChangeOfAnswer] = []
    if before is not None:
        reader = Reader(answer.display_units, Clock(answer.display_time_zone or site.site.time_zone))
        changes = sorted(_changes(before, told, reader), key=lambda c: list(Turn).index(c.turn))
    return WatchFacts(
        site=site.site.name,
        now=answer.now,
        since=None if before is None else before.at,
        changes=changes,
        first_line=answer.verdict.first_line,
        cautions=answer.cautions,
        told=told,
    )


def lost_facts(site: str, before: Told, now: datetime, why: str) -> WatchFacts:
    """Return what is to be reported when no forecast is available: nothing that was reported is known any more."""
    words = f"no forecast can be had, so what was told is not known any more: {why}"
    return WatchFacts(
        site=site,
        now=now,
        since=before.at,
        changes=[_change(Turn.NOT_KNOWN, None, None, words)] if before.has_forecast else [],
        first_line=f"NOT KNOWN: {why}",
        cautions=[],
        told=Told(now, before.until, False, before.unknown, before.zones, before.stretches),
    )


def kept(before: Told, now: Told) -> Told:
    """Return what to compare with after a look without a change: the last report, and the days that came in since."""
    new = [s for s in now.stretches if s.start >= before.until]
    return Told(
        before.at, max(before.until, now.until), True, before.unknown, now.zones, [*before.stretches, *new]
    )  # fmt: skip


def _stretches(site: SiteAnswerFacts, now: datetime) -> list[Stretch]:
    """Return the stretches with room, in order of time, without what is over."""
    found = [
        Stretch(max(w.within.start, now), w.within.end, w.room, None if w.surest is None else w.surest.chance)
        for w in site.windows
        if w.room.is_enough and w.within.end > now
    ]
    return sorted(found, key=lambda s: s.start)


def _changes(before: Told, now: Told, reader: Reader) -> Iterator[ChangeOfAnswer]:
    lost = [name for name in now.unknown if name not in before.unknown]
    if lost:
        yield _change(Turn.NOT_KNOWN, None, None, f"not known any more in some hour: {some_titles(lost)}")
    if now.zones and now.zones != before.zones:
        yield _change(Turn.ZONE, None, None, now.zones)
    if not before.has_forecast:
        yield _change(Turn.KNOWN, None, None, "there is a forecast again")
    elif before.unknown and not now.unknown:
        yield _change(Turn.KNOWN, None, None, "all that the decision needs is known now")
    seen, known = [], ", as far as is known" if now.unknown else ""
    for was in before.stretches:
        if was.end <= now.at:
            continue  # over, not gone
        was = Stretch(max(was.start, now.at), was.end, was.room, was.chance)
        close = max(now.stretches, key=lambda s: _shared(was, s), default=None)
        if close is None or _shared(was, close) <= timedelta(0):
            yield _change(Turn.GONE, was, None, f"{_when(was, reader)}: no room any more{known}")
            continue
        seen.append(close)
        yield from _of_one(was, close, reader)
    for stretch in now.stretches:
        if stretch not in seen and stretch.start < before.until:
            words = f"{_when(stretch, reader)}: {stretch.room}, {_sure(stretch.chance)}"
            yield _change(Turn.OPENED, None, stretch, words)


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
    if close.room is not was.room:
        turn = Turn.LITTLE_ROOM if close.room.place > was.room.place else Turn.ROOM
        yield _change(turn, was, close, f"{now}: {close.room} now, not {was.room}")
    fell = was.chance is not None and (close.chance is None or close.chance <= was.chance - KEEP_STEP)
    rose = close.chance is not None and (was.chance is None or close.chance >= was.chance + KEEP_STEP)
    if fell or rose:
        turn = Turn.LESS_PROBABLE if fell else Turn.MORE_PROBABLE
        yield _change(turn, was, close, f"{now}: {_sure(close.chance)} now, not {_sure(was.chance)}")


def _change(turn: Turn, before: Stretch | None, after: Stretch | None, words: str) -> ChangeOfAnswer:
    return ChangeOfAnswer(turn, turn.is_worse, before, after, words)


def _shared(one: Stretch, other: Stretch) -> timedelta:
    return max(min(one.end, other.end) - max(one.start, other.start), timedelta(0))


def _when(stretch: Stretch, reader: Reader) -> str:
    return reader.clock.when(stretch.start, stretch.end, stretch.start.year)


def _sure(chance: float | None) -> str:
    return "chance not known" if chance is None else f"a chance of {in_ten(chance)}"


def watch_text(facts: WatchFacts) -> Sequence[str]:
    """Return the lines of a report: the changes, the worse first, and the answer now."""
    return [*(f"{facts.site}: {change.words}" for change in facts.changes), facts.first_line]
