"""A fleet, from the rows of its table to the answer of each: read, obtain in groups, and judge one by one.

The table has one row for each site, with what a question about it says where the command says nothing. Every fault of
every row is found before anything is asked, and named with its row and column. Each row is judged by the same chain as
the question about a week at its site.
"""

from __future__ import annotations

import csv
import io
import math
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
from wxfly.errors import WxflyError, near_names, shortened, unknown_name
from wxfly.pilot.limits import check_height
from wxfly.pilot.options import Words, options_of, said
from wxfly.pilot.own_files import check_name
from wxfly.pilot.settings import find_plan, load_settings, plans_file, sites_file
from wxfly.pilot.site import Site, parse_coordinates, read_sites
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
from wxfly.units import read_quantity

T = TypeVar("T")

_OF_PLACE = ("name", "latitude", "longitude", "elevation", "surface_cover", "obstacle_height")
_SPELLINGS = {"site": "name", "lat": "latitude", "lon": "longitude", "surface_altitude": "elevation"}
_OF_ALL = ("units", "time_zone", "forecast_path", "as_of", "offline")
"""Options that hold for the whole table; no row says them."""
_MOST_BYTES = 50_000_000
_MOST_FAILURES = 2
"""After so many groups in a row without a forecast no other is asked for; what is stored still answers."""


@dataclass(frozen=True)
class RowFault:
    """What is wrong in a row of the table.

    Attributes
    ----------
    row : int
        Its line in the file; the header is line 1 unless empty lines come before it.
    column : str
        Its column as the file spells it; empty for the whole row.
    words : str
        What was given, what is wanted and the way out.
    """

    row: int
    column: str
    words: str

    def __str__(self) -> str:
        return f"row {self.row}{f', column {self.column}' if self.column else ''}: {self.words}"


class FleetFileError(WxflyError):
    """Faults of a table, all of them.

    Attributes
    ----------
    faults : tuple of RowFault
        In the order of the rows.
    """

    def __init__(self, path: Path, faults: Sequence[RowFault], rows: int) -> None:
        self.faults = tuple(sorted(faults, key=lambda fault: fault.row))
        faulty = len({fault.row for fault in faults})
        of = f"{faulty} of {rows} row{'s' if rows > 1 else ''}"
        super().__init__(f"{path}: {of} cannot be used, so nothing was asked; mend them or take them out")


@dataclass(frozen=True)
class FleetRow:
    """A row of the table with its question.

    Attributes
    ----------
    number : int
        Its line in the file.
    site : Site
        The place.
    place : str
        The place as a question names it: a saved name, or coordinates.
    question : Question
        The question about it.
    """

    number: int
    site: Site
    place: str
    question: Question


@dataclass(frozen=True)
class Fleet:
    """A fleet, ready to be asked about.

    Attributes
    ----------
    path : Path
        The table.
    rows : tuple of FleetRow
        In their order.
    units : str
        Key of `wxfly.units.SYSTEMS` for the answer.
    time_zone : str or None
        IANA zone for times; None for each site's own.
    """

    path: Path
    rows: tuple[FleetRow, ...]
    units: str
    time_zone: str | None


@dataclass(frozen=True)
class RowAnswer:
    """The answer for one row.

    Attributes
    ----------
    row : FleetRow
        The row.
    briefing : Briefing or None
        Its answer; None where there is no forecast.
    fault : str
        Why there is none; empty where there is one.
    """

    row: FleetRow
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
        CSV with a header, in UTF-8; columns parted by commas, semicolons or tabs. ``name``, ``latitude`` and
        ``longitude`` say where; ``elevation``, ``surface_cover`` and ``obstacle_height`` describe the site; every
        other column is an option of the command, such as ``aircraft``, ``plan`` or ``height``. An empty cell says
        nothing.
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
    written, faults, count = _read_table(path, known={**demo_sites(), **saved}, units=units)
    rows: list[FleetRow] = []
    for row in written:
        layers = [Layer(f"row {row.number}", row.words, ""), Layer("the command", words, "")]
        joined, _ = taken_from(layers)
        try:
            saved.refuse_uncertain(row.place, "the site")
            question = read_question("week", [row.place], joined)
            check_height(question.places[0].height, question.limits)
            rows.append(FleetRow(row.number, row.site, row.place, question))
        except WxflyError as fault:
            faults += list(_faults_by_column(row, units)) or [RowFault(row.number, "", str(fault))]
    if faults:
        raise FleetFileError(path, faults, count)
    first = rows[0].question
    return Fleet(path, tuple(rows), first.units, first.time_zone)


