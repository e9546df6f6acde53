"""The shipped demonstration: the manifest, that the generator makes it, and that its weather is coherent."""

import hashlib
import json
import os
import subprocess
import sys
import tomllib
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.cubes import OF_SOME_SOURCES
from wxfly.answer.briefing import make_briefing
from wxfly.answer.request import Request
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import VARIABLES, check_forecast, to_file
from wxfly.cube.netcdf import load_cube
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.retrieval.origin import ForecastOrigin

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "cached_forecasts"
MANIFEST = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))
FILES = [entry["file"] for entry in MANIFEST["files"]]
DEFAULT = next(entry for entry in MANIFEST["files"] if entry["default"])
AIRCRAFT = load_aircraft()["camera-quad-250g"]
HEIGHT = 60.0

# What the generator rounds to, in the unit of the cube.
STEP = {
    "wind_speed": 0.01, "wind_from_direction": 1, "wind_speed_of_gust": 0.01, "air_temperature": 0.01,
    "air_temperature_aloft": 0.01, "dew_point_temperature": 0.01, "relative_humidity": 0.01,
    "surface_air_pressure": 10, "air_pressure_at_mean_sea_level": 10, "precipitation_amount": 0.1,
    "precipitation_probability": 0.01, "weather_code": 1, "cloud_area_fraction": 0.01,
    "low_type_cloud_area_fraction": 0.01, "medium_type_cloud_area_fraction": 0.01,
    "high_type_cloud_area_fraction": 0.01, "cloud_base_altitude": 10, "freezing_level_altitude": 10,
    "visibility_in_air": 10, "atmosphere_convective_available_potential_energy": 10, "lifted_index": 0.1,
    "atmosphere_boundary_layer_thickness": 10, "surface_roughness_length": 0.0001, "kp_index": 0.01,
}  # fmt: skip

FOG, THUNDER, FREEZING = (45, 48), (95, 96, 99), (56, 57, 66, 67)
SNOW, SHOWERS = (71, 73, 75, 77, 85, 86), (80, 81, 82, 85, 86)
NOT_FALLING = (0, 1, 2, 3, *FOG)

USUAL = set(VARIABLES) - set(OF_SOME_SOURCES)


@pytest.fixture(scope="module", params=FILES)
def cube(request):
    return load_cube(FOLDER / request.param, verify=True)


def celsius(cube, name="air_temperature"):
    return cube[name] - 273.15


def above_ground(cube, name):
    return cube[name] - cube["surface_altitude"]


def has_code(cube, codes):
    return cube["weather_code"].isin(codes)


def entry_of(cube):
    return next(e for e in MANIFEST["files"] if e["title"] == cube.attrs["title"])


def sites_of(entry):
    return [Site(is_demo=True, **{k: v for k, v in site.items() if k != "description"}) for site in entry["sites"]]


# --- files and manifest ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("entry", MANIFEST["files"], ids=FILES)
def test_manifest_tells_what_is_shipped(entry):
    path = FOLDER / entry["file"]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == entry["sha256"]
    assert path.stat().st_size < 300_000
    assert entry["invented"] is True
    assert entry["license"] and entry["made"] and entry["generator_version"] and isinstance(entry["seed"], int)
    cube = load_cube(path)
    assert str(cube["forecast_reference_time"].values)[:19] + "Z" == entry["forecast_reference_time"]
    assert cube.sizes["time"] == entry["hours"] == 16 * 24
    assert [str(name) for name in cube["site"].values] == [site["name"] for site in entry["sites"]]
    for position, site in enumerate(sites_of(entry)):
        for key in ("latitude", "longitude", "surface_altitude"):
            assert float(cube[key][position]) == getattr(site, key)
        assert str(cube["time_zone"].values[position]) == site.time_zone
    assert all("invented" in site["description"] for site in entry["sites"])


