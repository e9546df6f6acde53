"""The pilot's own files changed at random: an answer or one line of ours, never a traceback, and nothing lost.

``WXFLY_FUZZ=20000`` in the environment is the nightly setting: so many changes in all.
"""

import json
import os
import random
import re
import shutil
from dataclasses import asdict

import h5py
import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.history.test_ledger import GOOD, OBSERVED, VERDICT, at
from wxfly.cube.netcdf import save_cube
from wxfly.errors import WxflyError
from wxfly.history import ledger
from wxfly.history.ledger import Chosen
from wxfly.history.verification import load_record, records_file
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.options import Words
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.rules import find_rules, load_rules
from wxfly.pilot.settings import FILE, config_folder, load_settings, read_plans
from wxfly.pilot.site import Site, read_sites, save_site
from wxfly.question.question import read_question
from wxfly.question.settings import settings_in_force
from wxfly.question.verification import score_ledger
from wxfly.report.command_facts.verification import ledger_facts
from wxfly.report.text.verification import ledger_text
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.places import refuse_set_aside

CHANGES = int(os.environ.get("WXFLY_FUZZ", "100"))

CHOICE = Chosen(
    "best", "headland", "camera-quad-1kg", "icon_eu", 60.0, 2700, {"wind": 9.6}, VERDICT.hour, "2026-06-10T13:00:00Z",
    VERDICT.told, VERDICT.run,
)  # fmt: skip
TEXTS = {
    "sites.toml": '''# mine
[heath]
latitude = 52.31
longitude = 6.84
surface_altitude = 31
time_zone = "Europe/Amsterdam"
surface_cover = "open"
[heath.sectors]
west = "closed"
[heath.defaults]
height = "40m"
limit = ["gust=9m/s"]
[headland]
latitude = 52.0
longitude = 6.0
hill = { shape = "ridge", height = 40.0, half_width = 120.0 }
''',
    "aircraft.toml": '''[mine]
title = "the small one"
kind = "multirotor"
maximum_wind = "5 m/s"
maximum_gust = { value = "6 m/s", source = "manual, page 4" }
minimum_temperature = "0 degC"
maximum_temperature = "40 degC"
maximum_precipitation = "0 mm/h"
battery_cycles = "40"
''',
    "rules.toml": '''[club]
title = "our field"
reminder = "keep off the road"
height_limit = { value = "100 m", paragraph = "3", standing = "guidance", read = "2026-01-01" }
minimum_visibility = "3 km"
cloud_separation = "100 m"
daylight_rule = "sun_up"
''',
    "plans.toml": '''[roof]
height = "30m"
limit = ["gust=8m/s", "wind=6m/s"]
batteries = 3
offline = true
[field]
duration = "2h"
''',
    "config.toml": '''model = "icon_eu"
height = "50m"
reserve = 0.3
require = ["kp"]
contact = "me@example.org"
patience_seconds = 9
[sources]
forecast = "https://mirror.example.org/v1/forecast"
[store]
maximum_age_days = 400
maximum_megabytes = 500
''',
    "records.toml": '''[heath]
model = "icon_eu"
days = { wind = 40, gust = 40 }
factors = { wind = 1.1, gust = 1.2 }
error_factors = { wind = 0.9, gust = 0.95 }
''',
    FILE: "Q7mZ-secret-0815\n",
}  # fmt: skip
LEDGER = b"".join(
    json.dumps({"entry": kind} | asdict(entry)).encode() + b"\n"
    for kind, entry in (("verdict", VERDICT), ("verdict", at(13)), ("observation", OBSERVED), ("choice", CHOICE))
)
ODD = (
    b"null", b"true", b"NaN", b"nan", b"inf", b"-1e999", b"1" + b"0" * 400, b"9" * 6000, b"[" * 5000, b"{" * 5000,
    b"[[]]", b"{}", b'""', b"'", b'"""', b"\x00", b"\xff\xfe", b"\xc3", b"\xe2\x80\xae", b"\xe2\x80\xa8", b"\r",
    b"\x1b[31m", b"1979-05-27", b"07:32:00", b"=", b"#", b"]", b"\n", b"\n[", b"e", b"-",
    b'"\\ud800"', b"\\u0000", b" ",
)  # fmt: skip


