"""The forecast service: what is asked, what is read, and each trap of its replies."""

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.shared import SHARED, needs_samples
from wxfly.cube.contract import VARIABLES, covers_hours, provided_heights
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.forecast import get_forecast, get_surroundings, read_forecast, request_parameters
from wxfly.sources.open_meteo.models import MODELS, find_model
from wxfly.sources.open_meteo.reply import (
    AT_HEIGHT,
    NAMES,
    WANTED_UNITS,
    drop_rescaled_heights,
    hourly_names,
    our_name,
    parse_forecast,
    rescaling_factor,
)
from wxfly.sources.reply import SourceError

RECORDED = Path(__file__).resolve().parents[2] / "recorded"


def reply(units=None, columns=None, **changes):
    """Build a small saved reply with two hours, local ISO times and default units."""
    units = {"time": "iso8601", "temperature_2m": "°C"} | (units or {})
    columns = {"time": ["2026-03-10T00:00", "2026-03-10T01:00"], "temperature_2m": [1.0, 2.0]} | (columns or {})
    document = {
        "latitude": 52.28, "longitude": 6.8799996, "utc_offset_seconds": 0, "elevation": 29.0,
        "hourly_units": units, "hourly": columns,
    } | changes  # fmt: skip
    return json.dumps({k: v for k, v in document.items() if v is not ...}).encode()


def parse(body, model=None, asked_units=False, **more):
    return parse_forecast(body, model=model, asked_units=asked_units, what="test", **more)


# --- what is asked ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda m: m.name)
def test_no_key_of_the_request_is_lost(model):
    names = hourly_names(model)
    assert len(names) == len(set(names))
    ours = [our_name(name) for name in names]
    assert None not in ours
    assert {name for name, _ in ours} <= set(VARIABLES)
    assert {h for name, h in ours if name == "wind_speed"} == set(model.wind_heights)
    assert len(set(ours)) == len(ours), "two names of the service would land in one place"


def test_every_name_has_a_place_in_the_cube_and_every_unit_a_rule():
    assert set(NAMES.values()) | set(AT_HEIGHT.values()) <= set(VARIABLES)
    assert {VARIABLES[n].units for n in NAMES.values()} <= set(WANTED_UNITS)


def test_the_request_pins_one_model_and_asks_for_si_and_true_seconds():
    parameters = request_parameters([(52.123456, -6.9)], find_model("icon_eu"), altitudes=[31.4])
    assert parameters["models"] == "icon_eu"
    assert parameters["timeformat"] == "unixtime"
    assert parameters["timezone"] == "GMT"
    assert parameters["wind_speed_unit"] == "ms"
    assert (parameters["latitude"], parameters["longitude"]) == ("52.12", "-6.90")
    assert parameters["elevation"] == "31"
    asked = parameters["hourly"].split(",")
    assert "wind_speed_100m" not in asked, "ICON has no level at 100 m; it would come back made up"
    assert "wind_speed_120m" in asked


def test_an_unknown_height_of_the_ground_is_not_sent():
    places = [(52.0, 6.0), (53.0, 6.0)]
    assert "elevation" not in request_parameters(places, find_model("icon_eu"), altitudes=[31.0, math.nan])


# --- units -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "unit", "value", "ours", "si"),
    [
        ("wind_gusts_10m", "km/h", 36.0, "wind_speed_of_gust", 10.0),
        ("wind_gusts_10m", "mp/h", 10.0, "wind_speed_of_gust", 4.4704),
        ("wind_gusts_10m", "kn", 10.0, "wind_speed_of_gust", 5.144444),
        ("wind_gusts_10m", "m/s", 10.0, "wind_speed_of_gust", 10.0),
        ("temperature_2m", "°F", 50.0, "air_temperature", 283.15),
        ("temperature_2m", "°C", 10.0, "air_temperature", 283.15),
        ("precipitation", "inch", 0.1, "precipitation_amount", 2.54),
        ("relative_humidity_2m", "%", 87, "relative_humidity", 0.87),
        ("pressure_msl", "hPa", 1013.2, "air_pressure_at_mean_sea_level", 101320.0),
        ("visibility", "ft", 10000.0, "visibility_in_air", 3048.0),
        ("lifted_index", "", -3.0, "lifted_index", -3.0),
        ("weather_code", "wmo code", 45, "weather_code", 45.0),
    ],
)
def test_a_saved_reply_is_converted_by_its_own_units(key, unit, value, ours, si):
    cube = parse(reply({key: unit}, {key: [value, None]}))
    assert cube[ours].values[0] == pytest.approx(si, rel=1e-6)
    assert np.isnan(cube[ours].values[1])
    assert cube[ours].attrs["units"] == VARIABLES[ours].units


