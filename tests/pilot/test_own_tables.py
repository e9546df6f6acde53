"""Tables of the pilot's, read entry by entry: one that is damaged costs no other, and never makes a limit wider."""

import os

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.own_files import LARGEST_BYTES, damage_notes
from wxfly.pilot.own_tables import read_table
from wxfly.pilot.rules import find_rules
from wxfly.pilot.site import read_sites

STRICTER = """[camera-quad-250g]
title = "mine"
kind = "multirotor"
maximum_wind = "5 m/s"
maximum_gust = "6 m/s"
minimum_temperature = "0 degC"
maximum_temperature = "40 degC"
maximum_precipitation = "0 mm/h"
"""
WHOLE = STRICTER.replace("camera-quad-250g", "mine")


def numbers(path):
    def number(name, entry, place):
        if type(entry) is not int:
            raise WxflyError(f"{place}: {name} is no whole number")
        return entry

    return read_table(path, number)


def test_a_line_above_the_tables_costs_no_other(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text('a = 1\nb = "x\nc = 3\nd = "text"\n')
    table = numbers(path)
    assert table == {"a": 1, "c": 3}
    assert [(part.name, part.line) for part in table.set_aside] == [("b", 2), ("d", 4)]
    assert damage_notes(table.set_aside) == [
        f"{path}, line 2: {table.set_aside[0].fault}; 1 more like it; set aside, none of it is used"
    ]
    assert path.read_text() == 'a = 1\nb = "x\nc = 3\nd = "text"\n'


def test_what_is_there_twice_is_not_chosen_between(tmp_path):
    path = tmp_path / "a.toml"
    site = "[heath]\nlatitude = 52\nlongitude = 6\n"
    path.write_text(f"{site}[far]\nlatitude = 1\nlongitude = 2\n{site}")
    sites = read_sites(path)
    assert list(sites) == ["far"]
    with pytest.raises(WxflyError, match="its entry for the site 'heath' is not known"):
        sites.refuse_uncertain("heath", "the site")


def test_a_lost_bracket_below_a_name_is_a_loss_of_that_name(tmp_path):
    path = tmp_path / "sites.toml"
    path.write_text('[heath]\nlatitude = 52\nlongitude = 6\n[heath.sectors\nwest = "closed"\n')
    sites = read_sites(path)
    assert sites["heath"].sectors == {}
    with pytest.raises(WxflyError, match="its entry for the site 'heath' is not known"):
        sites.refuse_uncertain("heath", "the site")


def test_letters_that_cannot_be_seen_are_taken_out(tmp_path):
    path = tmp_path / "sites.toml"
    path.write_text('["he\u202eath\u0000".x]\n["he\u202eath"]\nlatitude = 52\nlongitude = 6\n', encoding="utf-8")
    assert list(read_sites(path)) == ["heath"]


@pytest.mark.parametrize(
    "damage",
    [
        STRICTER.replace('"5 m/s"', '"5 m/s'),
        STRICTER.replace('"5 m/s"', "5"),
        STRICTER.replace("[camera-quad-250g]", "[camera-quad-250g"),
        STRICTER.replace("[camera-quad-250g]", "[camera-quod-250g\x00]"),
        STRICTER.replace("maximum_gust", "maximum_gusts"),
        STRICTER.replace("[camera-quad-250g]", '[camera-quad-250g]\nmaximum_gust = "9 m/s"'),
    ],
)
def test_damage_to_stricter_limits_never_brings_the_wider_ones_back(tmp_path, damage):
    path = tmp_path / "aircraft.toml"
    path.write_bytes((WHOLE + damage).encode("latin-1"))
    table = load_aircraft(path)
    assert "camera-quad-250g" not in table
    assert "cine-hexacopter" in table
    with pytest.raises(WxflyError, match="its entry for aircraft 'camera-quad-250g' is not known: mend it") as caught:
        find_aircraft("camera-quad-250g", path)
    assert "\n" not in str(caught.value)
    assert find_aircraft("mine", path).maximum_gust == 6.0


def test_a_file_that_cannot_be_read_may_hold_any_limit(tmp_path):
    path = tmp_path / "own.toml"
    for content, words in ((b"#" * (LARGEST_BYTES + 1), "larger than 1 MB"), (STRICTER.encode("utf-16"), "in UTF-16")):
        path.write_bytes(content)
        with pytest.raises(WxflyError, match=words):
            find_aircraft("camera-quad-250g", path)
        with pytest.raises(WxflyError, match=words):
            find_rules("own", path)


def test_damage_elsewhere_stops_nothing(tmp_path):
    path = tmp_path / "aircraft.toml"
    path.write_text('[other]\ntitle = "\n')
    assert find_aircraft("camera-quad-250g", path) == find_aircraft("camera-quad-250g")
    path.unlink()
    os.mkfifo(path)
    assert "not a file" in damage_notes(load_aircraft(path).set_aside)[0]
