import math
from datetime import date

import numpy as np
import pytest

from wxfly.errors import WxflyError
from wxfly.physics.wind.terrain import SECTORS
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.site import (
    Hill,
    Site,
    date_of,
    read_sites,
    remove_site,
    save_site,
    surface_cover_classes,
    zone_of,
)
from wxfly.retrieval.places import refuse_set_aside
from wxfly.times import DaysAhead, Weekday


def test_saved_and_read_back(tmp_path):
    path = tmp_path / "deep" / "sites.toml"
    meadow = Site("meadow", 52.1, 6.9, surface_altitude=45.0, time_zone="Europe/Amsterdam", surface_cover="open")
    save_site(path, meadow)
    save_site(path, Site("<script>", -33.9, 151.2, time_zone="Australia/Sydney"))
    sites = read_sites(path)
    assert sites["meadow"] == meadow
    assert sites["<script>"].latitude == -33.9
    assert math.isnan(sites["<script>"].surface_altitude)
    remove_site(path, "meadow")
    assert list(read_sites(path)) == ["<script>"]
    assert sorted(p.name for p in path.parent.iterdir()) == [".sites.toml.lock", "sites.toml"]


def test_sectors_and_a_hill_are_kept(tmp_path):
    path = tmp_path / "sites.toml"
    site = Site(
        "cliff", 54.0, -8.0, 45.0, surface_cover="open", sectors={"west": "sea", "east": "closed"}, obstacle_height=8.0,
        hill=Hill("ridge", 60.0, 300.0, 20.0),
    )  # fmt: skip
    save_site(path, site)
    assert read_sites(path)["cliff"] == site
    assert site.roughness_by_sector[SECTORS.index("west")] == 0.0002
    assert site.roughness_by_sector[SECTORS.index("north")] == 0.03
    assert Site("a", 1, 2).roughness_by_sector is None
    assert set(Site("a", 1, 2, sectors={"west": "sea", "east": "rough"}).roughness_by_sector) == {0.0002, 0.25}


def test_the_pilots_comments_stay(tmp_path):
    path = tmp_path / "sites.toml"
    path.write_text("# my places\n[meadow]\nlatitude = 52.1  # the gate\nlongitude = 6\n")
    save_site(path, Site("ridge", 50.0, 6.0))
    assert "# my places" in path.read_text()
    assert "# the gate" in path.read_text()
    assert set(read_sites(path)) == {"meadow", "ridge"}


def test_an_absent_file_is_an_empty_list(tmp_path):
    assert read_sites(tmp_path / "sites.toml") == {}


FAULTS = [
    ("[a]\nlatitude = 52\nlongitude = 6\nlattitude = 1", "did you mean 'latitude'?"),
    ("[a]\nlatitude = 95\nlongitude = 6", "latitude 95.0 is outside -90 to 90"),
    ("[a]\nlatitude = 52\nlongitude = 200", "longitude 200.0 is outside"),
    ("[a]\nlatitude = 52", "has no longitude"),
    ('[a]\nlatitude = "52"\nlongitude = 6', "must be a number"),
    ("[a]\nlatitude = true\nlongitude = 6", "must be a number"),
    ("[a]\nlatitude = 52\nlongitude = 6\ntime_zone = 1", "must be a text"),
    (
        '[a]\nlatitude = 52\nlongitude = 6\ntime_zone = "Europe/Atlantis"',
        "time zone 'Europe/Atlantis' is not known",
    ),
    ('[a]\nlatitude = 52\nlongitude = 6\nsurface_cover = "opn"', "did you mean 'open'?"),
    ('[a]\nlatitude = 52\nlongitude = 6\nsectors = { wst = "sea" }', "did you mean 'west'?"),
    ('[a]\nlatitude = 52\nlongitude = 6\nsectors = { west = "see" }', "did you mean 'sea'?"),
    ('[a]\nlatitude = 52\nlongitude = 6\nsectors = "sea"', "must be a table of keys"),
    ('[a]\nlatitude = 52\nlongitude = 6\nhill = { shape = "ridge" }', "has no height, no half_width"),
    (
        '[a]\nlatitude = 52\nlongitude = 6\nhill = { shape = "rigde", height = 5, half_width = 9 }',
        "did you mean 'ridge'?",
    ),
    ("[a]\nlatitude = 52\nlongitude = 6\nobstacle_height = 500", "outside 0 to 100 m"),
    ("a = 5", "must be a table of keys"),
    ("[a", "not a TOML file"),
]


@pytest.mark.parametrize(("text", "words"), FAULTS)
def test_a_fault_in_the_file_is_told_in_one_line_and_the_file_kept(tmp_path, text, words):
    path = tmp_path / "sites.toml"
    path.write_text(text)
    sites = read_sites(path)
    assert sites == {}
    (line,) = damage_notes(sites.set_aside)
    assert words in line
    assert line.startswith(f"{path}, line ")
    assert "\n" not in line
    with pytest.raises(WxflyError, match="the first site is not known"):
        refuse_set_aside(sites, [])
    with pytest.raises(WxflyError, match="its entry for the site 'A' is not known"):
        refuse_set_aside(sites, ["A"])
    refuse_set_aside(sites, ["Amsterdam", "52.3,6.8"])
    with pytest.raises(WxflyError):
        save_site(path, Site("b", 1.0, 2.0))
    assert path.read_text() == text


