"""Forecast grids from GRIB2 files: a box of one run, only its messages fetched, on the grid of the model.

A message holds one field: a quantity at a level and a lead time, for the whole grid. The inventory beside a file states
where each message lies, so only those of the wanted quantities, heights and hours are fetched. Two forms of it are
read. The ``.idx`` text that NOAA places beside its files has one line for each message, in the layout of wgrib2:
``number:first byte:d=YYYYMMDDHH:variable:level:time:``. The ``.index`` of ECMWF has one JSON object for each. The
ecCodes library decodes the messages one by one. Every message that was asked for must turn up: one that does not is an
error.

Codes are those of WMO code tables 4.2 and 4.5 (Manual on Codes, FM 92 GRIB edition 2); numbers from 192 on are of the
centre that made the file, as in the definitions that come with ecCodes.
"""

from __future__ import annotations

import contextlib
import importlib.util
import itertools
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import ENSEMBLE, GRID_MAPPING, VARIABLES, Provenance, Span, finish_cube
from wxfly.errors import WxflyError, missing_extra, unknown_name
from wxfly.physics.wind.components import (
    bearing_on_cone,
    bearing_to_rotated_pole,
    cone_constant,
    turn_to_true_north,
    wind_from_components,
)
from wxfly.pilot.own_files import write_beside
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import AT_ONCE, download, having, together
from wxfly.sources.open_meteo.grids import Box
from wxfly.sources.open_meteo.models import MODELS
from wxfly.sources.reply import PassingError, Reply, SourceError

Array = npt.NDArray[Any]

# --- inventories ------------------------------------------------------------------------------------------------

INSTANT, SUM, MAXIMUM, OTHER = "instant", "sum", "maximum", "other"
"""What a value stands for: a moment, or the span of its entry; `OTHER` is never chosen."""

_KINDS_OF_NOAA = {None: INSTANT, "acc": SUM, "max": MAXIMUM}
_HOURS = {"min": 1.0 / 60.0, "hour": 1.0, "day": 24.0}
_STEP = re.compile(r"(?:(\d{1,5})-)?(\d{1,5}) (min|hour|day) ?(?:(acc|max|ave|min) )?fcst")
_LINE = re.compile(
    r"(\d{1,7}(?:\.\d{1,3})?):(\d{1,15}):d=(\d{10})(?:\d{2,4})?:([^:]{1,80}):([^:]{0,120}):([^:]{0,120}):?(.*)"
)
_MEMBER = re.compile(r"ENS=\+?(-?\d{1,4})\b")
_CONTROL = re.compile(r"ENS=(?:low|hi)-res ctl")

JOINED_ACROSS = 100_000
"""Ranges are fetched together across so many bytes between them: less than a request costs at 1 MB/s and 0.1 s."""
LARGEST_JOINED = 4_000_000
"""Longest range of several messages [byte]: on a slow network, what came before a break is kept."""
LARGEST_PART = 64_000_000
"""Longest message [byte]."""
_HEAD, _TAIL, _SHORTEST = b"GRIB", b"7777", 16


@dataclass(frozen=True)
class Entry:
    """One field of a GRIB2 file, as its inventory states it.

    Attributes
    ----------
    number : str
        Number of the message; ``12.2`` is the second field of message 12.
    offset : int
        First byte.
    length : int or None
        Number of bytes; None up to the end of the file.
    reference_time : numpy.datetime64
        Start of the run, UTC.
    variable, level : str
        As the inventory writes them.
    first_hour, last_hour : float
        The span in hours from the start of the run; equal for a moment.
    kind : str
        `INSTANT`, `SUM`, `MAXIMUM` or `OTHER`.
    member : int or None
        Member of an ensemble, 0 for the control; None where it is not stated.
    """

    number: str
    offset: int
    length: int | None
    reference_time: np.datetime64
    variable: str
    level: str
    first_hour: float
    last_hour: float
    kind: str
    member: int | None = None

    def __str__(self) -> str:
        member = "" if self.member is None else f", member {self.member}"
        return f"message {self.number} ({self.variable} {self.level}, {self.last_hour:g} h{member})"


def parse_idx(text: str, what: str) -> list[Entry]:
    """Read an inventory of NOAA.

    Parameters
    ----------
    text : str
        The lines, ``number:first byte:d=YYYYMMDDHH:variable:level:time:`` and perhaps more.
    what : str
        The file, for errors.

    Returns
    -------
    list of Entry
        In the order of the file. A message ends where the next one begins. Fields of one message share their bytes.

    Raises
    ------
    SourceError
        When a line is not one of an inventory, or the bytes do not increase.

    Examples
    --------
    >>> lines = "1:0:d=2026112506:GUST:surface:3 hour fcst:" + chr(10) + "2:900:d=2026112506:VIS:surface:3 hour fcst:"
    >>> [(entry.variable, entry.offset, entry.length) for entry in parse_idx(lines, "an example")]
    [('GUST', 0, 900), ('VIS', 900, None)]
    """
    rows = []
    for count, line in enumerate((line.strip() for line in text.splitlines()), 1):
        if not line:
            continue
        found = _LINE.fullmatch(line)
        if not found:
            raise SourceError(f"{what}: line {count} of its inventory is not 'number:byte:d=time:variable:level:time:'")
        rows.append(found.groups())
    if not rows:
        raise SourceError(f"{what}: its inventory is empty")
    begins = [int(row[1]) for row in rows]
    if any(b < a for a, b in itertools.pairwise(begins)):
        raise SourceError(f"{what}: the bytes in its inventory do not increase")
    edges = sorted(set(begins))
    length = {begin: end - begin for begin, end in itertools.pairwise(edges)}
    entries = []
    for (number, _, run, variable, level, step, rest), begin in zip(rows, begins, strict=True):
        entries.append(
            Entry(number, begin, length.get(begin), _hour(run, what), variable, level, *_span(step), _member(rest))
        )
    return entries


def _span(text: str) -> tuple[float, float, str]:
    """Return first hour, last hour and kind from the time of a line; not a number where it is not understood."""
    if text == "anl":
        return 0.0, 0.0, INSTANT
    found = _STEP.fullmatch(text)
    if not found:
        return np.nan, np.nan, OTHER
    first, last, unit, kind = found.groups()
    end = int(last) * _HOURS[unit]
    if first is None:
        return end, end, INSTANT if kind is None else OTHER
    return int(first) * _HOURS[unit], end, _KINDS_OF_NOAA.get(kind, OTHER) if kind else OTHER


def _member(rest: str) -> int | None:
    if _CONTROL.search(rest):
        return 0
    found = _MEMBER.search(rest)
    return int(found[1]) if found else None


def _hour(text: str, what: str) -> np.datetime64:
    try:
        return np.datetime64(f"{text[:4]}-{text[4:6]}-{text[6:8]}T{text[8:10]}:00", "ns")
    except ValueError:
        raise SourceError(f"{what}: '{text[:20]}' in its inventory is not a time") from None


