"""Text that leaves the program is right everywhere: what services and files send, and names in every script."""

import csv
import io
import json
import os
import subprocess
import sys

import icalendar
import pytest

from tests.halves import spread
from tests.report.text.test_console import HEBREW, HOSTILE, JAPANESE, acted_on
from tests.server import Fault
from wxfly.cli import main
from wxfly.pilot.settings import config_folder
from wxfly.pilot.site import Site, save_site
from wxfly.report.text import console
from wxfly.retrieval.places import shipped_forecast

EMOJI = "Hill 🏔️☀️🛩"
NAMES = (HEBREW, JAPANESE, EMOJI)
PLACE = "52.31,6.84"


@pytest.fixture
def run(monkeypatch):
    """Run the command in this process on a console of an encoding; return its code and the bytes of both streams."""

    def start(*arguments, encoding="utf-8"):
        streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in range(2)]
        with monkeypatch.context() as changed:
            changed.setattr(sys, "stdout", streams[0])
            changed.setattr(sys, "stderr", streams[1])
            with pytest.raises(SystemExit) as ended:
                main.main(args=list(arguments), prog_name="wxfly")
        for stream in streams:
            stream.flush()
        return ended.value.code, *(stream.buffer.getvalue() for stream in streams)

    return start


def with_hostile_texts(document, keys):
    """Return a reply in which the texts under some keys carry what a terminal acts on."""
    if isinstance(document, list):
        return [with_hostile_texts(entry, keys) for entry in document]
    if isinstance(document, dict):
        return {
            k: v + HOSTILE if k in keys and isinstance(v, str) else with_hostile_texts(v, keys)
            for k, v in document.items()
        }
    return document


def hostile(*keys):
    return Fault(change=lambda body: json.dumps(with_hostile_texts(json.loads(body), keys)).encode())


FREE_TEXTS = ("name", "admin1", "country", "country_code", "rawOb", "rawTAF", "error", "reason")
REFUSED_TEXTS = ("timezone", "icaoId", "issueTime", "wind_speed_10m", "temperature_2m", "metarType")


@pytest.mark.parametrize(
    ("keys", "service", "arguments"),
    spread(
        [
            (keys, service, arguments)
            for keys in (FREE_TEXTS, REFUSED_TEXTS)
            for service, arguments in (
                ("geocoding", ("-v", "sites", "add", "mine", "Oldermoor")),
                ("geocoding", ("best", "Oldermoor")),
                ("aviation_weather", ("-v", "observed", PLACE)),
                ("geocoding", ("best", "Oldermoor", "--json")),
                ("forecast", ("--log", "json", "best", PLACE)),
                ("metadata", ("best", PLACE, "--csv")),
                ("aerodrome_forecasts", ("observed", PLACE)),
            )
        ],
        2,
    ),
)
def test_what_a_service_sends_never_acts_on_the_terminal(server, run, service, arguments, keys):
    server.always[service] = hostile(*keys)
    _, out, err = run(*arguments)
    assert server.asked(service)
    assert out or err
    assert not acted_on(out.decode().replace("\r\n", "\n"))
    assert not acted_on(err.decode())


def test_the_words_with_which_a_service_refuses_never_act_on_the_terminal(server, run):
    for service in ("forecast", "metadata", "geocoding", "aviation_weather"):
        server.always[service] = Fault(status=400, body=json.dumps({"error": True, "reason": f"x{HOSTILE}"}).encode())
    for arguments in (("best", PLACE), ("--log", "json", "best", "Oldermoor"), ("observed", PLACE)):
        code, out, err = run(*arguments)
        assert code == 1
        assert not acted_on((out + err).decode())


@pytest.mark.thorough
def test_what_a_file_says_never_acts_on_the_terminal(run, tmp_path, read_here):
    cube = shipped_forecast("late-winter.nc")
    for name in ("source", "institution", "model", "attribution", "license", "history", "comment", "title"):
        if name in cube.attrs:
            cube.attrs[name] = f"{cube.attrs[name]}{HOSTILE.replace(chr(0), '')}"
    path = tmp_path / "own.nc"
    cube.drop_attrs(deep=False).assign_attrs(cube.attrs).to_netcdf(path, engine="h5netcdf")
    for form in ((), ("--json",), ("--csv",)):
        _, out, err = run("best", "Kelderness", "--forecast", str(path), *form)
        assert not acted_on((out + err).decode().replace("\r\n", "\n"))


def test_what_the_pilots_own_files_say_never_acts_on_the_terminal(run):
    config_folder().mkdir(parents=True)
    text = json.dumps(HOSTILE)  # the escapes of JSON are those of TOML as well
    (config_folder() / "aircraft.toml").write_text(
        f"""[mine]
title = {text}
kind = "multirotor"
maximum_wind = "8 m/s"
maximum_gust = "10 m/s"
minimum_temperature = "0 degC"
maximum_temperature = "40 degC"
maximum_precipitation = "0 mm/h"
"""
    )
    (config_folder() / "rules.toml").write_text(
        f"""[mine]
title = {text}
height_limit = "90 m"
minimum_visibility = "5 km"
cloud_separation = "150 m"
daylight_rule = "sun_up"
"""
    )
    (config_folder() / "sites.toml").write_text(f"[{text}]\nlatitude = 1\nlongitude = 2\n")
    flown = ("best", "Kelderness", "--aircraft", "mine", "--rules", "mine")
    for arguments in (("aircraft",), ("aircraft", "mine"), ("rules",), ("rules", "mine"), ("sites",), ("best",), flown):
        _, out, err = run(*arguments)
        assert not acted_on((out + err).decode())


