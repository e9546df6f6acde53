"""Forecasts of several models as one cube, in which every hour is of one model, never two in one profile.

The first model that has everything an hour needs takes the whole hour; where it has lost something, the next model
takes the whole hour. So models change where the finer one ends, and around hours that it has lost.

The flag `wxfly.cube.contract.FORECAST_MODEL` states the model of each hour. Models provide different heights and
variables, as stated in the coordinate ``provided_by_model``: a height that only another model has is not missing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.age import since_of
from wxfly.cube.contract import (
    BETWEEN_ENTRIES,
    BETWEEN_MODELS,
    FORECAST_MODEL,
    OLDEST_RUN_TAKEN,
    PROVIDED,
    PROVIDED_BY_MODEL,
    RUNS_BY_MODEL,
    TAKEN_BY_THEMSELVES,
    VARIABLES,
    check_forecast,
    covers_hours,
    describe_coordinates,
    mark_provided,
    models_of,
    provided_entries,
    restore_provided,
    span_coordinates,
    state_spans,
    stated_text,
    with_provided,
)
from wxfly.pilot.elements import ELEMENTS

Flags = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.int64]

SAME_AGE = np.timedelta64(12, "h")
"""Nothing is taken from a run that is older by more, and stored runs that differ by more are not joined: joined hours
count as old as the oldest run."""
_INHIBITION = "atmosphere_convective_inhibition"
TAKEN = "taken_from_models"
"""Attribute of a joined cube, one entry per model: what it takes from which model."""
_HOUR_BEFORE = (-1.0, 0.0)


@dataclass(frozen=True)
class ModelHours:
    """A stretch of hours of one model.

    Attributes
    ----------
    model : str
        Its name.
    run : numpy.datetime64
        Start of its run, UTC [s]; NaT when unknown.
    first, last : numpy.datetime64
        The first and the last stamp, UTC [s].
    taken : mapping
        Names of variables that come from another model in these hours, and that model.
    """

    model: str
    run: np.datetime64
    first: np.datetime64
    last: np.datetime64
    taken: Mapping[str, str]


def join_models(cubes: Sequence[xr.Dataset], needed: Collection[str], *, height: float = np.inf) -> xr.Dataset:
    """Join the cubes of several models into one.

    Parameters
    ----------
    cubes : sequence of xarray.Dataset
        One for each model, for the same places; the preferred model first.
    needed : collection of str
        Variables that an hour needs, as far as its model provides them.
    height : float, optional
        Flight height above ground [m]: the levels of wind up to the first above it are needed. By default all.

    Returns
    -------
    xarray.Dataset
        The first cube where it has every hour complete and nothing can be added to it; else a cube of all models that
        have an hour, with the oldest of their runs.
    """
    time = _whole_time(cubes)
    over_time = [_at(cube, time) for cube in cubes]
    cubes = _with_one_span(over_time)
    chosen = _choose(cubes, needed, height)
    used = sorted(set(chosen.tolist()))
    taken = [_taken(cubes, k, chosen == k) for k in used]
    if len(used) == 1:
        alone = _with_taken(over_time[used[0]], taken[0], over_time)
        known = np.flatnonzero(_has_any(alone))
        alone = alone.isel(time=slice(None, int(known[-1]) + 1 if known.size else None))
        alone = _with_age_of_taken(alone, taken, cubes)
        return check_forecast(_reported(alone, [alone], taken), place="the forecast")
    codes = np.searchsorted(used, chosen)
    parts = [_with_taken(cubes[k], from_others, cubes) for k, from_others in zip(used, taken, strict=True)]
    joined = _assemble(parts, codes)
    joined = joined.isel(time=slice(None, int(np.flatnonzero(_has_any(joined))[-1]) + 1))
    joined = _with_age_of_taken(joined, taken, cubes)
    return check_forecast(_reported(joined, parts, taken), place="the forecasts of several models")


def unknown_hours(
    cubes: Sequence[xr.Dataset],
    needed: Collection[str],
    start: np.datetime64,
    end: np.datetime64,
    *,
    height: float = np.inf,
) -> int:
    """Return how many hours from `start` to `end` are complete in no cube; other inputs as in `join_models`."""
    time = _whole_time(cubes)
    whole = np.any([_is_whole(_at(cube, time), needed, height) for cube in cubes], axis=0)
    asked = np.arange(start.astype("datetime64[h]"), end.astype("datetime64[h]") + np.timedelta64(1, "h"))
    return int(np.count_nonzero(~np.isin(asked, time.astype("datetime64[h]")[whole])))


def knows_any_hour(cube: xr.Dataset, needed: Collection[str], *, height: float = np.inf) -> bool:
    """Return whether any hour is complete in a cube of one model; other inputs as in `join_models`."""
    return bool(_is_whole(restore_provided(cube), needed, height).any())


def hours_by_model(cube: xr.Dataset) -> tuple[ModelHours, ...]:
    """Return the stretches of a cube, in order of time, each of one model."""
    time = cube["time"].values.astype("datetime64[s]")
    names = models_of(cube)
    if FORECAST_MODEL not in cube.coords:
        run = np.datetime64(str(cube["forecast_reference_time"].values), "s")
        return (ModelHours(names[0], run, time[0], time[-1], _entries(str(cube.attrs.get(TAKEN, "")))),)
    codes = np.nan_to_num(cube[FORECAST_MODEL].values).astype(int)
    runs = [np.datetime64(text.rstrip("Z"), "s") for text in str(cube.attrs[RUNS_BY_MODEL]).split()]
    taken = [_entries(text) for text in str(cube.attrs.get(TAKEN, "")).split(BETWEEN_ENTRIES)]
    edges = [0, *(np.flatnonzero(np.diff(codes)) + 1), codes.size]
    return tuple(
        ModelHours(names[codes[a]], runs[codes[a]], time[a], time[b - 1], taken[codes[a]]) for a, b in pairwise(edges)
    )


def provided_by_model(cube: xr.Dataset) -> list[str]:
    """Return what each model of a joined cube provides, a text as `wxfly.cube.contract.read_entries` takes it."""
    return stated_text(cube, PROVIDED_BY_MODEL).split(BETWEEN_ENTRIES)


def with_models_of(cube: xr.Dataset, joined: xr.Dataset, provided: Sequence[str]) -> xr.Dataset:
    """Add to a cube the flag of a joined one, and what each of its models provides."""
    flag = joined[FORECAST_MODEL].reindex(time=cube["time"].values)
    flags = ("time", flag.values.astype(float), flag.attrs)
    return cube.assign_coords({FORECAST_MODEL: flags, PROVIDED_BY_MODEL: BETWEEN_ENTRIES.join(provided)})


def _entries(text: str) -> dict[str, str]:
    return dict(entry.split() for entry in text.split("; ") if entry and entry != "none")


def _whole_time(cubes: Sequence[xr.Dataset]) -> npt.NDArray[np.datetime64]:
    first, last = (
        min(cube["time"].values[0] for cube in cubes),
        max(cube["time"].values[-1] for cube in cubes),
    )
    whole: npt.NDArray[np.datetime64] = np.arange(first, last + np.timedelta64(1, "h"), np.timedelta64(1, "h"))
    return whole.astype("datetime64[ns]")


def _at(cube: xr.Dataset, time: npt.NDArray[np.datetime64]) -> xr.Dataset:
    """Return a cube at these hours, with everything that its source provides, lost or not."""
    cube = restore_provided(cube)
    if np.array_equal(cube["time"].values, time):
        return cube
    spans = {str(n): covers_hours(cube, str(n)) for n in cube.data_vars}
    return state_spans(cube.drop_vars(span_coordinates(cube)).reindex(time=time), spans)


def _known(variable: xr.Variable) -> Flags:
    """Return in which hours a variable has a value at every place, ``(time,)`` or ``(time, height)``."""
    ordered = variable.transpose("time", ...)
    places = tuple(i for i, d in enumerate(ordered.dims) if d not in ("time", "height"))
    return np.asarray(~np.isnan(ordered.values).any(axis=places))


def _has_any(cube: xr.Dataset) -> Flags:
    """Return in which hours a cube has a wind at every place."""
    if "wind_speed" not in cube:
        return np.zeros(cube.sizes["time"], dtype=bool)
    return np.asarray(_known(cube.variables["wind_speed"]).any(axis=1))


def _is_whole(cube: xr.Dataset, needed: Collection[str], height: float) -> Flags:
    """Return in which hours a cube has, at every place, all needed variables that it provides."""
    whole = _has_any(cube)
    for name, *heights in provided_entries(cube):
        if name not in needed:
            continue
        known = _known(cube.variables[name])
        if VARIABLES[name].has_height:
            levels = np.sort(np.array([float(h) for h in heights]))
            highest = max(height, *(element.needs_levels_to for element in ELEMENTS))
            reach = levels[: int(np.searchsorted(levels, highest)) + 1]
            known = np.asarray(known[:, np.isin(cube["height"].values, reach)].all(axis=1))
        whole = whole & known
    return whole


def _choose(cubes: Sequence[xr.Dataset], needed: Collection[str], height: float) -> Codes:
    """Return the cube that answers for each hour: the first that has it complete, else the first with any of it."""
    whole = np.stack([_is_whole(cube, needed, height) for cube in cubes])
    some = np.stack([_has_any(cube) for cube in cubes])
    first = np.where(whole.any(axis=0), whole.argmax(axis=0), np.where(some.any(axis=0), some.argmax(axis=0), -1))
    # An hour that no model has is empty; it joins the hour before it.
    known = np.flatnonzero(first >= 0)
    if not known.size:
        return np.zeros(first.size, dtype=np.int64)
    nearest = known[np.clip(np.searchsorted(known, np.arange(first.size), side="right") - 1, 0, None)]
    return np.asarray(first[nearest], dtype=np.int64)


def _taken(cubes: Sequence[xr.Dataset], own: int, here: Flags) -> dict[str, str]:
    """Return what a model takes from which other in its hours: groups of which it does not provide the first.

    Each group comes from the model that has it in most of these hours, the first of equals; never from a run that is
    older than the model's own by more than `SAME_AGE`, or whose age is not known.
    """
    oldest = since_of(cubes[own]) - SAME_AGE
    provided = [{name for name, *_ in provided_entries(cube)} for cube in cubes]
    found: dict[str, str] = {}
    for group in TAKEN_BY_THEMSELVES:
        if group[0] in provided[own]:
            continue
        able = [
            group[0] in of_other and group[0] in other and bool(since_of(other) >= oldest)
            for of_other, other in zip(provided, cubes, strict=True)
        ]
        hours = [
            int((_known(other.variables[group[0]]) & here).sum()) if is_able else 0
            for other, is_able in zip(cubes, able, strict=True)
        ]
        best = cubes[int(np.argmax(hours))]
        if max(hours):
            found |= {n: models_of(best)[0] for n in group if n in best and bool(best[n].notnull().any())}
    return found


def _with_taken(cube: xr.Dataset, taken: Mapping[str, str], cubes: Sequence[xr.Dataset]) -> xr.Dataset:
    """Return a cube with the variables that it takes from others, at its own places."""
    spans = {}
    if any(group[0] in taken for group in TAKEN_BY_THEMSELVES if _INHIBITION in group):
        # The inhibition of one model does not apply to the unstable air of another.
        entries = [entry for entry in provided_entries(cube) if entry[0] != _INHIBITION]
        cube = with_provided(cube.drop_vars(_INHIBITION, errors="ignore"), entries)
    for name, model in taken.items():
        other = next(c for c in cubes if models_of(c)[0] == model)
        values = other[name].drop_vars([c for c in other[name].coords if c not in other.dims])
        cube = cube.assign({name: (values.dims, values.values, other[name].attrs)})
        spans[name] = covers_hours(other, name)
    return mark_provided(state_spans(cube, spans)) if taken else cube


def _with_age_of_taken(
    joined: xr.Dataset, taken: Sequence[Mapping[str, str]], cubes: Sequence[xr.Dataset]
) -> xr.Dataset:
    """State on a joined cube how old the oldest run is from which it takes a variable."""
    models = {model for of_part in taken for model in of_part.values()}
    runs = [since_of(cube) for cube in cubes if models_of(cube)[0] in models]
    return joined.assign_coords({OLDEST_RUN_TAKEN: ((), min(runs).astype("datetime64[ns]"))}) if runs else joined


def _assemble(parts: Sequence[xr.Dataset], codes: Codes) -> xr.Dataset:
    """Put every hour of the chosen models into one cube, with the heights of all."""
    heights = np.unique(np.concatenate([np.array([]), *(p["height"].values for p in parts if "height" in p.dims)]))
    names = list(dict.fromkeys(str(n) for part in parts for n in part.data_vars))
    spans = {name: covers_hours(next(p for p in parts if name in p), name) for name in names}
    whole = parts[0]
    places = [d for d in whole["wind_speed"].dims if d not in ("time", "height")] if "wind_speed" in whole else []
    data: dict[str, Any] = {}
    for name in names:
        dims = ("time", *places, *(("height",) if VARIABLES[name].has_height else ()))
        shape = [codes.size, *(whole.sizes[d] for d in places), *([heights.size] if "height" in dims else [])]
        values = np.full(shape, np.nan)
        for code, part in enumerate(parts):
            if name not in part:
                continue
            column = part[name].drop_vars([c for c in part[name].coords if c not in part.dims])
            if "height" in dims:
                column = column.reindex(height=heights)
            here = codes == code
            values[here] = column.transpose(*dims).values[here]
        data[name] = (dims, values, next(p[name].attrs for p in parts if name in p))
    stated = {*span_coordinates(whole), "height", FORECAST_MODEL}
    coords: dict[str, Any] = {
        str(k): (v.dims, v.values, v.attrs) for k, v in whole.coords.variables.items() if str(k) not in stated
    }
    coords["height"] = ("height", heights, {})
    coords[FORECAST_MODEL] = ("time", codes.astype(float), {})
    joined = xr.Dataset(data, coords=coords, attrs=whole.attrs)
    for name in map(str, joined.data_vars):
        joined[name].attrs.pop("cell_methods", None)
    return state_spans(joined, spans)


def _with_one_span(cubes: Sequence[xr.Dataset]) -> list[xr.Dataset]:
    """Return cubes with one span for every variable: where theirs differ, the hour before the stamp."""
    names = {str(n) for cube in cubes for n in cube.data_vars}
    spans = {name: {covers_hours(cube, name) for cube in cubes if name in cube} for name in names}
    mixed = sorted(name for name, found in spans.items() if len(found) > 1)
    same = []
    for cube in cubes:
        changed = {name: _over_hour_before(cube, name) for name in mixed if name in cube}
        same.append(state_spans(cube.assign(changed), dict.fromkeys(changed, _HOUR_BEFORE)) if changed else cube)
    return same


def _over_hour_before(cube: xr.Dataset, name: str) -> tuple[tuple[str, ...], npt.NDArray[np.float64], dict[str, str]]:
    """Return a variable as the largest of its values whose span overlaps the hour before the stamp.

    `wxfly.assessment.hours.to_hours` does the same when hours are judged. Here it is done before models are joined,
    from values of one model only.
    """
    begin, end = covers_hours(cube, name)
    column = cube[name].variable.transpose("time", ...)
    steps = [0, -1] if begin == end else [k - 1 for k in range(-24, 26) if k + begin < 1 and k + end > 0]
    at = np.arange(column.sizes["time"])
    largest = column.values.copy()
    for step in steps:
        there = at + step
        beyond = there >= at.size
        other = column.values[np.where(beyond, 0, np.maximum(there, 0))].copy()
        other[beyond] = np.nan
        largest = np.maximum(largest, other)  # NaN in any of them stays NaN
    attributes = {str(k): v for k, v in cube[name].attrs.items() if k != "cell_methods"}
    return tuple(map(str, column.dims)), largest, attributes


def _reported(joined: xr.Dataset, parts: Sequence[xr.Dataset], taken: Sequence[Mapping[str, str]]) -> xr.Dataset:
    """State on a joined cube its models, their runs, and what each provides and takes."""
    names = [models_of(part)[0] for part in parts]
    runs = [np.datetime64(str(part["forecast_reference_time"].values), "s") for part in parts]
    attributes = {
        "model": BETWEEN_MODELS.join(names),
        TAKEN: BETWEEN_ENTRIES.join("; ".join(f"{n} {m}" for n, m in sorted(t.items())) or "none" for t in taken),
    }
    if len(parts) == 1:
        return joined.assign_attrs(attributes)
    provided = BETWEEN_ENTRIES.join(stated_text(part, PROVIDED) for part in parts)
    attributes[RUNS_BY_MODEL] = " ".join("NaT" if np.isnat(run) else f"{run!s:.16}Z" for run in runs)
    for key, between in (("source", "; "), ("institution", "; "), ("license", "; "), ("attribution", "; ")):
        attributes[key] = between.join(dict.fromkeys(str(part.attrs[key]) for part in parts))
    attributes["title"] = f"Hourly forecast of the models {BETWEEN_MODELS.join(names)}"
    oldest = min(parts, key=lambda part: str(part.attrs.get("retrieved", "")))
    attributes |= {k: str(oldest.attrs[k]) for k in ("retrieved", "history") if k in oldest.attrs}
    contradictions = "; ".join(
        dict.fromkeys(str(p.attrs["contradictions"]) for p in parts if p.attrs.get("contradictions"))
    )
    if contradictions:
        attributes["contradictions"] = contradictions
    joined = joined.assign_attrs(attributes)
    # The age counts from the oldest run; where one is unknown, from the earliest that it may be.
    run = np.datetime64("NaT", "ns") if any(np.isnat(r) for r in runs) else min(runs).astype("datetime64[ns]")
    starts = [part["oldest_run"].values for part in parts if "oldest_run" in part.coords]
    joined = joined.assign_coords({"forecast_reference_time": ((), run), PROVIDED_BY_MODEL: provided})
    if starts:
        joined = joined.assign_coords(oldest_run=((), min(starts)))
    also: dict[str, set[float]] = {}
    for part in parts:
        for name, *heights in provided_entries(part):
            also.setdefault(name, set()).update(float(h) for h in heights)
    return describe_coordinates(mark_provided(joined, also))
