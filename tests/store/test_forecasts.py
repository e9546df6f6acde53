"""The store: what is kept, found, passed over."""

import gzip
import logging
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.halves import spread
from tests.stored import HERE, THERE, replies_at, reply_at
from wxfly.cube import foreign_file
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.settings import Settings, cache_folder
from wxfly.retrieval import places
from wxfly.sources.open_meteo import forecast
from wxfly.store import forecasts, pruning, replies
from wxfly.store.replies import write_reply

ROOT = Path(__file__).resolve().parents[2]


def test_names_in_the_store_can_be_read_by_a_person():
    paths = forecasts.keep_forecasts(replies_at(HERE, THERE))
    names = [p.relative_to(cache_folder()).as_posix() for p in paths]
    assert names == [
        "forecasts/icon_eu/2026-06-10T00Z/52.2700N_6.9000E.gz", "forecasts/icon_eu/2026-06-10T00Z/46.6200S_9.6100W.gz",
    ]  # fmt: skip


def test_only_the_place_model_and_run_asked_for_are_found():
    forecasts.keep_forecasts(replies_at(HERE))
    assert forecasts.find_forecast(*HERE, "icon_eu") is not None
    assert forecasts.find_forecast(*HERE, "icon_eu", run="2026-06-10T00Z") is not None
    assert forecasts.find_forecast(*HERE, "icon_eu", run="2026-06-10T06Z") is None
    assert forecasts.find_forecast(*HERE, "icon_d2") is None
    assert forecasts.find_forecast(52.2701, 6.9, "icon_eu") is None
    assert forecasts.find_forecast(*HERE, "icon_eu", surface_altitude=33.0) is not None
    assert forecasts.find_forecast(*HERE, "icon_eu", surface_altitude=90.0) is None


def test_the_newest_run_is_found_and_a_damaged_one_passed_over():
    forecasts.keep_forecasts(replies_at(HERE, run="2026-06-09T18"))
    (newest,) = forecasts.keep_forecasts(replies_at(HERE, run="2026-06-10T06"))
    assert forecasts.find_forecast(*HERE, "icon_eu")["forecast_reference_time"] == np.datetime64("2026-06-10T06")
    newest.write_bytes(newest.read_bytes()[:-500])
    assert forecasts.find_forecast(*HERE, "icon_eu")["forecast_reference_time"] == np.datetime64("2026-06-09T18")


def test_a_forecast_of_another_place_under_this_name_is_passed_over():
    (path,) = forecasts.keep_forecasts(replies_at(THERE))
    wrong = path.with_name("52.2700N_6.9000E.gz")
    path.rename(wrong)
    assert forecasts.find_forecast(*HERE, "icon_eu") is None


def test_a_run_that_is_not_known_is_kept_under_the_hour_it_came():
    (path,) = forecasts.keep_forecasts(replies_at(HERE, run=None))
    assert path.parent.name == "retrieved-2026-06-10T04Z"
    assert forecasts.find_forecast(*HERE, "icon_eu", run="retrieved-2026-06-10T04Z") is not None


def test_the_list_is_by_model_with_the_newest_run_first():
    for run in ("2026-06-09T18", "2026-06-10T06"):
        forecasts.keep_forecasts(replies_at(HERE, run=run))
    forecasts.keep_forecasts(replies_at(THERE, model="a_model"))
    (cache_folder() / "forecasts" / "icon_eu" / "notes.txt").write_text("mine")
    found = forecasts.list_forecasts()
    assert [(f.model, f.run) for f in found] == [
        ("a_model", "2026-06-10T00Z"), ("icon_eu", "2026-06-10T06Z"), ("icon_eu", "2026-06-09T18Z"),
    ]  # fmt: skip
    assert (found[0].latitude, found[0].longitude) == THERE
    assert found[0].size > 0


@pytest.mark.thorough
def test_a_forecast_can_be_exported_whole_only(tmp_path):
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    (stored,) = forecasts.list_forecasts()
    (made,) = forecasts.export_newest(tmp_path / "mine", [], {}, model=None)
    xr.testing.assert_equal(load_cube(made, verify=True), forecasts.open_forecast(stored))
    path.write_bytes(b"junk")
    with pytest.raises(DamagedError, match="damaged, its checksum does not match"):
        forecasts.export_newest(tmp_path / "other", [], {}, model=None)
    assert not list(tmp_path.glob("other/*.nc"))


def test_replies_are_kept_under_any_name_and_damage_is_no_reply():
    moment = datetime(2026, 3, 10, 6, tzinfo=UTC)
    for name in ("plain", "../../etc/passwd", "Zürich / Höngg", "zürich / höngg", "x" * 300, ""):
        replies.keep_reply("kind", name, f"text of {name}", moment)
        kept = replies.kept_reply("kind", name)
        assert kept == replies.KeptReply(moment, f"text of {name}")
    folder = cache_folder() / "replies" / "kind"
    assert len(list(folder.iterdir())) == 6
    assert not (cache_folder().parent / "etc").exists()
    for path in folder.iterdir():
        path.write_text("{")
    assert replies.kept_reply("kind", "plain") is None
    assert replies.kept_reply("kind", "never kept") is None