def test_the_demonstration_is_rich_enough():
    assert len(FILES) == len(set(FILES)) and sum(entry["default"] for entry in MANIFEST["files"]) == 1
    shipped = sorted(path.name for path in FOLDER.glob("*.nc"))
    assert shipped == sorted(FILES)
    classes = tomllib.loads((files("wxfly") / "data" / "surface_cover.toml").read_text(encoding="utf-8"))
    for entry in MANIFEST["files"]:
        assert len(entry["sites"]) >= 3
        assert len({site["time_zone"] for site in entry["sites"]}) >= 2
        assert {site["surface_cover"] for site in entry["sites"]} <= set(classes)


def test_cube_keeps_the_contract(cube):
    check_forecast(cube)
    assert set(map(str, cube.data_vars)) == USUAL
    assert "invented" in cube.attrs["source"] and cube.attrs["model"] == "invented"
    assert str(cube["time"].values[0]) == str(cube["forecast_reference_time"].values)
    for name in USUAL - {"cloud_base_altitude"}:
        assert not bool(cube[name].isnull().any()), name


def test_any_netcdf_tool_opens_it(cube):
    with xr.open_dataset(FOLDER / entry_of(cube)["file"], engine="h5netcdf", decode_coords="all") as opened:
        assert set(opened.data_vars) == USUAL
        xr.testing.assert_equal(opened.load().set_index(site="site_name"), to_file(cube))


def test_values_have_the_precision_of_a_service(cube):
    assert set(STEP) == USUAL
    for name, step in STEP.items():
        values = cube[name].values
        known = values[~np.isnan(values)]
        assert np.allclose(known / step, np.round(known / step), atol=1e-6), name


@pytest.mark.thorough
def test_the_generator_makes_the_shipped_values(tmp_path):
    subprocess.run(
        [sys.executable, str(FOLDER / "generate.py"), "--folder", str(tmp_path)],
        check=True,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )
    made = json.loads((tmp_path / "manifest.json").read_text(encoding="utf-8"))
    assert [e["file"] for e in made["files"]] == FILES
    for old, new in zip(MANIFEST["files"], made["files"], strict=True):
        assert {k: v for k, v in old.items() if k != "sha256"} == {k: v for k, v in new.items() if k != "sha256"}
        shipped, again = load_cube(FOLDER / old["file"]), load_cube(tmp_path / old["file"])
        for name in map(str, shipped.variables):
            if name in VARIABLES:
                # Another machine's exp and log may differ in the last digit, and so round to the next step.
                here, there = shipped[name].values, again[name].values
                assert (np.isnan(here) == np.isnan(there)).all(), name
                away = np.abs(here - there)[~np.isnan(here)]
                assert (away < 1.5 * STEP[name]).all() and (away > 1e-9).mean() < 0.01, name
            else:
                assert (shipped[name].values == again[name].values).all(), name
        assert {**shipped.attrs, "content_sha256": ""} == {**again.attrs, "content_sha256": ""}


# --- coherence -------------------------------------------------------------------------------------------------


def test_humidity_fits_temperature_and_dew_point(cube):
    t, td = celsius(cube), celsius(cube, "dew_point_temperature")
    assert bool((td <= t + 1e-9).all())
    # Magnus over water, WMO-No. 8.
    expected = np.exp(17.62 * td / (243.12 + td) - 17.62 * t / (243.12 + t))
    assert float(abs(cube["relative_humidity"] - expected).max()) <= 0.006


def test_pressures_fit_each_other(cube):
    fall = 0.0065 * cube["surface_altitude"]
    expected = cube["surface_air_pressure"] * (1 + fall / cube["air_temperature"]) ** 5.2559
    assert float(abs(cube["air_pressure_at_mean_sea_level"] - expected).max()) < 25
    # Within an hour the pressure of a fortnight without a tropical storm moves by less than 5 hPa.
    assert float(abs(cube["surface_air_pressure"].diff("time")).max()) < 500


