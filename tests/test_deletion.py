"""Nothing missing ever improves an hour.

Every variable, every level of it, and stretches of its hours are taken away from three forecasts; no hour may get a
better state, a larger margin or a better rank.

What a cube states that its source provides is lost when it is gone, so the rule holds without exception, for required
and for advised elements. Losses in the replies themselves, before anything is noted: ``test_mutations.py``.
"""

import dataclasses
from itertools import islice

import numpy as np
import pytest
import xarray as xr

from tests.cubes import OF_SOME_SOURCES
from tests.shared import BERLIN
from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import VARIABLES, mark_provided
from wxfly.cube.netcdf import load_cube
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import NAMES, REQUIRED_BY_DEFAULT
from wxfly.pilot.limits import limits_for
from wxfly.retrieval.places import shipped_folder

AIRCRAFT = load_aircraft()["camera-quad-250g"]
LISTS = {
    "by default": REQUIRED_BY_DEFAULT,
    "all required": NAMES,
    "all advised": (),
}
HEIGHT = 60.0
ABOVE_EVERY_LEVEL = 110.0


def cubes():
    """Name a site of each shipped forecast, forecasts that carry less, and a real one."""
    names = sorted(path.stem for path in shipped_folder().glob("*.nc"))
    poorer = [("wind at 10 m alone", 0), ("wind at 10 m alone, no temperature aloft", 1), ("levels to 80 m", 2)]
    return [*((name, i % 3) for i, name in enumerate(names)), *poorer, ("berlin reply", 0)]


def open_cube(name, position):
    if name == "berlin reply":
        if not BERLIN.is_file():
            pytest.skip("the measured reply is not beside this checkout")
        from wxfly.sources.open_meteo.forecast import read_forecast

        return read_forecast(BERLIN)
    if name == "three days":
        return open_cube("late-winter", position).isel(time=slice(72))
    if name.startswith(("wind at 10 m alone", "levels to")):
        cube = open_cube("late-winter", position)
        above = slice(2 if name.startswith("levels to") else 1, None)
        cube["wind_speed"][{"height": above}] = np.nan
        cube["wind_from_direction"][{"height": above}] = np.nan
        if "no temperature" in name:
            cube = cube.drop_vars("air_temperature_aloft")
        return mark_provided(cube.assign_coords(provided=""))
    return load_cube(shipped_folder() / f"{name}.nc").isel(site=position, time=slice(96))


def deletions(cube):
    """Return what is taken away: a word for it, and the cube without it."""
    for name in map(str, cube.data_vars):
        yield f"{name}, left out", cube.drop_vars(name)
        first = 30 + 13 * len(name) % 100  # another stretch for each, by day and by night
        yield f"{name}, hours {first} to {first + 20}", _without(cube, name, slice(first, first + 20))
        if VARIABLES[name].has_height:
            for position, height in enumerate(cube["height"].values):
                yield f"{name} at {height:g} m", _without(cube, name, slice(None), position)
    for height in cube["height"].values:
        yield f"all of {height:g} m, left out", cube.drop_sel(height=[height])


def _without(cube, name, hours, level=None):
    values = cube[name].copy(deep=True)
    where = {"time": hours} | ({} if level is None else {"height": level})
    values[where] = np.nan
    return cube.assign({name: values})


def judge(cube, limits):
    return assess(derive(cube, height=HEIGHT), limits)


WHOLE = [pytest.param(name, position, marks=pytest.mark.thorough) for name, position in cubes()]


@pytest.mark.parametrize(("name", "position"), [("three days", 0), *WHOLE])
def test_taking_anything_away_never_improves_an_hour(name, position):
    cube = open_cube(name, position)
    limits = {key: dataclasses.replace(limits_for(AIRCRAFT), required=names) for key, names in LISTS.items()}
    height = ABOVE_EVERY_LEVEL if name == "levels to 80 m" else HEIGHT
    whole = derive(cube, height=height)
    before = {key: assess(whole, held) for key, held in limits.items()}
    faults = []
    for what, poorer in islice(deletions(cube), 0, None, 3 if name == "three days" else 1):
        conditions = derive(poorer, height=height)
        for key, held in limits.items():
            after = assess(conditions, held)
            faults += [f"{what}, {key}: {fault}" for fault in _improvements(before[key], after)]
    assert faults == []


def _improvements(before, after):
    margin_before, margin_after = before["margin"].values, after["margin"].values
    better_state = after["state"].values > before["state"].values
    better_margin = _known(after["hour_margin"].values) > _known(before["hour_margin"].values) + 1e-9
    for word, bad in (("better state", better_state), ("larger margin", better_margin)):
        if bad.any():
            hour = int(np.flatnonzero(bad)[0])
            yield f"{word} at {str(before['time'].values[hour])[:13]}"
    # No element that is still known may have gained either.
    gained = _known(margin_after) > _known(margin_before) + 1e-9
    if gained.any():
        element, hour = np.argwhere(gained)[0]
        yield f"{before['element'].values[element]} gained at {str(before['time'].values[hour])[:13]}"
    yield from _better_ranks(before, after)


def _known(margin):
    return np.where(np.isnan(margin), -np.inf, margin)


def _better_ranks(before, after):
    duration = np.timedelta64(60, "m")
    for day in range(0, before.sizes["time"] - 24, 24):
        start = before["time"].values[day].astype("datetime64[s]")
        bounds = {"start": start, "end": start + np.timedelta64(24, "h")}
        old = find_windows(before, minimum_duration=duration, **bounds)
        new = find_windows(after, minimum_duration=duration, **bounds)
        if new and (not old or new[0].rank < old[0].rank):
            yield f"a better rank on day {str(start)[:10]}"


def test_a_lost_required_element_makes_every_hour_not_known():
    cube = open_cube(*cubes()[0])
    for name in ("wind_speed", "wind_speed_of_gust", "precipitation_amount"):
        hours = judge(cube.drop_vars(name), limits_for(AIRCRAFT))
        assert (hours["state"] == State.NOT_KNOWN).all(), name


def test_the_axis_of_deletions_is_whole():
    cube = open_cube(*cubes()[0])
    assert set(cube.data_vars) == set(VARIABLES) - set(OF_SOME_SOURCES), (
        "the demonstration carries every variable, so each is taken away"
    )
    assert isinstance(cube, xr.Dataset)
