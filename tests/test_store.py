"""The store: what is kept, found, passed over, pruned."""

import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly import shipped, store
from wxfly.errors import WxflyError
from wxfly.settings import Settings, cache_folder

ROOT = Path(__file__).resolve().parents[1]


def cube_at(*places, run="2026-06-10T00", model="icon_eu", retrieved="2026-06-10T04:10:00Z", ground=30.0):
    one = quiet_cube().drop_vars(["latitude", "longitude", "surface_altitude"], errors="ignore")
    cube = one.expand_dims(site=np.array([f"site {k}" for k in range(len(places))], dtype=object), axis=1)
    return cube.assign_coords(
        latitude=("site", [p[0] for p in places]),
        longitude=("site", [p[1] for p in places]),
        surface_altitude=("site", [ground] * len(places)),
        forecast_reference_time=np.datetime64(run, "ns"),
    ).assign_attrs(model=model, retrieved=retrieved)


HERE = (52.27, 6.9)
THERE = (-46.62, -9.61)


def test_names_in_the_store_can_be_read_by_a_person():
    paths = store.keep_forecast(cube_at(HERE, THERE))
    names = [p.relative_to(cache_folder()).as_posix() for p in paths]
    assert names == [
        "forecasts/icon_eu/2026-06-10T00Z/52.2700N_6.9000E.nc", "forecasts/icon_eu/2026-06-10T00Z/46.6200S_9.6100W.nc",
    ]  # fmt: skip


def test_only_the_place_model_and_run_asked_for_are_found():
    store.keep_forecast(cube_at(HERE))
    assert store.find_forecast(*HERE, "icon_eu") is not None
    assert store.find_forecast(*HERE, "icon_eu", run="2026-06-10T00Z") is not None
    assert store.find_forecast(*HERE, "icon_eu", run="2026-06-10T06Z") is None
    assert store.find_forecast(*HERE, "icon_d2") is None
    assert store.find_forecast(52.2701, 6.9, "icon_eu") is None
    assert store.find_forecast(*HERE, "icon_eu", surface_altitude=33.0) is not None
    assert store.find_forecast(*HERE, "icon_eu", surface_altitude=90.0) is None


def test_the_newest_run_is_found_and_a_damaged_one_passed_over():
    store.keep_forecast(cube_at(HERE, run="2026-06-09T18"))
    (newest,) = store.keep_forecast(cube_at(HERE, run="2026-06-10T06"))
    assert store.find_forecast(*HERE, "icon_eu")["forecast_reference_time"] == np.datetime64("2026-06-10T06")
    newest.write_bytes(newest.read_bytes()[:-500])
    assert store.find_forecast(*HERE, "icon_eu")["forecast_reference_time"] == np.datetime64("2026-06-09T18")


def test_a_forecast_of_another_place_under_this_name_is_passed_over():
    (path,) = store.keep_forecast(cube_at(THERE))
    wrong = path.with_name("52.2700N_6.9000E.nc")
    path.rename(wrong)
    assert store.find_forecast(*HERE, "icon_eu") is None


def test_a_run_that_is_not_known_is_kept_under_the_hour_it_came():
    (path,) = store.keep_forecast(cube_at(HERE, run="NaT"))
    assert path.parent.name == "retrieved-2026-06-10T04Z"
    assert store.find_forecast(*HERE, "icon_eu", run="retrieved-2026-06-10T04Z") is not None


def test_the_list_is_by_model_with_the_newest_run_first():
    for run in ("2026-06-09T18", "2026-06-10T06"):
        store.keep_forecast(cube_at(HERE, run=run))
    store.keep_forecast(cube_at(THERE, model="a_model"))
    (cache_folder() / "forecasts" / "icon_eu" / "notes.txt").write_text("mine")
    found = store.list_forecasts()
    assert [(f.model, f.run) for f in found] == [
        ("a_model", "2026-06-10T00Z"), ("icon_eu", "2026-06-10T06Z"), ("icon_eu", "2026-06-09T18Z"),
    ]  # fmt: skip
    assert (found[0].latitude, found[0].longitude) == THERE
    assert found[0].size > 0


def test_a_forecast_can_be_exported_whole_only(tmp_path):
    (path,) = store.keep_forecast(cube_at(HERE))
    (stored,) = store.list_forecasts()
    store.export_forecast(stored, tmp_path / "mine.nc")
    xr.testing.assert_identical(store.load_cube(tmp_path / "mine.nc"), store.load_cube(path))
    path.write_bytes(b"junk")
    with pytest.raises(WxflyError, match="not a readable"):
        store.export_forecast(stored, tmp_path / "other.nc")
    assert not (tmp_path / "other.nc").exists()


