"""What a question takes where the pilot types nothing, and in which order."""

from dataclasses import replace

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import config_file, config_folder, plans_file, save_plan, sites_file
from wxfly.pilot.site import Site, save_site
from wxfly.question.question import Origin, read_brief_question, read_check_question, read_question

MEADOW = Site("meadow", 52.1, 6.9, 20.0, "Europe/Berlin")


@pytest.fixture(autouse=True)
def own_files(own_folders):
    config_folder().mkdir()


def keep(settings="", plan=None, meadow=None, ridge=None):
    config_file().write_text(settings)
    if plan is not None:
        save_plan(plans_file(), "roof", Words(**plan), "metric", replace=True)
    for site, defaults in ((MEADOW, meadow), (Site("ridge", 51.9, 7.3, 90.0), ridge)):
        if defaults is not None:
            save_site(sites_file(), Site(site.name, site.latitude, site.longitude, 20.0, defaults=Words(**defaults)))


def asked(place="meadow", **words):
    return read_question("best", [place] if place else [], Words(**words))


def test_an_option_goes_before_the_plan_the_plan_before_the_site_the_site_before_the_settings():
    keep('height = "10m"\nreserve = 0.1\nunits = "imperial"\nhold = 1\n',
         plan={"height": "30m", "reserve": 0.3}, meadow={"height": "20m", "wait": 2, "reserve": 0.4})  # fmt: skip
    question = asked(plan="roof", reserve=0.5)
    assert (question.places[0].height, question.limits.reserve, question.work.wait_hours) == (30.0, 0.5, 2)
    assert question.units == "imperial"
    assert (question.plan, set(question.origins)) == (
        "roof",
        {Origin("height", "plan roof"), Origin("wait", "defaults of meadow"), Origin("units", "settings")},
    )
    assert asked().places[0].height == 20.0
    assert asked("51.9,7.3").places[0].height == 10.0
    assert asked("meadow@55m").places[0].height == 55.0
    assert asked("MEADOW").places[0].height == 20.0


def test_a_switch_of_a_plan_can_be_turned_off_again():
    keep(plan={"offline": True})
    assert asked(plan="roof").forecast.offline
    assert not asked(plan="roof", offline=False).forecast.offline


def test_limits_add_up_so_that_none_is_lost_and_each_says_where_it_is_from():
    keep('limit = ["wind=4m/s", "visibility=4km"]\n', plan={"limits": ("gust=6m/s", "wind=5m/s")})
    question = asked(plan="roof", limits=("gust=7m/s",))
    limits = question.limits
    assert (limits.maximum_gust, limits.maximum_wind, limits.minimum_visibility) == (7.0, 5.0, 4000.0)
    assert {own.element: own.origin for own in question.asked_of_limits.own_limits} == {
        "gust": "", "wind": "plan roof", "visibility": "settings",
    }  # fmt: skip
    assert set(question.origins) == {Origin("limit wind", "plan roof"), Origin("limit visibility", "settings")}


def test_elements_to_require_add_up_and_the_later_word_goes_first():
    keep('require = ["visibility"]\n', plan={"required": ("kp", "fog")})
    limits = asked(plan="roof", advised=("fog",)).limits
    assert {"visibility", "kp"} <= set(limits.required)
    assert "fog" not in limits.required


def test_a_limit_is_given_once():
    with pytest.raises(WxflyError, match="the limit of gust is given twice"):
        read_question("best", [], Words(limits=("gust=7m/s", "gust=12m/s")))


def test_without_a_place_the_home_answers_and_its_defaults_count():
    keep(ridge={"height": "40m"}, meadow={"height": "20m"})
    assert asked(None).height == 20.0  # the first saved site
    keep('home = "ridge"\n')
    question = asked(None)
    assert [(place.words, place.height) for place in question.places] == [("ridge", 40.0)]
    keep('home = "rigde"\n')
    with pytest.raises(WxflyError, match="home site 'rigde' is not known; did you mean 'ridge'"):
        asked(None)


def test_sites_have_heights_of_their_own_and_nothing_else():
    keep(meadow={"height": "20m"}, ridge={"height": "40m"})
    question = read_question("compare", ["meadow", "ridge", "52,7"], Words())
    assert [place.height for place in question.places] == [20.0, 40.0, 60.0]
    assert [p.height for p in read_question("compare", ["meadow", "ridge"], Words(height="9m")).places] == [9.0, 9.0]
    keep(ridge={"aircraft": "cine-hexacopter"})
    with pytest.raises(WxflyError, match=r"differ in their aircraft \(none and cine-hexacopter\); give --aircraft"):
        read_question("compare", ["meadow", "ridge"], Words())
    assert read_question("compare", ["meadow", "ridge"], Words(aircraft="cine-hexacopter"))


def test_a_brief_and_a_check_take_a_plan_too():
    keep(plan={"anemometer_height": "3m", "height": "50m", "rank": 2, "batteries": 3})
    brief = read_brief_question(None, Words(plan="roof"))
    assert (brief.anemometer_height, brief.rank, brief.question.sortie.batteries) == (3.0, 2, 3)
    check = read_check_question("meadow", Words(plan="roof", mean="3m/s"))
    assert (check.anemometer_height, check.question.height) == (3.0, 50.0)


