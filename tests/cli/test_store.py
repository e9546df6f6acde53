"""The store on the command line: what it tells and takes away; a fetch that brought nothing new is no success."""

import hashlib
import os
import time
from datetime import timedelta
from functools import partial

import pytest
import xarray as xr

from tests.server import Fault
from tests.stored import HERE, THERE, replies_at
from wxfly.cube.netcdf import load_cube
from wxfly.errors import WxflyError
from wxfly.pilot.settings import Settings, cache_folder
from wxfly.question.ask import fetch
from wxfly.store import forecasts, pruning


@pytest.fixture
def store(wxfly):
    return partial(wxfly, "store")


@pytest.fixture
def filled(own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text("[heath]\nlatitude = 52.27\nlongitude = 6.9\n")
    forecasts.keep_forecasts(replies_at(HERE, run="2026-06-09T18"))
    forecasts.keep_forecasts(replies_at(HERE, THERE))
    return own_folders


def test_an_empty_store_is_said_to_be_empty(store, tmp_path):
    assert store("list") == (0, f"the store is empty ({cache_folder()})\n", "")
    assert "0 of 0 places" in store("show")[1]
    assert store("prune")[1].startswith("removed 0 files")
    assert store("export", str(tmp_path / "out"))[1] == "the store has nothing to export\n"
    assert store("clear", "--yes")[:2] == (0, "removed 0 files; the store holds 0 forecasts, 0.0 MB\n")


def test_the_list_names_saved_sites(store, filled):
    lines = store("list")[1].splitlines()
    assert len(lines) == 4
    assert lines[1].split()[:4] == ["heath", "52.2700,6.9000", "icon_eu", "2026-06-10T00Z"]
    assert {line.split()[0] for line in lines[1:]} == {"heath", "-"}


def test_the_list_checks_when_asked(store, filled):
    newest = forecasts.list_forecasts()[0].path
    newest.write_bytes(newest.read_bytes()[:-700])
    (newest.parent / "notes.txt").write_text("mine")
    (newest.parent / "0.0000N_0.0000E.gz").write_bytes(forecasts.list_forecasts()[1].path.read_bytes())
    assert "whole" not in store("list")[1]
    code, out, _ = store("list", "--check")
    assert code == 0
    assert out.count("whole") == 2
    assert out.count("damaged, it is cut short") == 1
    assert out.count("its place, model or run does not match its name") == 1
    assert f"not written by wxfly, and left alone: {newest.parent / 'notes.txt'}" in out


def test_damaged_forecasts_go_on_request_only_and_foreign_files_never(store, filled):
    store("prune")
    newest, second = (stored.path for stored in forecasts.list_forecasts()[:2])
    newest.write_bytes(newest.read_bytes()[:-700])
    second.write_text("notes of mine under a name of yours")
    foreign = newest.with_name("notes.txt")
    foreign.write_text("mine")
    store("prune")
    code, out, _ = store("prune", "--damaged", "--dry-run")
    assert (code, out.splitlines()[0]) == (0, f"would remove {newest}")
    assert all(path.exists() for path in (newest, second, foreign))
    code, out, _ = store("prune", "--damaged")
    assert code == 0
    assert out.splitlines() == [
        f"removed {newest}",
        next(line for line in out.splitlines() if line.startswith("removed 1 files; ")),
        *sorted(f"not written by wxfly, and left alone: {path}" for path in (second, foreign)),
    ]
    assert not newest.exists()
    assert second.exists()
    assert foreign.exists()


def test_a_folder_of_the_pilots_is_not_touched(store, own_folders):
    """WXFLY_CACHE may name any folder."""
    cache_folder().mkdir()
    (cache_folder() / "thesis.txt").write_text("mine")
    forecasts.keep_forecasts(replies_at(HERE))
    (kept,) = forecasts.list_forecasts()
    os.utime(kept.path, (0, 0))
    for arguments in (["prune", "--days", "1"], ["prune", "--damaged"], ["clear", "--yes"]):
        code, _, err = store(*arguments)
        assert code == 1
        assert "has files that wxfly did not write (thesis.txt), so nothing in it is removed; move them" in err
    assert pruning.prune_store(Settings(maximum_age_days=1)) == []
    assert kept.path.exists()
    (cache_folder() / "thesis.txt").unlink()
    assert store("prune", "--days", "1")[1].startswith(f"removed {kept.path}\n")
    assert sorted(path.name for path in cache_folder().iterdir()) == ["CACHEDIR.TAG", "forecasts"]


def test_the_folder_is_marked_by_the_open_standard(filled):
    pruning.prune_store(Settings())
    number = hashlib.md5(b".IsCacheDirectory").hexdigest()
    assert (cache_folder() / "CACHEDIR.TAG").read_text().startswith(f"Signature: {number}\n# ")


@pytest.mark.parametrize("level", ["forecasts", "forecasts/icon_eu", "forecasts/icon_eu/2026-06-10T00Z"])
def test_nothing_behind_a_link_is_removed(store, filled, tmp_path, level):
    pruning.prune_store(Settings())
    documents = tmp_path / "documents"
    (cache_folder() / level).rename(documents)
    (cache_folder() / level).symlink_to(documents)
    (documents / "letter.txt").write_text("mine")
    before = {path: path.read_bytes() for path in documents.rglob("*") if path.is_file()}
    for arguments in (["prune", "--days", "0"], ["prune", "--damaged"], ["clear", "--yes"]):
        code, out, _ = store(*arguments)
        assert code == 0
        assert f"not written by wxfly, and left alone: {cache_folder() / level}" in out
    assert {path: path.read_bytes() for path in documents.rglob("*") if path.is_file()} == before


def test_a_link_in_place_of_a_forecast_stays_and_so_does_what_it_leads_to(store, filled, tmp_path):
    pruning.prune_store(Settings())
    newest = forecasts.list_forecasts()[0].path
    newest.rename(tmp_path / "mine.nc")
    newest.symlink_to(tmp_path / "mine.nc")
    for arguments in (["prune", "--days", "0"], ["prune", "--damaged"], ["clear", "--yes"]):
        assert store(*arguments)[0] == 0
    assert newest.is_symlink()
    assert (tmp_path / "mine.nc").exists()


def test_a_folder_that_becomes_a_link_meanwhile_is_not_followed(filled, tmp_path):
    """Between the list of what goes and its removal."""
    pruning.prune_store(Settings())
    going = [stored.path for stored in forecasts.list_forecasts()]
    folder = going[0].parent
    folder.rename(tmp_path / "documents")
    folder.symlink_to(tmp_path / "documents")
    with pytest.raises(WxflyError, match="is a link; nothing behind it is removed"):
        pruning.remove_ours([path for path in going if path.parent == folder])
    assert (tmp_path / "documents" / going[0].name).exists()


def test_what_of_the_settings_cannot_be_read_removes_nothing(store, filled):
    (filled / "config" / "config.toml").write_text("[store]\nmaximum_age_days = 40O\n")
    os.utime(forecasts.list_forecasts()[0].path, (0, 0))
    code, out, _ = store("prune")
    assert code == 0
    assert "config.toml, line 2: " in out
    assert len(forecasts.list_forecasts()) == 3
    assert "its limits in the settings cannot be read" in store("show")[1]


def test_limits_can_be_given_for_once(store, filled):
    old = forecasts.list_forecasts()[-1].path
    os.utime(old, (time.time() - 10 * 86_400,) * 2)
    assert store("prune")[1].startswith("removed 0 files")
    assert str(old) in store("prune", "--days", "7")[1]
    assert "\nremoved 2 files" in store("prune", "--megabytes", "0")[1]
    assert forecasts.list_forecasts() == []


def test_a_forecast_is_shown_with_its_age_and_licence(store, filled):
    code, out, _ = store("show", "HEATH")
    assert code == 0
    told = dict(line.split(maxsplit=1) for line in out.splitlines())
    assert told["run"].startswith("2026-06-10T00:00Z, ")
    assert told["retrieved"].startswith("2026-06-10T04:10Z, ")
    assert told["hours"].startswith("2026-06-10T00:00Z to 2026-06-11T00:00Z, 25 of them")
    assert "wind_speed_of_gust" in told["variables"]
    assert told["form"] == "the reply of the service, its checksum fits"
    older = store("show", "52.27,6.9", "--run", "2026-06-09T18Z")[1]
    assert "\nrun " in older
    assert "2026-06-09T18:00Z, " in older


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["show", "moon"], "'moon' is no saved site (saved: heath) and not LATITUDE,LONGITUDE"),
        (["show", "10,10"], "no such forecast for 10,10 is in the store; see: wxfly store list"),
        (["show", "heath", "--model", "icon_d2"], "stored for it are: icon_eu 2026-06-10T00Z, icon_eu 2026-06-09T18Z"),
        (["export", "out", "10,10"], "no such forecast for 10,10"),
        (["clear"], "to do it, add --yes"),
    ],
)
def test_a_mistake_is_one_line_and_code_1(store, filled, arguments, words):
    code, out, err = store(*arguments)
    assert (code, out) == (1, "")
    assert err.startswith("Error: ")
    assert err.count("\n") == 1
    assert words in err
    assert len(forecasts.list_forecasts()) == 3


