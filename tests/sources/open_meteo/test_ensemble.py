"""The ensemble service: real replies, members that are missing, models that carry less, faults."""

import json

import numpy as np
import pytest

from tests.shared import SHARED
from wxfly.cube.contract import covers_hours, lost_members
from wxfly.errors import WxflyError
from wxfly.sources.open_meteo.ensemble import ensemble_names, get_ensemble, parse_ensemble, read_ensemble
from wxfly.sources.open_meteo.models import ENSEMBLES, HOUR_BEFORE, THREE_HOURS_BEFORE, find_ensemble
from wxfly.sources.open_meteo.reply import our_name

SAMPLES = SHARED / "samples" / "open-meteo"
HOURS = 6


def make_reply(model=None, members=4, heights=(10, 80), made_up=(), **columns):
    """Make a reply of the service in which every member has its own wind."""
    tail = f"_{model}" if model else ""
    hourly = {"time": [1_780_000_000 // 3600 * 3600 + 3600 * h for h in range(HOURS)]}
    units = {"time": "unixtime"}
    for member in range(members):
        mark = f"_member{member:02d}" if member else ""
        values = {
            f"wind_speed_{h}m": [2.0 + member + 0.1 * h**0.5 + 0.2 * hour for hour in range(HOURS)] for h in heights
        }
        values |= {f"wind_direction_{h}m": [200.0 + member] * HOURS for h in heights}
        values["wind_gusts_10m"] = [5.0 + member] * HOURS
        for height, origin in made_up:
            factor = np.log(67.8 * height - 5.42) / np.log(67.8 * origin - 5.42)
            values[f"wind_speed_{height}m"] = [round(v * factor, 2) for v in values[f"wind_speed_{origin}m"]]
        values |= {name: [column(member, hour) for hour in range(HOURS)] for name, column in columns.items()}
        for name, column in values.items():
            hourly[name + mark + tail] = column
            units[name + mark + tail] = (
                "°" if "direction" in name else "°C" if "temperature" in name else "m/s" if "wind" in name else "mm"
            )
    return {
        "latitude": 52.1, "longitude": 6.9, "elevation": 30.0, "utc_offset_seconds": 0, "hourly_units": units,
        "hourly": hourly,
    }  # fmt: skip


def parse(document, **options):
    return parse_ensemble(json.dumps(document).encode(), **options)


def came(cube):
    """Count the members that came; the lost ones are there and know nothing."""
    return cube.sizes["realization"] - lost_members(cube)


def test_control_and_members_go_side_by_side():
    (cube,) = parse(make_reply("icon_d2_eps"), names=["here"])
    assert dict(cube["wind_speed"].sizes) == {"time": HOURS, "site": 1, "realization": 20, "height": 2}
    assert cube["realization"].values.tolist() == list(range(20))
    assert cube["wind_speed_of_gust"].isel(time=0, site=0).values[:4].tolist() == [5.0, 6.0, 7.0, 8.0]
    assert covers_hours(cube, "wind_speed_of_gust") == HOUR_BEFORE
    assert lost_members(cube) == 16
    assert lost_members(cube + 0.0) == 16  # whatever is worked out with it
    assert cube.attrs["model"] == "icon_d2_eps"


def test_a_reply_without_the_models_name():
    (cube,) = parse(make_reply(None), model="ecmwf_ifs025_ensemble")
    assert "site" not in cube.dims
    assert came(cube) == 4
    assert covers_hours(cube, "wind_speed_of_gust") == THREE_HOURS_BEFORE


def test_several_models_stay_apart():
    document = make_reply("icon_d2_eps")
    other = make_reply("ecmwf_ifs025_ensemble", members=7, heights=(10, 100))
    document["hourly"] |= other["hourly"]
    document["hourly_units"] |= other["hourly_units"]
    first, second = parse(document)
    assert (first.attrs["model"], second.attrs["model"]) == ("icon_d2_eps", "ecmwf_ifs025_ensemble")
    assert first["height"].values.tolist() == [10, 80]
    assert second["height"].values.tolist() == [10, 100]
    assert (came(first), came(second)) == (4, 7)


def test_several_places():
    here, there = make_reply("icon_d2_eps"), make_reply("icon_d2_eps")
    there |= {"latitude": 47.0, "location_id": 1}
    there["hourly"]["wind_gusts_10m_member02_icon_d2_eps"] = [9.5] * HOURS
    (cube,) = parse([here, there], names=["a", "b"])
    assert cube["latitude"].values.tolist() == [52.1, 47.0]
    gust = cube["wind_speed_of_gust"].isel(time=0).transpose("site", "realization").values
    assert gust[:, :4].tolist() == [[5, 6, 7, 8], [5, 6, 9.5, 8]]
    with pytest.raises(WxflyError, match="1 places were asked for and 2 came back"):
        parse([here, there], names=["a"])


def test_a_height_made_up_from_another_is_left_out_of_every_member():
    (cube,) = parse(make_reply("icon_d2_eps", heights=(10, 100), made_up=[(80, 100)]))
    assert cube["height"].values.tolist() == [10, 100]
    assert "wind_speed_80m" in cube.attrs["not_used"]


def test_an_undefined_height_is_left_out():
    document = make_reply("icon_d2_eps", heights=(10, 80))
    for key in [k for k in document["hourly"] if "_80m" in k]:
        document["hourly"][key] = [None] * HOURS
        document["hourly_units"][key] = "undefined"
    (cube,) = parse(document)
    assert cube["height"].values.tolist() == [10]


def test_a_member_without_values_is_there_and_missing():
    document = make_reply("icon_d2_eps")
    document["hourly"]["wind_gusts_10m_member02_icon_d2_eps"] = [None] * HOURS
    del document["hourly"]["wind_speed_10m_member03_icon_d2_eps"]
    (cube,) = parse(document)
    assert cube["wind_speed_of_gust"].sel(realization=2).isnull().all()
    assert cube["wind_speed"].sel(realization=3, height=10).isnull().all()
    assert cube["wind_speed"].sel(realization=3, height=80).notnull().all()


def test_a_member_that_stops_before_the_others_should_have_reached_as_far():
    document = make_reply("icon_d2_eps")
    for key in [k for k in document["hourly"] if "member01" in k]:
        document["hourly"][key][4:] = [None, None]
    (cube,) = parse(document)
    assert cube["last_time"].sel(realization=1) == cube["time"].values[-1]
    assert cube["last_time"].sel(realization=2) == cube["time"].values[-1]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"error": True, "reason": "Daily limit"}, "Daily limit"),
        ({"hourly": None}, "no hourly values"),
        ({"hourly": {"time": [1_780_000_000 // 3600 * 3600]}}, "nothing of an ensemble"),
    ],
)
def test_faults_are_told_in_one_line(change, told):
    with pytest.raises(WxflyError, match=told) as fault:
        parse(make_reply("icon_d2_eps") | change)
    assert "\n" not in str(fault.value)


def test_another_model_than_the_one_asked_is_refused():
    with pytest.raises(WxflyError, match="not of icon_eu_eps"):
        parse(make_reply("icon_d2_eps"), model="icon_eu_eps")


def test_a_bad_unit_and_a_wrong_magnitude_are_refused():
    document = make_reply("icon_d2_eps")
    document["hourly_units"]["wind_gusts_10m_member01_icon_d2_eps"] = "furlong"
    with pytest.raises(WxflyError, match="furlong"):
        parse(document)
    document = make_reply("icon_d2_eps")
    document["hourly"]["wind_gusts_10m_member01_icon_d2_eps"] = [900.0] * HOURS
    with pytest.raises(WxflyError, match="outside"):
        parse(document)


def test_names_of_ensembles():
    assert find_ensemble("icon_d2_eps").members == 20
    with pytest.raises(WxflyError, match="icon_eu_eps"):
        find_ensemble("icon_eu_ep")
    with pytest.raises(WxflyError, match="changes its model on the way"):
        find_ensemble("icon_seamless_eps")
    assert all(our_name(name) for name in ensemble_names())
    assert all(row.members > 1 for row in ENSEMBLES.values())


def test_asking_names_the_ensemble(monkeypatch):
    from dataclasses import replace

    from wxfly.pilot.settings import load_settings
    from wxfly.pilot.site import Site
    from wxfly.sources.open_meteo import forecast
    from wxfly.sources.reply import Reply

    asked = {}
    now = np.datetime64("now", "h").astype("datetime64[s]").astype(int)
    document = make_reply("icon_d2_eps")
    document["hourly"]["time"] = [int(now) + 3600 * h for h in range(HOURS)]

    def play(url, parameters, parse, **options):
        asked.update(parameters, url=url)
        return parse(Reply(200, {}, json.dumps([document]).encode()))

    monkeypatch.setattr(forecast, "download", play)
    settings = load_settings()
    settings = replace(settings, addresses=settings.addresses | {"ensemble": "http://127.0.0.1:9/ensemble"})
    site = Site("here", 52.1, 6.9, surface_altitude=31.0, time_zone="Europe/Amsterdam")
    cube = get_ensemble([site], "icon_d2_eps", settings=settings)
    assert came(cube) == 4
    assert asked["models"] == "icon_d2_eps"
    assert asked["wind_speed_unit"] == "ms"
    assert asked["elevation"] == "31"
    assert "wind_gusts_10m" in asked["hourly"].split(",")


# --- real replies -------------------------------------------------------------------------------------------------

REAL = [
    ("samples/open-meteo/ensemble_two_models_trimmed.json", [("icon_seamless_eps", 4), ("ecmwf_ifs025_ensemble", 3)]),
    (
        "samples/open-meteo/ensemble_undefined_unit_and_null.json",
        [("ukmo_global_ensemble_20km", 3), ("cmc_gem_geps", 3)],
    ),
    ("data/replies/ensemble_2026-10-03_2h.json", [("not known", 21)]),
]


@pytest.mark.parametrize(("name", "expected"), REAL)
def test_real_replies(name, expected):
    if not (SHARED / name).exists():
        pytest.skip("the recorded replies are not beside the checkout")
    cubes = read_ensemble(SHARED / name, name="there")
    assert [(c.attrs["model"], came(c)) for c in cubes] == expected
    assert all(c["air_temperature"].dropna("realization", how="all").notnull().all() for c in cubes)
    assert all(280 < float(c["air_temperature"].mean()) < 292 for c in cubes)


def test_the_mean_of_an_ensemble_is_no_ensemble():
    if not SAMPLES.exists():
        pytest.skip("the recorded replies are not beside the checkout")
    with pytest.raises(WxflyError, match="no member in it"):
        read_ensemble(SAMPLES / "ensemble_mean_spread.json")