def test_what_was_typed_never_acts_on_the_terminal(run):
    typed = HOSTILE[1:]
    for arguments in (
        ("best", f"--{typed}"),
        (typed,),
        ("aircraft", typed),
        ("best", typed),
        ("best", "--wait", typed),
    ):
        code, out, err = run(*arguments)
        assert code in (1, 2)
        assert not acted_on((out + err).decode())


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is a thing of POSIX")
def test_a_real_terminal_is_sent_nothing_that_it_acts_on(server):
    server.always["aviation_weather"] = hostile(*FREE_TEXTS)
    server.always["aerodrome_forecasts"] = hostile(*FREE_TEXTS)
    ours, theirs = os.openpty()
    environment = os.environ | {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "wxfly", "-v", "observed", PLACE]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment) as process:
        os.close(theirs)
        seen = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            seen += part
    os.close(ours)
    assert process.returncode == 0
    assert b"Reported by" in seen and b"As sent" in seen
    assert not acted_on(seen.decode().replace("\r\n", "\n"))


# --- names in every script ---------------------------------------------------------------------------------------


@pytest.fixture
def three_sites(server):
    path = config_folder() / "sites.toml"
    for i, name in enumerate(NAMES):
        save_site(path, Site(name, 52.3 + i / 10, 6.8, 30.0, "Europe/Amsterdam"))
    return path


@pytest.mark.thorough
@pytest.mark.parametrize("encoding", spread(["utf-8", "ascii", "cp1252"], 3))
def test_names_come_through_every_output_on_every_console(three_sites, run, tmp_path, encoding):
    page, calendar = tmp_path / "page.html", tmp_path / "calendar.ics"
    code, out, err = run("compare", *NAMES, "--html", str(page), "--ics", str(calendar), encoding=encoding)
    assert code == 0, err
    # A name that is broken over two lines is isolated on each of them.
    told = " ".join(out.decode(encoding).split()).replace("\u2069 \u2068", " ")
    for name in NAMES:
        assert console.readable(console.isolated(name), encoding) in told
    assert "??" not in told
    if encoding == "utf-8":  # the numbers of letters that a console lacks may need more room
        assert max(map(console.columns, out.decode(encoding).splitlines())) <= 100

    code, out, _ = run("compare", *NAMES, "--json", encoding=encoding)
    assert code == 0
    assert [answer["site"]["name"] for answer in json.loads(out.decode("utf-8"))["sites"]] == list(NAMES)

    code, out, _ = run("compare", *NAMES, "--csv", encoding=encoding)
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out.decode("utf-8"), newline="")))
    assert list(dict.fromkeys(row["site"] for row in rows)) == list(NAMES)
    assert b"\r\r\n" not in out

    events = icalendar.Calendar.from_ical(calendar.read_bytes()).walk("VEVENT")
    named = {str(event["LOCATION"]) for event in events}
    assert named and named <= {console.isolated(name) for name in NAMES}
    written = page.read_bytes().decode("utf-8")
    assert f"<bdi>{HEBREW}</bdi>" in written
    assert JAPANESE in written and EMOJI in written
    assert f"<title>\u2068{HEBREW}\u2069" in written
    assert "<bdi>" not in written.partition("<title>")[2].partition("</title>")[0]

    code, out, _ = run("sites", encoding=encoding)
    lines = [line for line in out.decode(encoding).splitlines() if line.endswith("saved")]
    assert len({console.columns(line) for line in lines}) == 1


@pytest.mark.thorough
@pytest.mark.parametrize("encoding", ["ascii"])
def test_a_process_on_a_poor_console_says_the_same(three_sites, encoding):
    environment = os.environ | {"PYTHONIOENCODING": encoding, "COLUMNS": "100"}
    command = [sys.executable, "-W", "error", "-m", "wxfly"]
    done = subprocess.run([*command, "sites"], env=environment, capture_output=True, timeout=60)
    assert done.returncode == 0
    for name in NAMES:
        assert console.readable(name, encoding).encode(encoding) in done.stdout
    done = subprocess.run([*command, "best", HEBREW, "--json"], env=environment, capture_output=True, timeout=60)
    assert json.loads(done.stdout.decode("utf-8"))["sites"][0]["site"]["name"] == HEBREW
    done = subprocess.run([*command, "aircraft", HEBREW], env=environment, capture_output=True, timeout=60)
    assert done.returncode == 1
    assert console.readable(HEBREW, encoding).encode(encoding) in done.stderr


def test_numbers_stay_with_their_units_on_the_page(three_sites, run, tmp_path):
    run("best", HEBREW, "--html", str(tmp_path / "page.html"))
    written = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "60\N{NO-BREAK SPACE}m above ground" in written