def parse_index(text: str, what: str) -> list[Entry]:
    """Read an inventory of ECMWF: one JSON object in each line.

    Parameters
    ----------
    text : str
        The lines.
    what : str
        The file, for errors.

    Returns
    -------
    list of Entry
        In the order of the bytes. The inventory does not state what a value stands for: totals since the start of the
        run and maxima are stated by the message itself, so the kind is `INSTANT`, with one hour for both ends.

    Raises
    ------
    SourceError
        When a line is not such an object.
    """
    entries = []
    for count, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        try:
            row: Any = json.loads(line)
            run = f"{int(row['date']):08d}{int(row['time']):04d}"
            step = float(str(row["step"]).rpartition("-")[2])
            level = f"{row.get('levtype', '')} {row.get('levelist', '')}".strip()
            offset, length = int(row["_offset"]), int(row["_length"])
            member = int(row["number"]) if "number" in row else 0 if row.get("type") == "cf" else None
            if offset < 0 or length < _SHORTEST or not np.isfinite(step):
                raise ValueError
            entries.append(
                Entry(
                    number=str(count),
                    offset=offset,
                    length=length,
                    reference_time=_hour(run, what),
                    variable=str(row["param"])[:40],
                    level=level[:40],
                    first_hour=step,
                    last_hour=step,
                    kind=INSTANT,
                    member=member,
                )
            )
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
            raise SourceError(
                f"{what}: line {count} of its inventory is no object with date, time, step, param, _offset, _length"
            ) from None
    if not entries:
        raise SourceError(f"{what}: its inventory is empty")
    return sorted(entries, key=lambda entry: entry.offset)


def joined_ranges(entries: Iterable[Entry], across: int) -> list[list[Entry]]:
    """Return entries in groups that are fetched with one request each.

    Parameters
    ----------
    entries : iterable of Entry
        Messages of one file, each with its own bytes.
    across : int
        Largest number of bytes between two messages of a group.

    Returns
    -------
    list of list of Entry
        In the order of their bytes. A group of several is at most `LARGEST_JOINED` long.
    """
    groups: list[list[Entry]] = []
    for entry in sorted(entries, key=lambda e: e.offset):
        if groups:
            begin, last = groups[-1][0].offset, groups[-1][-1]
            if last.length is not None and entry.offset - (last.offset + last.length) <= across:
                end = entry.offset + (entry.length or 0)
                if end - begin <= LARGEST_JOINED:
                    groups[-1].append(entry)
                    continue
        groups.append([entry])
    return groups


# --- what is read, and from where -------------------------------------------------------------------------------

_EAST, _NORTH, _ALOFT, _GROUND = "eastward_wind", "northward_wind", "air_temperature_aloft", "surface_altitude"
_NCEP, _ECMWF = 7, 98  # centres, common code table C-1
_SURFACE, _ABOVE_GROUND, _MEAN_SEA, _FREEZING, _MOST_UNSTABLE = 1, 103, 101, 4, 17  # code table 4.5
_WHOLE_AIR, _LOW, _MEDIUM, _HIGH = (1, 10, 200), (1, 214), (1, 224), (1, 234)


@dataclass(frozen=True)
class Quantity:
    """One quantity as GRIB2 has it.

    Attributes
    ----------
    name : str
        In the cube; winds by their components, and the height of the ground.
    noaa : tuple of tuple of str
        Variable and level in an inventory of NOAA, the best first; ``{}`` stands for the height.
    ecmwf : tuple of str
        Parameter in an inventory of ECMWF, the best first.
    codes : tuple of tuple of int
        Discipline, category and number in a message; then the centre, where the number is its own.
    surfaces : tuple of int
        Types of the level in a message.
    heights : tuple of float or None
        Heights above ground [m] that such a level may have; None for any height, empty for other levels.
    kinds : tuple of str
        What a value may stand for, the best first.
    """

    name: str
    noaa: tuple[tuple[str, str], ...]
    ecmwf: tuple[str, ...]
    codes: tuple[tuple[int, ...], ...]
    surfaces: tuple[int, ...] = (_SURFACE,)
    heights: tuple[float, ...] | None = ()
    kinds: tuple[str, ...] = (INSTANT,)


_HEIGHT = "{} m above ground"
_ROWS = (
    Quantity(_EAST, (("UGRD", _HEIGHT),), ("{}u",), ((0, 2, 2),), (_ABOVE_GROUND,), None),
    Quantity(_NORTH, (("VGRD", _HEIGHT),), ("{}v",), ((0, 2, 3),), (_ABOVE_GROUND,), None),
    Quantity(_ALOFT, (("TMP", _HEIGHT),), (), ((0, 0, 0),), (_ABOVE_GROUND,), None),
    Quantity("air_temperature", (("TMP", "2 m above ground"),), ("2t",), ((0, 0, 0),), (_ABOVE_GROUND,), (2.0,)),
    Quantity("dew_point_temperature", (("DPT", "2 m above ground"),), ("2d",), ((0, 0, 6),), (_ABOVE_GROUND,), (2.0,)),
    Quantity("relative_humidity", (("RH", "2 m above ground"),), (), ((0, 1, 1),), (_ABOVE_GROUND,), (2.0,)),
    Quantity(
        "wind_speed_of_gust", (("GUST", "surface"), ("GUST", "10 m above ground")), ("10fg", "10fg3"), ((0, 2, 22),),
        (_SURFACE, _ABOVE_GROUND), (10.0,), (MAXIMUM, INSTANT),
    ),
    Quantity("surface_air_pressure", (("PRES", "surface"),), ("sp",), ((0, 3, 0),)),
    Quantity(
        "air_pressure_at_mean_sea_level",
        (("PRMSL", "mean sea level"), ("MSLMA", "mean sea level"), ("MSLET", "mean sea level")), ("msl",),
        ((0, 3, 1), (0, 3, 0), (0, 3, 198, _NCEP), (0, 3, 192, _NCEP)), (_MEAN_SEA,),
    ),
    Quantity(
        "precipitation_amount", (("APCP", "surface"),), ("tp",), ((0, 1, 8), (0, 1, 193, _ECMWF)), kinds=(SUM,),
    ),
    Quantity(
        "cloud_area_fraction", (("TCDC", "entire atmosphere"),), ("tcc",), ((0, 6, 1), (0, 6, 192, _ECMWF)),
        _WHOLE_AIR,
    ),
    Quantity(
        "low_type_cloud_area_fraction", (("LCDC", "low cloud layer"),), ("lcc",), ((0, 6, 3), (0, 6, 193, _ECMWF)),
        _LOW,
    ),
    Quantity(
        "medium_type_cloud_area_fraction", (("MCDC", "middle cloud layer"),), ("mcc",),
        ((0, 6, 4), (0, 6, 194, _ECMWF)), _MEDIUM,
    ),
    Quantity(
        "high_type_cloud_area_fraction", (("HCDC", "high cloud layer"),), ("hcc",), ((0, 6, 5), (0, 6, 195, _ECMWF)),
        _HIGH,
    ),
    Quantity("freezing_level_altitude", (("HGT", "0C isotherm"),), (), ((0, 3, 5),), (_FREEZING,)),
    Quantity("visibility_in_air", (("VIS", "surface"),), (), ((0, 19, 0),)),
    # CAPE of the most unstable air is never smaller than that of the air at the ground.
    Quantity(
        "atmosphere_convective_available_potential_energy", (("CAPE", "surface"),), ("mucape",), ((0, 7, 6),),
        (_SURFACE, _MOST_UNSTABLE),
    ),
    Quantity("atmosphere_convective_inhibition", (("CIN", "surface"),), (), ((0, 7, 7),)),
    Quantity("lifted_index", (("LFTX", "surface"),), (), ((0, 7, 10), (0, 7, 192, _NCEP))),
    Quantity("atmosphere_boundary_layer_thickness", (("HPBL", "surface"),), (), ((0, 3, 18), (0, 3, 196, _NCEP))),
    Quantity("surface_roughness_length", (("SFCR", "surface"),), (), ((2, 0, 1),)),
    Quantity(_GROUND, (("HGT", "surface"),), (), ((0, 3, 5),)),
)  # fmt: skip
QUANTITIES: dict[str, Quantity] = {row.name: row for row in _ROWS}
"""What is read, by name."""

