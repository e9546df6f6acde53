"""The model chosen by place and hours over a real socket: with every one of them down in turn, and with hours lost."""

import numpy as np
import pytest

from tests.retrieval.test_forecast import HEATH, count
from tests.server import Fault
from wxfly.cube.contract import FORECAST_MODEL, check_forecast, models_of
from wxfly.cube.joined import hours_by_model
from wxfly.errors import WxflyError
from wxfly.pilot.site import Site
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.members import WITHOUT_MEMBERS, chosen_members, members_asked_for
from wxfly.retrieval.model_choice import Wanted
from wxfly.store.pruning import clear_store

pytestmark = pytest.mark.usefixtures("chooses")
TOKYO = Site("bay", 35.7, 139.7, 5.0, "Asia/Tokyo")
SAVED = {"heath": HEATH, "bay": TOKYO}
REFUSED = "No data is available for this location"
PLAYED = {"icon_d2": 2, "icon_eu": 5, "ecmwf_ifs": 10, "icon_global": 7.5, "ecmwf_ifs025": 15, "ncep_gfs_global": 16,
          "meteofrance_arome_france": 2.1}  # fmt: skip


@pytest.fixture(autouse=True)
def ranges(server, clock):
    server.days = dict(PLAYED)


def until(days, height=60.0):
    """Return what asks for all hours to so many days from now."""
    return lambda sites, now: Wanted(now, now + np.timedelta64(int(24 * days), "h"), height)


def asked(server, service="forecast"):
    return [a.query["models"] for a in server.asked(service)]


def models_by_hour(cube):
    names = models_of(cube)
    codes = cube[FORECAST_MODEL].values.astype(int) if FORECAST_MODEL in cube.coords else np.zeros(cube.sizes["time"])
    return [names[int(code)] for code in codes]


# --- by place and day ------------------------------------------------------------------------------------------


def test_tomorrow_is_of_the_finest_model_alone_in_one_request(server):
    got = obtain(["heath"], saved=SAVED, wanted=until(1))
    assert models_of(got.cube) == ("icon_d2",)
    assert asked(server) == ["icon_d2"]
    assert FORECAST_MODEL not in got.cube.coords
    assert got.run == np.datetime64("2026-03-10T06:00")
    check_forecast(got.cube)


def test_a_week_goes_on_with_the_next_and_says_where(server):
    got = obtain(["heath"], saved=SAVED, wanted=until(7))
    assert [(str(s.last)[:13], s.model) for s in hours_by_model(got.cube)][:2] == [
        ("2026-03-12T06", "icon_d2"), ("2026-03-15T06", "icon_eu"),
    ]  # fmt: skip
    third = hours_by_model(got.cube)[2]
    assert third.model == "ecmwf_ifs"
    assert third.last >= np.datetime64("2026-03-17T12:00")
    assert got.provenance.by_hours == hours_by_model(got.cube)
    check_forecast(got.cube)


def test_no_profile_has_levels_of_two_models(server):
    cube = obtain(["heath"], saved=SAVED, wanted=until(7)).cube.isel(site=0)
    own = {
        "icon_d2": {10, 80, 120, 180},
        "icon_eu": {10, 80, 120, 180},
        "ecmwf_ifs": {10, 100, 200},
        "ecmwf_ifs025": {10, 100},
    }
    assert len(set(models_by_hour(cube))) > 2
    for hour, model in enumerate(models_by_hour(cube)):
        wind = cube["wind_speed"].isel(time=hour)
        assert set(wind["height"].values[wind.notnull().values]) == own[model]


def test_what_a_model_lacks_comes_from_another_as_an_element_of_its_own_and_is_named(server):
    got = obtain(["bay"], saved=SAVED, wanted=until(2))
    (hours,) = hours_by_model(got.cube)
    assert hours.model == "ecmwf_ifs"
    taken = dict(hours.taken)
    assert taken["atmosphere_convective_available_potential_energy"] == "icon_global"
    assert taken["precipitation_probability"] == "icon_global"
    assert not {"wind_speed", "air_temperature", "air_temperature_aloft", "freezing_level_altitude"} & set(taken)
    assert got.cube["precipitation_probability"].isel(time=slice(24)).notnull().all()


