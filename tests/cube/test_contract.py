import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly.cube.contract import (
    COORDINATES,
    VARIABLES,
    attributes_of,
    check_forecast,
    covers_hours,
    mark_provided,
    provided_heights,
    restore_provided,
    side_by_side,
    spans_of,
    state_spans,
)
from wxfly.errors import WxflyError

CF_TABLE = Path(__file__).parents[1] / "reference" / "cf_standard_names.csv"


def cf_names():
    rows = [line for line in CF_TABLE.read_text().splitlines() if not line.startswith("#")]
    return {row["standard_name"]: row["canonical_units"] for row in csv.DictReader(rows)}


@pytest.mark.parametrize("row", VARIABLES.values(), ids=VARIABLES)
def test_standard_names_and_units_are_of_the_cf_table(row):
    if row.standard_name is not None:
        assert row.units == cf_names()[row.standard_name]
    else:
        assert row.long_name


@pytest.mark.parametrize("row", COORDINATES.values(), ids=COORDINATES)
def test_standard_names_of_coordinates_are_of_the_cf_table(row):
    if row.standard_name is None:
        assert row.long_name
        return
    canonical = cf_names().get(row.standard_name)
    if canonical is not None and row.units is not None:
        assert row.units.replace("degrees", "degree") == canonical


def cube(**changes):
    time = np.arange("2026-03-10T06", "2026-03-10T12", dtype="datetime64[h]").astype("datetime64[ns]")
    variables = {
        "wind_speed": (("time", "height"), np.full((6, 2), 5.0), attributes_of("wind_speed")),
        "air_temperature": (("time",), np.full(6, 280.0), attributes_of("air_temperature")),
    }
    made = xr.Dataset(
        variables,
        coords={
            "time": time,
            "height": [10.0, 80.0],
            "latitude": 52.0,
            "longitude": 6.0,
            "forecast_reference_time": np.datetime64("2026-03-10T06", "ns"),
        },
        attrs={"source": "a test", "institution": "a test", "license": "none", "attribution": "none"},
    )
    return made.assign(changes)


def test_a_sound_cube_passes_unchanged():
    assert check_forecast(cube()) is not None
    assert check_forecast(cube()).identical(cube())


def _with_units(units):
    made = cube()
    made["air_temperature"].attrs["units"] = units
    return made


