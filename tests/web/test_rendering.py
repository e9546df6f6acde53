"""Messages of commands in words of the page: no options, no folders of the machine, fields by their labels."""

import pytest

from wxfly.pilot.settings import cache_folder, own_aircraft_file, plans_file
from wxfly.web.rendering import in_words_of_forms


@pytest.mark.parametrize(
    ("message", "words"),
    [
        (
            "icon_eu: cannot be reached; is there a connection? --offline uses what is stored",
            "icon_eu: cannot be reached; is there a connection? 'Offline' uses what is stored",
        ),
        (
            "Kelderness is invented and has no grid; name a real place, or give --forecast FILE",
            "Kelderness is invented and has no grid; name a real place",
        ),
        (
            "plan 'roof' is saved already; replace it with --replace, or give another name",
            "plan 'roof' is saved already; give another name",
        ),
        (
            "a plan needs at least one option, such as --height 60m (see: wxfly plans add --help-all)",
            "a plan needs at least one option, such as 'Height' 60m",
        ),
        ("return_height: 9 m is below 10 m", "Return height: 9 m is below 10 m"),
        ("/srv/grids/wind.nc: not a forecast", "wind.nc: not a forecast"),
        ("ask https://example.org/a/b for 8 m/s", "ask https://example.org/a/b for 8 m/s"),
    ],
)
def test_a_message_speaks_of_the_form(message, words):
    assert in_words_of_forms(message) == words


def test_a_message_names_no_folder_of_the_machine(own_folders):
    place = own_aircraft_file()
    needs = "8 needs its unit, one of km/h, kt, m/s, mph"
    assert in_words_of_forms(f"{place}: [mine] maximum_wind: {needs}") == f"Maximum wind: {needs}"
    assert in_words_of_forms(f"{place}: [mine] has no maximum_gust") == "mine has no Maximum gust"
    assert in_words_of_forms(f"{plans_file()}, line 3: torn") == "plans.toml, line 3: torn"
    assert in_words_of_forms(f"the folder {cache_folder()} is full") == "the folder of wxfly is full"
