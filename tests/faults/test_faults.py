"""Every fault of the table over a real socket and through the command: exit code, one line, the store as it was, and
the last good forecast given and said to be old."""

import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from tests.faults.table import FAULTS, PATIENCE
from tests.halves import spread
from tests.server import WeatherServer
from tests.test_command_over_a_socket import command
from wxfly.cli import main
from wxfly.pilot.settings import cache_folder
from wxfly.store import forecasts

SITES = '[heath]\nlatitude = 52.31\nlongitude = 6.84\nsurface_altitude = 31\ntime_zone = "Europe/Amsterdam"\n'
PATHS = {"/v1/forecast", "/data/dwd_icon_eu/static/meta.json"}
KP_PATHS = {"/swpc/products/noaa-planetary-k-index-forecast.json", "/swpc/text/27-day-outlook.txt"}

# A spread over the kinds of faults, through the command as it is installed and in a process of its own.
SPREAD = (
    "the connection is dropped", "silence", "a body that drips", "no data for the place", "forbidden",
    "too many in this minute", "too many today", "overloaded", "a redirect elsewhere", "a sign-in page with status 200",
    "half of the JSON", "100 MB out of 100 kB", "km/h in place of m/s", "hours of last year", "a wind of 500 m/s",
    "another place",
)  # fmt: skip


@pytest.fixture(autouse=True)
def saved_site(server, own_folders, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text(SITES)


@pytest.fixture
def patience(monkeypatch):
    """Wait no longer than a fault needs: in a process of its own the waits between tries are real ones."""

    def of(name, seconds=20.0):
        monkeypatch.setenv("WXFLY_PATIENCE", str(PATIENCE.get(name, seconds)))

    return of


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """Fetch one good forecast; give its cache folder and what the command answers from it when nobody is asked."""
    folder = tmp_path_factory.mktemp("good")
    (folder / "config").mkdir()
    (folder / "config" / "sites.toml").write_text(SITES)
    weather = WeatherServer()
    environment = weather.environment() | {
        "WXFLY_CACHE": str(folder / "cache"), "WXFLY_CONFIG": str(folder / "config"), "COLUMNS": "100",
    }  # fmt: skip
    later = f"{datetime.now(UTC) + timedelta(hours=3):%Y-%m-%dT%H:%MZ}"
    told = [
        CliRunner(env=environment).invoke(main, arguments, catch_exceptions=False)
        for arguments in (["fetch", "--model", "icon_eu"], [*question(later), "--offline"])
    ]
    assert [done.exit_code for done in told] == [0, 0], told[-1].output
    weather.close()
    shutil.rmtree(folder / "cache" / "replies" / "metadata")  # so that the newest run is asked for
    return folder / "cache", later, told[-1].stdout


@pytest.fixture
def stored(good, server):
    """Put the good forecast into the store of this test; a newer run is announced, so it is not the newest any more."""
    shutil.copytree(good[0], cache_folder())
    server.run_delay -= timedelta(hours=6)


def question(later):
    return ["best", "heath", "--model", "icon_eu", "--as-of", later]


def installed(*arguments):
    done = subprocess.run([*command(), *arguments], capture_output=True, text=True, check=False, timeout=60)
    return done.returncode, done.stdout, done.stderr


def files():
    return {p.relative_to(cache_folder()): p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.*")}


def is_refusal(code, out, err, words):
    """Hold what the command did against what a fault with nothing stored must end in."""
    assert (code, out) == (1, "")
    assert "Traceback" not in err
    (line,) = [line for line in err.splitlines() if line.startswith("Error: ")]
    assert err.splitlines()[-1] == line
    assert line.startswith("Error: Open-Meteo icon_eu for 52.31, 6.84: ")
    assert line.endswith("; nothing is stored for heath to answer from")
    assert any(w in line for w in words.split("|")), line
    assert len(line) < 400
    assert files() == {}


def is_the_last_good_answer(code, out, err, words, kept, offline):
    """Hold what the command did against the answer that the store gave before the fault."""
    assert code == 0, err
    assert "Traceback" not in err
    verdict, *answer = out.split("\n\n")
    told = " ".join(verdict.split())
    assert "ee the note" in told[:40]
    assert re.search(r"\. Note Forecast from the store, retrieved \w{3} \d+ \w{3} \d{4} \d\d:\d\d CES?T, 3 h ago", told)
    (line,) = re.findall(r"[Nn]o newer forecast is available: (.*)", told)
    assert line.startswith("Open-Meteo icon_eu for 52.31, 6.84: ")
    assert any(w in line for w in words.split("|")), line
    assert "\n\n".join(answer) == "\n\n".join(offline.split("\n\n")[1:]), "the answer is that of the store"
    assert files() == kept
    for one in forecasts.list_forecasts():
        forecasts.open_forecast(one)


def test_there_are_at_least_forty():
    assert len(FAULTS) >= 40
    assert len(SPREAD) >= 12


@pytest.mark.parametrize("name", spread(FAULTS, 24))
def test_with_nothing_stored_the_fault_is_one_line_and_code_1(server, wxfly, patience, name):
    fault, words = FAULTS[name]
    patience(name)
    server.always["forecast"] = fault
    is_refusal(*wxfly("best", "heath", "--model", "icon_eu"), words)
    assert {a.path for a in server.log} <= PATHS


@pytest.mark.parametrize("name", spread(FAULTS, 12))
def test_with_a_forecast_stored_it_answers_and_is_said_to_be_old(server, stored, good, wxfly, patience, name):
    fault, words = FAULTS[name]
    patience(name)
    server.always["forecast"] = fault
    kept = files()
    is_the_last_good_answer(*wxfly(*question(good[1])), words, kept, good[2])
    assert {a.path for a in server.log} <= PATHS | KP_PATHS


@pytest.mark.thorough
@pytest.mark.parametrize("name", SPREAD[::4])
def test_the_installed_command_with_nothing_stored(server, patience, name):
    fault, words = FAULTS[name]
    patience(name, 3)
    server.always["forecast"] = fault
    is_refusal(*installed("best", "heath", "--model", "icon_eu"), words)


@pytest.mark.thorough
@pytest.mark.parametrize("name", SPREAD[1::4])
def test_the_installed_command_with_a_forecast_stored(server, stored, good, patience, name):
    fault, words = FAULTS[name]
    patience(name, 3)
    server.always["forecast"] = fault
    kept = files()
    is_the_last_good_answer(*installed(*question(good[1])), words, kept, good[2])


def test_without_any_fault_the_same_question_fetches(server, stored, good, wxfly):
    """So it was the fault that the tests above were answered from the store for."""
    code, out, _ = wxfly(*question(good[1]))
    assert code == 0
    assert "from the store" not in out
    assert len(server.asked("forecast")) == 1
    assert len(files()) == 2
