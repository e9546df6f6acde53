"""The words of a command: places with a minus sign, values with one, and the program as a module."""

import subprocess
import sys

import pytest

from wxfly.cli.program import Command


@pytest.mark.parametrize(
    "arguments",
    [
        ("best", "--units", "aviation", "-33.9,18.4"),
        *(
            pytest.param(arguments, marks=pytest.mark.thorough)
            for arguments in (
                ("best", "-33.9,18.4"),
                ("best", "--", "-33.9,18.4"),
                ("best", "-33.9,18.4", "--units", "aviation", "-v"),
                ("week", "-33.9,18.4", "--days", "2"),
                ("brief", "-33.9,18.4", "--battery-temperature", "-5degC"),
                ("verify", "-33.9,18.4"),
                ("fetch", "-33.9,18.4", "-34.1,18.5"),
                ("check", "--mean", "3m/s", "-33.9,18.4", "--temperature", "-2degC"),
            )
        ),
        ("compare", "-33.9,18.4@40m", "-34.1,18.5", "--units=metric"),
        ("observed", "-33.9,18.4"),
    ],
)
def test_a_place_in_the_south_is_a_place_as_typed(server, wxfly, arguments):
    _, _, err = wxfly(*arguments)
    assert "No such option" not in err
    assert server.log, err
    asked = [a.query["latitude"] for a in server.log if "latitude" in a.query]
    assert asked and all(latitude.startswith("-3") for latitude in asked), err


@pytest.mark.parametrize(
    "arguments",
    [
        ("sites", "add", "cape", "-33.9,18.4"),
        ("sites", "add", "--surface-cover", "sea", "cape", "-33.9,18.4", "--offline"),
        ("sites", "add", "cape", "-33.9,18.4", "--surface-altitude", "-3m", "--time-zone", "Africa/Johannesburg"),
        ("sites", "add", "--offline", "--", "cape", "-33.9,18.4"),
    ],
)
def test_a_site_in_the_south_is_saved(server, wxfly, arguments):
    code, out, err = wxfly(*arguments)
    assert code == 0, err
    assert out.startswith("saved cape: -33.9000,18.4000")
    assert wxfly("ledger", "-33.9,18.4")[0] == 0
    assert "No such option" not in wxfly("store", "show", "-33.9,18.4")[2]


def test_a_negative_value_of_an_option_is_told_as_a_value(wxfly):
    code, _, err = wxfly("best", "Kelderness", "--launch-limit", "-5m/s")
    assert code == 1
    assert "'-5m/s' is not above zero" in err
    code, _, err = wxfly("best", "Kelderness", "--wait", "-5")
    assert code == 2
    assert "-5 is not in the range" in err


@pytest.mark.parametrize(
    "arguments", [("best", "-x"), ("best", "--nothing", "-33.9,18.4"), ("best", "-33,18", "--dat", "x")]
)
def test_an_option_that_there_is_not_is_still_told(wxfly, arguments):
    code, _, err = wxfly(*arguments)
    assert code == 2
    assert "No such option" in err


def test_every_command_reads_places_this_way():
    from wxfly.cli import main

    def below(group):
        for command in group.commands.values():
            yield from below(command) if hasattr(command, "commands") else [command]

    for command in below(main):
        assert isinstance(command, Command), command.name


def test_the_program_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "wxfly", "--version"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0
    assert done.stdout.startswith("wxfly")
    assert (
        "python -m wxfly"
        in subprocess.run([sys.executable, "-m", "wxfly", "--help"], capture_output=True, text=True, timeout=60).stdout
    )


@pytest.mark.parametrize("flag", ["--gust", "--cloud-base", "--cloud_base"])
def test_an_element_written_as_an_option_is_told_how_its_limit_is_written(wxfly, flag):
    code, _, err = wxfly("best", "Kelderness", flag, "8")
    name = flag.removeprefix("--").replace("-", "_")
    assert code == 2
    assert f"--limit {name}=VALUE" in err