_FRACTIONS = {name for name, row in VARIABLES.items() if row.units == "1" and name in QUANTITIES}
_FACTORS = {"%": 0.01, "(0 - 1)": 1.0, "m": 1000.0, "kg m**-2": 1.0}  # to the unit of the cube, as ecCodes names units
_LARGEST = ("wind_speed_of_gust", "atmosphere_convective_available_potential_energy")  # of several, the largest counts
# Code table 4.0: a forecast at a moment, of a member, over a span, of a member over a span. Others are derived from
# an ensemble, such as its spread, or are probabilities and percentiles.
_TEMPLATES = (0, 1, 8, 11)
# Rounding when a total is packed can make it a little smaller an hour later; a larger fall is a fault [kg m-2]; ours.
_ROUNDING = 0.1


_AT_THE_GROUND = (
    "air_temperature", "dew_point_temperature", "wind_speed_of_gust", "surface_air_pressure",
    "air_pressure_at_mean_sea_level", "precipitation_amount", "atmosphere_convective_available_potential_energy",
)  # fmt: skip
_ALL_OF_NOAA = (
    *_AT_THE_GROUND, "relative_humidity", "cloud_area_fraction", "low_type_cloud_area_fraction",
    "medium_type_cloud_area_fraction", "high_type_cloud_area_fraction", "freezing_level_altitude", "visibility_in_air",
    "atmosphere_convective_inhibition", "atmosphere_boundary_layer_thickness", "surface_roughness_length",
)  # fmt: skip


@dataclass(frozen=True)
class Archive:
    """Where the GRIB2 files of a model are.

    Attributes
    ----------
    model : str
        Name in `wxfly.sources.open_meteo.models.MODELS`.
    service : str
        Name in `wxfly.pilot.services.SERVICES`; its address stands before the path.
    path, inventory : str
        Of the file of a run and a lead time and of its inventory, for `str.format`.
    parse : callable
        Reader of the inventory.
    heights : tuple of int
        Heights of the wind [m].
    provides : tuple of str
        Names in `QUANTITIES` that every run has: one that is missing is lost.
    step_hours : int
        Time between its lead times [h].
    license : str
        Of the data.
    """

    model: str
    service: str
    path: str
    inventory: str
    parse: Callable[[str, str], list[Entry]]
    heights: tuple[int, ...]
    provides: tuple[str, ...]
    step_hours: int = 1
    license: str = "public domain (US government work)"


_GFS = "gfs.{run:%Y%m%d}/{run:%H}/atmos/gfs.t{run:%H}z.pgrb2.0p25.f{lead:03d}"
_HRRR = "hrrr.{run:%Y%m%d}/conus/hrrr.t{run:%H}z.wrfsfcf{lead:02d}.grib2"
_IFS = "{run:%Y%m%d}/{run:%H}z/ifs/0p25/oper/{run:%Y%m%d%H}0000-{lead}h-oper-fc"

ARCHIVES: dict[str, Archive] = {
    row.model: row
    for row in (
        Archive(
            "ncep_gfs_global", "noaa_gfs", _GFS, f"{_GFS}.idx", parse_idx, (10, 20, 30, 40, 50, 80, 100),
            (*_ALL_OF_NOAA, "lifted_index"),
        ),
        Archive("ncep_hrrr_conus", "noaa_hrrr", _HRRR, f"{_HRRR}.idx", parse_idx, (10, 80), _ALL_OF_NOAA),
        Archive(
            "ecmwf_ifs025", "ecmwf_open_data", f"{_IFS}.grib2", f"{_IFS}.index", parse_index, (10, 100),
            _AT_THE_GROUND, 3, "CC BY 4.0",
        ),
    )
}  # fmt: skip
"""The models whose files are read, by name."""


def get_grid(
    model: str,
    box: Box,
    *,
    settings: Settings,
    folder: Path,
    now: datetime,
    heights: Sequence[int] | None = None,
    lead_hours: tuple[int, int] = (0, 24),
) -> xr.Dataset:
    """Return a box of the newest run of a model as a cube, from its GRIB2 files.

    Parameters
    ----------
    model : str
        A name in `ARCHIVES`.
    box : Box
        The part of the globe that is wanted; of a projected grid the smallest rectangle of cells around it.
    settings : Settings
        Addresses, hosts, User-Agent and patience.
    folder : Path
        Where messages are kept; one that is there is not fetched again.
    now : datetime
        Present time: no later run is looked for.
    heights : sequence of int, optional
        Heights of the wind [m] among those of the model; by default 10 m and all from 80 m.
    lead_hours : tuple of int, optional
        First and last lead time [h]. The run is the newest that has the last one.

    Returns
    -------
    xarray.Dataset
        A forecast cube (`wxfly.cube.contract`) with the dimensions latitude and longitude on a regular grid, else ``y``
        and ``x`` with latitude and longitude of every cell, and the CF grid mapping ``crs``. Hours between the steps
        of a model, and what a run lacks, have no values.

    Raises
    ------
    WxflyError
        Without the extra ``grib``, for another model, a height that it lacks, or a box outside it.
    SourceError
        When the service lacks the run, or a message is damaged. What came before is kept.
    """
    _check_extra()
    if model not in ARCHIVES:
        raise unknown_name("model with GRIB files", model, ARCHIVES)
    archive = ARCHIVES[model]
    wanted = tuple(h for h in archive.heights if h == 10 or h >= 80) if heights is None else tuple(sorted(set(heights)))
    absent = [h for h in wanted if h not in archive.heights]
    if absent or not wanted:
        asked = f"no wind at {absent[0]} m" if absent else "no height was asked for"
        raise WxflyError(f"{MODELS[model].title}: {asked}; wanted some of {list(archive.heights)}")
    first, last = lead_hours
    if not 0 <= first < last <= MODELS[model].range_days * 24:
        raise WxflyError(f"lead times {first} to {last} h are not a forecast; wanted first < last, in hours from 0")
    service = SERVICES[archive.service]
    with having(settings.addresses[archive.service]):
        run, files = _newest(archive, settings, folder, now, last)
        leads = [h for h in range(max(first - 1, 0), last + 1) if h % archive.step_hours == 0]
        chosen = _fetched(files, leads, wanted, first)
    what = f"{service.source}, {MODELS[model].title}, run of {run:%Y-%m-%dT%H}Z"
    of_run = _RunFields(box, what)
    for path, fields in chosen:
        of_run.add(path, fields)
    _forget_older(folder / model, run)
    provenance = Provenance(
        model=model, title=f"{MODELS[model].title}, grid", source=service.source,
        institution=MODELS[model].institution, license=archive.license, attribution=service.attribution,
        history=f"{now.astimezone(UTC):%Y-%m-%dT%H:%MZ} read from GRIB2 files by wxfly",
        retrieved=f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
    )  # fmt: skip
    also: dict[str, list[float]] = {name: [] for name in archive.provides}
    also |= {name: [float(h) for h in wanted] for name in ("wind_speed", "wind_from_direction")}
    return of_run.cube(provenance, also, (first, last))