def _faults_by_column(row: _WrittenRow, units: str) -> Iterator[RowFault]:
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
class _WrittenRow:
    """A row as it is written: its line, its place, its words, and the column of each as the file spells it."""

    number: int
    site: Site
    place: str
    words: Words
    columns: Mapping[str, str]


def _read_table(path: Path, *, known: Mapping[str, Site], units: str) -> tuple[list[_WrittenRow], list[RowFault], int]:
    """Return the rows of a table that have no fault, every fault of the others, and the number of all rows."""
    header, lines = _lines(path)
    options = {option.key: option for option in options_of("fleet") if option.name not in _OF_ALL}
    names = [_SPELLINGS.get(key, key) for key in (cell.strip().casefold().replace("-", "_") for cell in header)]
    for name, spelt in zip(names, header, strict=True):
        if name not in _OF_PLACE and name not in options:
            raise WxflyError(f"{path}: {unknown_name('column', spelt.strip(), (*_OF_PLACE, *options))}")
        if names.count(name) > 1:
            raise WxflyError(f"{path}: the column {name} is there twice; take one of them out")
    if "name" not in names and not {"latitude", "longitude"} <= set(names):
        raise WxflyError(f"{path}: the first line has no columns name, latitude, longitude; wanted a header with them")
    spelt_as = dict(zip(names, (cell.strip() for cell in header), strict=True))
    rows: list[_WrittenRow] = []
    faults: list[RowFault] = []
    count = 0
    for number, cells in lines:
        count += 1
        if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
            fault_words = f"it has {len(cells)} cells under {len(names)} columns; put a text with a comma in quotes"
            faults.append(RowFault(number, "", fault_words))
            continue
        given = {n: c.strip() for n, c in zip(names, cells, strict=False) if c.strip()}
        of_row: list[RowFault] = []
        words: dict[str, object] = {}
        for name, text in given.items():
            if name in options:
                try:
                    words[options[name].name] = options[name].kind.parse(name, text)
                except WxflyError as fault:
                    of_row.append(RowFault(number, spelt_as[name], str(fault)))
        site, place, of_site = _site(number, given, spelt_as, known, units)
        of_row += of_site
        faults += of_row
        if site is not None and not of_row:
            columns = {options[n].name: spelt_as[n] for n in given if n in options}
            rows.append(_WrittenRow(number, site, place, Words(**words), columns))  # type: ignore[arg-type]
    if not count:
        raise WxflyError(f"{path}: it has a header and no rows; wanted one row for each site")
    return rows, faults, count