def test_pruning_takes_the_old_then_the_oldest_then_left_overs():
    now = time.time()
    ages = {"2026-06-01T00": 40, "2026-06-08T00": 3, "2026-06-09T00": 2, "2026-06-10T00": 1}
    paths = {}
    for run, days in ages.items():
        (paths[run],) = store.keep_forecast(cube_at(HERE, run=run))
        os.utime(paths[run], (now - days * 86_400,) * 2)
    left_over = paths["2026-06-10T00"].with_name(f".{paths['2026-06-10T00'].name}.1-00.part")
    left_over.write_bytes(paths["2026-06-10T00"].read_bytes()[:100])
    os.utime(left_over, (now - 7200,) * 2)
    size = paths["2026-06-10T00"].stat().st_size
    removed = store.prune_store(Settings(maximum_age_days=30, maximum_megabytes=2.5 * size / 1e6), now=now)
    assert set(removed) == {paths["2026-06-01T00"], paths["2026-06-08T00"], left_over}
    assert [f.run for f in store.list_forecasts()] == ["2026-06-10T00Z", "2026-06-09T00Z"]
    assert not paths["2026-06-01T00"].parent.exists(), "empty folders go too"


def test_clearing_takes_forecasts_and_replies():
    store.keep_forecast(cube_at(HERE))
    store.keep_reply("kind", "name", "text", datetime.now(UTC))
    assert len(store.clear_store()) == 2
    assert store.list_forecasts() == []
    assert store.clear_store() == []


def test_replies_are_kept_under_any_name_and_damage_is_no_reply():
    moment = datetime(2026, 3, 10, 6, tzinfo=UTC)
    for name in ("plain", "../../etc/passwd", "Zürich / Höngg", "zürich / höngg", "x" * 300, ""):
        store.keep_reply("kind", name, f"text of {name}", moment)
        kept = store.kept_reply("kind", name)
        assert kept == store.KeptReply(moment, f"text of {name}")
    folder = cache_folder() / "replies" / "kind"
    assert len(list(folder.iterdir())) == 6
    assert not (cache_folder().parent / "etc").exists()
    for path in folder.iterdir():
        path.write_text("{")
    assert store.kept_reply("kind", "plain") is None
    assert store.kept_reply("kind", "never kept") is None


def test_a_store_that_cannot_be_written_says_so_and_loses_no_reply(monkeypatch, own_folders):
    blocked = own_folders / "a file"
    blocked.write_text("")
    monkeypatch.setenv("WXFLY_CACHE", str(blocked))
    with pytest.raises(WxflyError, match="could not be kept"):
        store.keep_forecast(cube_at(HERE))
    store.keep_reply("kind", "name", "text", datetime.now(UTC))
    assert store.find_forecast(*HERE, "icon_eu") is None
    assert store.list_forecasts() == []


def test_the_shipped_forecasts_are_those_that_were_shipped(tmp_path, monkeypatch):
    for entry in store.load_manifest()["files"]:
        assert store.shipped_forecast(entry["file"]).sizes["site"] == len(entry["sites"])
    name = store.load_manifest()["files"][0]["file"]
    manifest = store.load_manifest()
    (tmp_path / name).write_bytes(b"other")
    monkeypatch.setattr(shipped, "shipped_folder", lambda: tmp_path)
    monkeypatch.setattr(shipped, "load_manifest", lambda: manifest)
    with pytest.raises(WxflyError, match="missing or damaged; install wxfly again"):
        store.shipped_forecast(name)


WRITER = """
import sys
sys.path.insert(0, {root!r})
from tests.test_store import HERE, THERE, cube_at
from wxfly import shipped, store
print("ready", flush=True)
for k in range(1000):
    store.keep_forecast(cube_at(HERE, THERE, run=f"2026-06-10T{{k % 24:02d}}"))
"""


@pytest.mark.parametrize("moment", [0.0, 0.013, 0.05, 0.11, 0.17, 0.29])
def test_a_killed_writer_leaves_only_whole_cubes(moment):
    """The long run of the same is tests/faults/kill.py."""
    code = WRITER.format(root=str(ROOT))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT) as writer:
        writer.stdout.readline()
        time.sleep(moment)
        writer.send_signal(signal.SIGKILL)
    for stored in store.list_forecasts():
        store.load_cube(stored.path, verify=True)
    store.keep_forecast(cube_at(HERE))


def test_a_full_disk_is_said_and_the_old_forecast_stays(tmp_path):
    """A limit on the size of files does what a full disk does: writing fails halfway."""
    (path,) = store.keep_forecast(cube_at(HERE))
    before = path.read_bytes()
    code = f"""
import resource, signal, sys
sys.path.insert(0, {str(ROOT)!r})
from tests.test_store import HERE, cube_at
from wxfly import shipped, store
from wxfly.errors import WxflyError
cube = cube_at(HERE)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
try:
    store.keep_forecast(cube)
except WxflyError as fault:
    print(fault)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert "could not be kept" in done.stdout, done.stderr
    assert "Traceback" not in done.stderr
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_what_wxfly_did_not_name_is_never_removed():
    """A folder of the pilot's own in the store, or a whole download that is called .part, is no business of ours."""
    (path,) = store.keep_forecast(cube_at(HERE))
    store.keep_reply("kind", "name", "text", datetime.now(UTC))
    store.claim_store()
    folder = cache_folder() / "forecasts"
    foreign = [
        folder / "mine" / "thesis.doc", folder / "film.mkv.part", folder / "52.2700N_6.9000E.nc",
        path.with_name("notes.txt"), cache_folder() / "replies" / "mine.json",
        cache_folder() / "replies" / "kind" / "deep" / "a.json",
    ]  # fmt: skip
    for other in foreign:
        other.parent.mkdir(exist_ok=True)
        other.write_text("mine")
        os.utime(other, (1, 1))
    assert store.prune_store(Settings(maximum_age_days=1)) == []
    assert store.prune_store(Settings(maximum_megabytes=1e-9)) != []
    store.keep_forecast(cube_at(HERE))
    assert len(store.clear_store()) == 1
    assert [other.read_text() for other in foreign] == ["mine"] * len(foreign)