def read_grib(path: Path, *, box: Box | None = None) -> xr.Dataset:
    """Return the forecast in a GRIB2 file as a cube, on the grid of the model.

    Parameters
    ----------
    path : Path
        A file with one run of one model; files of several lead times joined end to end are one file.
    box : Box, optional
        The part of the globe that is wanted; by default all.

    Returns
    -------
    xarray.Dataset
        As `get_grid` returns it; members of an ensemble along ``realization``, by their numbers, or counted from 0
        where two share a number. A forecast of no member beside them is one more. Quantities that a cube does not have
        are left out, as are percentiles, probabilities and whatever else is derived from an ensemble. Of several gusts
        or CAPE for one hour the largest counts; where two messages for another quantity differ, it is not known. No
        licence stands in such a file.

    Raises
    ------
    WxflyError
        Without the extra ``grib``; when the file cannot be read, is damaged, or holds several runs or grids.
    """
    _check_extra()
    of_run = _RunFields(box, path.name)
    of_run.add(path)
    provenance = Provenance(
        model="not known", title=path.name, source=f"the GRIB2 file {path.name}", institution=of_run.centre,
        license="not stated in the file", attribution=f"Forecast of {of_run.centre}",
        history="read from a GRIB2 file by wxfly",
    )  # fmt: skip
    return of_run.cube(provenance, {}, None)


def _check_extra() -> None:
    absent = [name for name in ("eccodes", "pyproj") if importlib.util.find_spec(name) is None]
    if absent:
        raise missing_extra("GRIB files need", absent, "grib")


# --- which messages, and fetching them --------------------------------------------------------------------------


_Asked = tuple[Quantity, Entry, float | None]


@dataclass
class GribFile:
    """A GRIB2 file of a service, read by ranges; each message that came is kept as a file of its own.

    Attributes
    ----------
    address : str
        Of the file.
    folder : Path
        Where its messages are kept.
    settings : Settings
        Hosts, User-Agent and patience.
    what : str
        Service and file, for errors.
    """

    address: str
    folder: Path
    settings: Settings
    what: str
    _name: str = field(init=False)

    def __post_init__(self) -> None:
        self._name = self.address.rsplit("/", 1)[-1]

    def inventory(self, address: str, parse: Callable[[str, str], list[Entry]]) -> list[Entry] | None:
        """Return the entries of its inventory; None where the service does not have it."""

        def read(reply: Reply) -> list[Entry] | None:
            return None if reply.status != 200 else parse(reply.body.decode(errors="replace"), self.what)

        return download(address, {}, read, settings=self.settings, what=self.what, accepted=(200, 404))

    def kept(self, entry: Entry) -> Path:
        """Return where a message is kept, there or not."""
        return self.folder / f"{self._name}.{entry.offset}-{'end' if entry.length is None else entry.length}.grib2"

    def fetch(self, entries: Sequence[Entry]) -> list[Path]:
        """Fetch the messages that are not here yet.

        Parameters
        ----------
        entries : sequence of Entry
            What is wanted; fields of one message count once.

        Returns
        -------
        list of Path
            One file for each entry, in their order. Whatever came before a fault is kept.

        Raises
        ------
        SourceError
            When the service does not answer ranges, or a message comes damaged.
        """
        missing = {e.offset: e for e in entries if not _is_whole_file(self.kept(e), e)}
        for group in joined_ranges(missing.values(), JOINED_ACROSS):
            for entry, message in zip(group, self._range(group), strict=True):
                self._keep(entry, message)
        return [self.kept(e) for e in entries]

    def _keep(self, entry: Entry, message: bytes) -> None:
        path = self.kept(entry)
        try:  # one that a power cut spoils is not whole, and is fetched again
            write_beside(path, message, private=True, is_synced=False)
        except OSError as fault:
            raise SourceError(f"{path} could not be written ({fault.strerror}); is the disk full?") from None

    def _range(self, group: Sequence[Entry]) -> list[bytes]:
        """Fetch neighbouring messages with one request."""
        first, final = group[0].offset, group[-1]
        last = "" if final.length is None else str(final.offset + final.length - 1)

        def read(reply: Reply) -> list[bytes]:
            found = re.fullmatch(r"bytes (\d+)-(\d+)/(\d+|\*)", reply.headers.get("content-range", ""))
            if reply.status != 206 or not found or int(found[1]) != first:
                raise SourceError(f"{self.what}: the service does not answer ranges of bytes")
            messages = [reply.body[e.offset - first :][: e.length] for e in group]
            for entry, message in zip(group, messages, strict=True):
                fault = fault_of_message(message, entry.length)
                if fault:
                    raise PassingError(f"{self.what}: {entry} {fault}; try again, what came before is kept")
            return messages

        headers = {"Range": f"bytes={first}-{last}", "Accept-Encoding": "identity"}
        return download(
            self.address, {}, read, settings=self.settings, what=self.what, headers=headers, accepted=(200, 206),
            maximum_bytes=LARGEST_PART if final.length is None else final.offset + final.length - first,
        )  # fmt: skip


def fault_of_message(body: bytes, length: int | None) -> str:
    """Return what is wrong with the bytes of a GRIB2 message, in words; empty where they are whole.

    The first section states the length of the message in octets 9 to 16, and the last four are 7777 (WMO Manual on
    Codes, FM 92 GRIB edition 2, sections 0 and 8).
    """
    if body[:4] != _HEAD or len(body) < _SHORTEST:
        return "does not begin as a GRIB message"
    if body[7] != 2:
        return f"is GRIB edition {body[7]}, wanted 2"
    stated = int.from_bytes(body[8:16], "big")
    if stated > len(body) or (length is not None and length > len(body)):
        return "is cut short"
    if length is not None and stated != length:
        return "is not as long as the inventory states"
    if body[stated - 4 : stated] != _TAIL:
        return "does not end as a GRIB message"
    return ""


def _is_whole_file(path: Path, entry: Entry) -> bool:
    try:
        return not fault_of_message(path.read_bytes(), entry.length)
    except OSError:
        return False


@dataclass
class _Files:
    """The files of a run: their inventories are asked for once."""

    archive: Archive
    run: datetime
    settings: Settings
    folder: Path
    _known: dict[int, list[Entry] | None] = field(default_factory=dict)

    def file(self, lead: int) -> GribFile:
        address = f"{self.settings.addresses[self.archive.service]}/{self.archive.path.format(run=self.run, lead=lead)}"
        what = f"{SERVICES[self.archive.service].source}, {address.rsplit('/', 1)[-1]}"
        return GribFile(address, self.folder / self.archive.model / f"{self.run:%Y%m%dT%HZ}", self.settings, what)

    def entries(self, lead: int) -> list[Entry] | None:
        """Return the inventory of a lead time; None where there is no such file."""
        if lead not in self._known:
            file = self.file(lead)
            path = self.archive.inventory.format(run=self.run, lead=lead)
            entries = file.inventory(f"{self.settings.addresses[self.archive.service]}/{path}", self.archive.parse)
            run = np.datetime64(self.run.replace(tzinfo=None), "ns")
            if entries is not None and any(entry.reference_time != run for entry in entries):
                raise SourceError(f"{file.what}: its inventory is of another run than its name")
            self._known[lead] = entries
        return self._known[lead]