def test_a_named_model_is_that_model_alone(server):
    got = obtain(["heath"], saved=SAVED, model="ecmwf_ifs025", wanted=until(2))
    assert models_of(got.cube) == ("ecmwf_ifs025",)
    assert asked(server) == ["ecmwf_ifs025"]


def test_the_settings_name_a_model_too(server, own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('model = "icon_eu"\n')
    assert models_of(obtain(["heath"], saved=SAVED, wanted=until(1)).cube) == ("icon_eu",)


@pytest.mark.thorough
def test_a_question_asked_again_asks_nobody(server):
    first = obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members)
    server.log.clear()
    again = obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members)
    assert server.log == []
    assert again.cube.drop_attrs().equals(first.cube.drop_attrs())
    assert len(again.ensembles) == 1


@pytest.mark.thorough
def test_offline_the_same_models_answer_from_the_store(server):
    first = obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members)
    server.log.clear()
    got = obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members, offline=True)
    assert server.log == []
    assert got.origin == "store"
    assert models_of(got.cube) == models_of(first.cube)
    assert [str(e.attrs["model"]) for e in got.ensembles] == [str(e.attrs["model"]) for e in first.ensembles]


# --- every model down in turn ----------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize("kind", ["refused", "a variable lost"])
def test_with_every_model_down_in_turn_the_next_takes_over_and_says_so(server, kind):
    expected = ["icon_d2", "meteofrance_arome_france", "icon_eu", "ecmwf_ifs", "icon_global", "ecmwf_ifs025",
                "ncep_gfs_global"]  # fmt: skip
    order = []
    for _ in range(len(PLAYED) + 1):
        try:
            got = obtain(
                ["heath"], saved={"heath": Site("heath", 52.31, 6.84, 31.0 + 10 * len(order))}, wanted=until(1)
            )
        except WxflyError as fault:
            assert REFUSED in str(fault)
            break
        if kind == "a variable lost" and len(order) == len(expected):
            assert got.cube["wind_speed_of_gust"].isnull().all(), "what no model knows stays unknown"
            break
        name = hours_by_model(got.cube)[0].model
        for lost in order if kind == "refused" else ():
            told = [note for note in got.notes if lost in note]
            assert told, f"{lost} is down and {name} answers: {got.notes}"
        order.append(name)
        if kind == "refused":
            server.down[name] = REFUSED
        else:
            server.lost[name] = ("wind_gusts_10m", list(range(17 * 24)))
            clear_store()
    assert order == expected


def test_a_lost_variable_gives_the_whole_hour_to_the_next(server):
    lost = [20, 21, 22]
    server.lost["icon_d2"] = ("wind_gusts_10m", lost)
    cube = obtain(["heath"], saved=SAVED, wanted=until(1)).cube.isel(site=0)
    own = models_by_hour(cube)
    assert {own[hour] for hour in lost} != {"icon_d2"}
    assert own[19] == own[23] == "icon_d2"
    for hour in lost:
        wind = cube["wind_speed"].isel(time=hour)
        assert bool(cube["wind_speed_of_gust"].isel(time=hour).notnull())
        heights = {10, 20, 50, 100, 150, 200} if own[hour] == "meteofrance_arome_france" else {10, 80, 120, 180}
        assert set(wind["height"].values[wind.notnull().values]) == heights


def test_lost_hours_are_told(server):
    server.lost["icon_d2"] = ("wind_speed_80m", [20, 21])
    got = obtain(["heath"], saved=SAVED, wanted=until(1))
    assert any(note.startswith("icon_d2 has lost values of 2 hours: ") for note in got.notes), got.notes


