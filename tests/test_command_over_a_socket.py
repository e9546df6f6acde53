"""The command as it is installed, asking services over a real socket."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.halves import spread

ROOT = Path(__file__).resolve().parents[1]


def command():
    """Return the installed ``wxfly``, or the same entry point when the tests run from a checkout alone."""
    installed = Path(sys.executable).with_name("wxfly")
    if installed.is_file():
        return [str(installed)]
    found = shutil.which("wxfly")
    return [found] if found else [sys.executable, "-c", "from wxfly.cli import main; main(prog_name='wxfly')"]


def run(*arguments, code=0):
    done = subprocess.run(
        [*command(), *arguments], capture_output=True, text=True, cwd=ROOT, env=os.environ.copy(), check=False,
        timeout=60,
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("arguments", "places"),
    spread(
        [
            (["compare", "52.31,6.84", "Oldermoor Heath"], 2),
            (["best", "52.31,6.84"], 1),
            (["best", "52.31,6.84", "--model", "icon_eu"], 1),
            (["week", "Oldermoor"], 1),
        ],
        2,
    ),
)
def test_each_question_is_answered_from_one_request(server, wxfly, arguments, places):
    code, out, _ = wxfly(*arguments, "--json")
    assert code == 0
    answer = json.loads(out)
    (asked,) = server.asked("forecast")
    assert len(asked.query["latitude"].split(",")) == places
    assert asked.headers["user-agent"].startswith("wxfly/")
    text = json.dumps(answer)
    assert "https://open-meteo.com/" in text
    again = json.loads(wxfly(*arguments, "--offline", "--json")[1])
    assert len(server.asked("forecast")) == 1
    assert json.dumps(again).count('"start"') == text.count('"start"')


@pytest.mark.thorough
def test_what_was_fetched_answers_later_without_anybody(server, wxfly):
    _, said, _ = wxfly("fetch", "Oldermoor")
    assert "Oldermoor, Lowmark, Inventia: ncep_gfs_global" in said
    server.log.clear()
    answer = run("best", "Oldermoor", "--offline").stdout
    assert server.log == []
    assert "ee the note" in answer[:40]
    assert ". Note Forecast from the store, retrieved " in " ".join(answer.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["best", "Nowhere"], "no place called 'Nowhere' was found"),
        (["best", "95,6"], "latitude 95 is outside -90 to 90 degrees; latitude comes first: did you mean 6,95?"),
        (["best", "52,6", "--model", "icon-eu"], "did you mean 'icon_eu'"),
        (["best", "0,0", "--model", "icon_d2"], "No data is available for this location"),
        (["best", "52,6", "--offline"], "no forecast of ncep_gfs_global in the store"),
        (["best", "--forecast", "absent.json"], "absent.json"),
    ],
)
def test_a_fault_is_one_line_and_code_1(server, wxfly, arguments, words):
    code, out, err = wxfly(*arguments)
    assert (code, out) == (1, "")
    said = [line for line in err.splitlines() if line.startswith("Error:")]
    assert len(said) == 1
    assert words in said[0]


def test_without_a_connection_the_error_names_the_way_out(wxfly):
    code, _, err = wxfly("best", "52.31,6.84")
    assert code == 1
    assert "cannot be reached; is there a connection?" in err


@pytest.mark.thorough
@pytest.mark.parametrize("encoding", ["cp1252", "latin-1"])
def test_letters_that_the_terminal_cannot_take_are_told_by_their_number(server, wxfly, encoding, monkeypatch):
    assert wxfly("sites", "add", "Ångström ☂", "52.31,6.84")[0] == 0
    monkeypatch.setenv("PYTHONIOENCODING", encoding)
    monkeypatch.setenv("PYTHONUTF8", "0")
    done = subprocess.run([*command(), "best", "Ångström ☂"], capture_output=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    assert b"ngstr" in done.stdout
    assert b"\\u2602" in done.stdout


@pytest.mark.thorough
def test_a_name_of_broken_letters_is_one_line(server):
    done = subprocess.run([*command(), "best", b"K\xff"], capture_output=True, check=False, timeout=60)
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert done.stderr.startswith(b"Error: a place called 'K\\udcff' cannot be looked up")