def test_a_damaged_forecast_is_not_shown(store, filled):
    newest = forecasts.list_forecasts()[0].path
    newest.write_bytes(b"junk")
    code, _, err = store("show", "heath")
    assert code == 1
    assert "clear it with: wxfly store prune --damaged" in err


@pytest.mark.thorough
def test_the_newest_of_each_place_is_exported_and_nothing_written_over(store, filled, tmp_path):
    folder = tmp_path / "out"
    assert store("export", str(folder))[0] == 0
    names = sorted(p.name for p in folder.iterdir())
    assert names == ["46.6200S_9.6100W_icon_eu_2026-06-10T00Z.nc", "52.2700N_6.9000E_icon_eu_2026-06-10T00Z.nc"]
    xr.testing.assert_equal(load_cube(folder / names[1], verify=True), forecasts.find_forecast(*HERE, "icon_eu"))
    code, _, err = store("export", str(folder), "heath")
    assert code == 1
    assert "is there already; nothing is written over" in err


def test_clearing_leaves_the_settings(store, filled):
    assert "\nremoved 3 files" in store("clear", "--yes")[1]
    assert forecasts.list_forecasts() == []
    assert (filled / "config" / "sites.toml").is_file()


# --- fetch ------------------------------------------------------------------------------------------------------------