def test_the_store_is_for_its_owner_alone():
    before = os.umask(0o022)
    try:
        (path,) = store.keep_forecast(cube_at(HERE))
        store.keep_reply("kind", "name", "text", datetime.now(UTC))
    finally:
        os.umask(before)
    modes = {p.relative_to(cache_folder().parent): p.stat().st_mode & 0o777 for p in cache_folder().rglob("*")}
    assert path.relative_to(cache_folder().parent) in modes
    assert {m for p, m in modes.items() if p.suffix} == {0o600}
    assert {m for p, m in modes.items() if not p.suffix} | {cache_folder().stat().st_mode & 0o777} == {0o700}


def test_a_forecast_that_could_not_be_kept_is_told_without_its_path():
    (cache_folder() / "forecasts").mkdir(parents=True)
    (cache_folder() / "forecasts" / "icon_eu").write_text("in the way")
    with pytest.raises(WxflyError, match="the forecast could not be kept") as caught:
        store.keep_forecast(cube_at(HERE))
    assert "52.27" not in str(caught.value)


def _list_of_bytes(path):
    import h5py

    from wxfly.seal import sealed

    with h5py.File(path, "a") as file:
        file.attrs["extra"] = np.array([b"a", b"b"])
    path.write_bytes(sealed(path.read_bytes()))


def _schema_of_text(path):
    import h5py

    with h5py.File(path, "a") as file:
        file.attrs["wxfly_schema"] = "x"


def _without(*names):
    return lambda path: store.save_cube(store.load_cube(path).drop_vars(names), path)


def _without_model(path):
    cube = store.load_cube(path)
    del cube.attrs["model"]
    store.save_cube(cube, path)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda path: store.save_cube(store.load_cube(path).isel(site=0), path), "not the forecast of one place"),
        (lambda path: store.save_cube(cube_at(HERE, THERE), path), "not the forecast of one place"),
        (_without("surface_altitude"), "not the forecast of one place"),
        (_without("latitude"), "latitude is missing"),
        (_without("forecast_reference_time"), "forecast_reference_time is missing"),
        (_without_model, "of another place, model or run than its name says"),
        (lambda path: store.save_cube(xr.Dataset(), path), "no time dimension"),
        (lambda path: store.save_cube(cube_at(THERE), path), "of another place, model or run than its name says"),
        (_schema_of_text, "written by a newer wxfly"),
        (lambda path: path.write_bytes(b""), "not a readable netCDF file"),
    ],
)
def test_a_whole_file_that_is_not_the_forecast_of_its_name_is_passed_over(change, words):
    (path,) = store.keep_forecast(cube_at(HERE))
    change(path)
    assert store.find_forecast(*HERE, "icon_eu") is None
    (stored,) = store.list_forecasts()
    assert words in store.fault_of(stored)
    assert str(path) not in store.fault_of(stored)
    assert f"{words}" in store.why_unused(*HERE, "icon_eu")
    assert "clear it with: wxfly store prune --damaged" in store.why_unused(*HERE, "icon_eu")


@pytest.mark.parametrize("cut", [True, False])
def test_an_attribute_of_any_kind_is_no_traceback(cut):
    """Without the line behind the file the checksum in it is reckoned, and must bear what it finds."""
    (path,) = store.keep_forecast(cube_at(HERE))
    _list_of_bytes(path)
    if cut:
        path.write_bytes(path.read_bytes()[:-1])
    (stored,) = store.list_forecasts()
    assert bool(store.fault_of(stored)) is cut
    assert (store.find_forecast(*HERE, "icon_eu") is None) is cut


def test_why_a_forecast_is_not_used_is_empty_where_it_is_used():
    assert store.why_unused(*HERE, "icon_eu") == ""
    store.keep_forecast(cube_at(HERE, ground=30.0))
    assert store.why_unused(*HERE, "icon_eu") == ""
    assert store.why_unused(*HERE, "icon_d2") == ""
    assert store.why_unused(*HERE, "icon_eu", surface_altitude=90.0) == (
        "it is for ground at 30 m, the site's is at 90 m"
    )