@pytest.mark.parametrize(("key", "unit"), [("wind_gusts_10m", "Bft"), ("temperature_2m", "m/s"), ("visibility", "")])
def test_an_unknown_unit_is_refused(key, unit):
    with pytest.raises(SourceError, match=rf"{key} came in '{unit}', wanted"):
        parse(reply({key: unit}, {key: [1.0, 2.0]}))


# --- the traps -------------------------------------------------------------------------------------------------


def test_trap_plain_keys_are_never_proof_of_a_model():
    """The suffix is dropped when only one of the models asked covers the place."""
    assert parse(reply()).attrs["model"] == "not known"
    assert parse(reply(), model="icon_eu").attrs["model"] == "icon_eu"


def test_trap_the_suffix_of_the_model_asked_is_accepted_and_of_another_refused():
    hours = ["2026-03-10T00:00", "2026-03-10T01:00"]
    body = reply(
        hourly_units={"time": "iso8601", "wind_speed_10m_icon_d2": "m/s"},
        hourly={"time": hours, "wind_speed_10m_icon_d2": [3.0, 4.0]},
    )
    for model in ("icon_d2", None):
        cube = parse(body, model=model)
        assert cube.attrs["model"] == "icon_d2"
        assert cube["wind_speed"].sel(height=10).values.tolist() == [3.0, 4.0]
    with pytest.raises(SourceError, match="of the model icon_d2, not of icon_eu"):
        parse(body, model="icon_eu")


def test_trap_bare_nan_is_told_as_not_covered():
    with pytest.raises(SourceError, match="does not cover the place"):
        parse(b'{"latitude":nan,"longitude":nan,"generationtime_ms":0.01,"utc_offset_seconds":0}')


@pytest.mark.parametrize("word", [b"NaN", b"Infinity", b"-Infinity"])
def test_trap_words_that_are_no_json_are_refused(word):
    body = reply().replace(b"1.0", word)
    with pytest.raises(SourceError, match="not cover the place"):
        parse(body)


def test_trap_undefined_and_null_is_left_out_and_a_hole_stays_a_hole():
    units = {f"wind_speed_{h}m": "m/s" for h in (10, 80)} | {"wind_speed_20m": "undefined", "cape": "undefined"}
    columns = {
        "wind_speed_10m": [3.0, 3.0], "wind_speed_20m": [None, None], "wind_speed_80m": [6.0, None],
        "cape": [None, None],
    }  # fmt: skip
    cube = parse(reply(units, columns))
    assert cube["height"].values.tolist() == [10.0, 80.0]
    assert "atmosphere_convective_available_potential_energy" not in cube
    assert np.isnan(cube["wind_speed"].sel(height=80).values[1])
    assert provided_heights(cube, "wind_speed").tolist() == [10.0, 80.0]


def test_trap_values_without_a_unit_are_refused():
    with pytest.raises(SourceError, match="wind_gusts_10m has values and no unit"):
        parse(reply({"wind_gusts_10m": "undefined"}, {"wind_gusts_10m": [None, 3.0]}))


