"""The age of a forecast: always reported. Values older than a limit, by element and hours ahead, count as unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import OLDEST_RUN_TAKEN, TAKEN_BY_THEMSELVES, VARIABLES
from wxfly.cube.notes import Note, NoteKind

# Global models are renewed every 6 hours (some every 12) and regional ones every 3 or 1, and come out 3 to 7 hours
# after their start (their providers' schedules). So the newest run of the slowest is never older than 19 hours.
# After three missed runs of six hours a forecast is reported as old. Common practice, no source.
OLD = np.timedelta64(18, "h")
TOO_OLD = np.timedelta64(36, "h")
"""Greatest age: no value of an older forecast is used."""
CLOCKS = np.timedelta64(1, "h")
"""Largest difference allowed between the clocks of a service and of this machine."""

COUNTED = "the run of this forecast is not known: its age and the time ahead count from its first hour"
"""The note where neither the run nor the time of retrieval is known."""

CUT = "the first hours of this forecast are cut off and its run is not known, so its age is not known either"
"""The note where a reply does not begin with a whole day and its run is unknown."""

BANDS = (12.0, 48.0, np.inf)
"""Ends of the bands of hours ahead: the next flight, today and tomorrow, the days after [h]."""


@dataclass(frozen=True)
class Limit:
    """The greatest age of some variables.

    Attributes
    ----------
    words : str
        What they are, for the reader.
    variables : tuple of str
        Their names in the cube.
    hours : tuple of float
        Greatest age in each of `BANDS` [h].
    reason : str
        Why.
    """

    words: str
    variables: tuple[str, ...]
    hours: tuple[float, float, float]
    reason: str


# Common practice, no source: what changes within hours must come from a run that saw it begin. Farther ahead, the age
# of a run is a smaller share of the lead time, so a missed run matters less.
LIMITS = (
    Limit(
        "gust, precipitation, cloud, visibility and storms",
        (
            "wind_speed_of_gust", "precipitation_amount", "precipitation_probability", "weather_code",
            "cloud_area_fraction", "low_type_cloud_area_fraction", "medium_type_cloud_area_fraction",
            "high_type_cloud_area_fraction", "cloud_base_altitude", "visibility_in_air",
            "atmosphere_convective_available_potential_energy", "atmosphere_convective_inhibition", "lifted_index",
            "atmosphere_boundary_layer_thickness", "gust_spread_of_cells",
        ),
        (24, 30, 36),
        "showers, fog and low cloud last for hours, and gusts come with them: a run of the day before has none of them",
    ),
    Limit(
        "wind, humidity and the air aloft",
        (
            "wind_speed", "wind_from_direction", "relative_humidity", "dew_point_temperature",
            "freezing_level_altitude", "air_temperature_aloft", "wind_speed_percentile_10", "wind_speed_percentile_90",
            "wind_speed_spread_of_cells",
        ),
        (30, 36, 36),
        "they depend on fronts, which a run places well for a day and a half, and worse with each run missed",
    ),
    Limit(
        "temperature and pressure",
        (
            "air_temperature", "surface_air_pressure", "air_pressure_at_mean_sea_level", "surface_roughness_length",
            "air_temperature_percentile_10", "air_temperature_percentile_90",
        ),
        (36, 36, 36),
        "smooth fields with a daily cycle: they age slowest",
    ),
    Limit(
        "Kp",
        ("kp_index", "kp_index_of_outlook"),
        (24, 36, 36),
        "its forecast is issued twice a day and has its own age, from its retrieval",
    ),
)  # fmt: skip


def hide_stale(
    cube: xr.Dataset,
    now: np.datetime64,
    *,
    since: np.datetime64,
    of_retrieval: bool = False,
    is_chosen: bool = False,
) -> tuple[xr.Dataset, tuple[str, ...]]:
    """Hide values that are too old, and report the age of a forecast that is old but usable.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    now : numpy.datetime64
        The time for which the answer is made, UTC.
    since : numpy.datetime64
        Start of the run, or the time of retrieval where the start is unknown, UTC. NaT where both are unknown: the
        age then counts from the first hour of the forecast, and the notes say so.
    of_retrieval : bool, optional
        Whether `since` is the time of retrieval.
    is_chosen : bool, optional
        Whether somebody chose `now`, as in verification; otherwise the clock gave it. An answer for the present never
        uses a forecast made in the future: all its values are hidden. For a chosen time it is used, with a note.

    Returns
    -------
    cube : xarray.Dataset
        The cube without the values that are older than their limit in `LIMITS`; without any value past `TOO_OLD`.
        A variable that is in no limit has the shortest one. What the cube takes from other models must be young enough
        by their own runs too.
    notes : tuple of str
        What the reader must know first.
    """
    cube, of_taken = _without_stale_taken(cube, now, is_chosen)
    if not np.isnat(since):
        cube, notes = _hide_by_age(cube, now, _hours(now, since), _RETRIEVAL if of_retrieval else _RUN, is_chosen)
        return cube, (*notes, *of_taken)
    # The first hour is not the time of an event: a first hour in the future does not mean that a clock is wrong.
    began = first_hour_of(cube)
    cube, notes = _hide_by_age(cube, now, _hours(now, began), _FIRST_HOUR, True)
    uncounted = CUT if began < cube["time"].values[0] - np.timedelta64(1, "D") else COUNTED
    return cube, (uncounted, *notes, *of_taken)


def first_hour_of(cube: xr.Dataset) -> np.datetime64:
    """Return the first hour of a forecast whose run is unknown, UTC [s].

    A reply that has lost its first hours states an older time (``oldest_run``): the start of the day, or, where the
    number of lost hours is unknown, a time as far back as the longest forecast reaches.
    """
    first = cube["time"].values[0].astype("datetime64[s]")
    earliest = np.datetime64(str(cube["oldest_run"].values), "s") if "oldest_run" in cube.coords else first
    return first if np.isnat(earliest) else min(first, earliest)


def run_of(cube: xr.Dataset) -> np.datetime64:
    """Return the start of a cube's run, UTC [s]; NaT when unknown."""
    return np.datetime64(str(cube["forecast_reference_time"].values), "s")


