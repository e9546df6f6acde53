"""From places to a cube: asked once, found again, old ones said to be old, never another's."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.retrieval.test_second_source import second
from tests.server import Fault
from tests.shared import BERLIN
from wxfly.cube.contract import check_forecast, covers_hours, describe_coordinates
from wxfly.cube.netcdf import save_cube
from wxfly.errors import WxflyError
from wxfly.pilot.settings import cache_folder
from wxfly.pilot.site import Site
from wxfly.retrieval import forecast, places
from wxfly.retrieval.forecast import obtain
from wxfly.store import forecasts, replies
from wxfly.store.replies import read_reply

ROOT = Path(__file__).resolve().parents[2]
OF_BERLIN = np.datetime64("2021-11-23T23:00", "s")
needs_berlin = pytest.mark.skipif(
    not BERLIN.is_file(), reason="the folder shared/ with replies is not beside the checkout"
)

HEATH = Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")
VALLEY = Site("valley", -46.62, 9.61, 560.0, "Europe/Zurich")
SAVED = {"heath": HEATH, "valley": VALLEY}


def count(server, service="forecast"):
    return len(server.asked(service))


# --- the demonstration -----------------------------------------------------------------------------------------


def test_with_nothing_named_and_nothing_saved_the_demonstration_answers():
    got = obtain([], saved={})
    first = places.load_manifest()["files"][0]
    assert got.sites[0].name == first["sites"][0]["name"]
    assert got.is_demo
    assert got.provenance.is_demo
    assert "invented" in got.notes[0]
    assert got.now == got.run
    check_forecast(got.cube)


def test_the_time_chooses_the_run_of_the_demonstration():
    other = places.load_manifest()["files"][1]
    moment = np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s") + np.timedelta64(30, "h")
    got = obtain([other["sites"][1]["name"], other["sites"][0]["name"]], saved={}, now=moment)
    assert got.run == np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s")
    assert got.now == moment
    assert got.cube["site"].values.tolist() == [other["sites"][1]["name"], other["sites"][0]["name"]]


def test_invented_weather_is_never_mixed_with_real(server):
    demo = next(iter(forecast.demo_sites()))
    with pytest.raises(WxflyError, match="has invented weather and cannot be asked together"):
        obtain([demo, "heath"], saved=SAVED)
    with pytest.raises(WxflyError, match="leave --model out"):
        obtain([demo], saved=SAVED, model="icon_eu")
    assert server.log == []


# --- asking ----------------------------------------------------------------------------------------------------


def test_the_first_saved_site_answers_when_none_is_named(clock, server):
    got = obtain([], saved=SAVED)
    assert [s.name for s in got.sites] == ["heath"]
    assert got.origin == "fetched"
    assert got.run == np.datetime64("2026-03-10T06:00")
    assert got.retrieved == got.now == np.datetime64("2026-03-10T12:00")


def test_two_places_are_one_request_and_each_is_kept(clock, server):
    got = obtain(["heath", "valley", "heath"], saved=SAVED)
    assert count(server) == 1
    assert server.asked("forecast")[0].query["latitude"] == "52.31,-46.62"
    assert got.cube["site"].values.tolist() == ["heath", "valley", "heath"]
    assert got.cube.sizes["site"] == 3
    assert len(forecasts.list_forecasts()) == 2
    check_forecast(got.cube)


def test_the_same_run_is_never_fetched_twice(clock, server):
    first = obtain(["heath"], saved=SAVED)
    clock(minutes=90)
    again = obtain(["heath", "valley"], saved=SAVED)
    assert count(server) == 2
    assert server.asked("forecast")[1].query["latitude"] == "-46.62", "only what was missing"
    assert again.retrieved == first.retrieved, "the older of the two"
    assert np.array_equal(again.cube.isel(site=0)["wind_speed"].values, first.cube.isel(site=0)["wind_speed"].values)
    clock(hours=6)
    newer = obtain(["heath"], saved=SAVED)
    assert count(server) == 3
    assert newer.run == np.datetime64("2026-03-10T12:00")


def test_a_run_that_has_not_settled_is_called_by_the_one_before(clock, server):
    server.run_delay = timedelta(hours=5, minutes=55)  # run of 06Z: available 20 min before 11:55
    clock()
    server.once["metadata"] = [
        Fault(change=lambda b: json.dumps(json.loads(b) | {"last_run_availability_time": 1773143700}).encode())
    ] * 2  # 11:55Z, five minutes ago
    assert obtain(["heath"], saved=SAVED).run == np.datetime64("2026-03-10T00:00")


def test_without_metadata_the_run_is_not_known_and_the_hour_keeps_the_peace(clock, server):
    server.always["metadata"] = Fault(status=404, body=b"")
    got = obtain(["heath"], saved=SAVED)
    assert np.isnat(got.run)
    clock(minutes=10)
    obtain(["heath"], saved=SAVED)
    assert count(server) == 1
    clock(minutes=60)
    obtain(["heath"], saved=SAVED)
    assert count(server) == 2


def test_another_model_is_another_forecast(clock, server):
    obtain(["heath"], saved=SAVED)
    got = obtain(["heath"], saved=SAVED, model="icon_eu")
    assert got.cube.attrs["model"] == "icon_eu"
    assert count(server) == 2
    with pytest.raises(WxflyError, match="did you mean 'icon_eu'"):
        obtain(["heath"], saved=SAVED, model="icon_eux")


def test_a_site_whose_ground_was_corrected_is_asked_anew(clock, server):
    obtain(["heath"], saved=SAVED)
    obtain(["heath"], saved={"heath": Site("heath", 52.31, 6.84, 95.0)})
    assert count(server) == 2
    assert server.asked("forecast")[1].query["elevation"] == "95"


# --- when nobody can be asked ----------------------------------------------------------------------------------


def test_offline_uses_the_store_with_its_age_first_and_asks_nobody(clock, server):
    first = obtain(["heath", "valley"], saved=SAVED)
    server.log.clear()
    clock(hours=20)
    got = obtain(["valley"], saved=SAVED, offline=True)
    assert server.log == []
    assert got.origin == "store"
    assert got.age == np.timedelta64(20, "h")
    assert "retrieved 2026-03-10T12:00Z, 20 h ago" in got.notes[0]
    assert np.array_equal(got.cube.isel(site=0)["wind_speed"].values, first.cube.isel(site=1)["wind_speed"].values)


def test_offline_without_a_forecast_says_what_there_is(clock, server):
    obtain(["heath"], saved=SAVED, model="icon_eu")
    with pytest.raises(WxflyError, match=r"heath: no forecast of ncep_gfs_global in the store; stored are .* icon_eu"):
        obtain(["heath"], saved=SAVED, offline=True)
    with pytest.raises(WxflyError, match="valley: no forecast of icon_eu in the store; fetch one"):
        obtain(["heath", "valley"], saved=SAVED, offline=True, model="icon_eu")


@pytest.mark.thorough
def test_offline_sites_of_two_runs_meet_at_the_run_they_share(clock, server):
    obtain(["heath", "valley"], saved=SAVED)
    clock(hours=6, minutes=30)
    obtain(["heath"], saved=SAVED)
    got = obtain(["heath", "valley"], saved=SAVED, offline=True)
    assert got.run == np.datetime64("2026-03-10T06:00")
    for stored in forecasts.list_forecasts():
        if stored.run == "2026-03-10T06Z" and stored.latitude > 0:
            stored.path.unlink()
    with pytest.raises(WxflyError, match="of different runs"):
        obtain(["heath", "valley"], saved=SAVED, offline=True)


def test_when_the_service_fails_the_last_forecast_answers_and_is_said_to_be_old(clock, server):
    obtain(["heath"], saved=SAVED)
    clock(hours=7)
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    got = obtain(["heath"], saved=SAVED)
    assert got.origin == "store"
    assert got.age == np.timedelta64(7, "h")
    assert "7 h ago" in got.notes[0]
    assert "out of order" in got.notes[1]


def test_when_the_service_fails_and_nothing_is_stored_its_fault_is_the_answer(clock, server):
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    with pytest.raises(WxflyError, match=r"Open-Meteo ncep_gfs_global for 52\.31, 6\.84: refused \(out of order\)"):
        obtain(["heath"], saved=SAVED)
    assert forecasts.list_forecasts() == []


def test_a_bad_reply_leaves_the_store_as_it_was(clock, server):
    obtain(["heath"], saved=SAVED)
    before = {p: p.read_bytes() for p in cache_folder().rglob("*.gz")}
    clock(hours=7)
    server.always["forecast"] = Fault(change=lambda body: body[:-100])
    got = obtain(["heath"], saved=SAVED)
    assert "not whole JSON" in got.notes[1]
    assert {p: p.read_bytes() for p in cache_folder().rglob("*.gz")} == before


# --- the second source -----------------------------------------------------------------------------------------


def test_the_second_source_takes_over_and_says_so(clock, server, contact):
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    server.always["met_norway"] = second()
    got = obtain(["heath"], saved=SAVED)
    assert got.cube.attrs["model"] == "met_norway"
    assert got.notes[0].startswith("MET Norway answers in place of ncep_gfs_global: ")
    assert "out of order" in got.notes[0]
    with pytest.raises(WxflyError, match="out of order"):
        obtain(["heath"], saved=SAVED, model="icon_eu")


def test_a_stored_forecast_goes_before_the_second_source(clock, server, contact):
    obtain(["heath"], saved=SAVED)
    clock(hours=7)
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    assert obtain(["heath"], saved=SAVED).cube.attrs["model"] == "ncep_gfs_global"
    assert count(server, "met_norway") == 0


def test_of_a_stored_forecast_past_use_the_second_source_answers(clock, server, contact):
    obtain(["heath"], saved=SAVED)
    clock(hours=54)
    server.always["forecast"] = Fault(status=503, body=b"")
    server.always["met_norway"] = second(day=12, updated="2026-03-12T17:00:00Z", first=18)
    got = obtain(["heath"], saved=SAVED)
    assert got.cube.attrs["model"] == "met_norway"
    first = "MET Norway answers in place of ncep_gfs_global: no forecast of ncep_gfs_global is recent enough to use"
    assert got.notes[0].startswith(f"{first}; no newer forecast is available: Open-Meteo ncep_gfs_global for ")
    server.always["met_norway"] = second()
    clock(hours=1)
    assert obtain(["heath"], saved=SAVED, model="ncep_gfs_global").cube.attrs["model"] == "ncep_gfs_global"


def test_a_run_that_is_still_to_come_poisons_nothing(clock, server):
    server.always["metadata"] = Fault(
        change=lambda body: json.dumps(
            {k: v + 366 * 86_400 if k.startswith("last") else v for k, v in json.loads(body).items()}
        ).encode()
    )
    got = obtain(["heath"], saved=SAVED)
    assert np.isnat(got.run), "of a run that the service does not tell"
    del server.always["metadata"]
    clock(minutes=1)
    assert obtain(["heath"], saved=SAVED).run == np.datetime64("2026-03-10T06:00")


def test_a_stored_forecast_of_the_future_does_not_hide_the_one_before_it(clock, server, contact):
    """A run that an earlier program filed under next year, because a reply said so."""
    got = obtain(["heath"], saved=SAVED)
    (stored,) = forecasts.list_forecasts()
    forecasts.keep_forecasts([replace(read_reply(stored.path), run=datetime(2027, 3, 10, 6, tzinfo=UTC))])
    assert obtain(["heath"], saved=SAVED, offline=True).run == got.run
    for stored in forecasts.list_forecasts():
        if stored.run == "2026-03-10T06Z":
            stored.path.unlink()
    alone = obtain(["heath"], saved=SAVED, offline=True)
    cube, notes = alone.fresh()
    assert notes[0].startswith("this forecast has a run that starts 8754 h from now")
    assert all(cube[name].isnull().all() for name in cube.data_vars)
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    server.always["met_norway"] = second()
    assert obtain(["heath"], saved=SAVED).cube.attrs["model"] == "met_norway"


def test_a_run_that_is_not_known_is_said(clock, server):
    server.always["metadata"] = Fault(status=404, body=b"")
    words = "when the model ran is not known: the age counts from the earliest possible run"
    assert words in obtain(["heath"], saved=SAVED).notes
    clock(minutes=10)
    assert words in obtain(["heath"], saved=SAVED, offline=True).notes


def test_the_second_source_failing_too_leaves_the_first_fault(clock, server, contact):
    server.always["forecast"] = Fault(status=400, body=b'{"error":true,"reason":"out of order"}')
    server.always["met_norway"] = Fault(status=403, body=b"<html>")
    with pytest.raises(WxflyError, match="out of order"):
        obtain(["heath"], saved=SAVED)


def test_a_full_disk_costs_the_store_and_not_the_answer(clock, server, monkeypatch):
    def full(*_):
        raise WxflyError("the forecast could not be kept (No space left on device)")

    monkeypatch.setattr(forecasts, "keep_forecasts", full)
    got = obtain(["heath"], saved=SAVED)
    assert got.origin == "fetched"
    assert any("could not be kept" in note for note in got.notes)


# --- files of the pilot ----------------------------------------------------------------------------------------


@needs_berlin
def test_a_saved_reply_answers_as_of_a_time():
    got = obtain(["Berlin", "Berlin"], saved={}, forecast_path=BERLIN, now=OF_BERLIN)
    assert [s.name for s in got.sites] == ["Berlin", "Berlin"]
    assert got.sites[0].time_zone == "Europe/Berlin"
    assert got.sites[0].surface_altitude == pytest.approx(44.8125)
    assert got.now == OF_BERLIN
    assert np.isnat(got.run)
    assert np.isnat(got.age)
    assert any("when it was retrieved is not known" in note for note in got.notes)
    assert any("Kp is not known" in note for note in got.notes)
    check_forecast(got.cube)


@needs_berlin
def test_a_saved_reply_serves_no_place_far_away():
    with pytest.raises(WxflyError, match=r"it is for .*, \d+ km from heath"):
        obtain(["heath"], saved=SAVED, forecast_path=BERLIN, now=OF_BERLIN)
    near = {"field": Site("field", 52.5, 13.4, surface_cover="open")}
    (site,) = obtain(["field"], saved=near, forecast_path=BERLIN, now=OF_BERLIN).sites
    assert site.surface_cover == "open"
    assert site.time_zone == "Europe/Berlin"


@needs_berlin
def test_the_model_of_a_saved_reply_can_be_told():
    got = obtain([], saved={}, forecast_path=BERLIN, now=OF_BERLIN, model="icon_eu")
    assert got.cube.attrs["model"] == "icon_eu"
    assert covers_hours(got.cube, "wind_speed_of_gust") == (-1.0, 0.0)


@pytest.mark.thorough
def test_a_stored_cube_can_be_answered_from_as_a_file(clock, server, tmp_path, read_here):
    asked = obtain(["heath", "valley"], saved=SAVED)
    save_cube(asked.cube, tmp_path / "two.nc")
    got = obtain(["VALLEY"], saved={}, forecast_path=tmp_path / "two.nc")
    assert got.sites[0].latitude == VALLEY.latitude
    assert got.retrieved == asked.retrieved
    assert got.run == asked.run
    both = obtain([], saved={}, forecast_path=tmp_path / "two.nc")
    assert [s.name for s in both.sites] == ["heath", "valley"]
    with pytest.raises(WxflyError, match=r"'moon' is not among its places \(heath, valley\)"):
        obtain(["moon"], saved={}, forecast_path=tmp_path / "two.nc")
    with pytest.raises(WxflyError, match="of the model ncep_gfs_global, not of icon_eu"):
        obtain([], saved={}, forecast_path=tmp_path / "two.nc", model="icon_eu")


@pytest.mark.thorough
def test_a_grid_as_a_file_serves_the_nearest_cell(server, tmp_path, read_here):
    corners = [Site(f"{a}, {b}", a, b, 20.0) for a in (52.0, 52.25, 52.5) for b in (6.5, 6.75, 7.0)]
    cells = obtain(corners, saved={}).cube
    across = {name: ("site", cells[name].values) for name in ("latitude", "longitude")}
    grid = cells.drop_vars("site").assign_coords(across).set_index(site=["latitude", "longitude"]).unstack("site")
    save_cube(describe_coordinates(grid.transpose("time", "latitude", "longitude", ...)), tmp_path / "grid.nc")
    got = obtain(["heath"], saved=SAVED, forecast_path=tmp_path / "grid.nc")
    here = grid.sel(latitude=52.31, longitude=6.84, method="nearest")
    assert np.array_equal(got.cube.isel(site=0)["wind_speed_of_gust"], here["wind_speed_of_gust"])


@pytest.mark.parametrize("name", ["absent.json", "absent.nc"])
def test_an_absent_file_is_said(name, tmp_path):
    with pytest.raises(WxflyError, match=r"cannot be read|no such file"):
        obtain([], saved={}, forecast_path=tmp_path / name)


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '["2026-03-10T00:00:00+00:00", "2026-03-10T00:00:00+00:00", 1e300]', "[1]"]
)
def test_a_kept_run_that_is_damaged_is_asked_for_again(server, text):

    obtain(["heath"], saved=SAVED, model="icon_eu")
    replies.keep_reply("metadata", "icon_eu", text, datetime.now(UTC))
    assert obtain(["heath"], saved=SAVED, model="icon_eu").origin == "store"
    assert len(server.asked("metadata")) == 2


def test_a_cube_is_a_cube_whatever_the_case_of_its_ending(tmp_path, read_here):
    import shutil

    from wxfly.retrieval import places

    entry = places.load_manifest()["files"][0]
    shutil.copy(places.shipped_folder() / entry["file"], tmp_path / "FORECAST.NC")
    found = obtain([], saved={}, forecast_path=tmp_path / "FORECAST.NC")
    assert found.cube.sizes["time"] == entry["hours"]