def test_trap_of_a_mixture_only_the_wind_at_10_m_is_kept():
    units = {"wind_speed_10m": "m/s", "wind_speed_80m": "m/s"}
    columns = {"wind_speed_10m": [3.0, 3.0], "wind_speed_80m": [6.0, 6.0]}
    cube = parse(reply(units, columns), model="icon_seamless")
    assert cube["height"].values.tolist() == [10.0]
    assert cube.attrs["not_used"] == "wind_speed_80m"
    with pytest.raises(WxflyError, match="mixture of models"):
        find_model("best_match")


def test_trap_heights_that_a_model_lacks_are_dropped():
    units = {"wind_speed_10m": "m/s", "wind_speed_100m": "m/s", "wind_speed_120m": "m/s"}
    columns = {"wind_speed_10m": [3.0, 3.0], "wind_speed_100m": [6.0, 6.0], "wind_speed_120m": [6.1, 6.1]}
    cube = parse(reply(units, columns), model="ncep_gfs_global")
    assert cube["height"].values.tolist() == [10.0, 100.0]


def test_trap_a_height_made_up_from_another_is_seen_in_the_numbers():
    """Of an unknown model: 120 m is 100 m times the service's fixed ratio, to the rounding of the reply."""
    at100 = [24.1, 26.6, 22.7]
    at120 = [round(v * rescaling_factor(120, 100), 1) for v in at100]
    hours = [f"2026-03-10T0{h}:00" for h in range(3)]
    units = {"wind_speed_100m": "km/h", "wind_speed_120m": "km/h", "wind_direction_120m": "°"}
    columns = {
        "time": hours, "temperature_2m": [1.0] * 3, "wind_speed_100m": at100, "wind_speed_120m": at120,
        "wind_direction_120m": [140, 141, 142],
    }  # fmt: skip
    cube = parse(reply(units, columns))
    assert cube["height"].values.tolist() == [100.0]
    assert cube["wind_from_direction"].sel(height=100).values.tolist() == [140, 141, 142]
    columns["wind_speed_120m"] = [at120[0], at120[1], at120[2] + 1.0]
    assert parse(reply(units, columns))["height"].values.tolist() == [100.0, 120.0]


@pytest.mark.parametrize(
    ("model", "span"),
    [
        ("icon_eu", (-1.0, 0.0)),
        ("ecmwf_ifs025", (-3.0, 0.0)),
        ("ncep_gfs_global", (0.0, 0.0)),
        (None, (-3.0, 1.0)),  # the widest: every hour that the gust could belong to
    ],
)
def test_trap_the_gust_says_which_hours_it_covers(model, span):
    cube = parse(reply({"wind_gusts_10m": "m/s"}, {"wind_gusts_10m": [5.0, 6.0]}), model=model)
    assert covers_hours(cube, "wind_speed_of_gust") == span


def test_trap_local_stamps_over_a_clock_change_are_read_by_the_replys_one_offset():
    """Berlin, 2026-10-25: clocks go back at 01:00Z. The reply keeps the summer offset, so 04:00 is 02:00Z."""
    hours = [f"2026-10-25T0{h}:00" for h in range(5)]
    cube = parse(
        reply(columns={"time": hours, "temperature_2m": [1.0] * 5}, utc_offset_seconds=7200, timezone="Europe/Berlin")
    )
    wanted = np.arange("2026-10-24T22", "2026-10-25T03", dtype="datetime64[h]")
    assert (cube["time"].values == wanted).all()


def test_several_places_come_in_order_and_the_first_has_no_number():
    first, second = json.loads(reply()), json.loads(reply(latitude=47.36, longitude=8.54, location_id=1))
    cube = parse(json.dumps([first, second]).encode(), names=["heath", "valley"])
    assert cube["site"].values.tolist() == ["heath", "valley"]
    assert cube["latitude"].values.tolist() == [52.28, 47.36]
    second["location_id"] = 2
    with pytest.raises(SourceError, match="another order"):
        parse(json.dumps([first, second]).encode(), names=["heath", "valley"])
    with pytest.raises(SourceError, match="2 places were asked for and 1 came back"):
        parse(json.dumps([first]).encode(), names=["heath", "valley"])