def test_a_store_that_cannot_be_written_says_so_and_loses_no_reply(monkeypatch, own_folders):
    blocked = own_folders / "a file"
    blocked.write_text("")
    monkeypatch.setenv("WXFLY_CACHE", str(blocked))
    with pytest.raises(WxflyError, match="could not be kept"):
        forecasts.keep_forecasts(replies_at(HERE))
    replies.keep_reply("kind", "name", "text", datetime.now(UTC))
    assert forecasts.find_forecast(*HERE, "icon_eu") is None
    assert forecasts.list_forecasts() == []


def test_the_shipped_forecasts_are_those_that_were_shipped(tmp_path, monkeypatch):
    for entry in places.load_manifest()["files"]:
        assert places.shipped_forecast(entry["file"]).sizes["site"] == len(entry["sites"])
    name = places.load_manifest()["files"][0]["file"]
    manifest = places.load_manifest()
    (tmp_path / name).write_bytes(b"other")
    monkeypatch.setattr(places, "shipped_folder", lambda: tmp_path)
    monkeypatch.setattr(places, "load_manifest", lambda: manifest)
    with pytest.raises(WxflyError, match="missing or damaged; install wxfly again"):
        places.shipped_forecast(name)


WRITER = """
import sys
sys.path.insert(0, {root!r})
from tests.stored import HERE, THERE, replies_at, reply_at
from wxfly.retrieval import places as shipped
from wxfly.store import forecasts as store
from wxfly.retrieval import places
from wxfly.store import forecasts, pruning
from wxfly.store import forecasts, pruning
from wxfly.store import forecasts
from wxfly.store import replies
print("ready", flush=True)
for k in range(1000):
    store.keep_forecasts(replies_at(HERE, THERE, run=f"2026-06-10T{{k % 24:02d}}"))
"""


@pytest.mark.thorough
@pytest.mark.parametrize("moment", spread([0.05, 0.0, 0.013, 0.17], 4))
def test_a_killed_writer_leaves_only_whole_cubes(moment):
    """The long run of the same is tests/faults/kill.py."""
    code = WRITER.format(root=str(ROOT))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT) as writer:
        writer.stdout.readline()
        time.sleep(moment)
        writer.send_signal(signal.SIGKILL)
    for stored in forecasts.list_forecasts():
        forecasts.open_forecast(stored)
    forecasts.keep_forecasts(replies_at(HERE))