def test_gust_is_no_less_than_the_wind(cube):
    at_10m = cube["wind_speed"].sel(height=10)
    assert bool((cube["wind_speed_of_gust"] >= at_10m).all())
    ratio = (cube["wind_speed_of_gust"] / at_10m).where((at_10m > 5) & ~has_code(cube, (*SHOWERS, *THUNDER)))
    assert float(ratio.min()) > 1.1
    assert float(ratio.max()) < 2.4


def test_cloud_base_goes_with_cloud(cube):
    base, total = above_ground(cube, "cloud_base_altitude"), cube["cloud_area_fraction"]
    low, mid, high = (cube[f"{k}_type_cloud_area_fraction"] for k in ("low", "medium", "high"))
    assert bool((base.isnull() == (total == 0)).all())
    assert bool(base.isnull().any())
    assert float(base.min()) >= -5  # rounded to 10 m
    assert bool(((base < 2000) <= (low > 0)).all())
    assert bool((total >= np.maximum(np.maximum(low, mid), high) - 0.005).all())
    assert bool((total <= low + mid + high + 0.005).all())
    # Cloud in the lowest 150 m does not hang over dry air, and a base near the ground out of fog is none.
    assert float(cube["relative_humidity"].where(base < 150).min()) >= 0.85
    assert bool(((base < 30) == has_code(cube, FOG)).all())


def test_precipitation_goes_with_its_code(cube):
    amount = cube["precipitation_amount"]
    assert bool(((amount > 0) == ~has_code(cube, NOT_FALLING)).all())
    assert float(cube["precipitation_probability"].where(amount > 0).min()) >= 0.3
    assert float(cube["low_type_cloud_area_fraction"].where(amount > 0).min()) >= 0.5
    assert not bool((has_code(cube, FREEZING) & (celsius(cube) > 0)).any())
    assert not bool((has_code(cube, SNOW) & (celsius(cube) > 2)).any())
    rain = has_code(cube, (51, 53, 55, 61, 63, 65, 80, 81, 82))
    assert not bool((rain & (celsius(cube) < 0)).any())


def test_fog_goes_with_short_sight(cube):
    fog = has_code(cube, FOG)
    assert bool((fog == (cube["visibility_in_air"] < 1000)).all())
    assert bool((has_code(cube, (48,)) <= (celsius(cube) <= 0)).all())
    assert float(cube["relative_humidity"].where(fog).min()) >= 0.97
    assert float(cube["wind_speed"].sel(height=10).where(fog).max()) < 6


def test_thunder_goes_with_instability(cube):
    thunder = has_code(cube, THUNDER)
    cape, lifted = cube["atmosphere_convective_available_potential_energy"], cube["lifted_index"]
    assert float(cape.where(thunder).min()) >= 100
    assert float(lifted.where(thunder).max()) <= 0
    strong = cape >= 1000
    assert bool(strong.any()) == (float(cube["air_temperature"].max()) > 293.15)  # of a summer; there is none in winter
    assert not bool((strong & ~(lifted <= -3)).any())
    assert float(lifted.where(cape == 0).min()) > 0


def test_wind_is_sheared_by_night_and_mixed_by_day(cube):
    ratio = (cube["wind_speed"].sel(height=120) / cube["wind_speed"].sel(height=10)).where(
        cube["wind_speed"].sel(height=120) > 3
    )
    for site in ("Valdrenna", "Whistlebrush"):
        local = (cube["time"].dt.hour + float(cube["longitude"].sel(site=site)) / 15) % 24
        clear = cube["cloud_area_fraction"].sel(site=site) < 0.5
        here = ratio.sel(site=site).where(clear)
        night = here.where((local < 4) | (local > 22)).median()
        day = here.where((local > 11) & (local < 15)).median()
        assert float(night) > 2 and 1.0 < float(day) < 1.6, site


def test_wind_veers_with_height(cube):
    strong = cube["wind_speed"].sel(height=10) > 4
    turn = cube["wind_from_direction"].sel(height=180) - cube["wind_from_direction"].sel(height=10)
    turn = ((turn + 180) % 360 - 180).where(strong)
    assert 3 < float(turn.median()) < 25