def test_two_places_in_one_cell_keep_their_dimension():
    place = json.loads(reply())
    cube = parse(json.dumps([place, place]).encode(), names=["a", "b"])
    assert cube["latitude"].dims == ("site",)
    assert cube["air_temperature"].dims == ("time", "site")


def test_a_missing_height_of_the_ground_is_not_zero():
    assert np.isnan(parse(reply(elevation=...))["surface_altitude"])


# --- hostile replies -------------------------------------------------------------------------------------------

HOSTILE = {
    "empty": (b"", "an empty body"),
    "spaces": (b"  \n ", "an empty body"),
    "web page": (b"<!DOCTYPE html><title>Sign in</title>", "a web page came back"),
    "text": (b"Service Unavailable", "not whole JSON"),
    "number": (b"17", "not a reply"),
    "text in JSON": (b'"nan"', "not a reply"),
    "empty list": (b"[]", "a list without places"),
    "list of numbers": (b"[1, 2]", "not a reply"),
    "cut short": (reply()[:-30], "not whole JSON"),
    "error in the stream": (reply()[:60] + b"Unexpected error while streaming data: x", "failed while"),
    "error object": (b'{"error":true,"reason":"No data is available for this location"}', "No data is available"),
    "not UTF-8": (b'\xff\xfe{"latitude":1}', "not whole JSON"),
    "deep nesting": (b"[" * 100_000, "not whole JSON"),
    "no latitude": (reply(latitude=...), "latitude is missing"),
    "latitude as text": (reply(latitude="52"), "latitude is missing or not a number"),
    "latitude true": (reply(latitude=True), "latitude is missing or not a number"),
    "off the Earth": (reply(latitude=152.0), "no place on Earth"),
    "ground as text": (reply(elevation="high"), "elevation is missing or not a number"),
    "no hourly": (reply(hourly=...), "no hourly values"),
    "no units": (reply(hourly_units=...), "no hourly values"),
    "no hours": (reply(columns={"time": [], "temperature_2m": []}), "no hours"),
    "time missing": (reply(columns={"time": None}), "no hours"),
    "time in another unit": (reply({"time": "fortnights"}), "time came as 'fortnights'"),
    "time as words": (reply(columns={"time": ["noon", "one"]}), "not of the form"),
    "31 February": (reply(columns={"time": ["2026-02-31T00:00", "2026-02-31T01:00"]}), "not on the calendar"),
    "offset missing": (reply(utc_offset_seconds=...), "utc_offset_seconds is missing"),
    "offset of a day": (reply(utc_offset_seconds=86400), "not an offset of a clock"),
    "seconds with a fraction": (reply({"time": "unixtime"}, {"time": [1.5, 2.5]}), "not in whole seconds"),
    "seconds beyond 2200": (reply({"time": "unixtime"}, {"time": [10**12, 10**13]}), "not in whole seconds"),
    "hours repeated": (reply(columns={"time": ["2026-03-10T00:00", "2026-03-10T00:00"]}), "does not increase"),
    "hours backwards": (reply(columns={"time": ["2026-03-10T01:00", "2026-03-10T00:00"]}), "does not increase"),
    "an hour left out": (reply(columns={"time": ["2026-03-10T01:00", "2026-03-10T03:00"]}), "not hourly"),
    "half hours": (reply(columns={"time": ["2026-03-10T00:30", "2026-03-10T01:30"]}), "not on the full hour"),
    "column too short": (reply(columns={"temperature_2m": [1.0]}), "has 1 values for 2 hours"),
    "column too long": (reply(columns={"temperature_2m": [1.0, 2, 3]}), "has 3 values for 2 hours"),
    "column is no list": (reply(columns={"temperature_2m": 1.0}), "no list values for 2 hours"),
    "text in a column": (reply(columns={"temperature_2m": ["1.0", 2]}), "not a number"),
    "true in a column": (reply(columns={"temperature_2m": [True, 2]}), "not a number"),
    "list in a column": (reply(columns={"temperature_2m": [[1], 2]}), "not a number"),
    "beyond all measure": (reply().replace(b"2.0", b"1" + b"0" * 400), "beyond all measure"),
    "infinite by overflow": (reply().replace(b"2.0", b"1e999"), "inf"),
    "unit missing": (reply({"temperature_2m": None}), "came in 'None'"),
    "absurd cold": (reply(columns={"temperature_2m": [-300.0, 2]}), "outside 170 to 340"),
    "absurd wind": (reply({"wind_gusts_10m": "m/s"}, {"wind_gusts_10m": [900, 2]}), "outside 0 to 150"),
    "negative rain": (reply({"precipitation": "mm"}, {"precipitation": [-1, 2]}), "outside 0 to 400"),
    "humidity of 5000 %": (reply({"relative_humidity_2m": "%"}, {"relative_humidity_2m": [5000, 2]}), "outside 0"),
    "members": (reply({"temperature_2m_member01": "°C"}, {"temperature_2m_member01": [1, 2]}), "an ensemble"),
    "both kinds": (reply({"temperature_2m_icon_eu": "°C"}, {"temperature_2m_icon_eu": [1, 2]}), "and without"),
    "nothing for us": (
        reply(hourly_units={"time": "iso8601"}, hourly={"time": ["2026-03-10T00:00"], "soil": [1]}),
        "nothing of a forecast",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_reply_gives_one_clear_error(name):
    body, words = HOSTILE[name]
    with pytest.raises(WxflyError) as caught:
        parse(body)
    message = str(caught.value)
    assert words in message
    assert message.startswith("test")
    assert "\n" not in message
    assert len(message) < 300


def test_a_fresh_reply_in_another_unit_is_refused(server):
    from tests.server import Fault

    server.once["forecast"] = [Fault(change=lambda body: body.replace(b'"m/s"', b'"km/h"'))]
    with pytest.raises(SourceError, match=r"came in 'km/h', wanted 'm/s'"):
        get_forecast([Site("heath", 52.3, 6.8)], "icon_eu", settings=load_settings())


def test_a_fresh_reply_without_a_name_that_was_asked_for_is_refused(server):
    from tests.server import Fault

    server.once["forecast"] = [Fault(change=lambda body: body.replace(b"wind_gusts_10m", b"wind_gusts_11m"))]
    with pytest.raises(SourceError, match="wind_gusts_10m was asked for and did not come"):
        get_forecast([Site("heath", 52.3, 6.8)], "icon_eu", settings=load_settings())


def test_a_fresh_reply_for_another_place_or_time_is_refused(server):
    server.now = datetime(2025, 1, 1, 12, tzinfo=UTC)
    with pytest.raises(SourceError, match=r"it is for 2025-01-01 to .*, not for the days to come"):
        get_forecast([Site("heath", 52.3, 6.8)], "icon_eu", settings=load_settings())
    from tests.server import Fault

    server.now = None
    server.once["forecast"] = [Fault(change=lambda body: body.replace(b'"latitude":52', b'"latitude":42'))]
    with pytest.raises(SourceError, match=r"the answer is for a place 111[12] km away"):
        get_forecast([Site("heath", 52.3, 6.8)], "icon_eu", settings=load_settings())


# --- asking ----------------------------------------------------------------------------------------------------


def test_two_places_are_asked_in_one_request_at_their_own_coordinates(server):
    sites = [Site("heath", 52.31, 6.84, 31.0), Site("valley", -46.62, 9.61, 560.0)]
    run = datetime(2026, 3, 10, 6, tzinfo=UTC)
    cube = get_forecast(sites, "icon_eu", settings=load_settings(), run=run)
    assert len(server.asked("forecast")) == 1
    assert cube["site"].values.tolist() == ["heath", "valley"]
    assert cube["latitude"].values.tolist() == [52.31, -46.62]
    assert cube["surface_altitude"].values.tolist() == [31.0, 560.0]
    assert cube["height"].values.tolist() == [10, 80, 120, 180]
    assert cube["forecast_reference_time"].values == np.datetime64("2026-03-10T06")
    assert cube.attrs["institution"].startswith("Deutscher Wetterdienst")
    assert "https://open-meteo.com/" in cube.attrs["attribution"]
    assert server.log[0].headers["user-agent"].startswith("wxfly/")


def test_cells_across_the_date_line_are_refused():
    with pytest.raises(WxflyError, match="date line"):
        get_surroundings([Site("atoll", 52.0, 179.9)], "ncep_gfs_global", settings=load_settings())


# --- replies as they really were -------------------------------------------------------------------------------

# File of samples/open-meteo -> what it shows: the shape and variables of a cube, or the words of the refusal.
SAMPLES = {
    "SYNTHETIC_multi_location.json": ({"time": 2, "site": 2, "height": 1}, "visibility_in_air"),
    "ensemble_mean_spread.json": ({"time": 2}, "air_temperature"),
    "height_levels.json": ({"time": 6, "height": 3}, "air_temperature_aloft"),
    "historical_forecast.json": ({"time": 3}, "weather_code"),
    "multi_model_only_one_covers.json": ({"time": 2}, "air_temperature"),
    "pressure_levels.json": ({"time": 2}, "air_temperature"),
    "previous_runs.json": ({"time": 3}, "precipitation_amount"),
    "single_run.json": ({"time": 3}, "air_temperature"),
    "elevation.json": "latitude is missing",
    "errors.json": "latitude is missing",
    "ensemble_two_models_trimmed.json": "an ensemble reply",
    "ensemble_undefined_unit_and_null.json": "an ensemble reply",
    "geocoding.json": "latitude is missing",
    "geocoding_empty.json": "latitude is missing",
    "geocoding_missing_fields.json": "latitude is missing",
    "minutely_15.json": "no hourly values",
    "model_meta_icon_d2.json": "latitude is missing",
    "multi_model.json": "it holds several models; name one",
    "not_covered_nan_NOT_JSON.txt": "does not cover the place",
    "previous_runs_models.json": "it holds several models; name one",
}


@needs_samples
@pytest.mark.parametrize("name", SAMPLES)
def test_each_sample_goes_through_the_parser_or_is_refused(name):
    path = SHARED / "samples" / "open-meteo" / name
    shown = SAMPLES[name]
    if isinstance(shown, str):
        with pytest.raises(WxflyError, match=shown):
            read_forecast(path)
        return
    sizes, variable = shown
    cube = read_forecast(path)
    assert {name: size for name, size in cube.sizes.items() if name != "bnds"} == sizes
    assert bool(cube[variable].notnull().any())


@needs_samples
def test_no_sample_is_left_out():
    files = {p.name for p in (SHARED / "samples" / "open-meteo").iterdir()} - {"README.md"}
    assert files == set(SAMPLES)


@needs_samples
def test_one_model_is_taken_out_of_a_reply_with_several():
    path = SHARED / "samples" / "open-meteo" / "multi_model.json"
    cube = read_forecast(path, model="meteoswiss_icon_seamless")
    assert cube["air_temperature"].values == pytest.approx(np.array([20.7, 21.5]) + 273.15)
    assert cube["time"].values[0] == np.datetime64("2026-10-03T11:00")  # 13:00 at +2 h
    with pytest.raises(SourceError, match="not of icon_d2"):
        read_forecast(path, model="icon_d2")


@needs_samples
def test_older_thoughts_on_the_same_hour_are_not_mixed_in():
    cube = read_forecast(SHARED / "samples" / "open-meteo" / "previous_runs.json")
    assert cube["air_temperature"].values == pytest.approx(np.array([13.8, 13.3, 12.1]) + 273.15)
    assert "temperature_2m_previous_day1" in cube.attrs["not_used"]


@needs_samples
def test_the_week_of_berlin_is_read_in_si_and_utc():
    raw = json.loads((SHARED / "data" / "replies" / "berlin_2021-11-24_168h.json").read_text())
    cube = read_forecast(SHARED / "data" / "replies" / "berlin_2021-11-24_168h.json")
    assert dict(cube["wind_speed"].sizes) == {"time": 168, "height": 4}
    assert cube["time"].values[0] == np.datetime64("2021-11-23T23:00")
    for height in (10, 80, 120, 180):
        kmh = np.array(raw["hourly"][f"wind_speed_{height}m"])
        assert np.allclose(cube["wind_speed"].sel(height=height), kmh / 3.6)
    assert np.allclose(cube["wind_speed_of_gust"], np.array(raw["hourly"]["wind_gusts_10m"]) / 3.6)
    assert 1 < float(cube["wind_speed"].mean()) < 15, "metres a second, not km/h"
    assert 260 < float(cube["air_temperature"].mean()) < 290
    assert "visibility_in_air" not in cube
    assert "surface_air_pressure" not in cube


@needs_samples
def test_the_reply_of_enschede_shows_made_up_heights_and_undefined_ones():
    cube = read_forecast(SHARED / "data" / "replies" / "enschede_2026-10-03_3h_selected.json")
    assert provided_heights(cube, "wind_speed").tolist() == [10.0, 50.0, 100.0, 200.0]
    assert provided_heights(cube, "wind_from_direction").tolist() == [10.0, 100.0, 200.0]
    assert {"wind_speed_80m", "wind_speed_120m", "wind_speed_180m"} <= set(cube.attrs["not_used"].split())
    assert np.isnan(cube["surface_roughness_length"].values[:2]).all()
    assert float(cube["visibility_in_air"][0]) == 50_000


@pytest.mark.live
def test_the_real_service_answers(monkeypatch):
    for name in ("FORECAST", "METADATA"):
        monkeypatch.delenv(f"WXFLY_{name}_URL")
    monkeypatch.setenv("WXFLY_PATIENCE", "30")
    cube = get_forecast([Site("Greenwich", 51.48, 0.0)], "ncep_gfs_global", settings=load_settings())
    assert isinstance(cube, xr.Dataset)


# --- heights that are made up -----------------------------------------------------------------------------------


def test_the_fixed_ratio_is_that_of_fao_56():
    """Allen et al. (1998), FAO-56, equation 47 and example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m."""
    assert 3.2 * rescaling_factor(2, 10) == pytest.approx(2.4, abs=0.05)
    assert rescaling_factor(2, 10) == pytest.approx(4.87 / math.log(67.8 * 10 - 5.42), rel=1e-3)


def profile(exponent, heights, hours=24, seed=1):
    rng = np.random.default_rng(seed)
    at10 = 2 + 6 * rng.random(hours)
    bend = exponent + 0.1 * rng.standard_normal(hours)
    return {"wind_speed": {h: np.round(at10 * (h / 10) ** bend, 1) for h in heights}}


def test_true_levels_are_all_kept():
    levels, dropped = drop_rescaled_heights(profile(0.2, (10, 80, 100, 120, 180)))
    assert list(levels["wind_speed"]) == [10, 80, 100, 120, 180]
    assert dropped == []


@pytest.mark.parametrize(("made", "origin"), [(80, 100), (120, 100), (120, 150), (180, 200), (200, 180), (100, 70)])
def test_each_made_up_height_is_found(made, origin):
    levels = profile(0.2, (10, origin))
    speed = levels["wind_speed"]
    speed[made] = np.round(speed[origin] * rescaling_factor(made, origin), 1)
    kept, dropped = drop_rescaled_heights(levels)
    assert sorted(kept["wind_speed"]) in ([10, origin], [10, made])  # of a pair, either says it all
    assert len(dropped) == 1


def test_two_hours_are_too_few_to_tell_and_a_calm_is_no_proof():
    two = {h: np.array([5.0, 6.0]) * rescaling_factor(h, 100) for h in (100, 120)}
    assert drop_rescaled_heights({"wind_speed": two})[1] == []
    calm = {h: np.full(24, 0.1) for h in (100, 120)}
    assert drop_rescaled_heights({"wind_speed": calm})[1] == []
