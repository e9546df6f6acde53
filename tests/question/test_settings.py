"""Settings, plans and defaults are tried before they are written, and the file keeps all else."""

import pytest

from tests.halves import spread
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import (
    SETTINGS,
    change_settings,
    config_file,
    config_folder,
    find_plan,
    load_settings,
    plans_file,
)
from wxfly.pilot.settings import sites_file as path_of_sites
from wxfly.pilot.site import Site, read_sites, save_site
from wxfly.question.settings import keep_defaults, keep_plan, keep_setting, settings_in_force

FILE = '# mine\ncontact = "me@example.org" # keep\n\n[store]\nmaximum_age_days = 3 # days\n'


@pytest.fixture(autouse=True)
def own_file(own_folders):
    config_folder().mkdir()
    config_file().write_text(FILE)


def row(key, **rest):
    return next(r for r in settings_in_force(rest.get("place"), rest.get("plan")) if r.key == key)


def test_a_setting_is_changed_and_taken_out_and_the_rest_stays():
    assert keep_setting("return-height", "80m") == "return_height"
    keep_setting("maximum_age_days", "7")
    assert (row("return_height").value, row("return_height").source) == ("80m", "file")
    text = config_file().read_text()
    assert text.startswith('# mine\ncontact = "me@example.org" # keep\n')
    assert "maximum_age_days = 7.0 # days" in text
    keep_setting("return_height", None)
    keep_setting("maximum_age_days", "3")
    assert config_file().read_text() == FILE.replace("= 3", "= 3.0")


def test_a_number_is_kept_with_the_unit_that_it_has_today():
    keep_setting("units", "imperial")
    keep_setting("height", "200")
    keep_setting("limit", "gust=15,wind=10")
    assert load_settings().usual == Words(units="imperial", height="200ft", limits=("gust=15mph", "wind=10mph"))


@pytest.mark.parametrize(
    ("key", "value", "told"),
    spread(
        [
            ("hieght", "60m", "setting 'hieght' is not known; did you mean 'height'"),
            ("aircraft", "camera-quad-249g", "did you mean 'camera-quad-250g'"),
            ("rules", "eu_opne", "did you mean 'eu_open'"),
            ("height", "150m", "above the height limit of 120 m"),
            ("height", "high", "'high' is not a length"),
            ("duration", "25h", "wanted 1min to 24h"),
            ("units", "metrc", "did you mean 'metric'"),
            ("reserve", "1.5", "is not a share"),
            ("reserve", "much", "is not a share; wanted one such as 0.2 or 20%"),
            ("wait", "13", "wanted a whole number from 0 to 12"),
            ("home", "meadwo", "did you mean 'meadow'"),
            ("time_zone", "Europe/Lisbonn", "wanted an IANA name"),
            ("model", "icon_uu", "did you mean"),
            ("ensemble", "icon_eu_epss", "did you mean 'icon_eu_eps'"),
            ("patience_seconds", "-1", "must be a number above 0"),
            ("contact", "José", "plain ASCII"),
            ("sources.forecast", "http://elsewhere.org/v1", "must start with https://"),
            ("limit", "icing=1", "cannot be set"),
            ("require", "kpp", "did you mean 'kp'"),
            ("offline", "maybe", "wanted true or false"),
            ("date", "2026-03-16", "setting 'date' is not known"),
        ],
        3,
    ),
)
def test_a_value_that_no_question_can_take_is_refused_and_nothing_is_written(key, value, told):
    save_site(path_of_sites(), Site("meadow", 52.1, 6.9))
    with pytest.raises(WxflyError) as fault:
        keep_setting(key, value)
    assert told in str(fault.value)
    assert "\n" not in str(fault.value)
    assert config_file().read_text() == FILE


def test_what_clashes_with_what_is_kept_is_refused_and_a_fault_can_be_mended():
    keep_setting("require", "kp")
    with pytest.raises(WxflyError, match="kp is given to --require and to --advise"):
        keep_setting("advise", "kp")
    config_file().write_text('aircraft = "gone"\n')
    keep_setting("height", "50m")
    keep_setting("aircraft", "cine-hexacopter")
    assert load_settings().usual == Words(aircraft="cine-hexacopter", height="50m")


def test_a_file_that_cannot_be_read_is_not_changed():
    config_file().write_text("contact = \n")
    with pytest.raises(WxflyError, match="not a TOML file"):
        keep_setting("height", "60m")
    assert config_file().read_text() == "contact = \n"


def test_every_setting_is_listed_with_where_it_is_from(monkeypatch):
    monkeypatch.setenv("WXFLY_MODEL", "icon_eu")
    save_site(path_of_sites(), Site("meadow", 52.1, 6.9, defaults=Words(rules="eu_open")))
    keep_plan("roof", Words(height="50m", day="2026-03-16", limits=("gust=8m/s",)))
    keep_setting("wait", "2")
    rows = {r.key: (r.value, r.source) for r in settings_in_force("meadow", "roof")}
    assert set(rows) == {*SETTINGS, "date"}
    assert rows["model"] == ("icon_eu", "environment")
    assert rows["rules"] == ("eu_open", "defaults of meadow")
    assert rows["height"] == ("50m", "plan roof")
    assert rows["limit"] == ("gust=8m/s", "plan roof")
    assert rows["date"] == ("2026-03-16", "plan roof")
    assert rows["wait"] == ("2", "file")
    assert rows["maximum_age_days"] == ("3", "file")
    assert rows["reserve"] == ("0.2", "default")
    assert row("rules").source == "default"
    with pytest.raises(WxflyError, match="saved site 'meadwo' is not known; did you mean 'meadow'"):
        settings_in_force("meadwo", None)


def test_a_plan_is_tried_before_it_is_saved():
    change_settings({"units": "imperial"})
    keep_plan("roof", Words(height="200", limits=("gust=15",), duration="30"))
    assert find_plan(plans_file(), "roof") == Words(height="200ft", limits=("gust=15mph",), duration="30min")
    with pytest.raises(WxflyError, match="a plan needs at least one option"):
        keep_plan("empty", Words())
    with pytest.raises(WxflyError, match="aircraft 'gone' is not known"):
        keep_plan("gone", Words(aircraft="gone"))


def test_the_defaults_of_a_site_are_set_and_taken_out_and_its_comments_stay():
    path_of_sites().write_text("[meadow]\nlatitude = 52.1 # gate\nlongitude = 6.9\n")
    keep_defaults("meadow", Words(height="40m", rules="eu_open"), [])
    keep_defaults("meadow", Words(), ["height"])
    assert read_sites(path_of_sites())["meadow"].defaults == Words(rules="eu_open")
    assert "latitude = 52.1 # gate" in path_of_sites().read_text()
    for name, words, told in (
        ("meadow", Words(height="1000m"), "above 300 m"),
        ("meadwo", Words(height="40m"), "did you mean 'meadow'"),
        ("meadow", Words(), "nothing to set"),
    ):
        with pytest.raises(WxflyError, match=told):
            keep_defaults(name, words, [])
