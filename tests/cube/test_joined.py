"""Several models in one cube: every hour of one, heights and spans its own, nothing lost that only another has."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from wxfly.assessment.conditions import derive
from wxfly.cube.age import hide_stale, since_of
from wxfly.cube.contract import (
    FORECAST_MODEL,
    Provenance,
    check_forecast,
    covers_hours,
    finish_cube,
    from_file,
    models_of,
    provided_heights,
    to_file,
)
from wxfly.cube.joined import hours_by_model, join_models, unknown_hours
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.errors import WxflyError
from wxfly.retrieval.forecast import needed_variables

FIRST = np.datetime64("2026-03-10T00:00", "ns")
NEEDED = needed_variables()
CAPE, INHIBITION = "atmosphere_convective_available_potential_energy", "atmosphere_convective_inhibition"


def cube_of(model, hours, heights, *, wind=5.0, gust_span=(-1.0, 0.0), run="2026-03-10T00:00", **more):
    """Return a cube of one model at one site, every value constant over its hours."""
    time = FIRST + np.arange(hours) * np.timedelta64(1, "h")
    column = np.ones((hours, 1))
    flat = {
        "wind_speed_of_gust": 9.0, "air_temperature": 285.0, "dew_point_temperature": 280.0, "relative_humidity": 0.7,
        "surface_air_pressure": 101_000.0, "precipitation_amount": 0.0, "weather_code": 2.0,
        "cloud_area_fraction": 0.5, **more,
    }  # fmt: skip
    data = {name: (("time", "site"), value * column) for name, value in flat.items() if value is not None}
    levels = np.ones((hours, 1, len(heights)))
    data["wind_speed"] = (("time", "site", "height"), wind * levels)
    data["wind_from_direction"] = (("time", "site", "height"), 240.0 * levels)
    coords = {
        "time": time, "height": np.array(heights, dtype=float), "site": np.array(["here"], dtype=object),
        "latitude": ("site", [52.0]), "longitude": ("site", [6.0]), "surface_altitude": ("site", [30.0]),
        "forecast_reference_time": np.datetime64(run, "ns"), "oldest_run": np.datetime64(run, "ns"),
    }  # fmt: skip
    provenance = Provenance(model, model, "test", "test", "CC BY 4.0", "test", "test", "2026-03-10T03:00:00Z")
    return finish_cube(xr.Dataset(data, coords=coords), provenance, spans={"wind_speed_of_gust": gust_span})


def fine(hours=12, **more):
    return cube_of("fine", hours, (10, 80, 120), wind=5.0, **more)


def coarse(hours=48, **more):
    return cube_of("coarse", hours, (10, 100, 200), wind=8.0, run="2026-03-09T18:00", **more)


def of_hours(cube):
    names = models_of(cube)
    return [names[int(code)] for code in cube[FORECAST_MODEL].values]


def test_hours_past_the_finer_model_are_of_the_next():
    joined = check_forecast(join_models([fine(), coarse()], NEEDED))
    assert models_of(joined) == ("fine", "coarse")
    assert of_hours(joined) == ["fine"] * 12 + ["coarse"] * 36
    assert [(s.model, str(s.first)[11:13], str(s.run)[:13]) for s in hours_by_model(joined)] == [
        ("fine", "00", "2026-03-10T00"), ("coarse", "12", "2026-03-09T18"),
    ]  # fmt: skip
    assert joined["forecast_reference_time"].values == np.datetime64("2026-03-09T18:00"), "the oldest of both"


def test_the_flag_is_one_of_cf():
    flag = join_models([fine(), coarse()], NEEDED)[FORECAST_MODEL]
    assert flag.dims == ("time",)
    assert flag.attrs["flag_values"].tolist() == [0.0, 1.0]
    assert flag.attrs["flag_meanings"] == "fine coarse"


def test_no_hour_has_heights_of_two_models():
    joined = join_models([fine(), coarse()], NEEDED).isel(site=0)
    for hour, model in enumerate(of_hours(joined)):
        wind = joined["wind_speed"].isel(time=hour)
        assert wind["height"].values[wind.notnull().values].tolist() == (
            [10, 80, 120] if model == "fine" else [10, 100, 200]
        )
        assert set(wind.values[wind.notnull().values]) == {5.0 if model == "fine" else 8.0}


def test_a_height_that_only_the_other_model_has_is_not_missed():
    joined = join_models([fine(), coarse()], NEEDED)
    assert provided_heights(joined, "wind_speed").tolist() == [10, 80, 100, 120, 200]
    conditions = derive(joined.isel(site=0), height=100.0)
    assert conditions["wind_speed"].notnull().all()
    assert not conditions["input_is_lost"].sel(element="wind").any()


def test_each_edge_of_an_hour_is_worked_out_from_its_own_model():
    joined = derive(join_models([fine(), coarse()], NEEDED).isel(site=0), height=100.0)
    alone = [derive(cube.isel(site=0), height=100.0) for cube in (fine(), coarse())]
    for name in ("wind_speed", "wind_speed_of_gust", "air_temperature", "density_altitude"):
        assert np.array_equal(joined[name].values[:, :11], alone[0][name].values[:, :11]), name
        assert np.array_equal(joined[name].values[:, 12:47], alone[1][name].values[:, 12:47]), name
    assert joined["wind_speed"].values[0, 11] == alone[0]["wind_speed"].values[0, 10], "the seam's start is the finer's"
    assert joined["wind_speed"].values[1, 11] == alone[1]["wind_speed"].values[1, 11], "its end the coarser's"


def test_a_lost_value_gives_the_whole_hour_away():
    lost = fine()
    lost["wind_speed"][5, 0, 1] = np.nan
    joined = join_models([lost, coarse()], NEEDED).isel(site=0)
    assert of_hours(joined)[4:7] == ["fine", "coarse", "fine"]
    assert joined["wind_speed"].isel(time=5).sel(height=80.0).isnull()
    assert float(joined["wind_speed"].isel(time=5).sel(height=10.0)) == 8.0


def test_a_level_far_above_the_flight_is_not_needed():
    lost = fine()
    lost["wind_speed"][5, 0, 2] = np.nan
    assert of_hours(join_models([lost, coarse()], NEEDED, height=60.0))[5] == "fine"
    assert of_hours(join_models([lost, coarse()], NEEDED, height=90.0))[5] == "coarse"


def test_an_hour_that_no_model_knows_whole_stays_with_the_first_and_is_unknown():
    lost = [cube.assign(wind_speed_of_gust=cube["wind_speed_of_gust"].copy()) for cube in (fine(), coarse())]
    for cube in lost:
        cube["wind_speed_of_gust"][5] = np.nan
    joined = join_models(lost, NEEDED)
    assert joined["wind_speed_of_gust"].isel(time=5).isnull().all()
    start, end = FIRST.astype("datetime64[s]"), (FIRST + np.timedelta64(20, "h")).astype("datetime64[s]")
    assert unknown_hours(lost, NEEDED, start, end) == 1


def test_gusts_of_other_spans_become_the_largest_that_may_fall_in_the_hour_before():
    late = coarse(gust_span=(-3.0, 0.0))
    late["wind_speed_of_gust"][20] = 17.0  # between 17 and 20 o'clock
    joined = join_models([fine(), late], NEEDED).isel(site=0)
    assert covers_hours(joined, "wind_speed_of_gust") == (-1.0, 0.0)
    assert joined["wind_speed_of_gust"].values[17:22].tolist() == [9.0, 17.0, 17.0, 17.0, 9.0]


def test_what_the_hours_model_lacks_comes_from_another_by_itself():
    rich = coarse(visibility_in_air=20_000.0, precipitation_probability=0.2, **{CAPE: 300.0, INHIBITION: -20.0})
    joined = join_models([fine(48, **{INHIBITION: -5.0}), rich], NEEDED)
    (hours,) = hours_by_model(joined)
    assert hours.model == "fine"
    assert hours.taken == dict.fromkeys(
        ("visibility_in_air", "precipitation_probability", CAPE, INHIBITION), "coarse"
    )  # fmt: skip
    assert (joined[INHIBITION] == -20.0).all(), "of the model that has the unstable air"
    assert (joined["wind_speed"].sel(height=80.0) == 5.0).all()
    assert models_of(joined) == ("fine",)


def test_nothing_of_a_profile_or_of_the_air_is_taken():
    rich = coarse(freezing_level_altitude=2000.0, lifted_index=3.0)
    joined = join_models([fine(48), rich], NEEDED)
    assert hours_by_model(joined)[0].taken == {}
    assert "freezing_level_altitude" not in joined


def test_one_model_that_knows_all_is_left_as_it_is():
    alone = fine(48)
    joined = join_models([alone, coarse(30)], NEEDED)
    assert FORECAST_MODEL not in joined.coords
    xr.testing.assert_equal(joined.drop_vars("oldest_run"), alone.drop_vars("oldest_run"))


@pytest.mark.thorough
def test_a_joined_cube_comes_back_from_a_file(tmp_path, read_here):
    from wxfly.cube.foreign_file import read_foreign

    joined = join_models([fine(), coarse(visibility_in_air=9000.0)], NEEDED)
    save_cube(joined, tmp_path / "joined.nc")
    assert hours_by_model(load_cube(tmp_path / "joined.nc")) == hours_by_model(joined)
    again = read_foreign(tmp_path / "joined.nc")
    assert hours_by_model(again) == hours_by_model(joined)
    assert again[FORECAST_MODEL].attrs["flag_meanings"] == "fine coarse"
    both = [derive(cube.isel(site=0), height=60.0)["wind_speed"].values for cube in (joined, again)]
    assert np.array_equal(*both)


@pytest.mark.parametrize("change", [
    {"model": "fine"}, {"provided_by_model": "wind_speed 10"}, {"runs_by_model": "NaT"},
])  # fmt: skip
def test_a_flag_without_its_models_is_refused(change):
    joined = join_models([fine(), coarse()], NEEDED)
    with pytest.raises(WxflyError, match="forecast_model is damaged"):
        check_forecast(from_file(to_file(joined).assign_attrs(change)))


@given(st.lists(st.integers(0, 11), max_size=6), st.lists(st.integers(0, 47), max_size=10))
def test_every_hour_is_of_the_first_model_that_knows_it_whole(lost_fine, lost_coarse):
    first, second = fine(), coarse()
    for cube, hours in ((first, lost_fine), (second, lost_coarse)):
        gust = cube["wind_speed_of_gust"].values.copy()
        gust[hours] = np.nan
        cube["wind_speed_of_gust"].values[:] = gust
    joined = join_models([first, second], NEEDED)
    if FORECAST_MODEL not in joined.coords:
        return
    for hour, model in enumerate(of_hours(joined)):
        knows_fine, knows_coarse = hour < 12 and hour not in lost_fine, hour not in lost_coarse
        if knows_fine or knows_coarse:
            assert model == ("fine" if knows_fine else "coarse")
            assert joined["wind_speed_of_gust"].isel(time=hour).notnull().all()
        else:
            assert joined["wind_speed_of_gust"].isel(time=hour).isnull().all()


def test_a_low_flight_asks_another_model_for_a_level_that_its_wind_difference_needs():
    lost = fine()
    lost["wind_speed"][5, 0, 1] = np.nan
    assert float(lost["height"][1]) >= 40.0
    assert of_hours(join_models([lost, coarse()], NEEDED, height=8.0))[5] == "coarse"


@pytest.mark.parametrize(("older_by", "is_taken"), [(6, True), (12, True), (13, False), (80, False)])
def test_nothing_is_taken_from_a_run_that_is_much_older(older_by, is_taken):
    run = str(FIRST.astype("M8[s]") - np.timedelta64(older_by, "h"))
    rich = cube_of("rich", 48, (10, 100), run=run, visibility_in_air=20_000.0, precipitation_probability=0.2)
    joined = join_models([fine(48), rich], NEEDED)
    assert ("visibility_in_air" in joined) == ("precipitation_probability" in joined) == is_taken
    assert joined["forecast_reference_time"].values == FIRST, "the run of the hours themselves"
    assert not is_taken or joined["oldest_run_taken"].values == np.datetime64(run)


def test_what_is_taken_ages_with_its_own_run():
    rich = coarse(visibility_in_air=20_000.0, precipitation_probability=0.2, **{CAPE: 300.0})
    joined = join_models([fine(48), rich], NEEDED)
    now = FIRST.astype("M8[s]") + np.timedelta64(19, "h")  # 19 h and 25 h after the runs
    shown, notes = hide_stale(joined, now, since=since_of(joined))
    for name in ("visibility_in_air", "precipitation_probability", CAPE):
        assert shown[name].values[:32].size == np.isnan(shown[name].values[:32]).sum(), name
        assert (~np.isnan(shown[name].values[32:])).all(), name
    assert shown["wind_speed_of_gust"].notnull().all()
    assert notes == (
        "this forecast is old: its run started 19 h ago",
        "what is taken from another model is 25 h old: visibility, probability of more than 0.1 mm in "
        "the hour, convective available potential energy of the next 12 h not used",
    )
    for earlier, words in ((2, ("what is taken from another model is old: its run started 23 h ago",)), (8, ())):
        fresh = hide_stale(joined, now - np.timedelta64(earlier, "h"), since=since_of(joined))
        assert fresh[1] == words
        xr.testing.assert_identical(fresh[0], joined)
