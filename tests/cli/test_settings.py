"""Setup, settings, set, plans and sites on the command line, and the help that shows first things first."""

import io
import json

import pytest

from tests.halves import spread
from wxfly.cli import main
from wxfly.pilot.options import OPTIONS, QUESTIONS, Words, options_of, plan_options
from wxfly.pilot.rules import STANDINGS, find_rules
from wxfly.pilot.settings import config_file, config_folder, find_plan, load_settings, plans_file, sites_file
from wxfly.pilot.site import read_sites
from wxfly.report.text.own_lists import rules_text


@pytest.fixture
def answers(monkeypatch):
    return lambda *lines: monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_setup_asks_five_questions_and_keeps_them(server, wxfly, answers):
    answers("52.1,6.9", "camera", "cine-hexacopter", "imperial", "eu_open", "2000", "200")
    code, out, err = wxfly("setup")
    assert code == 0, err
    assert "aircraft 'camera' is not known; did you mean" in out
    assert "above the height limit" in out or "above 300 m" in out
    settings = load_settings()
    assert settings.home == "home"
    assert settings.usual == Words(aircraft="cine-hexacopter", units="imperial", rules="eu_open", height="200ft")
    assert read_sites(sites_file())["home"].latitude == 52.1
    # Again with nothing but Enter: what is kept is what is offered.
    answers("", "", "", "", "")
    assert wxfly("setup")[0] == 0
    assert load_settings() == settings


def test_setup_takes_a_saved_site_as_home_and_keeps_the_file(wxfly, answers):
    config_folder().mkdir()
    config_file().write_text('# mine\ncontact = "me@example.org" # keep\n')
    assert wxfly("sites", "add", "meadow", "52.1,6.9", "--offline")[0] == 0
    answers("meadow", "", "", "", "50m")
    assert wxfly("setup")[0] == 0
    assert config_file().read_text().startswith('# mine\ncontact = "me@example.org" # keep\nhome = "meadow"\n')
    assert load_settings().usual.height == "50m"


@pytest.mark.parametrize("lines", [(), ("Kelderness", ""), ("52.1,6.9", "", "", "")])
def test_setup_writes_nothing_when_the_input_ends_early(server, wxfly, answers, lines):
    answers(*lines)
    code, _, err = wxfly("setup")
    assert code == 1
    assert err.count("\n") == 1
    assert "the answers ended early: nothing is written; start again with: wxfly setup" in err
    assert not config_file().exists()
    assert not sites_file().exists()


def test_set_and_settings(wxfly):
    assert wxfly("set", "height", "50")[1] == "height = 50m (file)\n"
    assert json.loads(wxfly("settings", "--json")[1])[0].keys() == {"key", "value", "source"}
    assert "50m" in next(line for line in wxfly("settings")[1].splitlines() if line.startswith("height "))
    assert wxfly("set", "height", "--remove")[1] == "height = 60m (default)\n"
    assert wxfly("set", "battery-temperature", "-5degC")[0] == 0
    assert wxfly("set", "height")[0] == 2
    code, _, err = wxfly("set", "aircaft", "x")
    assert code == 1
    assert "did you mean 'aircraft'" in err
    assert "the environment goes before the file" in wxfly("set", "model", "icon_eu")[1]


def test_a_plan_is_added_shown_used_and_removed(wxfly):
    assert "No plan is saved" in wxfly("plans")[1]
    told = wxfly("plans", "add", "roof", "--height", "50", "--limit", "gust=8", "--require", "kp")[1]
    assert told == "saved plan roof: height 50m, limit gust=8m/s, require kp; use it with: wxfly best --plan roof\n"
    assert "roof  height 50m" in wxfly("plans")[1]
    assert json.loads(wxfly("plans", "--json")[1]) == {
        "roof": {"height": "50m", "limit": ["gust=8m/s"], "require": ["kp"]}
    }
    assert "limit    gust=8m/s" in wxfly("plans", "show", "roof")[1]
    asked = json.loads(wxfly("best", "Kelderness", "--plan", "roof", "--height", "70m", "--json")[1])["question"]
    assert (asked["plan_name"], asked["places"][0]["height"]) == ("roof", 70.0)
    assert {"option": "limit gust", "source": "plan roof"} in asked["origins"]
    assert asked["own_limits"] == [{"element": "gust", "lower_limit": None, "upper_limit": 8.0, "source": "plan roof"}]
    assert wxfly("plans", "remove", "roof")[1] == "removed plan roof\n"
    assert wxfly("best", "Kelderness", "--plan", "roof")[0] == 1


def test_a_looser_limit_is_said_first(wxfly):
    out = " ".join(wxfly("best", "Kelderness", "--limit", "gust=20m/s")[1].split())
    assert "see the note" in out.split(":")[0]
    assert "Note Your gust limit for today is 20 m/s, looser than 10.7 m/s (" in out


@pytest.mark.thorough
def test_a_tighter_limit_is_said(wxfly):
    out = " ".join(wxfly("best", "Kelderness", "--limit", "gust=7m/s")[1].split())
    assert "see the note" not in out
    assert "Note Your gust limit for today is 7 m/s" in out
    assert "looser" not in out


