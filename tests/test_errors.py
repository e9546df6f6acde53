"""What a user can put right is told in one line: what was given, what is wanted, and the way out."""

import json
from pathlib import Path

import pytest

from tests.cubes import quiet_cube
from wxfly.cube.netcdf import CHECKSUM, load_cube, read_netcdf, save_cube
from wxfly.errors import MissingExtraError, WxflyError, missing_extra
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.options import read_words
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.question.ask import ask_brief
from wxfly.question.question import read_check_question, read_question
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.places import demo_sites
from wxfly.sources.http import check_host, check_receiver


def question(**words):
    return read_question("best", ["Kelderness"], read_words(words))


def changed_since(folder):
    path = folder / "cube.nc"
    save_cube(quiet_cube(3), path)
    changed = folder / "changed.nc"
    read_netcdf(path).assign_attrs({CHECKSUM: "0"}).to_netcdf(changed, engine="h5netcdf")
    return changed


def of_stranger(folder):
    path = folder / "strange.nc"
    quiet_cube(3).to_netcdf(path, engine="h5netcdf")
    return path


def without_hours(folder):
    path = folder / "reply.json"
    path.write_text(json.dumps({"latitude": 52.0, "longitude": 6.0}))
    return path


def aircraft_from(folder, text):
    path = folder / "aircraft.toml"
    path.write_text(text)
    return find_aircraft("mine", path)


SWAPPED = """
[mine]
title = "Mine"
kind = "multirotor"
maximum_wind = "8 m/s"
maximum_gust = "10 m/s"
maximum_precipitation = "0 mm/h"
minimum_temperature = "40 °C"
maximum_temperature = "0 °C"
"""
REAL = Site("meadow", 52.31, 6.84)

MISTAKES = {
    "a mean below zero": (
        lambda _: read_check_question("Kelderness", read_words({"mean": "-1m/s"})),
        "a mean wind of '-1m/s' is below zero; wanted one such as 3.1m/s",
    ),
    "a launch limit of nothing": (
        lambda _: question(launch_limit="0m/s"),
        "a launch limit of '0m/s' is not above zero; wanted one such as 8m/s",
    ),
    "a distance below zero": (
        lambda _: question(distance="-5m"),
        "a distance of '-5m' is below zero; wanted one such as 300m",
    ),
    "work below zero": (
        lambda _: question(work="-5min"),
        "a time of work of '-5min' is below zero; wanted one such as 10min",
    ),
    "a limit of nothing": (lambda _: question(limits=("gust=0m/s",)), "is not above zero; wanted a value such as"),
    "no such window": (
        lambda _: ask_brief("Kelderness", read_words({"rank": 9}), on_progress=lambda _: None),
        "there is no window 9; there are",
    ),
    "no such file": (
        lambda folder: open_forecast(folder / "none.json"),
        "none.json: there is no such file; give the path of a forecast",
    ),
    "a folder": (lambda folder: open_forecast(folder), ": it is not a file; give the path of a forecast"),
    "a reply without hours": (
        lambda folder: open_forecast(without_hours(folder)),
        "; mend the file or give another",
    ),
    "a cube changed since": (
        lambda folder: load_cube(changed_since(folder), verify=True),
        "damaged, its checksum does not match; save the forecast again",
    ),
    "a stranger's cube": (
        lambda folder: load_cube(of_stranger(folder), verify=True),
        "not written by wxfly; wanted a forecast that wxfly saved",
    ),
    "no cube": (lambda folder: load_cube(folder / "none.nc"), "there is no such file; give the path of a forecast"),
    "invented and real": (
        lambda _: obtain([REAL, next(iter(demo_sites().values()))], saved={}),
        "cannot be asked together with a real place; ask each alone",
    ),
    "a host that nobody named": (
        lambda _: check_host("https://example.org/x", Settings(), "something"),
        "refused to contact example.org, which is not a configured source; an address is set in config.toml",
    ),
    "a watch told in the clear": (
        lambda _: check_receiver("http://example.org/x"),
        "what a watch tells is not sent by http; wanted https",
    ),
    "temperatures swapped": (
        lambda folder: aircraft_from(folder, SWAPPED),
        "minimum_temperature is not below maximum_temperature; are the two swapped",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_message_says_what_was_given_and_the_way_out(mistake, tmp_path: Path):
    make, words = MISTAKES[mistake]
    with pytest.raises(WxflyError, match=words) as told:
        make(tmp_path)
    assert "\n" not in str(told.value)


def test_what_is_missing_of_an_extra_is_named_with_its_installation():
    fault = missing_extra("GRIB files need", ["eccodes", "pyproj"], "grib")
    assert isinstance(fault, MissingExtraError)
    assert str(fault) == "GRIB files need eccodes and pyproj; install with: pip install 'wxfly[grib]'"


def test_a_missing_library_is_no_fault_of_the_file(tmp_path, monkeypatch):
    path = tmp_path / "a.grib2"
    path.write_bytes(b"GRIB")
    monkeypatch.setattr("wxfly.sources.grib.importlib.util.find_spec", lambda _: None)
    with pytest.raises(WxflyError, match=r"install with: pip install 'wxfly\[grib\]'$"):
        open_forecast(path)