PLACE = "52.31,6.84"


def silent(_):
    return


def test_a_fetch_that_brought_nothing_new_is_an_error_and_what_is_stored_stays(server):
    assert fetch([PLACE], "icon_eu", on_progress=silent).origin == "fetched"
    before = {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.gz")}
    (cache_folder() / "replies" / "metadata" / "icon_eu.json").unlink()
    server.run_delay -= timedelta(hours=6)
    server.always["forecast"] = Fault(status=503, body=b"")
    with pytest.raises(WxflyError, match=r"^no newer forecast is available: Open-Meteo icon_eu for 52.31, 6.84: .*503"):
        fetch([PLACE], "icon_eu", on_progress=silent)
    assert {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.gz")} == before


def test_a_forecast_of_the_newest_run_that_is_stored_already_is_a_success(server, wxfly):
    fetch([PLACE], "icon_eu", on_progress=silent)
    assert "kept for use offline" in wxfly("fetch", PLACE, "--model", "icon_eu")[1]
    assert len(server.asked("forecast")) == 1


def test_offline_a_damaged_forecast_is_told_as_such_with_the_way_to_clear_it(server, wxfly):
    fetch([PLACE], "icon_eu", on_progress=silent)
    (path,) = (cache_folder() / "forecasts").rglob("*.gz")
    path.write_bytes(path.read_bytes()[:3000] + bytes(50) + path.read_bytes()[3050:])
    code, _, err = wxfly("best", PLACE, "--model", "icon_eu", "--offline")
    assert code == 1
    assert err == (
        "Error: 52.31, 6.84: the forecast of icon_eu in the store is not usable: damaged, its checksum does not match; "
        "clear it with: wxfly store prune --damaged\n"
    )