def changed(content, chance):
    """Change a text or a table of bytes once to four times."""
    content = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        if not content:
            break
        start = chance.randrange(len(content))
        how = chance.choice(["bit", "byte", "remove", "odd", "line", "twice", "value", "cut", "swap"])
        lines = content.split(b"\n")
        k = chance.randrange(len(lines))
        if how == "bit":
            content[start] ^= 1 << chance.randrange(8)
        elif how == "byte":
            content[start] = chance.randrange(256)
        elif how == "remove":
            del content[start : start + chance.randint(1, 30)]
        elif how == "odd":
            content[start:start] = chance.choice(ODD)
        elif how == "cut":
            del content[start:]
        elif how == "line":
            del lines[k]
            content = bytearray(b"\n".join(lines))
        elif how == "twice":
            lines.insert(chance.randrange(len(lines)), lines[k])
            content = bytearray(b"\n".join(lines))
        elif how == "swap":
            other = chance.randrange(len(lines))
            lines[k], lines[other] = lines[other], lines[k]
            content = bytearray(b"\n".join(lines))
        else:  # a value of another kind, after "=" or ":"
            values = list(re.finditer(rb"(?<=[:=] )(\"[^\"\n]*\"|[^,}\n]+)", bytes(content)))
            if values:
                value = chance.choice(values)
                content[value.start() : value.end()] = chance.choice(ODD)
    return bytes(content)


def one_line(line):
    assert "\n" not in line
    assert line.isprintable()
    assert len(line) < 1200


def ours_only(call, *arguments):
    """Call; what it raises is one line of ours."""
    try:
        return call(*arguments)
    except WxflyError as fault:
        one_line(" ".join(str(fault).split()))  # as the program prints it
    return None


def read_everything():
    """Read every own file as the answers do, and say what was set aside."""
    folder = config_folder()
    sites, settings = read_sites(folder / "sites.toml"), load_settings()
    tables = sites, load_aircraft(folder / "aircraft.toml"), load_rules(folder / "rules.toml")
    for part in damage_notes([*settings.set_aside, *(part for table in tables for part in table.set_aside)]):
        one_line(" ".join(part.split()))
    for name, site in sites.items():
        assert name.isprintable()
        assert isinstance(site, Site)
    for names in ([], ["heath"], ["52,6"], ["Amsterdam"]):
        ours_only(refuse_set_aside, sites, names)
    for name in ("mine", "camera-quad-250g"):
        ours_only(find_aircraft, name, folder / "aircraft.toml")
    ours_only(find_rules, "own", folder / "rules.toml")
    ours_only(load_record, records_file(), "heath")
    for part in damage_notes(read_plans(folder / "plans.toml").set_aside):
        one_line(" ".join(part.split()))
    for place in ("heath", "52,6"):
        ours_only(read_question, "best", [place], Words(plan="roof"))
        ours_only(read_question, "best", [place], Words())
    ours_only(settings_in_force, "heath", "roof")
    assert settings.model.isprintable()
    return settings