@pytest.mark.thorough
def test_more_says_what_is_from_the_plan(wxfly):
    wxfly("plans", "add", "roof", "--height", "50", "--limit", "gust=8", "--require", "kp")
    code, out, _ = wxfly("best", "Kelderness", "--plan", "roof", "--more")
    words = " ".join(out.split())
    assert code == 0
    assert "Your gust limit from plan roof is 8 m/s" in words
    assert "height, limit gust and require from plan roof" in words


@pytest.mark.parametrize("question", spread(QUESTIONS, 4))
def test_help_shows_the_front_under_headings_and_help_all_shows_everything(wxfly, question):
    short, full = wxfly(question, "--help")[1], wxfly(question, "--help-all")[1]
    for option in options_of(question):
        assert f"--{option.flag} " in full
        assert (f"  --{option.flag} " in short) is option.is_front
    headings = ["When and where:", "Aircraft and limits:", "Sortie:", "How sure:", "Source:", "Output:"]
    headings = [one for one in headings if (question, one) != ("where", "Sortie:")]
    places = [full.index(f"\n{heading}\n") for heading in headings]
    assert places == sorted(places)
    assert "--help-all" in short


def test_a_plan_can_say_whatever_a_question_can_on_the_command_line():
    named = {p.name for p in main.commands["plans"].commands["add"].params}
    of_question = {o.name for o in OPTIONS.values() if not o.is_of_reading and o.name != "plan"}
    assert {o.name for o in plan_options()} == of_question <= named
    assert Words() == Words(**{name: getattr(Words(), name) for name in OPTIONS})


@pytest.mark.thorough
def test_the_library_takes_a_plan(wxfly):
    import wxfly as library

    wxfly("plans", "add", "roof", "--height", "50m", "--limit", "gust=8m/s")
    answer = library.best("Kelderness", plan="roof")
    assert answer.facts.question.plan_name == "roof"
    assert answer.facts.sites[0].height == 50.0
    assert find_plan(plans_file(), "roof").limits == ("gust=8m/s",)
    assert library.best("Kelderness", limits={"gust": "7m/s"}).facts.question.own_limits[0].upper_limit == 7.0


def test_several_limits_are_set_at_once_and_what_they_replace_is_told(wxfly):
    assert wxfly("set", "limit", "wind=6m/s", "gust=8m/s")[:2] == (0, "limit = wind=6m/s,gust=8m/s (file)\n")
    code, out, _ = wxfly("set", "limit", "gust=9m/s")
    assert code == 0 and out == "limit = gust=9m/s (file); it was wind=6m/s,gust=8m/s\n"
    code, _, err = wxfly("set", "height", "60m", "70m")
    assert code != 0 and "height takes one value, not 2" in err


def test_a_limit_looser_than_that_of_the_aircraft_is_told_when_it_is_set(wxfly):
    code, out, _ = wxfly("set", "limit", "gust=20m/s")
    assert code == 0 and "Mind: your gust limit from settings is 20 m/s, looser than" in " ".join(out.split())


def test_a_setting_that_bears_on_no_limit_says_nothing_of_limits(wxfly):
    wxfly("set", "limit", "gust=20m/s")
    assert wxfly("set", "height", "50m")[1] == "height = 50m (file)\n"


# --- sites and rules --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["he\u202eath", "heath\x1b[31m", "heath\u200b", "x" * 101, " "])
def test_a_name_that_cannot_be_told_from_another_is_refused_before_anybody_is_asked(server, wxfly, name):
    code, out, err = wxfly("sites", "add", name, "Enschede")
    assert (code, out) == (1, "")
    assert "a name must be printable, not empty, without spaces at its ends, with 100 characters or fewer" in err
    assert err.count("\n") == 1
    assert server.log == []


def test_a_rule_set_says_first_what_is_law_and_last_what_is_a_caution_of_ours():
    told = rules_text(find_rules("eu_open"))
    heads = [words for words in STANDINGS.values() if f"{words}:" in told]
    assert heads == list(STANDINGS.values())
    assert told.index(heads[0]) < told.index("height_limit") < told.index(heads[1])
    assert told.index(heads[2]) < told.index("cloud_separation")


def test_a_saved_site_is_not_replaced_unasked(own_folders, wxfly):
    code, out, _ = wxfly("sites", "add", "meadow", "52.1,6.9", "--surface-cover", "open", "--offline")
    assert code == 0 and "52.1000,6.9000, surface altitude unknown, Europe/" in out
    for name, way in (("meadow", "add --replace"), ("Meadow", "remove that one first")):
        code, out, err = wxfly("sites", "add", name, "51.0,7.0", "--offline")
        assert (code, out) == (1, "")
        assert f"a site 'meadow' is saved already, at 52.10,6.90; give another name, or {way}" in err
    assert wxfly("sites", "add", "meadow", "52.1,6.9", "--offline")[0] == 0, "the same place is no other site"
    assert wxfly("sites", "add", "meadow", "51.0,7.0", "--offline", "--replace")[0] == 0
    assert "51.0000,7.0000" in wxfly("sites")[1]
    assert "open" in wxfly("sites")[1], "what the site says of its ground stays"