FAULTS = {
    "wrong unit": (_with_units("degC"), "air_temperature is in 'degC', wanted 'K'"),
    "no unit": (_with_units(None), "air_temperature is in 'None', wanted 'K'"),
    "unknown variable": (
        cube(windiness=(("time",), np.zeros(6))),
        "'windiness' is not in the forecast contract",
    ),
    "an hour twice": (cube().isel(time=[0, 1, 1, 2]), "time does not increase at 2026-03-10T07:00Z"),
    "out of order": (cube().isel(time=[0, 2, 1]), "time does not increase at 2026-03-10T07:00Z"),
    "an hour left out": (cube().isel(time=[0, 1, 3]), "time is not hourly at 2026-03-10T09:00Z"),
    "half hours": (
        cube().assign_coords(time=cube()["time"] + np.timedelta64(30, "m")),
        "not on the full hour",
    ),
    "no time": (cube().isel(time=0, drop=True), "there is no time dimension"),
    "no hours": (cube().isel(time=slice(0, 0)), "there are no hours"),
    "time as numbers": (cube().assign_coords(time=np.arange(6)), "time is int64, wanted datetime64"),
    "absurd magnitude": (cube() * 1000, "outside"),
    "heights out of order": (cube().isel(height=[1, 0]), "must be positive and increasing"),
    "a foreign dimension": (cube().expand_dims(colour=2), "has the dimension colour"),
    "no latitude": (cube().drop_vars("latitude"), "the coordinate latitude is missing"),
    "latitude not a number": (cube().assign_coords(latitude=np.nan), "latitude is not a number"),
    "no run": (cube().drop_vars("forecast_reference_time"), "forecast_reference_time is missing"),
    "no attribution": (cube().assign_attrs(attribution=""), "the attribute 'attribution' is missing"),
    "empty": (cube().drop_vars(["wind_speed", "air_temperature"]), "no variable of a forecast"),
    "integers": (cube().astype(int), "wanted floating point"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_named(fault):
    broken, words = FAULTS[fault]
    if fault == "absurd magnitude":
        broken = broken.assign_attrs(cube().attrs)
        for name in broken.data_vars:
            broken[name].attrs.update(cube()[name].attrs)
    with pytest.raises(WxflyError) as caught:
        check_forecast(broken, place="a test at 52.0, 6.0")
    assert words in str(caught.value)
    assert "a test at 52.0, 6.0" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_values_are_no_fault():
    holed = cube()
    holed["air_temperature"][:3] = np.nan
    check_forecast(holed)


def test_what_was_carried_and_lost_comes_back_as_missing():
    marked = mark_provided(cube())
    lost = marked.drop_vars("air_temperature").sel(height=[10.0])
    back = restore_provided(lost)
    assert np.isnan(back["air_temperature"]).all()
    assert list(back["height"].values) == [10.0, 80.0]
    assert np.isnan(back["wind_speed"].sel(height=80.0)).all()
    assert (back["wind_speed"].sel(height=10.0) == 5.0).all()


def test_a_height_without_any_value_is_not_carried():
    axis = cube().reindex(height=[2.0, 10.0, 80.0])
    assert list(provided_heights(mark_provided(axis), "wind_speed")) == [10.0, 80.0]
    assert list(provided_heights(axis, "wind_speed")) == [10.0, 80.0]
    lost = mark_provided(axis)
    lost["wind_speed"][:] = np.nan
    assert list(provided_heights(lost, "wind_speed")) == [10.0, 80.0]
    assert list(provided_heights(axis, "air_temperature_aloft")) == []


def test_marking_again_forgets_nothing():
    lost = mark_provided(cube()).drop_vars("air_temperature").sel(height=[10.0])
    again = mark_provided(lost)
    assert "air_temperature" in restore_provided(again)
    assert list(provided_heights(again, "wind_speed")) == [10.0, 80.0]


def test_a_height_that_the_model_is_known_to_carry_is_lost_when_it_came_empty():
    empty = cube()
    empty["wind_speed"][:, 1] = np.nan
    assert list(provided_heights(mark_provided(empty), "wind_speed")) == [10.0]
    assert list(provided_heights(mark_provided(empty, {"wind_speed": (10.0, 80.0, 120.0)}), "wind_speed")) == [
        10,
        80,
        120,
    ]


def test_a_cube_that_never_had_it_stays_without():
    never = mark_provided(cube().drop_vars("air_temperature"))
    assert "air_temperature" not in restore_provided(never)


def test_the_span_of_a_gust_is_stated_once():
    instant, hour, three = (quiet_cube(wind_speed_of_gust=span) for span in ((0, 0), (-1, 0), (-3, 0)))
    assert instant["wind_speed_of_gust"].attrs["cell_methods"] == "time: point"
    assert hour["wind_speed_of_gust"].attrs["cell_methods"] == "time: maximum"
    assert three["wind_speed_of_gust"].attrs["cell_methods"] == "wind_speed_of_gust_time: maximum"
    assert [covers_hours(c, "wind_speed_of_gust") for c in (instant, hour, three)] == [(0, 0), (-1, 0), (-3, 0)]
    assert "covers_hours" not in three["wind_speed_of_gust"].attrs
    assert three["time"].attrs["bounds"] == "time_bnds"
    before = (three["time_bnds"] - three["time"]) / np.timedelta64(1, "h")
    assert (before == [-1.0, 0.0]).all()


SPANS = [(0.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (-3.0, 0.0), (-3.0, 1.0), (-1.0, 1.0)]


@pytest.mark.parametrize("gust", SPANS)
@pytest.mark.parametrize("precipitation", SPANS)
def test_every_pair_of_spans_comes_back(gust, precipitation):
    made = quiet_cube(wind_speed_of_gust=gust, precipitation_amount=precipitation)
    wanted = {n: row.covers_hours for n, row in VARIABLES.items() if n in made}
    wanted |= {"wind_speed_of_gust": gust, "precipitation_amount": precipitation}
    assert spans_of(made) == wanted
    assert spans_of(state_spans(made)) == wanted
    assert spans_of(made.isel(time=slice(3, 5))) == wanted


def test_a_cube_of_another_program_states_an_instant_by_its_cell_methods():
    foreign = quiet_cube(wind_speed_of_gust=(0, 0))
    plain = foreign.drop_vars([n for n in foreign.coords if str(n).endswith(("_bnds", "_index_time"))])
    assert covers_hours(plain, "wind_speed_of_gust") == (0, 0)
    assert covers_hours(plain, "precipitation_amount") == (-1, 0)


def test_places_with_other_hours_keep_their_spans_side_by_side():
    made = quiet_cube(wind_speed_of_gust=(-3, 0))
    places = ("latitude", "longitude", "surface_altitude")
    made = made.expand_dims("site", axis=1).assign_coords({k: ("site", [float(made[k])]) for k in places})
    joined = side_by_side([made, made.isel(time=slice(2, 20))])
    assert spans_of(joined) == spans_of(made)
    assert joined["time_bnds"].dims == ("time", "bnds")
    assert joined["wind_speed_of_gust"].isel(site=1, time=0).isnull()