def _newest(archive: Archive, settings: Settings, folder: Path, now: datetime, last: int) -> tuple[datetime, _Files]:
    """Return the newest run that has the last lead time, among those of a day and a half."""
    interval = timedelta(hours=MODELS[archive.model].interval_hours)
    midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    run = midnight + interval * ((now.astimezone(UTC) - midnight) // interval)
    oldest = run - timedelta(hours=36)
    while run > oldest:
        files = _Files(archive, run, settings, folder)
        if files.entries(last - last % archive.step_hours):
            return run, files
        run -= interval
    source = SERVICES[archive.service].source
    raise SourceError(f"{source}: no run since {oldest:%Y-%m-%dT%H}Z reaches {last} h; ask for a shorter lead time")


def _fetched(
    files: _Files, leads: Sequence[int], heights: Sequence[int], first: int
) -> list[tuple[Path, list[_Asked]]]:
    """Fetch what is needed of every lead time, a few files at once; a file that does not exist is left out.

    Of the step before the first only totals are needed.
    """

    def work(part: Sequence[int]) -> list[tuple[Path, list[_Asked]]]:
        found = []
        for lead in part:
            entries, file = files.entries(lead), files.file(lead)
            asked = choose(entries or [], heights, lead, with_ground=lead == leads[-1])
            asked = [row for row in asked if lead >= first or SUM in row[0].kinds]
            by_offset: dict[int, list[_Asked]] = {}
            for row in asked:
                by_offset.setdefault(row[1].offset, []).append(row)
            paths = file.fetch([rows[0][1] for rows in by_offset.values()])
            found += [(path, rows) for path, rows in zip(paths, by_offset.values(), strict=True)]
        return found

    with together() as group:
        jobs = [group.start(partial(work, leads[i::AT_ONCE])) for i in range(min(AT_ONCE, len(leads)))]
        return [row for job in jobs for row in job.result()]


def choose(entries: Sequence[Entry], heights: Sequence[int], lead: int, *, with_ground: bool = True) -> list[_Asked]:
    """Return the entries that a cube needs of one lead time, each with its quantity and height.

    Parameters
    ----------
    entries : sequence of Entry
        An inventory.
    heights : sequence of int
        Of the wind, and of the air aloft [m].
    lead : int
        Lead time [h].
    with_ground : bool, optional
        Whether the height of the ground is wanted; it is the same at all lead times.

    Returns
    -------
    list of tuple
        Quantity, entry, and height [m] or None. Of precipitation the total of one hour, else every total that ends
        then: one minus that of the hour before is the amount of the hour.
    """
    names: dict[tuple[str, str], list[Entry]] = {}
    for entry in entries:
        if entry.last_hour == lead:
            names.setdefault((entry.variable, entry.level), []).append(entry)
            names.setdefault((entry.variable, ""), []).append(entry)
    asked: list[_Asked] = []
    for quantity in QUANTITIES.values():
        if quantity.name == _GROUND and not with_ground:
            continue
        for height in heights if quantity.heights is None else (None,):
            of_noaa = [(variable, level.format(height)) for variable, level in quantity.noaa]
            of_ecmwf = [(name.format(height), "") for name in quantity.ecmwf]
            for key in (*of_noaa, *of_ecmwf):
                found = _best_kind(names.get(key, []), quantity.kinds if key[1] else (INSTANT,), lead)
                asked += [(quantity, entry, None if height is None else float(height)) for entry in found]
                if found:
                    break
    return asked


def _best_kind(entries: Sequence[Entry], kinds: Sequence[str], lead: int) -> list[Entry]:
    """Return the entries of the best kind; of sums those of one hour, else all."""
    for kind in kinds:
        found = [entry for entry in entries if entry.kind == kind]
        hourly = [entry for entry in found if entry.first_hour == lead - 1]
        if found and kind == SUM:
            return hourly or found
        if found:
            return found
    return []


def _forget_older(folder: Path, run: datetime) -> None:
    """Remove kept messages of runs that are more than a day older."""
    oldest = f"{run - timedelta(days=1):%Y%m%dT%HZ}"
    for older in (p for p in folder.glob("*T*Z") if re.fullmatch(r"\d{8}T\d\dZ", p.name) and p.name < oldest):
        with contextlib.suppress(OSError):
            for path in older.glob("*.grib2"):
                path.unlink()
            older.rmdir()


# --- what is in them --------------------------------------------------------------------------------------------


_Member = tuple[int, int]  # its number, and the type of ensemble forecast (code table 4.6): two may share a number
_NO_MEMBER: _Member = (0, -1)


class _Key(NamedTuple):
    """What one field is."""

    name: str
    height: float | None
    member: _Member
    first: float
    last: float
    kind: str


_KINDS = {"instant": INSTANT, "accum": SUM, "max": MAXIMUM}


class _RunFields:
    """Fields of one run on one grid, put together message by message."""

    def __init__(self, box: Box | None, what: str) -> None:
        self.box, self.what = box, what
        self.centre = "a centre that is not known"
        self._run: np.datetime64 | None = None
        self._grid: _Grid | None = None
        self._mark = ""
        self._fields: dict[_Key, tuple[_Rank, Array]] = {}
        self._has_derived = False
        self._along_grid: set[_Key] = set()

    def add(self, path: Path, asked: Sequence[_Asked] = ()) -> None:
        """Read every field of a file that a cube has.

        Raises
        ------
        SourceError
            When a message is damaged or of another run or grid, or one that was asked for is not there.
        """
        import eccodes

        here: set[tuple[str, float | None]] = set()
        count = 0
        label = str(asked[0][1]) if asked else ""
        try:
            with path.open("rb") as opened:
                for handle in _messages(opened):
                    count += 1
                    key = self._take(handle)
                    if key is not None:
                        here.add((key.name, key.height))
        except OSError as fault:
            raise SourceError(f"{path}: cannot be read ({fault.strerror})") from None
        except (eccodes.CodesInternalError, _NotReadError) as fault:
            place = f"{self.what}: {label or f'message {count + 1}'}"
            out = f"remove {path} to fetch it again" if asked else "fetch the file again"
            raise SourceError(f"{place} cannot be read ({str(fault)[:120]}); {out}") from None
        for quantity, entry, height in asked:
            if (quantity.name, height) not in here:
                raise SourceError(
                    f"{self.what}: {entry} is not in its bytes: the inventory is of another file; try again, or take "
                    "another model"
                )
        if not count:
            raise SourceError(f"{self.what}: there is no GRIB message in {path.name}")

    def _take(self, handle: Any) -> _Key | None:
        import eccodes

        if _whole(handle, "edition") != 2:
            raise _NotReadError(f"it is GRIB edition {_whole(handle, 'edition')}, wanted 2")
        found = _quantity_of(handle)
        if found is None:
            return None
        if _whole(handle, "productDefinitionTemplateNumber") not in _TEMPLATES:
            self._has_derived = True
            return None
        span = _span_of(handle)
        if span is None or span[2] not in QUANTITIES[found[0]].kinds:
            return None
        name, height, rank = found
        run = np.datetime64(
            datetime.strptime(f"{_whole(handle, 'dataDate')}{_whole(handle, 'dataTime'):04d}", "%Y%m%d%H%M"), "ns"
        )
        mark = str(eccodes.codes_get(handle, "md5GridSection"))
        if self._grid is None or self._run is None:
            self._run, self._mark, self._grid = run, mark, _grid_of(handle, self.box, self.what)
            self.centre = str(eccodes.codes_get(handle, "centreDescription"))
        elif run != self._run:
            raise _NotReadError(f"it is of the run of {str(run)[:13]}Z, others are of {str(self._run)[:13]}Z")
        elif mark != self._mark:
            raise _NotReadError("its grid is not that of the others")
        member = _NO_MEMBER
        if eccodes.codes_is_defined(handle, "perturbationNumber"):
            member = _whole(handle, "perturbationNumber"), _whole(handle, "typeOfEnsembleForecast")
        key = _Key(name, height, member, *span)
        values = self._grid.cut(_values_of(handle, name, is_local=len(QUANTITIES[name].codes[rank[0]]) == 4))
        is_along = name in (_EAST, _NORTH) and _is_along_grid(handle)
        self._fields[key] = self._of_two(key, rank, values, is_along)
        if is_along:
            self._along_grid.add(key)
        return key

    def _of_two(self, key: _Key, rank: _Rank, values: Array, is_along: bool) -> tuple[_Rank, Array]:
        """Return what counts for a key when one more message comes; where two of one rank differ, no value does."""
        if key not in self._fields:
            return rank, values
        known_rank, known = self._fields[key]
        if key.name in _LARGEST:
            return min(rank, known_rank), np.maximum(values, known)
        if rank != known_rank:
            return min((rank, values), (known_rank, known), key=lambda pair: pair[0])
        same = np.isclose(values, known, rtol=1e-4, atol=1e-6) & (is_along == (key in self._along_grid))
        return rank, np.where(same, known, np.nan).astype(np.float32)

    def cube(self, provenance: Provenance, also: dict[str, list[float]], leads: tuple[int, int] | None) -> xr.Dataset:
        """Return the cube of what was read."""
        if self._grid is None or self._run is None:
            left_out = (
                " (spread, probabilities and percentiles of an ensemble are left out)" if self._has_derived else ""
            )
            raise SourceError(
                f"{self.what}: nothing in it belongs in a forecast{left_out}; wanted wind, gust, temperature and so on"
            )
        self._turn_winds()
        keys = [key for key in self._fields if key.name != _GROUND]
        hours = [key.last for key in keys if key.last == round(key.last)]
        if not hours:
            raise SourceError(f"{self.what}: no field in it is of a full hour; fetch the file again")
        first, last = leads or (min(hours), max(hours))
        lead = np.arange(int(max(first, min(hours))), int(min(last, max(hours))) + 1)
        members = sorted({key.member for key in keys})
        numbers = [number for number, _ in members]
        levels = sorted({key.height for key in keys if key.height is not None} | set(also.get("wind_speed", [])))
        data = self._at_the_ground(members, lead) | self._at_heights(members, lead, levels)
        warm = {key.height for key in keys if key.name == _ALOFT and key.height is not None}
        coords: dict[str, Any] = {
            "time": self._run + lead.astype("timedelta64[h]").astype("timedelta64[ns]"),
            "forecast_reference_time": self._run,
            **self._grid.coordinates,
        }
        if any(VARIABLES[name].has_height for name in data):
            coords["height"] = np.array(levels, dtype=float)
        if len(members) > 1:
            coords[ENSEMBLE] = np.array(numbers if len(set(numbers)) == len(numbers) else range(len(numbers)))
        ground = next((values for key, (_, values) in self._fields.items() if key.name == _GROUND), None)
        if ground is not None:
            coords["surface_altitude"] = (self._grid.dims, ground.astype(float))
        spans = {"wind_speed_of_gust": self._gust_span()} if "wind_speed_of_gust" in data else {}
        also = also | ({_ALOFT: sorted(warm)} if warm else {})
        cube = finish_cube(xr.Dataset(data, coords=coords), provenance, spans=spans, also=also, place=self.what)
        for name in map(str, cube.data_vars):
            cube[name].attrs["grid_mapping"] = GRID_MAPPING
        return cube

    def _at_the_ground(self, members: Sequence[_Member], lead: npt.NDArray[np.int_]) -> dict[str, Any]:
        """Return what has no height, by name: dimensions and values."""
        assert self._grid is not None
        dims = ("time", *((ENSEMBLE,) if len(members) > 1 else ()), *self._grid.dims)
        names = dict.fromkeys(key.name for key in self._fields if key.height is None and key.name != _GROUND)
        return {name: (dims, self._spread(name, None, members, lead)) for name in names}

    def _at_heights(
        self, members: Sequence[_Member], lead: npt.NDArray[np.int_], levels: Sequence[float]
    ) -> dict[str, Any]:
        """Return wind and temperature at heights, by name: dimensions and values."""
        assert self._grid is not None
        dims = ("time", "height", *((ENSEMBLE,) if len(members) > 1 else ()), *self._grid.dims)
        names = {key.name for key in self._fields}

        def at(height: float, name: str) -> Array:
            return self._spread(name, height, members, lead)

        data: dict[str, Any] = {}
        if names & {_EAST, _NORTH}:
            winds = [wind_from_components(at(h, _EAST), at(h, _NORTH)) for h in levels]
            data["wind_speed"] = (dims, np.stack([speed for speed, _ in winds], axis=1).astype(np.float32))
            data["wind_from_direction"] = (
                dims,
                np.stack([direction for _, direction in winds], axis=1).astype(np.float32),
            )
        if _ALOFT in names:
            data[_ALOFT] = (dims, np.stack([at(h, _ALOFT) for h in levels], axis=1))
        return data

    def _spread(self, name: str, height: float | None, over: Sequence[_Member], lead: npt.NDArray[np.int_]) -> Array:
        """Return the values of all lead times, and members where there are several; what is not there has none."""
        assert self._grid is not None
        values = np.full((lead.size, len(over), *self._grid.shape), np.nan, dtype=np.float32)
        for position, member in enumerate(over):
            fields = {
                (key.first, key.last, key.kind): field for key, (_, field) in self._fields.items()
                if (key.name, key.height) == (name, height) and key.member == member
            }  # fmt: skip
            kind = next((k for k in QUANTITIES[name].kinds if any(key[2] == k for key in fields)), INSTANT)
            for i, hour in enumerate(lead.tolist()):
                if kind == SUM:
                    found = _of_the_hour({key[:2]: field for key, field in fields.items() if key[2] == SUM}, hour)
                elif kind == MAXIMUM:
                    found = _largest(fields, hour)
                else:
                    found = next((field for key, field in fields.items() if key[1:] == (hour, kind)), None)
                if found is not None:
                    values[i, position] = found
        return values if len(over) > 1 else values[:, 0]

    def _gust_span(self) -> Span:
        """Return the widest span of the gusts: one then counts too often, never too seldom.

        A span ends at a full hour, or is counted to the next one.
        """
        gusts = [key for key in self._fields if key.name == "wind_speed_of_gust"]
        longest = max((math.ceil(key.last) - key.first for key in gusts if key.kind == MAXIMUM), default=0.0)
        return -float(longest), 0.0

    def _turn_winds(self) -> None:
        """Turn winds along the axes of the grid to true north."""
        assert self._grid is not None
        for key in [k for k in self._along_grid if k.name == _EAST]:
            other = key._replace(name=_NORTH)
            if other not in self._along_grid:
                raise SourceError(
                    f"{self.what}: the wind at {key.height:g} m, {key.last:g} h lies along the grid, "
                    "its other component is missing; fetch the file again"
                )
            east, north = turn_to_true_north(self._fields[key][1], self._fields[other][1], self._grid.bearing)
            self._fields[key] = (0, 0), east.astype(np.float32)
            self._fields[other] = (0, 0), north.astype(np.float32)
        alone = [k for k in self._along_grid if k.name == _NORTH and k._replace(name=_EAST) not in self._along_grid]
        for key in alone:
            del self._fields[key]  # without its other component there is no wind
        self._along_grid.clear()


_Rank = tuple[int, int]  # of the code and of the type of level in a `Quantity`, the best first


class _NotReadError(Exception):
    """A message is not one that can be used; the words say why."""


def _messages(opened: Any) -> Iterator[Any]:
    """Return each field of an open file; a message may hold several, which ecCodes returns only on request."""
    import eccodes

    eccodes.codes_grib_multi_support_on()
    try:
        while (handle := eccodes.codes_grib_new_from_file(opened)) is not None:
            try:
                yield handle
            finally:
                eccodes.codes_release(handle)
    finally:
        eccodes.codes_grib_multi_support_reset_file(opened)
        eccodes.codes_grib_multi_support_off()


def _whole(handle: Any, name: str) -> int:
    import eccodes

    return int(eccodes.codes_get(handle, name, int))


def _number(handle: Any, name: str) -> float:
    import eccodes

    return float(eccodes.codes_get(handle, name, float))


def _is_along_grid(handle: Any) -> bool:
    """Return whether wind components lie along the axes of the grid: bit 5 of flag table 3.3."""
    return bool(_whole(handle, "resolutionAndComponentFlags") & 8)


def _quantity_of(handle: Any) -> tuple[str, float | None, _Rank] | None:
    """Return name, height and rank of what a message holds; None where a cube does not have it."""
    codes = tuple(_whole(handle, name) for name in ("discipline", "parameterCategory", "parameterNumber"))
    centre, surface = _whole(handle, "centre"), _whole(handle, "typeOfFirstFixedSurface")
    level = _number(handle, "level")
    for row in QUANTITIES.values():
        of_code = next((i for i, c in enumerate(row.codes) if c in (codes, (*codes, centre))), None)
        if of_code is None or surface not in row.surfaces:
            continue
        rank = of_code, row.surfaces.index(surface)
        if surface != _ABOVE_GROUND:
            return row.name, None, rank
        if row.heights is None and not (row.name == _ALOFT and level == 2.0):
            return row.name, level, rank
        if row.heights is not None and level in row.heights:
            return row.name, None, rank
    return None


def _span_of(handle: Any) -> tuple[float, float, str] | None:
    """Return first hour, last hour and kind; None where a cube cannot have it. Hours may be broken."""
    import eccodes

    kind = _KINDS.get(str(eccodes.codes_get(handle, "stepType", str)))
    if kind is None:
        return None
    eccodes.codes_set(handle, "stepUnits", "s")  # in hours, ecCodes cuts off the minutes
    return _whole(handle, "startStep") / 3600.0, _whole(handle, "endStep") / 3600.0, kind


def _values_of(handle: Any, name: str, *, is_local: bool) -> Array:
    """Return the values of a message in the unit of the cube, not a number where it has none.

    Without the tables of its centre ecCodes does not know a unit; it then follows from the code.
    """
    import eccodes

    eccodes.codes_set(handle, "missingValue", 1e36)
    values = np.asarray(eccodes.codes_get_array(handle, "values"), dtype=float)
    values = np.where(values >= 1e36, np.nan, values)
    unit = str(eccodes.codes_get(handle, "units", str))
    if name in _FRACTIONS:
        values = values * _FACTORS.get(("(0 - 1)" if is_local else "%") if unit == "unknown" else unit, np.nan)
    elif name == "precipitation_amount":
        values = values * _FACTORS.get(("m" if is_local else "kg m**-2") if unit == "unknown" else unit, np.nan)
    return values.astype(np.float32)


def _largest(fields: dict[tuple[float, float, str], Array], hour: int) -> Array | None:
    """Return the largest of all that was stated for an hour; None where no maximum ends with it.

    Several spans may end then; shorter ones within the hour and the moment at its end only raise the value.
    """
    if not any(last == hour for _, last, kind in fields if kind == MAXIMUM):
        return None
    stated = [
        v for (_, last, kind), v in fields.items() if last == hour or (kind == MAXIMUM and hour - 1 < last < hour)
    ]
    return np.asarray(np.maximum.reduce(stated))


def _of_the_hour(totals: dict[tuple[float, float], Array], hour: int) -> Array | None:
    """Return the amount of one hour from totals by first and last hour; None where it does not follow from them."""
    if (hour - 1, hour) in totals:
        return totals[hour - 1, hour]
    for first, last in totals:
        if last == hour and (first, hour - 1) in totals:
            amount = totals[first, last] - totals[first, hour - 1]
            return np.where(amount >= 0, amount, np.where(amount >= -_ROUNDING, 0.0, np.nan))
    return None


# --- where its cells lie ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Grid:
    """The cells of a box: where they are in the grid of the messages, and where on Earth."""

    full: tuple[int, int]
    is_by_columns: bool
    rows: npt.NDArray[np.int_]
    columns: npt.NDArray[np.int_]
    dims: tuple[str, str]
    coordinates: dict[str, Any]
    bearing: Array | float

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows.size, self.columns.size

    def cut(self, values: Array) -> Array:
        """Return the values of the box from those of a message."""
        whole = values.reshape(self.full[::-1]).T if self.is_by_columns else values.reshape(self.full)
        return whole[np.ix_(self.rows, self.columns)]


def _grid_of(handle: Any, box: Box | None, what: str) -> _Grid:
    import eccodes

    kind = str(eccodes.codes_get(handle, "gridType"))
    if kind not in _MAPPINGS:
        raise _NotReadError(f"its grid is of the kind {kind}, wanted {', '.join(_MAPPINGS)}")
    if _whole(handle, "alternativeRowScanning"):
        raise _NotReadError("its rows run to and fro, which is not read")
    columns, rows = _whole(handle, "Ni"), _whole(handle, "Nj")
    by_columns = bool(_whole(handle, "jPointsAreConsecutive"))

    def positions(name: str) -> Array:
        values = np.asarray(eccodes.codes_get_array(handle, name), dtype=float)
        return values.reshape(columns, rows).T if by_columns else values.reshape(rows, columns)

    latitude, longitude = positions("latitudes"), (positions("longitudes") + 180.0) % 360.0 - 180.0
    inside = np.ones(latitude.shape, dtype=bool) if box is None else box.holds(latitude, longitude)
    if not inside.any():
        raise WxflyError(f"{what}: none of its cells lies in the box {tuple(box or ())}; choose a model that covers it")
    at_rows, at_columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    mapping = _MAPPINGS[kind](handle) | _earth(handle)
    coordinates: dict[str, Any] = {GRID_MAPPING: ((), 0, mapping)}
    if kind == "regular_ll":
        west = -180.0 if box is None else box.west
        at_rows = at_rows[np.argsort(latitude[at_rows, 0])]
        at_columns = at_columns[np.argsort((longitude[0, at_columns] - west) % 360.0)]
        coordinates |= {
            "latitude": ("latitude", latitude[at_rows, 0]),
            "longitude": ("longitude", longitude[0, at_columns]),
        }
        return _Grid(
            full=(rows, columns),
            is_by_columns=by_columns,
            rows=at_rows,
            columns=at_columns,
            dims=("latitude", "longitude"),
            coordinates=coordinates,
            bearing=0.0,
        )
    at_rows, at_columns = (np.arange(i[0], i[-1] + 1) for i in (at_rows, at_columns))
    y, x = _axes(handle, kind, mapping, latitude, longitude)
    at_rows, at_columns = at_rows[np.argsort(y[at_rows])], at_columns[np.argsort(x[at_columns])]
    here = np.ix_(at_rows, at_columns)
    of_y, of_x, unit = _AXES.get(kind, ("projection_y_coordinate", "projection_x_coordinate", "m"))
    coordinates |= {
        "y": ("y", y[at_rows], {"standard_name": of_y, "units": unit, "axis": "Y"}),
        "x": ("x", x[at_columns], {"standard_name": of_x, "units": unit, "axis": "X"}),
        "latitude": (("y", "x"), latitude[here]),
        "longitude": (("y", "x"), longitude[here]),
    }
    bearing = _bearing(kind, mapping, latitude[here], longitude[here])
    return _Grid(
        full=(rows, columns),
        is_by_columns=by_columns,
        rows=at_rows,
        columns=at_columns,
        dims=("y", "x"),
        coordinates=coordinates,
        bearing=bearing,
    )


# CF grid mappings in the words of PROJ; `CRS.from_cf` says the same, and takes long.
_NAMES_FOR_PROJ = {"earth_radius": "R", "semi_major_axis": "a", "semi_minor_axis": "b"}
_FOR_PROJ: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "lambert": lambda m: {
        "proj": "lcc", "lat_0": m["latitude_of_projection_origin"], "lon_0": m["longitude_of_central_meridian"],
        **dict(zip(("lat_1", "lat_2"), np.broadcast_to(m["standard_parallel"], 2).tolist(), strict=True)),
    },
    "polar_stereographic": lambda m: {
        "proj": "stere", "lat_0": m["latitude_of_projection_origin"], "lat_ts": m["standard_parallel"],
        "lon_0": m["straight_vertical_longitude_from_pole"],
    },
    "mercator": lambda m: {"proj": "merc", "lat_ts": m["standard_parallel"]},
}  # fmt: skip
_AXES = {"rotated_ll": ("grid_latitude", "grid_longitude", "degrees")}