def write(name, content):
    path = config_folder() / name
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_bytes(content)
    path.chmod(0o600)
    return path


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_of_the_pilots_changed_at_random(name, own_folders):
    for other, text in TEXTS.items():
        write(other, text.encode())
    assert not read_everything().set_aside
    chance = random.Random(name)
    for _ in range(CHANGES // 10):
        content = changed(TEXTS[name].encode(), chance)
        path = write(name, content)
        read_everything()
        if name == "sites.toml":
            ours_only(save_site, path, Site("new", 1.0, 2.0))
            kept = path.read_bytes()
            assert kept == content or b"[new]" in kept
        else:
            assert path.read_bytes() == content


def test_the_ledger_changed_at_random(own_folders):
    chance = random.Random(7)
    folder = ledger.ledger_folder()
    for _ in range(CHANGES * 3 // 10):
        shutil.rmtree(folder, ignore_errors=True)
        path = folder / "2026-06.jsonl"
        content = changed(LEDGER, chance)
        write("ledger/2026-06.jsonl", content)
        before = ledger.read_ledger()
        for line in ledger_text(ledger_facts(score_ledger())).splitlines():
            one_line(line)
        ledger.enter_verdicts([VERDICT, at(15)])
        ledger.enter_observations([OBSERVED])
        ledger.enter([CHOICE])
        assert path.read_bytes().startswith(content)
        after = ledger.read_ledger()
        assert after.entries[: len(before.entries)] == before.entries
        assert at(15).key in {v.key for v in after.of(ledger.HourVerdict)}
        assert len(after.set_aside) >= len(before.set_aside)
        whole = set(LEDGER.split(b"\n")) & set(content.split(b"\n")) - {b""}
        assert len(before.entries) >= len(whole)  # a line that was not touched is never lost


VALUES = (
    None, "", "not known", "x" * 20_000, "a\nb\x1b[31m", "\u202eabc", 1, -1, 1e308, np.nan, np.inf, b"\xff\xfe",
    b"bytes", np.array([]), np.array([1.0, 2.0]), np.array([np.nan, 1.0]), np.array([2.0, 1.0]),
    np.array(["a", "b"], dtype=object), np.int64(2**62), np.array([[1, 2], [3, 4]]), True, "icon_eu", "m s-1",
    "km/h", "2026-06-10T00:00:00Z", "hours since 1970-01-01", "days since 0001-01-01", "hours since x",
    "wind_speed 10 80", "wind_speed ten", "no_such 10",
)  # fmt: skip


@pytest.mark.thorough
def test_attributes_of_a_forecast_file_changed_at_random(own_folders, tmp_path, read_here):
    chance = random.Random(11)
    whole, path = tmp_path / "whole.nc", tmp_path / "changed.nc"
    save_cube(quiet_cube(hours=30), whole)
    with h5py.File(whole) as file:
        holders = ["/", "/", "/", *file]
    answered = 0
    for _ in range(CHANGES // 10):
        shutil.copy(whole, path)
        with h5py.File(path, "r+") as file:
            for _ in range(chance.randint(1, 3)):
                attributes = file[chance.choice(holders)].attrs
                reported = [a for a in attributes if a not in ("DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME")]
                name, value = chance.choice([*reported, "carried"]), chance.choice(VALUES)
                if value is None:
                    attributes.pop(name, None)
                    continue
                try:
                    attributes[name] = value
                except (TypeError, ValueError, OSError):
                    continue  # no attribute can hold it
        before = path.read_bytes()
        obtained = ours_only(_open, path)
        assert path.read_bytes() == before
        if obtained is not None:
            answered += 1
            for note in obtained.notes:
                one_line(note)
            assert all(str(value).isprintable() for value in asdict(obtained.provenance).values())
    assert answered > CHANGES // 40


def _open(path):
    from wxfly.assessment.conditions import derive

    obtained = open_forecast(path, now=np.datetime64("2026-06-10T00", "s"))
    cube, notes = obtained.fresh()
    derive(cube.isel(site=0), height=60.0)
    for note in notes:
        one_line(note)
    return obtained


@pytest.mark.thorough
def test_an_answer_goes_on_beside_damage_and_says_so(wxfly, server, clock, own_folders):
    for name, text in TEXTS.items():
        if name != FILE:
            write(name, text.encode())
    write("config.toml", b'contact = "me@example.org\nmodel = "icon_eu"\n')
    write("sites.toml", TEXTS["sites.toml"].replace("longitude = 6.0", "longitude = null").encode())
    write("aircraft.toml", b'[broken]\ntitle = "\n')
    write("ledger/2026-03.jsonl", b"null\n" + GOOD[:90] + b"\n")
    for command in ("best", "week"):
        code, out, _ = wxfly(command, "heath")
        assert code == 0
        words = " ".join(out.split())
        for reported in (
            "config.toml, line 1: ",
            "sites.toml, line 15: ",
            "aircraft.toml, line 2: ",
            "2026-03.jsonl, line 1: ",
        ):
            assert reported in words.replace("- ", "-")
        assert words.count("set aside, none of it is used") == 4
    assert (config_folder() / "ledger" / "2026-03.jsonl").read_bytes().startswith(b"null\n" + GOOD[:90] + b"\n")
    code, _, err = wxfly("best", "headland")
    assert code == 1
    assert "its entry for the site 'headland' is not known: mend it" in err