def test_an_hour_that_no_model_knows_stays_unknown(server):
    for name in PLAYED:
        server.lost[name] = ("wind_gusts_10m", [20])
    cube = obtain(["heath"], saved=SAVED, wanted=until(1)).cube.isel(site=0)
    assert bool(cube["wind_speed_of_gust"].isel(time=20).isnull())


def test_a_service_that_is_down_leaves_the_store_to_answer(server, clock):
    obtain(["heath"], saved=SAVED, wanted=until(2))
    clock(hours=7)
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    got = obtain(["heath"], saved=SAVED, wanted=until(2))
    assert got.origin == "store"
    assert models_of(got.cube)[0] == "icon_d2"
    assert any("no newer forecast is available" in note for note in got.notes)
    with pytest.raises(WxflyError, match=r"out of order.*nothing is stored for bay"):
        obtain(["bay"], saved=SAVED, wanted=until(2))


def test_where_nobody_is_there_no_further_model_is_asked(server, monkeypatch):
    for name in ("FORECAST", "METADATA"):
        monkeypatch.setenv(f"WXFLY_{name}_URL", "http://127.0.0.1:9/nobody")
    told = []
    with pytest.raises(WxflyError, match="cannot be reached"):
        obtain(["heath"], saved=SAVED, wanted=until(1), on_progress=told.append)
    assert [line for line in told if line.endswith("at heath")] == ["asking for ICON-D2 at heath"]


# --- members ---------------------------------------------------------------------------------------------------


def test_members_come_unasked_and_cover_the_hours(server):
    got = obtain(["heath"], saved=SAVED, wanted=until(2), members=chosen_members)
    assert asked(server, "ensemble") == ["icon_eu_eps"]
    assert got.ensembles[0].sizes["realization"] == 40
    cubes, _ = members_asked_for(got, (), False, lambda _: None)
    assert len(cubes) == 1
    assert obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members).ensembles[0].attrs["model"] == (
        "ecmwf_ifs025_ensemble"
    )


def test_without_members_the_answer_falls_back_and_says_so_in_six_words(server):
    server.always["ensemble"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    got = obtain(["heath"], saved=SAVED, wanted=until(1), members=chosen_members)
    assert got.ensembles == ()
    assert WITHOUT_MEMBERS in got.notes
    assert len(WITHOUT_MEMBERS.split()) == 6
    assert models_of(got.cube) == ("icon_d2",)


def test_when_the_first_ensemble_fails_the_next_gives_the_members(server):
    server.down["icon_eu_eps"] = REFUSED
    got = obtain(["heath"], saved=SAVED, wanted=until(2), members=chosen_members)
    assert got.ensembles[0].attrs["model"] == "ecmwf_ifs025_ensemble"
    assert any(note.startswith("icon_eu_eps does not take part in the chance") for note in got.notes)


def test_the_requests_of_a_first_answer_go_out_together(server, monkeypatch):
    # As in earnest the members are on a host of their own.
    monkeypatch.setenv("WXFLY_ENSEMBLE_URL", f"http://localhost:{server.port}/v1/ensemble")
    server.gather = 11
    obtain(["heath"], saved=SAVED, wanted=until(7), members=chosen_members)
    in_order = sorted(server.log, key=lambda a: a.started)
    assert len(in_order) == 12
    together = in_order[:11]  # the service holds four requests of an address: one of five waits
    assert all(a.ended >= together[-1].started for a in together), "no request waited for the answer to another"
    assert count(server, "cells") == 1
    assert count(server) == count(server, "metadata") == 4


def test_a_newer_run_takes_two_round_trips(server, clock):
    obtain(["heath"], saved=SAVED, wanted=until(1))
    clock(hours=6)
    server.log.clear()
    obtain(["heath"], saved=SAVED, wanted=until(1))
    assert [a.service for a in server.log if a.service in ("metadata", "forecast")] == ["metadata", "forecast"]
