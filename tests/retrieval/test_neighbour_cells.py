"""The cells around a site over a real socket: asked with the forecast, kept, lost, and never making an hour surer."""

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.retrieval.test_forecast import HEATH, count
from tests.server import Fault
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.cube.contract import check_forecast, models_of
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.probability.site_chance import judge_site_chance
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.model_choice import Wanted
from wxfly.retrieval.neighbour_cells import MOST_PLACES

SAVED = {"heath": HEATH}
WIND, GUST = "wind_speed_spread_of_cells", "gust_spread_of_cells"
LIMITS = limits_for(load_aircraft()["camera-quad-250g"])


def wanted(sites, now):
    return Wanted(now, now + np.timedelta64(24, "h"), 60.0)


def ask(places=("heath",), saved=SAVED, **more):
    return obtain(list(places), saved=saved, wanted=wanted, **more)


def alike(body):
    """Make all nine cells the same: a plain."""
    cells = json.loads(body)
    return json.dumps([{**cell, "hourly": cells[0]["hourly"]} for cell in cells]).encode()


def unlike(body):
    """Make the cells differ by metres per second: a coast."""
    cells = json.loads(body)
    for number, cell in enumerate(cells):
        for name, column in cell["hourly"].items():
            if name != "time":
                cell["hourly"][name] = [None if v is None else round(v + 1.5 * (number % 3), 2) for v in column]
    return json.dumps(cells).encode()


def chances(obtained):
    """Return the chance of every hour that is asked about."""
    cube = obtained.cube.isel(site=0)
    start, end = obtained.now, obtained.now + np.timedelta64(24, "h")
    conditions = derive_flight(hours_of(cube, start=start, end=end), height=60.0, site=HEATH, limits=LIMITS)
    from wxfly.assessment.suitability import assess

    judged = judge_site_chance(
        conditions, assess(conditions, LIMITS), run=obtained.run, height=60.0, site=HEATH, limits=LIMITS, central=cube
    )
    return np.asarray(judged.hours, dtype=float)


@pytest.mark.usefixtures("clock", "chooses")
def test_nine_cells_a_mesh_apart_come_in_one_request_of_wind_and_gust(server):
    server.days = {"icon_d2": 2}
    got = ask()
    (request,) = server.asked("cells")
    assert request.query["models"] == models_of(got.cube)[0] == "icon_d2"
    assert request.query["hourly"].split(",") == [*(f"wind_speed_{h}m" for h in (10, 80, 120, 180)), "wind_gusts_10m"]
    latitudes = sorted({float(v) for v in request.query["latitude"].split(",")})
    assert len(request.query["latitude"].split(",")) == 9
    assert np.diff(latitudes) == pytest.approx(2.2 / 111.2, rel=0.2), "the mesh of ICON-D2 is 2.2 km"
    assert got.cube[WIND].dims == got.cube[GUST].dims == ("time", "site")
    check_forecast(got.cube)
    ask()
    assert count(server, "cells") == 1, "fresh cells are not asked for again"
    again = ask(offline=True)
    np.testing.assert_array_equal(again.cube[WIND].values, got.cube[WIND].values)


@pytest.mark.usefixtures("clock")
def test_a_named_model_has_its_cells_too(server):
    got = obtain(["heath"], saved=SAVED, model="icon_eu", wanted=wanted)
    assert [a.query["models"] for a in server.asked("cells")] == ["icon_eu"]
    assert bool(got.cube[WIND].notnull().any())


@pytest.mark.usefixtures("clock")
def test_many_places_are_asked_about_without_their_cells(server):
    saved = {f"p{k}": Site(f"p{k}", 52.0 + 0.2 * k, 6.84, 31.0) for k in range(MOST_PLACES + 1)}
    got = ask(saved, saved)
    assert count(server, "cells") == 0
    assert WIND not in got.cube


@pytest.mark.usefixtures("clock")
def test_equal_cells_leave_the_chance_and_unlike_ones_lower_it(server, tmp_path, monkeypatch):
    found = {}
    for name, change in (("plain", alike), ("coast", unlike)):
        monkeypatch.setenv("WXFLY_CACHE", str(tmp_path / name))
        server.always["cells"] = Fault(status=200, change=change)
        found[name] = ask()
    server.always.clear()
    without = found["plain"].cube.drop_vars([WIND, GUST])
    without["provided"] = "; ".join(e for e in str(without["provided"].values).split("; ") if e not in (WIND, GUST))
    plain, coast = chances(found["plain"]), chances(found["coast"])
    np.testing.assert_array_equal(plain, chances(replace(found["plain"], cube=without)))
    known = np.isfinite(plain)
    assert known.any()
    assert (coast[known] != plain[known]).any()
    assert (coast[known] < 0.5)[plain[known] < 0.5].all(), "an hour over its limit does not become likely"


@pytest.mark.usefixtures("clock")
def test_lost_cells_never_make_an_hour_surer_and_are_told(server, tmp_path, monkeypatch):
    server.always["cells"] = Fault(status=200, change=alike)
    whole = ask()
    monkeypatch.setenv("WXFLY_CACHE", str(tmp_path / "lost"))
    server.always["cells"] = Fault(status=400, body=b'{"error":true,"reason":"no cells today"}')
    lost = ask()
    assert any("cells around are not known" in note and "no cells today" in note for note in lost.notes)
    assert lost.cube[WIND].isnull().all()
    had, has = chances(whole), chances(lost)
    known = np.isfinite(had)
    assert (has[known] <= had[known] + 1e-12).all()
    assert (has[known] < had[known]).any()
    server.always.clear()
    offline = ask(offline=True)
    assert any("cells around are not known" in note for note in offline.notes), "the store knows of the loss"
    ask()
    assert count(server, "cells") == 3, "asked again, since nothing was kept"


@pytest.mark.usefixtures("clock")
def test_a_cell_that_lost_hours_widens_them_alone(server):
    def lose(body):
        cells = json.loads(body)
        for hour in (20, 21):
            cells[4]["hourly"]["wind_speed_10m"][hour] = None
        return json.dumps(cells).encode()

    server.always["cells"] = Fault(status=200, change=lose)
    spread = ask().cube[WIND].isel(site=0)
    assert np.flatnonzero(spread.isnull().values[:40]).tolist() == [20, 21]


@pytest.mark.usefixtures("clock")
def test_old_cells_count_as_lost(server, monkeypatch):
    server.always["cells"] = Fault(status=200, change=alike)
    assert bool(ask().cube[WIND].notnull().any())
    monkeypatch.setattr("wxfly.retrieval.neighbour_cells.OLDEST", np.timedelta64(0, "s"))
    old = ask(offline=True)
    assert old.cube[WIND].isnull().all()
    assert any("cells around are not known" in note for note in old.notes)