def since_of(cube: xr.Dataset) -> np.datetime64:
    """Return the time from which the age of a cube counts, UTC [s]; NaT where only its hours are known.

    This is the start of its run. Where that is unknown, it is the earliest start that is consistent with the time of
    retrieval and the length of the forecast (``oldest_run``).
    """
    run, came = run_of(cube), retrieved_of(cube)
    if not np.isnat(run):
        return run
    if np.isnat(came):
        return came
    oldest = np.datetime64(str(cube["oldest_run"].values), "s") if "oldest_run" in cube.coords else came
    return came if np.isnat(oldest) else min(came, oldest)


def retrieved_of(cube: xr.Dataset) -> np.datetime64:
    """Return the time at which a cube was retrieved, UTC [s]; NaT when unknown."""
    return read_time(str(cube.attrs.get("retrieved", "")))


def read_time(text: str) -> np.datetime64:
    """Read a time that a cube states, UTC [s]; NaT for anything else."""
    try:
        return np.datetime64(text.rstrip("Z") or "NaT", "s")
    except ValueError:
        return np.datetime64("NaT", "s")


class _Origin(NamedTuple):
    """Wording for the time from which an age counts."""

    ago: str
    ahead: str
    way_out: str = "fetch a newer one"


_RUN = _Origin("its run started {:.0f} h ago", "has a run that starts {:.0f} h")
_RETRIEVAL = _Origin("it was retrieved {:.0f} h ago", "was retrieved {:.0f} h")
_FIRST_HOUR = _Origin(
    "its first hour started {:.0f} h ago",
    "has a first hour that starts {:.0f} h",
    "fetch a newer one, without past days",
)


def _hide_by_age(
    cube: xr.Dataset, now: np.datetime64, age: float, origin: _Origin, is_chosen: bool
) -> tuple[xr.Dataset, tuple[str, ...]]:
    """Do the work of `hide_stale` for an age [h]."""
    limit, clocks = (float(bound / np.timedelta64(1, "h")) for bound in (TOO_OLD, CLOCKS))
    if age > limit:
        return _hidden(cube), (
            f"this forecast is {age:.0f} h old, more than {limit:.0f} h: not used, {origin.way_out}",
        )
    ahead = f"this forecast {origin.ahead.format(-age)}"
    if age < -clocks and not is_chosen:
        return _hidden(cube), (f"{ahead} from now: the clock or the forecast is wrong, so it is not used",)
    cube, stale = _without_stale(cube, now, age, is_chosen)
    of_kp = [limit for limit in stale if limit.kind is NoteKind.KP]
    of_run = [limit for limit in stale if limit.kind is not NoteKind.KP]
    notes: list[str] = []
    if of_run:
        unused = f"too old for {'; '.join(of_run)}: not used, {origin.way_out}"
        notes.append(f"this forecast is {age:.0f} h old, {unused}")
    elif age > OLD / np.timedelta64(1, "h"):
        notes.append(f"this forecast is old: {origin.ago.format(age)}")
    elif age < -clocks:
        notes.append(f"{ahead} after the time asked about")
    fault = "from the future" if _age_of_kp(cube, now, age) < 0 else "too old"
    notes += [Note(f"the forecast of {words} is {fault}: not used", NoteKind.KP) for words in of_kp]
    return cube, tuple(notes)


