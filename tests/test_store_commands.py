"""The command ``wxfly store``: what it tells and what it takes away."""

import os
import time

import pytest
import xarray as xr

from tests.stored import HERE, THERE, replies_at
from wxfly import store
from wxfly.cli import main
from wxfly.netcdf import load_cube
from wxfly.settings import cache_folder


@pytest.fixture
def wxfly(capsys):
    """Run the command in this process; give its code and what it wrote to either stream."""

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main.main(args=["store", *arguments], prog_name="wxfly")
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return run


@pytest.fixture
def filled(own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text("[heath]\nlatitude = 52.27\nlongitude = 6.9\n")
    store.keep_forecasts(replies_at(HERE, run="2026-06-09T18"))
    store.keep_forecasts(replies_at(HERE, THERE))
    return own_folders


def test_an_empty_store_is_said_to_be_empty(wxfly, tmp_path):
    assert wxfly("list") == (0, f"the store is empty ({cache_folder()})\n", "")
    assert "0 of 0 places" in wxfly("show")[1]
    assert wxfly("prune")[1].startswith("removed 0 files")
    assert wxfly("export", str(tmp_path / "out"))[1] == "the store has nothing to export\n"
    assert wxfly("clear", "--yes")[:2] == (0, "removed 0 files; the store holds 0 forecasts, 0.0 MB\n")


def test_the_list_names_saved_sites(wxfly, filled):
    lines = wxfly("list")[1].splitlines()
    assert len(lines) == 4
    assert lines[1].split()[:4] == ["heath", "52.2700,6.9000", "icon_eu", "2026-06-10T00Z"]
    assert {line.split()[0] for line in lines[1:]} == {"heath", "-"}


def test_the_list_checks_when_asked(wxfly, filled):
    newest = store.list_forecasts()[0].path
    newest.write_bytes(newest.read_bytes()[:-700])
    (newest.parent / "notes.txt").write_text("mine")
    (newest.parent / "0.0000N_0.0000E.gz").write_bytes(store.list_forecasts()[1].path.read_bytes())
    assert "whole" not in wxfly("list")[1]
    code, out, _ = wxfly("list", "--check")
    assert code == 0
    assert out.count("whole") == 2
    assert out.count("damaged, it is cut short") == 1
    assert out.count("of another place, model or run than its name says") == 1
    assert f"not a forecast of ours: {newest.parent / 'notes.txt'}; clear it with: wxfly store prune --damaged" in out


def test_damaged_and_foreign_files_go_on_request_only(wxfly, filled):
    newest = store.list_forecasts()[0].path
    newest.write_bytes(b"junk")
    foreign = newest.with_name("notes.txt")
    foreign.write_text("mine")
    wxfly("prune")
    assert newest.exists()
    assert foreign.exists()
    code, out, _ = wxfly("prune", "--damaged")
    assert code == 0
    assert out.splitlines()[-1].startswith("removed 2 files; the store holds 2 forecasts")
    assert not newest.exists()
    assert not foreign.exists()


def test_limits_can_be_given_for_once(wxfly, filled):
    old = store.list_forecasts()[-1].path
    os.utime(old, (time.time() - 10 * 86_400,) * 2)
    assert wxfly("prune")[1].startswith("removed 0 files")
    assert str(old) in wxfly("prune", "--days", "7")[1]
    assert wxfly("prune", "--megabytes", "0")[1].splitlines()[-1].startswith("removed 2 files")
    assert store.list_forecasts() == []


def test_a_forecast_is_shown_with_its_age_and_licence(wxfly, filled):
    code, out, _ = wxfly("show", "HEATH")
    assert code == 0
    told = dict(line.split(maxsplit=1) for line in out.splitlines())
    assert told["run"].startswith("2026-06-10T00:00Z, ")
    assert told["retrieved"].startswith("2026-06-10T04:10Z, ")
    assert told["hours"].startswith("2026-06-10T00:00Z to 2026-06-11T00:00Z, 25 of them")
    assert "wind_speed_of_gust" in told["variables"]
    assert told["form"] == "the reply of the service, its checksum fits"
    older = wxfly("show", "52.27,6.9", "--run", "2026-06-09T18Z")[1]
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
def test_a_mistake_is_one_line_and_code_1(wxfly, filled, arguments, words):
    code, out, err = wxfly(*arguments)
    assert (code, out) == (1, "")
    assert err.startswith("Error: ")
    assert err.count("\n") == 1
    assert words in err
    assert len(store.list_forecasts()) == 3


def test_a_damaged_forecast_is_not_shown(wxfly, filled):
    newest = store.list_forecasts()[0].path
    newest.write_bytes(b"junk")
    code, _, err = wxfly("show", "heath")
    assert code == 1
    assert "clear it with: wxfly store prune --damaged" in err


def test_the_newest_of_each_place_is_exported_and_nothing_written_over(wxfly, filled, tmp_path):
    folder = tmp_path / "out"
    assert wxfly("export", str(folder))[0] == 0
    names = sorted(p.name for p in folder.iterdir())
    assert names == ["46.6200S_9.6100W_icon_eu_2026-06-10T00Z.nc", "52.2700N_6.9000E_icon_eu_2026-06-10T00Z.nc"]
    xr.testing.assert_equal(load_cube(folder / names[1], verify=True), store.find_forecast(*HERE, "icon_eu"))
    code, _, err = wxfly("export", str(folder), "heath")
    assert code == 1
    assert "is there already; nothing is written over" in err


def test_clearing_leaves_the_settings(wxfly, filled):
    assert wxfly("clear", "--yes")[1].startswith("removed 3 files")
    assert store.list_forecasts() == []
    assert (filled / "config" / "sites.toml").is_file()