def test_freezing_level_fits_the_temperature(cube):
    level = above_ground(cube, "freezing_level_altitude")
    aloft = celsius(cube, "air_temperature_aloft").sel(height=180)
    assert float(level.min()) >= -5
    assert float(level.where(aloft > 1).min()) > 150
    assert not bool(((aloft < -1.5) & (level > 180)).any())
    # A temperature falling by 4 to 10 K in a kilometre leads from 180 m to the freezing level.
    warm = aloft > 5
    lapse = (aloft / ((level - 180) / 1000)).where(warm)
    assert float(lapse.min()) > 4
    assert float(lapse.max()) < 11


def test_temperature_aloft_is_physical(cube):
    aloft = celsius(cube, "air_temperature_aloft")
    lapse = -(aloft.sel(height=180) - aloft.sel(height=80)) / 0.1
    assert float(lapse.max()) < 11  # [K km-1] dry adiabatic and a rounding
    assert float(abs(aloft.sel(height=10) - celsius(cube)).max()) < 2


def test_temperature_follows_the_sun(cube):
    for site in ("Valdrenna", "Whistlebrush"):  # by the sea the air mass says more than the sun
        local = (cube["time"].dt.hour + float(cube["longitude"].sel(site=site)) / 15) % 24
        mean = celsius(cube).sel(site=site).groupby(np.round(local).astype(int) % 24).mean()
        assert int(mean.idxmax().values.item()) in range(12, 19), site
        assert int(mean.idxmin().values.item()) in range(2, 8), site


def test_kp_holds_over_its_three_hours(cube):
    assert cube["kp_index"].dims == ("time",)
    blocks = cube["kp_index"].values.reshape(-1, 3)  # the run starts on a multiple of three hours
    assert (blocks == blocks[:, :1]).all()
    thirds = cube["kp_index"].values * 3
    assert np.allclose(thirds, np.round(thirds), atol=0.02)
    # Past the three-hourly forecast the largest value of the day is held over the whole day.
    day = cube["time"].values.astype("datetime64[D]")
    for date in np.unique(day)[5:]:
        assert len(set(cube["kp_index"].values[day == date])) == 1


# --- events ----------------------------------------------------------------------------------------------------


@cache
def opened(name):
    return load_cube(FOLDER / name)


def test_front_with_rain_a_trough_and_a_veering_wind():
    headland = opened("late-winter.nc").sel(site="Kelderness").sel(time=slice("2026-03-15T18", "2026-03-16T12"))
    assert float(headland["precipitation_amount"].sum()) > 15
    lowest = int(headland["air_pressure_at_mean_sea_level"].values.argmin())
    assert 4 < lowest < headland.sizes["time"] - 4
    direction = headland["wind_from_direction"].sel(height=80).values
    turn = (np.diff(direction) + 180) % 360 - 180
    assert turn[lowest - 3 : lowest + 3].sum() > 40
    assert float(headland["wind_speed_of_gust"].max()) > 17


def test_night_with_a_jet_above_calm_ground():
    valley = opened("late-winter.nc").sel(site="Valdrenna").sel(time=slice("2026-03-18T00", "2026-03-18T07"))
    calm = valley["wind_speed"].sel(height=10) < 3
    jet = valley["wind_speed"].sel(height=[120, 180]) > 11
    assert int((calm & jet.all("height")).sum()) >= 3


def test_foggy_frosty_morning():
    valley = opened("late-winter.nc").sel(site="Valdrenna").sel(time=slice("2026-03-16T03", "2026-03-16T07"))
    assert bool((has_code(valley, (48,)) & (celsius(valley) < -2) & (valley["visibility_in_air"] < 300)).all())