@pytest.mark.parametrize(
    ("plan", "told"),
    [
        ({"aircraft": "gone-quad"}, "plan roof: aircraft 'gone-quad' is not known"),
        ({"rules": "gone"}, "plan roof: rule set 'gone' is not known"),
        ({"height": "60ly"}, "plan roof: unit of length 'ly' is not known"),
        ({"limits": ("gust=0m/s",)}, "plan roof: a limit of 'gust=0m/s' is not above zero"),
        ({"reserve": 3.0}, "plan roof: a reserve of 3.0 is not a share"),
        ({"required": ("kpp",)}, "plan roof: element 'kpp' is not known; did you mean 'kp'"),
    ],
)
def test_a_plan_at_fault_says_so_and_the_way_out(plan, told):
    keep(plan=plan)
    with pytest.raises(WxflyError) as fault:
        asked(plan="roof")
    assert told in str(fault.value)
    assert str(fault.value).endswith("; save it anew, or remove it with: wxfly plans remove roof")


def test_a_setting_at_fault_says_so_and_a_fault_of_the_question_is_its_own():
    keep('aircraft = "gone-quad"\n')
    with pytest.raises(WxflyError, match=r"^settings: aircraft 'gone-quad' .*; change it with: wxfly set"):
        asked()
    assert asked(aircraft="cine-hexacopter").aircraft.name == "cine-hexacopter"
    with pytest.raises(WxflyError, match=r"^aircraft 'x-quad' is not known"):
        asked(aircraft="x-quad")


@pytest.mark.parametrize("text", ["reserve = 0.5O\n", "resrve = 0.5\n", "reserve = [0.5]\n", "limit = 3\n"])
def test_a_damaged_setting_never_falls_back_to_the_looser_default(text):
    keep(f'height = "40m"\n{text}')
    name = "limit" if text.startswith("limit") else "reserve"
    with pytest.raises(WxflyError, match=f"your usual {name} is not known: correct it"):
        asked()
    if name == "reserve":
        assert asked(reserve=0.2)
    else:  # limits add up: one that is given does not stand for those that cannot be read
        with pytest.raises(WxflyError, match=r"your usual limit is not known: correct it$"):
            asked(limits=("visibility=1km",))


def test_an_unreadable_settings_file_is_not_passed_over_by_a_limit_of_today():
    keep('limit = ["gust=5m/s"\n')
    for words in ({"limits": ("visibility=1km",)}, {"required": ("kp",)}):
        with pytest.raises(WxflyError, match="is not known: correct it"):
            asked(**words)


def test_a_damaged_default_of_a_site_is_not_passed_over():
    keep()
    sites_file().write_text('[meadow]\nlatitude = 52.1\nlongitude = 6.9\n[meadow.defaults]\nlimit = ["gust=8"]\n')
    from wxfly.question.ask import ask

    with pytest.raises(WxflyError, match="a number without its unit"):
        ask("best", ["meadow"], Words(), on_progress=lambda _: None)


def test_another_aircraft_may_only_be_tightened_by_a_limit_for_today():
    from wxfly.pilot.aircraft import find_aircraft

    question = asked(limits=("gust=30m/s", "wind=1m/s"))
    other = find_aircraft("tiny-indoor-quad")
    limits = question.limits_with(other)
    assert (limits.maximum_gust, limits.maximum_wind) == (other.maximum_gust, 1.0)


def test_a_launch_limit_looser_than_that_of_the_aircraft_is_said_first():
    from wxfly.cube.notes import NoteKind
    from wxfly.question.ask import own_limit_notes

    question = asked(launch_limit="9m/s")
    assert own_limit_notes(question) == []
    careful = replace(question.aircraft, maximum_gust_at_launch=5.0)
    (note,) = own_limit_notes(replace(question, aircraft=careful))
    assert note == "your launch limit is 9 m/s, looser than 5 m/s of the aircraft"
    assert note.kind is NoteKind.LOOSER_LIMITS
    assert question.limits_with(careful).maximum_gust_at_launch == 5.0
    assert asked(launch_limit="4m/s").limits_with(careful).maximum_gust_at_launch == 4.0


@pytest.mark.thorough
def test_a_file_of_a_saved_site_is_not_judged_without_its_defaults(tmp_path, read_here):
    from tests.cubes import quiet_cube
    from wxfly.cube.netcdf import save_cube
    from wxfly.question.ask import ask

    cube = quiet_cube(hours=30)
    save_cube(cube, tmp_path / "forecast.nc")
    keep()
    words = Words(forecast_path=tmp_path / "forecast.nc", as_of=str(cube["time"].values[0]))
    assert ask("best", [], words, on_progress=lambda _: None)
    save_site(sites_file(), Site("moor", 52.0, 6.0, 30.0, defaults=Words(height="40m")))
    with pytest.raises(WxflyError, match="has defaults of its own; name the site: moor"):
        ask("best", [], words, on_progress=lambda _: None)
