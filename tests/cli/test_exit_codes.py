"""The codes with which a command ends, and what it prints where it is to be quiet."""

import io
import json

import pytest

from tests.server import Fault
from wxfly.answer.windows import Room
from wxfly.cli.program import ExitCode, code_of


@pytest.mark.parametrize(
    ("word", "as_far_as_known", "code"),
    [
        ("room", False, 0),
        ("little room", False, 0),
        ("room", True, 11),
        ("probably no room", False, 10),
        ("no room", True, 10),
        ("not known", True, 11),
    ],
)
def test_a_verdict_has_a_code(word, as_far_as_known, code):
    assert code_of(Room(word), as_far_as_known=as_far_as_known) == code


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("best",), 0),
        (("best", "today"), 10),
        pytest.param(("why", "sunday", "15:00"), 10, marks=pytest.mark.thorough),
        pytest.param(("why", "sunday", "12:00"), 0, marks=pytest.mark.thorough),
        pytest.param(("brief",), 0, marks=pytest.mark.thorough),
        pytest.param(("check", "--mean", "3m/s", "--gust", "4m/s"), 10, marks=pytest.mark.thorough),
        pytest.param(("now", "--as-of", "2026-03-15T15:20Z"), 11, marks=pytest.mark.thorough),
    ],
)
def test_the_code_is_given_where_it_is_asked_for_and_quiet_prints_nothing(wxfly, own_folders, arguments, code):
    assert wxfly(*arguments, "--exit-code", "--quiet") == (code, "", "")
    if code:
        assert wxfly(*arguments)[0] == ExitCode.ANSWERED


def test_nobody_could_be_asked_has_a_code_of_its_own(wxfly, server):
    server.always["forecast"] = Fault(status=503, body=b"")
    code, out, err = wxfly("best", "52.31,6.84", "--model", "icon_eu", "--exit-code", "--quiet")
    assert (code, out) == (12, "")
    assert err.startswith("Error: ") and "nothing is stored" in err
    assert wxfly("best", "52.31,6.84", "--model", "icon_eu")[0] == 1


def test_quiet_prints_what_is_asked_for_by_name(wxfly, own_folders):
    code, out, err = wxfly("--quiet", "best", "--json")
    assert (code, err) == (0, "")
    assert json.loads(out)["kind"] == "best"
    code, out, err = wxfly("best", "-q", "--height", "900m")
    assert (code, out) == (1, "") and err.startswith("Error: a flight height of 900 m")


def test_a_dash_is_standard_output_and_input(wxfly, own_folders, monkeypatch):
    code, out, _ = wxfly("best", "--ics", "-")
    assert code == 0 and out.startswith("BEGIN:VCALENDAR")
    assert wxfly("best", "--ics", "-", "--json")[0] == 2, "two formats on one stream"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b" ")))
    code, _, err = wxfly("best", "--forecast", "-")
    assert code == 2 and "standard input is empty" in err


def test_observations_are_read_from_standard_input(wxfly, server, monkeypatch):
    wxfly("sites", "add", "meadow", "52.31,6.84", "--offline")
    table = "time,wind_speed [m/s]\n2026-03-10T06:00Z,3.1\n"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(table.encode())))
    code, _, err = wxfly("verify", "meadow", "--observed", "-", "--offline")
    assert (code, err) == (
        1,
        "Error: no past forecast shares an hour with the observations; give observations of days that were fetched\n",
    ), "they were read"