def _earth(handle: Any) -> dict[str, Any]:
    if _whole(handle, "earthIsOblate"):
        return {
            "semi_major_axis": _number(handle, "earthMajorAxisInMetres"),
            "semi_minor_axis": _number(handle, "earthMinorAxisInMetres"),
        }
    return {"earth_radius": _number(handle, "radius")}


def _cone(handle: Any) -> dict[str, Any]:
    first, second = _number(handle, "Latin1InDegrees"), _number(handle, "Latin2InDegrees")
    return {
        "grid_mapping_name": "lambert_conformal_conic",
        "standard_parallel": first if first == second else [first, second],
        "longitude_of_central_meridian": _east(_number(handle, "LoVInDegrees")),
        "latitude_of_projection_origin": _number(handle, "LaDInDegrees"),
    }


def _stereographic(handle: Any) -> dict[str, Any]:
    south = bool(_whole(handle, "southPoleOnProjectionPlane"))
    return {
        "grid_mapping_name": "polar_stereographic",
        "straight_vertical_longitude_from_pole": _east(_number(handle, "orientationOfTheGridInDegrees")),
        "latitude_of_projection_origin": -90.0 if south else 90.0,
        "standard_parallel": _number(handle, "LaDInDegrees"),
    }


def _mercator(handle: Any) -> dict[str, Any]:
    return {
        "grid_mapping_name": "mercator", "longitude_of_projection_origin": 0.0,
        "standard_parallel": _number(handle, "LaDInDegrees"),
    }  # fmt: skip