def _lines(path: Path) -> tuple[list[str], Iterator[tuple[int, list[str]]]]:
    """Return the header, and the other rows that are not empty with their line in the file."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise WxflyError(f"{path}: larger than {_MOST_BYTES / 1e6:g} MB; wanted a table of sites")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror}); give the path of a table of sites") from None
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not text in UTF-8; save the table as CSV in UTF-8") from None
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)

    def rows() -> Iterator[tuple[int, list[str]]]:
        before = 0
        try:
            for cells in reader:
                number, before = before + 1, reader.line_num
                if any(cell.strip() for cell in cells):
                    yield number, cells
        except csv.Error as fault:
            raise WxflyError(
                f"{path}: line {reader.line_num} is not CSV ({fault}); mend it, or save the table as CSV anew"
            ) from None

    found = rows()
    header = next(found, None)
    if header is None:
        raise WxflyError(f"{path}: empty; wanted a header with name, latitude, longitude and a row for each site")
    return header[1], found


def _site(
    number: int, given: Mapping[str, str], spelt_as: Mapping[str, str], known: Mapping[str, Site], units: str
) -> tuple[Site | None, str, list[RowFault]]:
    """Return the site of a row and how a question names it, or its faults."""
    faults: list[RowFault] = []

    def fault(column: str, words: str) -> None:
        faults.append(RowFault(number, spelt_as.get(column, column), words))

    name = given.get("name", "")
    if name:
        try:
            check_name(name)
        except WxflyError as wrong:
            fault("name", str(wrong))
    lengths: dict[str, float] = {}
    for column in ("elevation", "obstacle_height"):
        if column in given:
            try:
                lengths[column] = read_quantity(given[column], "length", units)
            except WxflyError as wrong:
                fault(column, str(wrong))
    missing = [column for column in ("latitude", "longitude") if column not in given]
    if len(missing) == 2 and name:
        saved = known.get(name) or next((s for n, s in known.items() if n.casefold() == name.casefold()), None)
        if saved is None:
            near = near_names(name, known)
            did_you_mean = f"; did you mean '{near[0]}'?" if near else ""
            fault_words = f"'{shortened(name, 80)}' has no coordinates and is not a saved site{did_you_mean}"
            fault("name", f"{fault_words}; give latitude and longitude")
            return None, "", faults
        site, place = saved, saved.name
    else:
        for column in missing:
            fault(column, "empty; wanted degrees, such as 52.31")
        found = None if missing else _coordinates(given, fault)
        if found is None:
            return None, "", faults
        site = Site(name or f"{found[0]:.4f}, {found[1]:.4f}", *found)
        place = f"{found[0]:.6f}, {found[1]:.6f}"
    changes: dict[str, object] = {}
    if "elevation" in lengths:
        changes["surface_altitude"] = lengths["elevation"]
    if "obstacle_height" in lengths:
        changes["obstacle_height"] = lengths["obstacle_height"]
    if "surface_cover" in given:
        changes["surface_cover"] = given["surface_cover"]
    for key, value in changes.items():  # one by one, so that each fault is of one column
        try:
            site = replace(site, **{key: value})  # type: ignore[arg-type]
        except WxflyError as wrong:
            fault("elevation" if key == "surface_altitude" else key, str(wrong).partition(": ")[2])
    return site, place, faults


def _coordinates(given: Mapping[str, str], fault: Callable[[str, str], None]) -> tuple[float, float] | None:
    """Return latitude and longitude [degree] of a row, or None after its faults were reported."""
    values: dict[str, float] = {}
    for column, most in (("latitude", 90.0), ("longitude", 180.0)):
        text = given[column]
        try:
            value = float(text)
        except ValueError:
            continue
        if not (math.isfinite(value) and abs(value) <= most):
            fault(column, f"{text} is outside -{most:g} to {most:g} degrees")
            return None
        values[column] = value
    if len(values) == 2:
        return values["latitude"], values["longitude"]
    try:
        pair = parse_coordinates(f"{given['latitude']}; {given['longitude']}")
    except WxflyError:
        pair = None
    if pair is None:
        for column in ("latitude", "longitude"):
            if column not in values:
                fault(column, f"'{shortened(given[column], 40)}' is not understood; wanted degrees, such as 52.31")
    return pair


@dataclass(frozen=True)
class _Job(Generic[T]):
    """A row with its forecast, to be judged in this process or in another.

    Attributes
    ----------
    row : FleetRow
        The row.
    obtained : Obtained or None
        The forecast of its site; None where there is none.
    fault : str
        Why there is none.
    """

    row: FleetRow
    obtained: Obtained | None
    fault: str = ""

    def do(self, make: Callable[[RowAnswer], T]) -> T:
        """Judge the row, and make something of its answer."""
        if self.obtained is None:
            return make(RowAnswer(self.row, None, self.fault))
        try:
            prepared = prepare_obtained(self.row.question, self.obtained, on_progress=_say_nothing)
            answer = RowAnswer(self.row, brief_of(prepared))
        except WxflyError as fault:
            answer = RowAnswer(self.row, None, str(fault))
        return make(answer)


def _say_nothing(_: str) -> None:
    return


def ask_fleet(fleet: Fleet, make: Callable[[RowAnswer], T], *, on_progress: Progress) -> FleetAnswered[T]:
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
    work = _in_processes if len(fleet.rows) >= _MANY and _processes() > 1 else _in_this_process
    try:
        with waiting_as_asked(on_progress):
            work(run.jobs(), make, made)
    except KeyboardInterrupt:
        run.stopped = "interrupted"
    except BrokenExecutor:
        run.stopped = "a process that judged sites was ended from outside, such as for want of memory"
    for row in fleet.rows:
        if row.number not in made:
            made[row.number] = make(RowAnswer(row, None, f"not asked: {run.stopped}"))
    ordered = tuple(made[row.number] for row in fleet.rows)
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


def _in_this_process(jobs: Iterator[_Job[T]], make: Callable[[RowAnswer], T], made: dict[int, T]) -> None:
    for job in jobs:
        made[job.row.number] = job.do(make)


def _in_processes(jobs: Iterator[_Job[T]], make: Callable[[RowAnswer], T], made: dict[int, T]) -> None:
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
            running[pool.submit(job.do, make)] = job.row.number
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
        settings, asked = load_settings(), self.fleet.rows[0].question.forecast
        pace = Pace(self.on_progress, is_limited=not settings.key)
        offline = asked.offline or asked.path is not None

        def before(weight: float, line: str) -> None:
            pace.before(weight)
            self.on_progress(line)

        own = complete_sites([row.site for row in self.fleet.rows], offline=offline, settings=settings, before=before)
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

    def _places(self, own: Sequence[Site], usual: tuple[str, ...]) -> dict[Place, list[tuple[FleetRow, Site]]]:
        """Return each place once, with the rows that are about it."""
        now = self.fleet.rows[0].question.forecast.as_of
        moment = as_moment(utc_now()) if now is None else now
        alike: dict[object, list[tuple[FleetRow, Site]]] = {}
        for row, site in zip(self.fleet.rows, own, strict=True):
            asked = row.question.forecast
            names = asked.ensembles or usual
            key = (site.key, repr(site.surface_altitude), site.is_demo, asked.model, names)
            alike.setdefault(key, []).append((row, site))
        places = {}
        for same in alike.values():
            site, asked = same[0][1], same[0][0].question.forecast
            names = asked.ensembles or usual
            each = [hours_wanted(row.question, [of_row], moment) for row, of_row in same]
            wanted = replace(
                each[0], start=min(w.start for w in each), end=max(w.end for w in each),
                height=max(w.height for w in each),
            )  # fmt: skip
            places[Place(site, wanted, asked.model, () if names == (NO_MEMBERS,) else names or None)] = same
        return places

    def _of_site(self, obtained: Obtained, position: int, rows: Sequence[tuple[FleetRow, Site]]) -> Iterator[_Job[Any]]:
        """Yield the rows about one site of a forecast."""
        part = {"site": slice(position, position + 1)}
        for row, site in rows:
            ground = obtained.sites[position].surface_altitude
            named = {"site": np.array([site.name], dtype=object)}
            own = replace(
                obtained,
                sites=(replace(site, surface_altitude=ground),),
                cube=obtained.cube.isel(part).assign_coords(named),
                ensembles=tuple(e.isel(part).assign_coords(named) for e in obtained.ensembles),
            )
            yield _Job(row, own)

    def _stored(
        self,
        places: Sequence[Place],
        of_place: Mapping[Place, Sequence[tuple[FleetRow, Site]]],
        fetching: Fetching,
        fault: WxflyError,
    ) -> Iterator[_Job[Any]]:
        """Answer for sites without a new forecast from what is stored of each."""
        for place in places:
            try:
                obtained = obtain_alone(place, fetching)
            except WxflyError as missing:
                reason = str(missing if fetching.offline else fault)
                yield from (_Job(row, None, reason) for row, _ in of_place[place])
                continue
            yield from self._of_site(obtained, 0, of_place[place])

    def _from_file(self, own: Sequence[Site]) -> Iterator[_Job[Any]]:
        """Answer every row from the forecast file that the pilot names."""
        for row, site in zip(self.fleet.rows, own, strict=True):
            asked = row.question.forecast
            assert asked.path is not None
            try:
                obtained = open_forecast(
                    asked.path, [row.place], saved={row.place: site}, model=asked.model, now=asked.as_of
                )
            except WxflyError as fault:
                yield _Job(row, None, str(fault))
                continue
            yield from self._of_site(replace(obtained, sites=(obtained.sites[0],)), 0, [(row, site)])
