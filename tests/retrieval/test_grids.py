"""Grids around a place: read from the open file store by ranges, kept file by file, and answered from what is kept."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from tests.file_store import LAMBERT, REGULAR, FileStore, write_run
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.pilot.site import Site, distance_km
from wxfly.retrieval.grids import _box, obtain_grid
from wxfly.retrieval.model_choice import Wanted

pytest.importorskip("omfiles", reason="grids need omfiles")
pytest.importorskip("dask", reason="grids need dask")

PLACE = Site("here", 51.0, 8.0, 200.0, "Europe/Berlin")
WANTED = Wanted(np.datetime64("2026-03-10T12:00:00"), np.datetime64("2026-03-10T18:00:00"), 60.0)
START = datetime(2026, 3, 10, 9, tzinfo=UTC)
SHAPE = (40, 40, 15)
PROJECTION = REGULAR.format(50.0, 7.0, 51.95, 8.95)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    write_run(folder, PROJECTION, start=START, shape=SHAPE)
    server = FileStore(folder)
    yield server
    server.close()


@pytest.fixture
def store(runs, clock, chooses, monkeypatch):
    monkeypatch.setenv("WXFLY_GRIDS_URL", runs.address)
    runs.sent.clear()
    return runs


def obtain(reach=20_000.0, **rest):
    told = []
    rest = {"model": "icon_d2", "on_progress": told.append} | rest
    return obtain_grid(PLACE, reach, WANTED, settings=load_settings(), **rest), told


def test_the_cells_in_reach_come_nearest_first_and_are_kept(store, clock):
    """The first reading asks for each file once or twice, the second for nothing, and so does one without a network."""
    obtained, told = obtain()
    assert obtained.origin == "fetched" and 50 < len(obtained.sites) < 80
    assert obtained.sites[0].latitude == pytest.approx(51.0) and obtained.sites[0].time_zone == "Europe/Berlin"
    assert any("files of the run 2026-03-10T09Z" in line for line in told)
    files = sum(name.endswith(".om") for name in store.sent)
    assert store.requests <= 2 * files + 1
    store.sent.clear()
    again, _ = obtain()
    assert store.requests == 0 and again.origin == "store"
    clock(hours=2)
    offline, _ = obtain(offline=True)
    assert store.requests == 0
    assert "forecast from the store, retrieved 2026-03-10T12:00Z, 2 h ago" in offline.notes[0]
    assert offline.cube["wind_speed"].equals(obtained.cube["wind_speed"])
    assert offline.age == np.timedelta64(2, "h")


def test_a_file_that_vanished_or_is_damaged_is_one_line_and_what_was_read_is_kept(store):
    path = next(store.folder.rglob("pressure_msl.om"))
    sound = path.read_bytes()
    try:
        path.unlink()
        with pytest.raises(WxflyError, match=r"pressure_msl\.om: refused .*404.*files are read and kept"):
            obtain()
        path.write_bytes(sound[: len(sound) // 2])
        with pytest.raises(WxflyError, match=r"pressure_msl\.om cannot be read"):
            obtain()
    finally:
        path.write_bytes(sound)
    store.sent.clear()
    assert obtain()[0].origin == "fetched"
    assert set(store.sent) == {"pressure_msl.om"}


def test_a_store_that_is_away_is_answered_from_what_is_kept(store, monkeypatch, clock):
    obtain()
    monkeypatch.setenv("WXFLY_GRIDS_URL", "http://127.0.0.1:9")
    clock(minutes=30)
    with pytest.raises(WxflyError, match="cannot be reached"):
        obtain(model="icon_eu")
    kept, _ = obtain()
    assert any("no newer forecast is available" in note and "cannot be reached" in note for note in kept.notes)
    with pytest.raises(WxflyError, match="nothing is stored for this place and reach"):
        obtain(reach=10_000.0)


@pytest.mark.thorough
def test_cells_of_a_projected_grid_come_nearest_first(tmp_path, store, monkeypatch):
    write_run(tmp_path, LAMBERT, start=START, shape=(60, 80, 15))
    server = FileStore(tmp_path)
    monkeypatch.setenv("WXFLY_GRIDS_URL", server.address)
    place = Site("here", 48.0, 9.0, 200.0, "Europe/Berlin")
    try:
        obtained = obtain_grid(
            place, 30_000.0, WANTED, settings=load_settings(), model="icon_d2", on_progress=lambda _: None
        )
    finally:
        server.close()
    away = [distance_km(48.0, 9.0, site.latitude, site.longitude) for site in obtained.sites]
    assert len(away) > 10 and away == sorted(away) and away[-1] <= 30.0
    assert obtained.cube["wind_speed"].dims[:2] == ("time", "site") and "crs" not in obtained.cube.coords


@pytest.mark.thorough
def test_the_finest_model_with_a_whole_run_is_chosen(store, monkeypatch):
    """Finer models that the store does not have are passed over, and said."""
    monkeypatch.setattr("wxfly.retrieval.grids.MOST_MODELS", 30)
    obtained, _ = obtain(model=None)
    assert obtained.provenance.model == "icon_d2"


@pytest.mark.thorough
def test_a_run_that_lacks_gusts_is_passed_over_and_taken_where_nothing_else_is(tmp_path, store, monkeypatch):
    write_run(tmp_path, PROJECTION, start=START, shape=SHAPE, without=("wind_gusts_10m",))
    server = FileStore(tmp_path)
    monkeypatch.setenv("WXFLY_GRIDS_URL", server.address)
    monkeypatch.setattr("wxfly.retrieval.grids.MOST_MODELS", 30)
    try:
        obtained, _ = obtain(model=None)
    finally:
        server.close()
    assert any("its run 2026-03-10T09Z lacks wind_speed_of_gust" in note for note in obtained.notes)
    assert any(note.startswith("not in this run, so not known: ") for note in obtained.notes)


def test_values_that_contradict_each_other_are_hidden_in_their_cell_alone(tmp_path, store, monkeypatch):
    def change(name, values):
        if name == "wind_gusts_10m":
            values[20, 20, 4] = 0.2  # below the mean wind
        return values

    write_run(tmp_path, PROJECTION, start=START, shape=SHAPE, change=change)
    server = FileStore(tmp_path)
    monkeypatch.setenv("WXFLY_GRIDS_URL", server.address)
    try:
        obtained, _ = obtain(reach=8_000.0)
    finally:
        server.close()
    lost = np.isnan(obtained.cube["wind_speed_of_gust"].values)
    assert lost[4, 0] and lost.sum() == 1
    assert any("the forecast contradicts itself: a gust below the mean wind" in note for note in obtained.fresh()[1])


@pytest.mark.parametrize(
    ("model", "words"),
    [("ncep_gfs_global", "no single grid"), ("met_norway", "no grid in the file store"), ("icon_x", "did you mean")],
)
def test_a_model_without_a_grid_is_refused(store, model, words):
    with pytest.raises(WxflyError, match=words):
        obtain(model=model)


@pytest.mark.parametrize("latitude", [-78.0, 0.0, 51.0, 89.5, -89.9])
def test_the_box_holds_the_whole_circle(latitude):
    box = _box(Site("here", latitude, 179.9), 60_000.0)
    turn = np.radians(np.arange(0, 360, 5))
    angle = 60.0 / 6371.0
    a = np.radians(latitude)
    north = np.arcsin(np.sin(a) * np.cos(angle) + np.cos(a) * np.sin(angle) * np.cos(turn))
    east = np.arctan2(np.sin(turn) * np.sin(angle) * np.cos(a), np.cos(angle) - np.sin(a) * np.sin(north))
    longitude = (179.9 + np.degrees(east) + 180.0) % 360.0 - 180.0
    assert box.holds(np.degrees(north), longitude).all()