def test_removing_what_is_not_there(tmp_path):
    path = tmp_path / "sites.toml"
    save_site(path, Site("meadow", 52.1, 6.9))
    with pytest.raises(WxflyError, match="did you mean 'meadow'"):
        remove_site(path, "medow")


@pytest.mark.parametrize("name", ["", " ", " meadow", "a\nb", "a\x1b[31m"])
def test_a_name_that_cannot_be_read_is_not_saved(tmp_path, name):
    with pytest.raises(WxflyError, match="must be printable"):
        save_site(tmp_path / "sites.toml", Site(name, 1.0, 2.0))
    assert not (tmp_path / "sites.toml").exists()


@pytest.mark.parametrize("name", ["", "/etc/passwd", "../x", "Mars/Base"])
def test_odd_zones_are_refused(name):
    with pytest.raises(WxflyError, match="is not known"):
        zone_of(name)


def test_roughness_grows_with_the_class():
    # Davenport-Wieringa: 0.0002 m for open sea to 2 m and more for city centres.
    lengths = [c["roughness_length"] for c in surface_cover_classes().values()]
    assert lengths == sorted(lengths)
    assert (lengths[0], lengths[-1]) == (0.0002, 2.0)


def test_a_fault_of_a_site_names_the_file_and_the_site(tmp_path):
    path = tmp_path / "sites.toml"
    for key, words in (
        ('time_zone = "Europe/Atlantis"', "time zone 'Europe/Atlantis' is not known"),
        ("surface_altitude = 10000", "ground at 10000.0 m is outside"),
        ('surface_cover = "opn"', "surface cover 'opn' is not known"),
    ):
        path.write_text(f"[far]\nlatitude = 52\nlongitude = 6\n{key}\n")
        (part,) = read_sites(path).set_aside
        assert (part.path, part.line, part.name) == (path, 1, "far")
        assert part.fault.startswith(f"site 'far': {words}")


def test_a_file_that_is_none_is_no_empty_list(tmp_path):
    """Without sites of the pilot's the demonstration would answer."""
    assert read_sites(tmp_path / "sites.toml") == {}
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    for name in ("folder", "link"):
        sites = read_sites(tmp_path / name)
        assert "cannot be read" in sites.set_aside[0].fault
        for names in ([], ["anything"]):
            with pytest.raises(WxflyError, match="cannot be read"):
                refuse_set_aside(sites, names)
        refuse_set_aside(sites, ["52.3,6.8"])


@pytest.mark.parametrize("number", ["1" + "0" * 400, "1" + "0" * 6000, "[" * 5000])
def test_what_no_number_can_hold_is_told_in_one_line(tmp_path, number):
    whole = "[b]\nlatitude = 1\nlongitude = 2\n"
    (tmp_path / "sites.toml").write_text(f"[a]\nlatitude = {number}\nlongitude = 6\n{whole}")
    sites = read_sites(tmp_path / "sites.toml")
    assert list(sites) == ["b"]
    assert "not a TOML file" in sites.set_aside[0].fault


def test_sites_are_for_their_owner_alone(tmp_path):
    path = tmp_path / "config" / "sites.toml"
    save_site(path, Site("heath", 52.0, 6.0))
    assert (path.stat().st_mode & 0o777, path.parent.stat().st_mode & 0o777) == (0o600, 0o700)


@pytest.mark.parametrize(
    ("now", "day", "expected"),
    [
        ("2026-03-14T06:00", DaysAhead(0), "2026-03-14"),
        ("2026-03-14T06:00", DaysAhead(1), "2026-03-15"),
        ("2026-03-14T06:00", Weekday(0), "2026-03-16"),
        ("2026-03-14T12:00", Weekday(5), "2026-03-14"),  # a Saturday with light left
        ("2026-03-14T20:00", Weekday(5), "2026-03-21"),  # the same in the dark
        ("2026-03-13T23:30", Weekday(5), "2026-03-14"),  # Saturday already on the clock of the site
        ("2026-12-19T12:00", date(2026, 12, 19), "2026-12-19"),
    ],
)
def test_a_day_is_a_date_on_the_clock_of_the_site(now, day, expected):
    meadow = Site("meadow", 52.1, 6.9, time_zone="Europe/Amsterdam")
    assert str(date_of(meadow, np.datetime64(now, "s"), day)) == expected


def test_a_weekday_without_any_light_is_the_next_one():
    north = Site("north", 78.2, 15.6, time_zone="Arctic/Longyearbyen")
    assert str(date_of(north, np.datetime64("2026-12-19T06:00", "s"), Weekday(5))) == "2026-12-26"