@pytest.mark.thorough
def test_a_full_disk_is_said_and_the_old_forecast_stays(tmp_path):
    """A limit on the size of files does what a full disk does: writing fails halfway."""
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    before = path.read_bytes()
    code = f"""
import resource, signal, sys
sys.path.insert(0, {str(ROOT)!r})
from tests.stored import HERE, replies_at
from wxfly.retrieval import places as shipped
from wxfly.store import forecasts as store
from wxfly.retrieval import places
from wxfly.store import forecasts, pruning
from wxfly.store import forecasts, pruning
from wxfly.store import forecasts
from wxfly.store import replies
from wxfly.errors import WxflyError
replies = replies_at(HERE)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1_500, 1_500))
try:
    store.keep_forecasts(replies)
except WxflyError as fault:
    print(fault)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert "could not be kept" in done.stdout, done.stderr
    assert "Traceback" not in done.stderr
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_the_store_is_for_its_owner_alone():
    before = os.umask(0o022)
    try:
        (path,) = forecasts.keep_forecasts(replies_at(HERE))
        replies.keep_reply("kind", "name", "text", datetime.now(UTC))
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
        forecasts.keep_forecasts(replies_at(HERE))
    assert "52.27" not in str(caught.value)


def test_why_a_forecast_is_not_used_is_empty_where_it_is_used():
    assert forecasts.why_unused(*HERE, "icon_eu") == ""
    forecasts.keep_forecasts(replies_at(HERE, ground=30.0))
    assert forecasts.why_unused(*HERE, "icon_eu") == ""
    assert forecasts.why_unused(*HERE, "icon_d2") == ""
    assert forecasts.why_unused(*HERE, "icon_eu", surface_altitude=90.0) == (
        "it is for ground at 30 m, the site's is at 90 m; fetch one while online"
    )


def _newer(path):
    path.write_bytes(gzip.compress(b'{"wxfly_reply": 2}\n'))


def _in_fahrenheit(document):
    document["hourly_units"]["temperature_2m"] = "gas mark"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda path: write_reply(reply_at(THERE), path), "its place, model or run does not match its name"),
        (
            lambda path: write_reply(reply_at(HERE, model="icon_d2"), path),
            "its place, model or run does not match its name",
        ),
        (
            lambda path: write_reply(reply_at(HERE, run="2026-06-09T18"), path),
            "its place, model or run does not match its name",
        ),
        (
            lambda path: write_reply(reply_at(HERE, change=_in_fahrenheit), path),
            "undamaged, but this wxfly does not accept it",
        ),
        (lambda path: write_reply(replace(reply_at(HERE), service="later"), path), "from a service that this wxfly"),
        (_newer, "written by a newer wxfly"),
    ],
)
def test_a_whole_file_that_cannot_be_used_is_passed_over_and_never_called_damaged(change, words, caplog):
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    change(path)
    with caplog.at_level(logging.INFO, "wxfly"):
        assert forecasts.find_forecast(*HERE, "icon_eu") is None
    assert "passed over: " in caplog.text
    (stored,) = forecasts.list_forecasts()
    assert words in forecasts.fault_of(stored)
    assert str(path) not in forecasts.fault_of(stored)
    assert forecasts.damage_of(stored) == ""
    assert words in forecasts.why_unused(*HERE, "icon_eu")
    assert "clear" not in forecasts.why_unused(*HERE, "icon_eu")
    pruning.prune_wanted(Settings(), damaged=True)
    assert path.is_file()


def test_a_damaged_file_is_told_with_the_way_to_clear_it():
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    path.write_bytes(path.read_bytes()[:-9])
    (stored,) = forecasts.list_forecasts()
    assert forecasts.damage_of(stored) == forecasts.fault_of(stored) == "damaged, it is cut short"
    assert forecasts.why_unused(*HERE, "icon_eu").endswith("; clear it with: wxfly store prune --damaged")


def test_a_fault_of_the_program_is_told_as_one_and_the_file_left_alone(monkeypatch, wxfly):
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    before = path.read_bytes()

    def broken(*_, **__):
        raise KeyError("a slip of ours")

    monkeypatch.setattr("wxfly.sources.open_meteo.forecast.parse_forecast", broken)
    for arguments in (("best", "52.27,6.9", "--model", "icon_eu", "--offline"), ("store", "prune", "--damaged")):
        code, out, err = wxfly(*arguments)
        assert (code, out) == (70, "")
        assert err.startswith("Error: this is a fault of wxfly itself, not of your files or of a service (KeyError: ")
        assert err.count("\n") == 1
        assert "report" in err
    assert path.read_bytes() == before


def test_what_was_kept_reads_as_it_did_when_it_came():
    """One parser serves both, with what came beside the reply and the names that were asked for then."""
    reply = replace(reply_at(HERE), asked=("wind_speed_10m", "temperature_2m"))
    forecasts.keep_forecasts([reply])
    found = forecasts.find_forecast(*HERE, "icon_eu")
    xr.testing.assert_identical(found, forecast.parse_kept(reply))
    assert found.attrs["retrieved"] == "2026-06-10T04:10:00Z"
    assert found["site"].values.tolist() == ["a site"]
    assert (found["latitude"].item(), found["longitude"].item()) == HERE


# --- kept as netCDF by an early wxfly ---------------------------------------------------------------------------------


@pytest.fixture
def early():
    """Return a forecast as an early wxfly kept it."""
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    save_cube(forecasts.find_forecast(*HERE, "icon_eu"), path.with_suffix(".nc"))
    path.unlink()
    with path.with_suffix(".nc").open("ab") as file:
        file.write(b"\nsha256 of the bytes before this line: " + b"0" * 64 + b"\n")  # it wrote one; it is not looked at
    return path.with_suffix(".nc")


@pytest.mark.thorough
def test_a_forecast_of_an_early_wxfly_is_listed_and_answered_from(early, read_here):
    (stored,) = forecasts.list_forecasts()
    assert (stored.path, stored.is_early) == (early, True)
    assert pruning.foreign_files() == []
    assert forecasts.fault_of(stored) == ""
    found = forecasts.find_forecast(*HERE, "icon_eu")
    forecasts.keep_forecasts(replies_at(HERE))
    assert [s.is_early for s in forecasts.list_forecasts()] == [False, True]
    xr.testing.assert_equal(found, forecasts.find_forecast(*HERE, "icon_eu"))


@pytest.mark.thorough
def test_a_damaged_one_is_told_and_left_until_it_is_asked_away(early, read_here):
    cube = load_cube(early)
    cube["wind_speed_of_gust"].values.flat[0] += 1.0
    cube.to_netcdf(early, engine="h5netcdf")
    assert forecasts.find_forecast(*HERE, "icon_eu") is None
    assert early.is_file()
    assert "its checksum does not match" in forecasts.why_unused(*HERE, "icon_eu")
    assert early in pruning.prune_wanted(Settings(), damaged=True)
    assert not early.exists()


@pytest.mark.thorough
def test_one_that_is_never_read_to_its_end_is_not_called_damaged(early, monkeypatch):
    monkeypatch.setattr(foreign_file, "WALL_SECONDS", 2.0)
    content = early.read_bytes()
    start = content.index(b"GCOL") + 512
    early.write_bytes(content[:start] + bytes(512) + content[start + 512 :])
    (stored,) = forecasts.list_forecasts()
    assert "took more than 2 s and was stopped" in forecasts.fault_of(stored)
    assert forecasts.damage_of(stored) == ""