def _rotated(handle: Any) -> dict[str, Any]:
    if _number(handle, "angleOfRotationInDegrees"):
        raise _NotReadError("its rotated grid is turned about its own pole too, which is not read")
    return {
        "grid_mapping_name": "rotated_latitude_longitude",
        "grid_north_pole_latitude": -_number(handle, "latitudeOfSouthernPoleInDegrees"),
        "grid_north_pole_longitude": _east(_number(handle, "longitudeOfSouthernPoleInDegrees") + 180.0),
    }


_MAPPINGS: dict[str, Callable[[Any], dict[str, Any]]] = {
    "regular_ll": lambda _: {"grid_mapping_name": "latitude_longitude"},
    "lambert": _cone,
    "polar_stereographic": _stereographic,
    "mercator": _mercator,
    "rotated_ll": _rotated,
}


def _east(longitude: float) -> float:
    return (longitude + 180.0) % 360.0 - 180.0


def _axes(handle: Any, kind: str, mapping: dict[str, Any], latitude: Array, longitude: Array) -> tuple[Array, Array]:
    """Return the projection's coordinates of rows and columns [m], or [degree] on rotated latitude and longitude."""
    signs = (1.0 if _whole(handle, "jScansPositively") else -1.0, -1.0 if _whole(handle, "iScansNegatively") else 1.0)
    steps = [np.arange(n) * sign for n, sign in zip(latitude.shape, signs, strict=True)]
    if kind == "rotated_ll":
        y0, x0 = (_number(handle, f"{name}OfFirstGridPointInDegrees") for name in ("latitude", "longitude"))
        dy, dx = (_number(handle, f"{name}DirectionIncrementInDegrees") for name in ("j", "i"))
        return y0 + steps[0] * dy, _east(x0) + steps[1] * dx
    from pyproj import Proj

    projection = Proj(
        _FOR_PROJ[kind](mapping) | {_NAMES_FOR_PROJ[n]: mapping[n] for n in _NAMES_FOR_PROJ if n in mapping}
    )
    x0, y0 = projection(longitude[0, 0], latitude[0, 0])
    dy, dx = (_number(handle, f"D{n}InMetres") for n in (("j", "i") if kind == "mercator" else ("y", "x")))
    y, x = y0 + steps[0] * dy, x0 + steps[1] * dx
    corner = projection(longitude[-1, -1], latitude[-1, -1])
    if not np.allclose(corner, (x[-1], y[-1]), rtol=0.0, atol=0.1 * dx):
        raise _NotReadError("the positions of its cells do not fit its projection")
    return y, x


def _bearing(kind: str, mapping: dict[str, Any], latitude: Array, longitude: Array) -> Array | float:
    """Return the bearing of the y axis of every cell [degree]."""
    if kind == "lambert":
        parallels = np.broadcast_to(mapping["standard_parallel"], 2)
        constant = cone_constant(float(parallels[0]), float(parallels[1]))
        return bearing_on_cone(longitude, mapping["longitude_of_central_meridian"], constant)
    if kind == "polar_stereographic":
        constant = np.sign(mapping["latitude_of_projection_origin"])
        return bearing_on_cone(longitude, mapping["straight_vertical_longitude_from_pole"], float(constant))
    if kind == "rotated_ll":
        pole = mapping["grid_north_pole_latitude"], mapping["grid_north_pole_longitude"]
        return bearing_to_rotated_pole(latitude, longitude, *pole)
    return 0.0