def test_hot_thin_air_heat_and_thunderstorms():
    summer = opened("high-summer.nc")
    upland = summer.sel(site="Whistlebrush")
    conditions = derive(upland, height=HEIGHT)
    assert float(conditions["density_altitude"].max()) > 3750
    assert float(celsius(summer).sel(site="Valdrenna").max()) > 34
    for site in ("Valdrenna", "Whistlebrush"):
        assert int(has_code(summer.sel(site=site), (95,)).sum()) >= 5, site
    assert float(summer["atmosphere_convective_available_potential_energy"].max()) > 1500


def test_snow_freezing_drizzle_and_a_geomagnetic_storm():
    winter = opened("late-winter.nc")
    assert int(has_code(winter.sel(site="Whistlebrush"), FREEZING).sum()) >= 6
    assert int(has_code(winter, SNOW).sum()) >= 20
    assert float(winter["kp_index"].max()) >= 8


# --- what the demonstration is for -----------------------------------------------------------------------------


def ask(question, entry, **period):
    cube = opened(entry["file"])
    now = cube["forecast_reference_time"].values.astype("datetime64[s]")
    requests = [Request(site, AIRCRAFT, limits_for(AIRCRAFT), HEIGHT) for site in sites_of(entry)]
    periods = [period_of(request.site, now, **period) for request in requests]
    return make_briefing(
        question,
        cube,
        requests,
        periods,
        minimum_duration=np.timedelta64(45, "m"),
        now=now,
        provenance=ForecastOrigin(),
    )


def test_every_element_limits_some_hour():
    """In an hour of light, for the default aircraft."""
    limiting = set()
    dark = set()
    for name in FILES:
        assessment = assess(derive(opened(name), height=HEIGHT), limits_for(AIRCRAFT))
        lit = assessment["margin"].sel(element="daylight").values > 0
        limiting |= set(assessment["limiting_element"].values[lit])
        # Calm nights: nothing but the dark is against them.
        others = assessment["margin"].drop_sel(element="daylight").min("element").values
        dark |= {"daylight"} if (~lit & (others > 0.2)).any() else set()
    assert limiting | dark == set(NAMES), set(NAMES) - limiting - dark


def test_best_hour_tomorrow_is_worth_asking():
    answer = ask("best", DEFAULT).answers[0]
    state = answer.assessment["state"].values
    lit = answer.assessment["margin"].sel(element="daylight").values > 0
    assert (state[lit] == State.OUTSIDE).sum() >= 3 and (state[lit] == State.INSIDE).sum() >= 2
    best = answer.best
    assert best is not None and best.state == State.INSIDE
    assert np.timedelta64(1, "h") <= best.length <= np.timedelta64(6, "h")
    assert int(str(best.start)[11:13]) >= 9
    assert int(str(best.end)[11:13]) <= 16


def test_comparing_has_different_winners():
    briefing = ask("compare", DEFAULT)
    winners = []
    hours = np.arange(np.datetime64("2026-03-15T06"), np.datetime64("2026-03-15T23"), np.timedelta64(1, "h"))
    for hour in hours:
        margins = {}
        for answer in briefing.answers:
            times = answer.assessment["time"].values
            if (here := np.flatnonzero(times == hour)).size:
                margins[answer.request.site.name] = float(answer.assessment["hour_margin"].values[here[0]])
        best = max(margins, key=margins.get)
        if margins[best] >= 0:
            winners.append(best)
    assert len(set(winners)) == 3, winners


@pytest.mark.thorough
def test_the_week_has_bad_days_narrow_days_and_a_golden_one():
    answer = ask("week", DEFAULT, first_day=0, days=7).answers[0]
    days = answer.start.astype("datetime64[D]") + np.arange(7)
    by_day = {day: [w for w in answer.windows if w.start.astype("datetime64[D]") == day] for day in days}
    assert sum(not windows for windows in by_day.values()) >= 2
    best = {day: windows[0] for day, windows in by_day.items() if windows}
    assert any(w.state == State.NARROW for w in best.values())
    golden = max(best.values(), key=lambda w: w.margin)
    assert golden.margin > 0.5 and golden.length >= np.timedelta64(3, "h")
