"""The table of a fleet: one row for each site, with what a question about it says where the command says nothing.

Every fault of every row is found before anything is asked, and named with its row and column.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from wxfly.errors import WxflyError, near_names, shortened, unknown_name
from wxfly.pilot.options import Words, options_of
from wxfly.pilot.own_files import check_name
from wxfly.pilot.site import Site, parse_coordinates
from wxfly.units import read_quantity

_OF_PLACE = ("name", "latitude", "longitude", "elevation", "surface_cover", "obstacle_height")
_SPELLINGS = {"site": "name", "lat": "latitude", "lon": "longitude", "surface_altitude": "elevation"}
_OF_ALL = ("units", "time_zone", "forecast_path", "as_of", "offline")
"""Options that hold for the whole table; no row says them."""
_MOST_BYTES = 50_000_000


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
    """A row of the table.

    Attributes
    ----------
    number : int
        Its line in the file.
    site : Site
        The place.
    place : str
        The place as a question names it: a saved name, or coordinates.
    words : Words
        What the row says.
    columns : mapping
        Column of each word, as the file spells it.
    """

    number: int
    site: Site
    place: str
    words: Words
    columns: Mapping[str, str]


def read_fleet(path: Path, *, known: Mapping[str, Site], units: str) -> tuple[list[FleetRow], list[RowFault], int]:
    """Read the table of a fleet.

    Parameters
    ----------
    path : Path
        CSV with a header, in UTF-8; columns parted by commas, semicolons or tabs. ``name``, ``latitude`` and
        ``longitude`` say where; ``elevation``, ``surface_cover`` and ``obstacle_height`` describe the site; every
        other column is an option of the command, such as ``aircraft``, ``plan`` or ``height``. An empty cell says
        nothing.
    known : mapping
        Sites that a row may name without coordinates.
    units : str
        Key of `wxfly.units.SYSTEMS`, for an elevation without its unit.

    Returns
    -------
    rows : list of FleetRow
        The rows without a fault, in their order.
    faults : list of RowFault
        Every fault of the others.
    count : int
        Number of rows of the file.

    Raises
    ------
    WxflyError
        When the file or its header cannot be read.
    """
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
    rows: list[FleetRow] = []
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
            rows.append(FleetRow(number, site, place, Words(**words), columns))  # type: ignore[arg-type]
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