def _hidden(cube: xr.Dataset) -> xr.Dataset:
    return cube.assign({n: cube[n].copy(data=np.full(cube[n].shape, np.nan)) for n in map(str, cube.data_vars)})


def _hours(now: np.datetime64, since: np.datetime64) -> float:
    """Return an age [h]; NaN when it is unknown."""
    return float((now.astype("datetime64[s]") - since.astype("datetime64[s]")) / np.timedelta64(1, "h"))


def _without_stale(cube: xr.Dataset, now: np.datetime64, age: float, is_chosen: bool) -> tuple[xr.Dataset, list[Note]]:
    """Remove values past their limit, and return a note for each limit that was passed: what, and for which hours."""
    band = _bands(cube, now)
    named = {name for limit in LIMITS for name in limit.variables}
    unnamed = tuple(str(n) for n in cube.data_vars if str(n) not in named)
    hidden: dict[str, xr.DataArray] = {}
    words = []
    for position, limit in enumerate(LIMITS):
        variables = limit.variables + (unnamed if position == 0 else ())
        present = [n for n in variables if n in cube.data_vars and "time" in cube[n].dims]
        is_of_kp = "kp_index" in limit.variables
        own = _age_of_kp(cube, now, age) if is_of_kp else age
        stale = _is_stale(limit, band, own, is_chosen)
        if not present or not stale.any():
            continue
        hidden |= {name: _without_hours(cube[name], stale) for name in present}
        words.append(Note(f"{limit.words} of {_until(band[stale])}", NoteKind.KP if is_of_kp else NoteKind.FORECAST))
    return cube.assign(hidden) if hidden else cube, words


def _without_stale_taken(cube: xr.Dataset, now: np.datetime64, is_chosen: bool) -> tuple[xr.Dataset, tuple[str, ...]]:
    """Remove what the cube takes from other models where the oldest of their runs is past its limit, or unknown.

    The notes say what is not used, or that it is old.
    """
    present = [name for group in TAKEN_BY_THEMSELVES for name in group if name in cube.data_vars]
    if OLDEST_RUN_TAKEN not in cube.coords or not present:
        return cube, ()
    age, band = _hours(now, np.datetime64(str(cube[OLDEST_RUN_TAKEN].values), "s")), _bands(cube, now)
    by_name = {name: next(limit for limit in LIMITS if name in limit.variables) for name in present}
    stale = {name: _is_stale(limit, band, age, is_chosen) for name, limit in by_name.items()}
    hidden = {name: _without_hours(cube[name], at) for name, at in stale.items() if at.any()}
    if not hidden:
        is_old = age > OLD / np.timedelta64(1, "h")
        return cube, (f"what is taken from another model is old: its run started {age:.0f} h ago",) if is_old else ()
    old = "of unknown age" if np.isnan(age) else f"{age:.0f} h old" if age > 0 else "from the future"
    words = ", ".join(VARIABLES[name].long_name for name in hidden)
    until = _until(band[np.any(list(stale.values()), axis=0)])
    return cube.assign(hidden), (f"what is taken from another model is {old}: {words} of {until} not used",)


def _bands(cube: xr.Dataset, now: np.datetime64) -> npt.NDArray[np.int64]:
    """Return which of `BANDS` each hour is in; hours before now are in the first."""
    ahead = (cube["time"].values.astype("datetime64[s]") - now.astype("datetime64[s]")) / np.timedelta64(1, "h")
    return np.asarray(np.searchsorted(BANDS, ahead))


def _is_stale(limit: Limit, band: npt.NDArray[np.int64], age: float, is_chosen: bool) -> npt.NDArray[np.bool_]:
    """Return in which hours values of an age [h] are not used; those of an unknown age in none."""
    is_of_future = age < -CLOCKS / np.timedelta64(1, "h") and not is_chosen
    return ~(age <= np.asarray(limit.hours)[band]) | is_of_future


def _without_hours(variable: xr.DataArray, stale: npt.NDArray[np.bool_]) -> xr.DataArray:
    fresh = xr.DataArray(~stale, dims=("time",))
    return variable.copy(data=variable.where(fresh).transpose(*variable.dims).values)


def _until(bands: npt.NDArray[np.int64]) -> str:
    until = BANDS[int(bands.max())]
    return "all hours" if np.isinf(until) else f"the next {until:.0f} h"


def _age_of_kp(cube: xr.Dataset, now: np.datetime64, age: float) -> float:
    """Return the age of Kp where the cube states it, else that of the forecast [h]."""
    own = _hours(now, read_time(str(cube["kp_index"].attrs.get("retrieved", "")) if "kp_index" in cube else ""))
    return age if np.isnan(own) else own
