"""A fleet, from the rows of its table to the answer of each: read, obtain in groups, and judge one by one.

Each row is judged by the same chain as the question about a week at its site.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np

from wxfly.answer.request import Briefing
from wxfly.errors import WxflyError
from wxfly.pilot.fleet import FleetFileError, FleetRow, RowFault, read_fleet
from wxfly.pilot.limits import check_height
from wxfly.pilot.options import Words, said
from wxfly.pilot.settings import find_plan, load_settings, plans_file, sites_file
from wxfly.pilot.site import Site, read_sites
from wxfly.question.ask import Progress, brief_of, hours_wanted, prepare_obtained
from wxfly.question.defaults import Layer, taken_from
from wxfly.question.question import NO_MEMBERS, Question, check_words, read_question
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.fleet import (
    Fetching,
    Pace,
    Place,
    cells_fit,
    group_places,
    obtain_alone,
    obtain_group,
    too_many_members,
)
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import complete_sites, demo_sites
from wxfly.sources.http import Tally, tally, waiting_as_asked
from wxfly.times import as_moment, utc_now

T = TypeVar("T")

_MOST_FAILURES = 2
"""After so many groups in a row without a forecast no other is asked for; what is stored still answers."""


@dataclass(frozen=True)
class FleetMember:
    """A row of the table with its question."""

    row: FleetRow
    question: Question


@dataclass(frozen=True)
class Fleet:
    """A fleet, ready to be asked about.

    Attributes
    ----------
    path : Path
        The table.
    members : tuple of FleetMember
        One for each row, in their order.
    units : str
        Key of `wxfly.units.SYSTEMS` for the answer.
    time_zone : str or None
        IANA zone for times; None for each site's own.
    """

    path: Path
    members: tuple[FleetMember, ...]
    units: str
    time_zone: str | None


@dataclass(frozen=True)
class MemberAnswer:
    """The answer for one row.

    Attributes
    ----------
    member : FleetMember
        The row.
    briefing : Briefing or None
        Its answer; None where there is no forecast.
    fault : str
        Why there is none; empty where there is one.
    """

    member: FleetMember
    briefing: Briefing | None
    fault: str = ""


@dataclass(frozen=True)
class FleetAnswered(Generic[T]):
    """What was made of the answers of a fleet.

    Attributes
    ----------
    made : tuple
        One for each row, in the order of the table.
    notes : tuple of str
        What concerns every row.
    cost : Tally
        What the services were asked.
    stopped : str
        Why not every row was asked about; empty where all were. What was obtained before is kept.
    """

    made: tuple[T, ...]
    notes: tuple[str, ...]
    cost: Tally
    stopped: str


def read_fleet_question(path: Path, words: Words) -> Fleet:
    """Read the table of a fleet and the question of each row; no service is asked.

    Parameters
    ----------
    path : Path
        The table, as in `wxfly.pilot.fleet.read_fleet`.
    words : Words
        What holds for every row that does not say it itself.

    Raises
    ------
    FleetFileError
        With every fault of every row.
    WxflyError
        When the file, its header or the words of the command cannot be read.
    """
    units = words.units or load_settings().usual.units or "metric"
    check_words(words)
    saved = read_sites(sites_file())
    rows, faults, count = read_fleet(path, known={**demo_sites(), **saved}, units=units)
    members: list[FleetMember] = []
    for row in rows:
        layers = [Layer(f"row {row.number}", row.words, ""), Layer("the command", words, "")]
        joined, _ = taken_from(layers)
        try:
            saved.refuse_uncertain(row.place, "the site")
            question = read_question("week", [row.place], joined)
            check_height(question.places[0].height, question.limits)
            members.append(FleetMember(row, question))
        except WxflyError as fault:
            faults += list(_faults_by_column(row, units)) or [RowFault(row.number, "", str(fault))]
    if faults:
        raise FleetFileError(path, faults, count)
    first = members[0].question
    return Fleet(path, tuple(members), first.units, first.time_zone)


def _faults_by_column(row: FleetRow, units: str) -> Iterator[RowFault]:
    """Yield the faults of the columns of a row that each has by itself."""
    for name, value in said(row.words):
        fault = _fault_of_word(name, value, units)
        if fault:
            yield RowFault(row.number, row.columns[name], fault)


def _fault_of_word(name: str, value: object, units: str) -> str:
    try:
        if name == "plan":
            find_plan(plans_file(), str(value))
        else:
            check_words(Words(**{name: value}, units=units))  # type: ignore[arg-type]
    except WxflyError as fault:
        return str(fault)
    return ""


@dataclass(frozen=True)
class _Job(Generic[T]):
    """A row with its forecast, to be judged in this process or in another.

    Attributes
    ----------
    member : FleetMember
        The row.
    obtained : Obtained or None
        The forecast of its site; None where there is none.
    fault : str
        Why there is none.
    """

    member: FleetMember
    obtained: Obtained | None
    fault: str = ""

    def do(self, make: Callable[[MemberAnswer], T]) -> T:
        """Judge the row, and make something of its answer."""
        if self.obtained is None:
            return make(MemberAnswer(self.member, None, self.fault))
        try:
            prepared = prepare_obtained(self.member.question, self.obtained, on_progress=_say_nothing)
            answer = MemberAnswer(self.member, brief_of(prepared))
        except WxflyError as fault:
            answer = MemberAnswer(self.member, None, str(fault))
        return make(answer)


def _say_nothing(_: str) -> None:
    return


def ask_fleet(fleet: Fleet, make: Callable[[MemberAnswer], T], *, on_progress: Progress) -> FleetAnswered[T]:
    """Ask about a fleet: obtain the forecasts in groups, judge each row, and make something of each answer at once.

    Parameters
    ----------
    fleet : Fleet
        From `read_fleet_question`.
    make : callable
        Takes each answer as soon as it is there. What it returns is kept, the answer is not: memory stays flat. Many
        rows are judged in several processes, so it must be possible to send it there.
    on_progress : callable
        Called with a line before what takes its time.
    """
    before = tally()
    run = _Run(fleet, on_progress)
    made: dict[int, T] = {}
    work = _in_processes if len(fleet.members) >= _MANY and _processes() > 1 else _in_this_process
    try:
        with waiting_as_asked(on_progress):
            work(run.jobs(), make, made)
    except KeyboardInterrupt:
        run.stopped = "interrupted"
    except BrokenExecutor:
        run.stopped = "a process that judged sites was ended from outside, such as for want of memory"
    for member in fleet.members:
        if member.row.number not in made:
            made[member.row.number] = make(MemberAnswer(member, None, f"not asked: {run.stopped}"))
    ordered = tuple(made[member.row.number] for member in fleet.members)
    return FleetAnswered(ordered, tuple(run.notes), tally().since(before), run.stopped)


_MANY = 24
"""Number of rows from which several processes judge them: each takes about a second to start."""
_MOST_PROCESSES = 8
_WAITING = 3
"""Jobs that wait for each process; more would only take memory."""


def _processes() -> int:
    return min(
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1, _MOST_PROCESSES
    )


def _in_this_process(jobs: Iterator[_Job[T]], make: Callable[[MemberAnswer], T], made: dict[int, T]) -> None:
    for job in jobs:
        made[job.member.row.number] = job.do(make)


def _in_processes(jobs: Iterator[_Job[T]], make: Callable[[MemberAnswer], T], made: dict[int, T]) -> None:
    """Judge rows in several processes, a few ahead of the results that are awaited."""
    count = _processes()
    pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_leave_interrupts_alone)
    running: dict[Future[T], int] = {}

    def collect(*, until: int) -> None:
        while len(running) > until:
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                made[running.pop(future)] = future.result()

    try:
        for job in jobs:
            collect(until=_WAITING * count - 1)
            running[pool.submit(job.do, make)] = job.member.row.number
        collect(until=0)
    except KeyboardInterrupt:
        made |= {row: future.result() for future, row in running.items() if future.done()}
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _leave_interrupts_alone() -> None:
    """Let the first process alone act on Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _Run:
    """One pass over a fleet."""

    def __init__(self, fleet: Fleet, on_progress: Progress) -> None:
        self.fleet, self.on_progress = fleet, on_progress
        self.notes: list[str] = []
        self.stopped = ""

    def jobs(self) -> Iterator[_Job[Any]]:
        """Yield each row with its forecast, group by group."""
        settings, asked = load_settings(), self.fleet.members[0].question.forecast
        pace = Pace(self.on_progress, is_limited=not settings.key)
        offline = asked.offline or asked.path is not None

        def before(weight: float, line: str) -> None:
            pace.before(weight)
            self.on_progress(line)

        own = complete_sites(
            [m.row.site for m in self.fleet.members], offline=offline, settings=settings, before=before
        )
        if asked.path is not None:
            yield from self._from_file(own)
            return
        of_place = self._places(own, tuple(p.strip() for p in settings.ensemble.split(",") if p.strip()))
        groups = group_places(list(of_place), settings)
        fetching = Fetching(
            settings=settings,
            offline=offline,
            now=asked.as_of,
            chosen_members=True,
            cells_around=cells_fit(len(of_place)),
            on_progress=self.on_progress,
            pace=pace,
        )
        note = too_many_members(groups, fetching)
        if note is not None:
            self.notes.append(note)
            fetching = replace(fetching, chosen_members=False)
        failures, done = 0, 0
        for group in groups:
            first, last = done + 1, done + len(group.places)
            sites = f"site {first}" if first == last else f"sites {first} to {last}"
            self.on_progress(f"{sites} of {len(of_place)}")
            left = list(group.places)
            try:
                if self.stopped:
                    raise WxflyError(f"not asked: {self.stopped}")
                for obtained in obtain_group(group, fetching):
                    for position in range(len(obtained.sites)):
                        yield from self._of_site(obtained, position, of_place[left.pop(0)])
                failures = 0
            except WxflyError as fault:
                failures += not self.stopped
                if failures == _MOST_FAILURES and not offline and not self.stopped:
                    self.stopped = str(fault)
                yield from self._stored(left, of_place, fetching, fault)
            done += len(group.places)

    def _places(self, own: Sequence[Site], usual: tuple[str, ...]) -> dict[Place, list[tuple[FleetMember, Site]]]:
        """Return each place once, with the rows that are about it."""
        now = self.fleet.members[0].question.forecast.as_of
        moment = as_moment(utc_now()) if now is None else now
        alike: dict[object, list[tuple[FleetMember, Site]]] = {}
        for member, site in zip(self.fleet.members, own, strict=True):
            asked = member.question.forecast
            names = asked.ensembles or usual
            key = (site.key, repr(site.surface_altitude), site.is_demo, asked.model, names)
            alike.setdefault(key, []).append((member, site))
        places = {}
        for same in alike.values():
            site, asked = same[0][1], same[0][0].question.forecast
            names = asked.ensembles or usual
            each = [hours_wanted(member.question, [of_row], moment) for member, of_row in same]
            wanted = replace(
                each[0], start=min(w.start for w in each), end=max(w.end for w in each),
                height=max(w.height for w in each),
            )  # fmt: skip
            places[Place(site, wanted, asked.model, () if names == (NO_MEMBERS,) else names or None)] = same
        return places

    def _of_site(
        self, obtained: Obtained, position: int, rows: Sequence[tuple[FleetMember, Site]]
    ) -> Iterator[_Job[Any]]:
        """Yield the rows about one site of a forecast."""
        part = {"site": slice(position, position + 1)}
        for member, site in rows:
            ground = obtained.sites[position].surface_altitude
            named = {"site": np.array([site.name], dtype=object)}
            own = replace(
                obtained,
                sites=(replace(site, surface_altitude=ground),),
                cube=obtained.cube.isel(part).assign_coords(named),
                ensembles=tuple(e.isel(part).assign_coords(named) for e in obtained.ensembles),
            )
            yield _Job(member, own)

    def _stored(
        self,
        places: Sequence[Place],
        of_place: Mapping[Place, Sequence[tuple[FleetMember, Site]]],
        fetching: Fetching,
        fault: WxflyError,
    ) -> Iterator[_Job[Any]]:
        """Answer for sites without a new forecast from what is stored of each."""
        for place in places:
            try:
                obtained = obtain_alone(place, fetching)
            except WxflyError as missing:
                reason = str(missing if fetching.offline else fault)
                yield from (_Job(member, None, reason) for member, _ in of_place[place])
                continue
            yield from self._of_site(obtained, 0, of_place[place])

    def _from_file(self, own: Sequence[Site]) -> Iterator[_Job[Any]]:
        """Answer every row from the forecast file that the pilot names."""
        for member, site in zip(self.fleet.members, own, strict=True):
            asked = member.question.forecast
            assert asked.path is not None
            try:
                obtained = open_forecast(
                    asked.path, [member.row.place], saved={member.row.place: site}, model=asked.model, now=asked.as_of
                )
            except WxflyError as fault:
                yield _Job(member, None, str(fault))
                continue
            yield from self._of_site(replace(obtained, sites=(obtained.sites[0],)), 0, [(member, site)])
