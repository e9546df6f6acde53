"""What a shell offers for a half-typed word."""

import pytest
from click.shell_completion import ShellComplete

from wxfly.cli import main
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.settings import sites_file
from wxfly.pilot.site import Site, save_site


def offered(arguments, incomplete):
    shell = ShellComplete(main, {}, "wxfly", "_WXFLY_COMPLETE")
    return [item.value for item in shell.get_completions(arguments, incomplete)]


@pytest.fixture
def meadow(own_folders):
    save_site(sites_file(), Site("Meadow", 52.1, 6.9))


@pytest.mark.parametrize(
    ("arguments", "incomplete", "names"),
    [
        (["best"], "mea", ["Meadow"]),
        (["now"], "", ["Meadow", "Kelderness", "Valdrenna", "Whistlebrush"]),
        (["best", "Meadow"], "sat", ["saturday"]),
        (["compare", "Meadow"], "K", ["Kelderness"]),
        (["sites", "remove"], "", ["Meadow"]),
        (["best", "--aircraft"], "", list(load_aircraft())),
        (["best", "--rules"], "e", ["eu_open"]),
        (["rules"], "u", ["us", "uk"]),
        (["best", "--require"], "ic", ["icing"]),
        (["best", "--date"], "tom", ["tomorrow"]),
        (["schema"], "l", ["ledger"]),
    ],
)
def test_the_pilots_own_names_are_offered(meadow, arguments, incomplete, names):
    assert offered(arguments, incomplete) == names


def test_a_file_that_cannot_be_read_offers_what_is_left(own_folders):
    sites_file().parent.mkdir(exist_ok=True)
    sites_file().write_text("[[[")
    assert offered(["best"], "K") == ["Kelderness"]
