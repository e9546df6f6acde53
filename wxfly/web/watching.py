"""Answers that the page watches while its server runs: asked again as new runs come, with what changed since."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import parse_qsl, urlencode, urlsplit

from msgspec import DecodeError, Struct, ValidationError, json, structs

from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.own_files import alone_with, write_whole
from wxfly.pilot.settings import config_folder
from wxfly.question.watch import AFTER_FAILURE, asked_of_watch
from wxfly.report.command_facts.watch import (
    WatchFacts,
    due_after,
    file_of,
    is_of_a_later_day,
    tell_changes,
    tell_loss,
    told_in,
    watch_text,
)
from wxfly.report.facts.answer import AnswerFacts
from wxfly.times import utc_now
from wxfly.web.own_pages import Entry, OwnKind, OwnPage

VIEWS = ("best", "week")
"""Questions that can be watched."""
MOST = 20
"""So many answers are watched at most."""
_MOST_SAID = 5
_TELLER = "page"
_DAY = ("date", "day")
_EVERY_SECONDS = 30.0
NEW = timedelta(days=1)
"""How long a change stands on the start page."""

Pairs = list[tuple[str, str]]
Ask = Callable[[str, Pairs], AnswerFacts]


class Said(Struct, frozen=True):
    """What was told, and when."""

    at: datetime
    lines: list[str]
    is_change: bool


class Watched(Struct, frozen=True):
    """One answer that is watched."""

    address: str
    """Of its page, such as ``/best?place=meadow``."""
    due: datetime
    """When it is asked next."""
    said: list[Said] = []
    """The newest first."""

    @property
    def question(self) -> tuple[str, Pairs]:
        """The name of its view, and its words."""
        parts = urlsplit(self.address)
        return parts.path.strip("/"), parse_qsl(parts.query)


def _file() -> Path:
    return config_folder() / "watched" / "page.json"


def read_watched() -> list[Watched]:
    """Return what is watched; nothing where the file is not there or damaged."""
    return _read() or []


def _read() -> list[Watched] | None:
    try:
        return json.decode(_file().read_bytes(), type=list[Watched])
    except (OSError, DecodeError, ValidationError, RecursionError):
        return None


def _change(change: Callable[[dict[str, Watched]], None]) -> None:
    with alone_with(_file()):
        if _file().exists() and _read() is None:
            _file().replace(_file().with_suffix(".damaged"))  # nothing in it is lost for good
        watched = {one.address: one for one in read_watched()}
        change(watched)
        write_whole(_file(), json.encode(list(watched.values())))


def _file_of(address: str) -> Path:
    return file_of(_TELLER, address)


def _asked(name: str, pairs: Pairs) -> tuple[str, Pairs]:
    """Return the question of a look: without a day it is about the rest of today and tomorrow, as `wxfly watch`."""
    days = [value for key, value in pairs if key in _DAY]
    kind, words = asked_of_watch(Words(day=days[-1] if days else None), week=name == "week")
    if kind == name:
        return name, pairs
    return kind, [*(pair for pair in pairs if pair[0] not in _DAY), ("days", str(words.days))]


def _checked(address: str) -> str:
    """Return an address in its one form; it must be that of a question that can be watched."""
    name, pairs = Watched(address, utc_now()).question
    if name not in VIEWS:
        raise WxflyError("only the best hour and the week can be watched; open one and follow its link")
    return f"/{name}?{urlencode(pairs)}"


def _keep(given: Mapping[str, str]) -> str:
    address = _checked(given.get("address", ""))

    def add(watched: dict[str, Watched]) -> None:
        if address not in watched and len(watched) >= MOST:
            raise WxflyError(f"{MOST} answers are watched; remove one first")
        watched.setdefault(address, Watched(address, utc_now()))

    _change(add)
    return "watching; the page says here, and at its start, what changes"


def _remove(address: str) -> None:
    def take_out(watched: dict[str, Watched]) -> None:
        gone = watched.pop(address, None)
        if gone is None:
            raise WxflyError("that answer is not watched; look at the list")
        _file_of(address).unlink(missing_ok=True)

    _change(take_out)


def _show(given: Mapping[str, str]) -> OwnPage:
    if "address" in given:
        address = _checked(given["address"])
        return OwnPage(
            "Watch an answer", button="Watch it", action="/watched", hidden=(("address", address),), back=address,
            question=f"Ask {in_words(address)} again as new runs of the model come, while this server runs? "
            "What changes then stands at the top of the start page. Silence is no leave to fly.",
        )  # fmt: skip
    entries = [
        Entry(
            in_words(one.address),
            _last(one),
            ((one.address, "Open"), (f"/watched/remove?{urlencode({'name': one.address})}", "Remove")),
        )
        for one in read_watched()
    ]
    none = () if entries else ("Nothing is watched. Open the best hour or the week of a place, and follow its link.",)
    return OwnPage("Watched answers", entries=entries, notes=none)


def _last(one: Watched) -> str:
    if not one.said:
        return "not asked yet"
    return f"{one.said[0].at:%Y-%m-%d %H:%M}Z: {' '.join(one.said[0].lines)}"


def in_words(address: str) -> str:
    """Return an address as the question that it asks."""
    name, pairs = Watched(address, utc_now()).question
    asked = ", ".join(value if key == "place" else f"{key} {value}" for key, value in pairs)
    return f"{'the best hour' if name == 'best' else 'the week'}{f' ({asked})' if asked else ''}"


KIND = OwnKind("/watched", _show, _keep, _remove, "the watch")


def changes_since(now: datetime) -> list[tuple[str, str]]:
    """Return address and words of every change of the last day, the newest first."""
    found = [
        (said.at, one.address, line)
        for one in read_watched()
        for said in one.said
        if said.is_change and now - said.at < NEW
        for line in said.lines[:-1]
    ]
    return [(address, line) for _, address, line in sorted(found, reverse=True)]


def look(one: Watched, ask: Ask) -> None:
    """Ask for one watched answer again, and keep what changed.

    Parameters
    ----------
    one : Watched
        The answer.
    ask : callable
        Answers a view for its words.
    """

    def tell(facts: WatchFacts) -> None:
        said = Said(facts.now, list(watch_text(facts)), bool(facts.changes))
        _put(one.address, lambda w: structs.replace(w, said=[said, *w.said][:_MOST_SAID]))

    path, due = _file_of(one.address), utc_now() + AFTER_FAILURE
    try:
        kind, pairs = _asked(*one.question)
        answer, before = ask(kind, pairs), told_in(path)
        if kind == "best" and before is not None and is_of_a_later_day(answer, before.until):
            _put(one.address, lambda w: structs.replace(w, due=utc_now() + NEW))
            return  # the day is over, and the same words mean a later one
        next_look = due_after(answer)
        tell_changes(path, answer, tell, due=next_look, is_quiet=False)
        due = next_look
    except Exception as fault:  # nothing ends the watch of the others; the list tells what happened
        told = told_in(path)
        if told is not None and told.until <= utc_now():
            due = utc_now() + NEW  # its day is over: it stands in the list until the pilot removes it
        with contextlib.suppress(WxflyError, OSError):
            tell_loss(path, utc_now(), str(fault), tell)
        failed = Said(utc_now(), [f"could not be asked: {fault}"], False)
        _put(one.address, lambda w: structs.replace(w, said=[failed, *(s for s in w.said if s.lines != failed.lines)]))
    _put(one.address, lambda w: structs.replace(w, due=due))


def _put(address: str, change: Callable[[Watched], Watched]) -> None:
    def put(watched: dict[str, Watched]) -> None:
        if address in watched:  # it may have been removed meanwhile
            watched[address] = change(watched[address])

    _change(put)


async def keep_watching(ask: Ask) -> None:
    """Ask again whatever is due, for as long as the server runs."""
    while True:
        for one in await asyncio.to_thread(read_watched):
            if one.due <= utc_now():
                await asyncio.to_thread(look, one, ask)
        await asyncio.sleep(_EVERY_SECONDS)
