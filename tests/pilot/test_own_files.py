"""Files of the pilot's: whole or not there, changed one at a time, for nobody else's eyes."""

import os
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot import own_files
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.own_files import (
    LARGEST_BYTES,
    alone_with,
    damage_notes,
    make_folder,
    parse_toml,
    read_if_there,
    read_table,
    write_beside,
    write_whole,
)
from wxfly.pilot.rules import find_rules
from wxfly.pilot.site import read_sites

ROOT = Path(__file__).resolve().parents[2]


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def names(folder):
    return sorted(p.name for p in folder.iterdir())


# --- read ------------------------------------------------------------------------------------------------------


def test_only_what_is_not_there_is_absent(tmp_path):
    assert read_if_there(tmp_path / "none.toml") is None
    assert read_if_there(tmp_path / "no folder" / "none.toml") is None
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "link.toml").symlink_to(tmp_path / "gone.toml")
    (tmp_path / "file").write_text("")
    for name in ("folder.toml", "link.toml", "file/x.toml"):
        with pytest.raises(WxflyError, match=r"cannot be read \("):
            read_if_there(tmp_path / name)


def test_a_mark_before_the_text_is_no_fault(tmp_path):
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbfa = 1\n")
    assert parse_toml(read_if_there(tmp_path / "a.toml"), "a.toml") == {"a": 1}


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 5000,
        "a = 1" + "0" * 400,
        "a = [[1, 1" + "0" * 400 + "]]",
        "a = 1" + "0" * 6000,
        "b",
        "a = 1\na = 2",
    ],
)
def test_what_is_no_toml_is_one_line(text):
    with pytest.raises(WxflyError, match=r"^mine: not a TOML file .*; mend or remove it$") as caught:
        parse_toml(text, "mine")
    assert len(str(caught.value)) < 300


# --- written ---------------------------------------------------------------------------------------------------


def test_a_private_file_is_for_its_owner_alone_and_another_as_the_user_has_it(tmp_path):
    before = os.umask(0o022)
    try:
        write_beside(tmp_path / "new" / "deep" / "a", b"a", private=True)
        write_beside(tmp_path / "other" / "b", b"b", private=False)
    finally:
        os.umask(before)
    assert [mode(tmp_path / p) for p in ("new", "new/deep", "new/deep/a")] == [0o700, 0o700, 0o600]
    assert [mode(tmp_path / p) for p in ("other", "other/b")] == [0o755, 0o644]


def test_a_link_stays_a_link_and_a_file_keeps_its_permissions(tmp_path):
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "sites.toml").write_text("old")
    (tmp_path / "far" / "sites.toml").chmod(0o640)
    (tmp_path / "sites.toml").symlink_to("far/sites.toml")
    write_whole(tmp_path / "sites.toml", b"new", private=True)
    assert (tmp_path / "sites.toml").is_symlink()
    assert (tmp_path / "far" / "sites.toml").read_text() == "new"
    assert mode(tmp_path / "far" / "sites.toml") == 0o640
    assert names(tmp_path / "far") == ["sites.toml"]


def test_the_bytes_are_on_the_disk_before_the_name_is(tmp_path, monkeypatch):
    done = []
    sync, replace = os.fsync, Path.replace
    monkeypatch.setattr("os.fsync", lambda d: (done.append("on disk"), sync(d)))
    monkeypatch.setattr(Path, "replace", lambda self, other: (done.append("renamed"), replace(self, other)))
    write_whole(tmp_path / "a", b"a")
    assert done == ["on disk", "renamed"]


def test_what_does_not_pass_the_look_leaves_the_old_file_and_nothing_beside(tmp_path):
    (tmp_path / "a").write_bytes(b"old")

    def look(beside):
        assert beside.read_bytes() == b"new"
        raise OSError("no")

    with pytest.raises(OSError, match="no"):
        write_beside(tmp_path / "a", b"new", private=True, check=look)
    assert (tmp_path / "a").read_bytes() == b"old"
    assert names(tmp_path) == ["a"]


def test_a_pipe_is_written_into_and_not_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    read = []
    reader = threading.Thread(target=lambda: read.append((tmp_path / "pipe").read_bytes()))
    reader.start()
    write_whole(tmp_path / "pipe", b"answer")
    reader.join(10)
    assert read == [b"answer"]
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_what_a_killed_writer_left_goes_with_the_next_write(tmp_path):
    for name, age in ((".a.1-00.part", 7200), (".a.2-00.part", 60), (".b.1-00.part", 7200), ("a.part", 7200)):
        (tmp_path / name).write_bytes(b"half")
        os.utime(tmp_path / name, (time.time() - age,) * 2)
    write_whole(tmp_path / "a", b"whole")
    assert names(tmp_path) == [".a.2-00.part", ".b.1-00.part", "a", "a.part"]


def test_a_place_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "file" / "a", tmp_path):
        with pytest.raises(WxflyError, match=r"could not be written \(.*\); give a path that can be written"):
            write_whole(place, b"a")
    with pytest.raises(OSError, match="exists"):
        make_folder(tmp_path / "file")


# --- one at a time ---------------------------------------------------------------------------------------------

ADDER = """
import sys
sys.path.insert(0, {root!r})
from pathlib import Path
from wxfly.pilot.site import Site, save_site
for k in range(5):
    save_site(Path({path!r}), Site(f"site {{sys.argv[1]}} {{k}}", 52.0, 6.0))
"""


@pytest.mark.thorough
def test_six_programs_that_save_sites_at_once_lose_none(tmp_path):
    from wxfly.pilot.site import read_sites

    path = tmp_path / "sites.toml"
    code = ADDER.format(root=str(ROOT), path=str(path))
    programs = [subprocess.Popen([sys.executable, "-c", code, str(n)]) for n in range(6)]
    assert [program.wait(120) for program in programs] == [0] * 6
    assert len(read_sites(path)) == 30


def test_records_saved_at_once_are_all_kept(tmp_path):
    from wxfly.history.verification import SiteRecord, save_record

    path = tmp_path / "records.toml"

    def save(number):
        for k in range(5):
            save_record(path, SiteRecord(f"{number} {k}", "icon_eu", {"wind": 40}, {"wind": 1.1}, {"wind": 1.0}))

    writers = [threading.Thread(target=save, args=(n,)) for n in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert len(parse_toml(path.read_text(), "records")) == 20
    assert mode(path) == 0o600


def test_who_waits_too_long_is_told_and_nothing_is_changed(tmp_path, monkeypatch):
    import filelock

    monkeypatch.setattr(own_files, "LOCK_SECONDS", 0.05)
    with (
        filelock.FileLock(tmp_path / ".sites.toml.lock"),
        pytest.raises(WxflyError, match=r"sites\.toml is being changed by another wxfly; try again"),
        alone_with(tmp_path / "sites.toml"),
    ):
        raise AssertionError("two at once")


# --- tables, entry by entry ------------------------------------------------------------------------------------

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
