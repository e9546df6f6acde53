import re
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from msgspec.structs import replace as replace_facts

from tests.cubes import beginning, quiet_cube
from tests.halves import spread
from tests.report.briefings import (
    MEADOW,
    NOW,
    RANCH,
    TAKEN_ON,
    brief,
    every_question,
    invented,
    reader_of,
    stormy,
    with_gaps,
    with_values,
)
from tests.test_too_sure import members_of
from wxfly.assessment.suitability import not_judged
from wxfly.cube.contract import mark_provided
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.report.charts import overview
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.hours import sun_passes
from wxfly.report.facts.sortie import PlanFacts, WorstFacts
from wxfly.report.facts.values import CAUTION_IN_SHORT, CAUTIONS, INVENTED
from wxfly.report.facts.verdict import windows_of
from wxfly.report.facts.windows import CauseFacts, ChanceBasis
from wxfly.report.facts.writing import Clock, day_name, excess
from wxfly.report.text import answer as answer_words
from wxfly.report.text import details
from wxfly.report.text.details import batteries_in_words, elevation
from wxfly.units import SYSTEMS


def render(briefing, *, units="metric", time_zone=None, width=80, more=False):
    return answer_words.render(facts_of(briefing, units=units, time_zone=time_zone), width=width, more=more)


def paragraphs(briefing, **options):
    """Return the blocks of an answer, each as one line."""
    return [" ".join(block.split()) for block in render(briefing, **options).split("\n\n")]


ALL = every_question()


@pytest.mark.parametrize(
    ("width", "units", "name"), spread([(w, u, n) for w in (60, 80, 100) for u in SYSTEMS for n in ALL], 10)
)
def test_every_answer_fits_the_terminal_and_carries_source_and_caution(name, units, width):
    short, full = (render(ALL[name], units=units, width=width, more=more) for more in (False, True))
    source = "https://example.org/", "a_model", "6 h old", "CC BY 4.0"
    for written, wanted in (
        (short, (*source, CAUTION_IN_SHORT)),
        (full, (*source, "Model a_model", "run Tue 9 Jun 2026", *CAUTIONS)),
    ):
        # Three sites on three clocks take 80 columns before the last one.
        assert max(len(line) for line in written.splitlines()) <= (max(width, 80) if name == "compare three" else width)
        one_line = " ".join(written.split())
        assert all(words in one_line for words in wanted)
        assert "nan" not in written.lower().split()
        assert not any(line != line.rstrip() for line in written.splitlines())
    assert full.startswith(short.partition("\n\n")[0])


def test_the_verdict_leads_then_what_is_tightest_what_ends_it_and_the_wind():
    lines = render(brief(), width=120).splitlines()
    assert lines[:4] == [
        "Room to fly at Meadow, Wed 10 Jun 04:29–22:42 CEST; surest 45 min from 06:00, 8 in 10.",
        "Tightest   gust 52 % below its limit",
        "Ends       at last light",
        "Wind       3.0, gust 5.0 m/s, from SW (235°) at 80 m",
    ]
    labels = [line[:11].strip() for line in render(brief(), width=120, more=True).splitlines()[5:] if line[:11].strip()]
    assert labels[:4] == ["Expect", "How sure", "Light", "Height"]


def test_what_the_decision_lacks_is_said_in_the_first_line_and_named_in_the_next():
    text = paragraphs(brief(cubes=[with_gaps()], limits=TAKEN_ON))[0]
    assert text.startswith("As far as known: perhaps room to fly at Meadow")
    assert re.search(r"\. Not known gust in 2 of 19 hours; visibility, Kp in part: find out before you fly Tight", text)
    assert "Ends then gust not known" in text


def test_what_is_advised_and_lost_leaves_no_hour_and_is_said_first():
    text = paragraphs(brief(cubes=[with_gaps()]))[0]
    assert text == (
        "Not known whether there is room to fly at Meadow on Wed 10 Jun. "
        "Not known gust, visibility and Kp in every lit hour"
    )


def test_a_lost_probability_of_rain_is_named_and_never_told_as_certain_rain():
    cube = with_values(quiet_cube(36), "precipitation_probability", np.nan)
    some = with_values(quiet_cube(36), "precipitation_probability", np.nan, 10, 11)
    first = paragraphs(brief(cubes=[cube]))[0]
    assert first.startswith("As far as known: ")
    assert ". Not known probability of precipitation, counted as certain" in first
    text = " ".join(render(brief(cubes=[cube]), width=200, more=True).split())
    assert "probability of precipitation: known in no hour" in text
    assert "100 %" not in text
    assert ". Not known probability of precipitation in part" in paragraphs(brief(cubes=[some]))[0]
    told = " ".join(render(brief(cubes=[some]), width=200, more=True).split())
    assert "probability of precipitation: not 11:00–13:00" in told


def test_a_demonstration_says_so_in_its_first_line():
    assert render(brief(sites=[invented()])).startswith("Invented, do not fly by this: room to fly at Meadow")
    assert INVENTED in paragraphs(brief(sites=[invented()]), more=True)[1]


def test_notes_come_first():
    first = paragraphs(brief(notes=("this forecast is old",)))[0]
    assert first.startswith("Forecast 6 h old, see the note: room to fly at Meadow")
    assert ". Note This forecast is old Tightest" in first


def test_when_nothing_holds_it_says_so_and_how_near_it_came():
    answer = paragraphs(brief(cubes=[stormy()]))[0]
    assert answer.startswith("No room to fly at Meadow on Wed 10 Jun: gust is beyond its limit in 19 of 19 lit hours.")
    assert "Nearest 17:00–18:00: gust 13.2 m/s, 2.5 m/s over its limit" in answer


def test_a_year_that_is_not_this_year_is_told():
    cube = beginning(quiet_cube(36), "2027-01-01T00")
    now = np.datetime64("2026-12-31T12:00", "s")
    assert "Fri 1 Jan 2027 " in paragraphs(brief(cubes=[cube], now=now))[0]


def test_a_probable_no_is_a_no_in_the_first_line():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 9.4)
    verdict = facts_of(brief(cubes=[cube])).verdict
    assert verdict.chance < 0.5
    assert verdict.word == "probably no room"
    assert verdict.first_line.startswith("Probably no room to fly at Meadow, ")


def test_a_stretch_that_is_too_short_is_told():
    cube = with_values(with_values(quiet_cube(36), "wind_speed_of_gust", 20.0), "wind_speed_of_gust", 4.0, 12, 13)
    answer = paragraphs(brief(cubes=[cube], minimum_duration=np.timedelta64(3, "h")))[0]
    assert answer.startswith("No room to fly at Meadow on Wed 10 Jun: 2 h at most, shorter than 3 h.")
    assert "Longest 13:00–15:00 has room; gust is beyond its limit in 17 of 19 lit hours" in answer


def test_a_day_of_which_nothing_is_known_is_not_called_bad():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", np.nan)
    answer = paragraphs(brief(cubes=[cube]))[0]
    assert answer.startswith("Not known whether there is room to fly at Meadow on Wed 10 Jun.")
    assert ". Not known gust in every lit hour" in answer


def test_a_no_of_hours_that_are_known_in_part_is_as_far_as_known():
    cube = with_values(with_values(quiet_cube(36), "wind_speed_of_gust", 20.0), "wind_speed_of_gust", np.nan, 10, 14)
    answer = paragraphs(brief(cubes=[cube]))[0]
    assert answer.startswith("As far as known: no room to fly at Meadow on Wed 10 Jun: ")
    assert ". Not known gust in 5 of 19 hours" in answer


def test_a_polar_night_is_dark():
    site = replace(MEADOW, latitude=-80.0, time_zone="UTC")
    answer = " ".join(paragraphs(brief(sites=[site]), more=True))
    assert "No room to fly at Meadow on Wed 10 Jun: dark throughout." in answer
    assert "Light the sun does not rise; no twilight all day" in answer


def test_a_polar_day_is_no_night():
    answer = " ".join(paragraphs(brief(sites=[replace(MEADOW, latitude=80.0, time_zone="UTC")]), more=True))
    assert "Light the sun does not set" in answer
    winter = " ".join(paragraphs(brief(sites=[replace(MEADOW, latitude=-68.0, time_zone="UTC")]), more=True))
    assert "does not set" not in winter


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-5.9, -3.1, "3° to 6° below the horizon"),
        (-6.0, 35.0, "from 6° below the horizon to 35° high"),
        (11.0, 15.0, "11° to 15° high"),
        (14.6, 15.0, "15° high"),
        (-0.2, 0.3, "0° high"),
    ],
)
def test_where_the_sun_stands(low, high, words):
    assert elevation(low, high) == words


def test_an_aircraft_without_a_limit_is_told():
    limits = replace(limits_for(find_aircraft("camera-quad-250g")), maximum_density_altitude=None)
    briefing = brief(limits=limits)
    assert not_judged(briefing.answers[0].assessment) == ("density_altitude",)
    assert "Not known density altitude: the aircraft gives no limit" in paragraphs(briefing)[0]


def test_what_ends_a_window_and_its_wind_stay_below_a_note_and_what_is_not_known():
    limits = replace(limits_for(find_aircraft("camera-quad-250g")), maximum_density_altitude=None)
    cold = with_values(quiet_cube(36), "air_temperature", 281.0)
    notes = ("your gust limit from plan roof is 9 m/s", "another note")
    first = paragraphs(brief(cubes=[cold], limits=limits, notes=notes))[0]
    places = [first.index(f" {label} ") for label in ("Note", "Not known", "Tightest", "Ends", "Wind", "Mind")]
    assert places == sorted(places)


def test_one_flight_says_its_minutes_once():
    plan = PlanFacts(300.0, None, 0, 60.0, 0.25, 0.9, 1)
    worst = WorstFacts(datetime(2026, 6, 10, tzinfo=UTC), 0.5, 0.4, 700.0, 900.0, None, 1, 900.0)
    assert batteries_in_words(plan, worst) == "1: 1 flight, 15 min in the air at the most"
    two = replace_facts(worst, flights=2, time_in_air=1700.0)
    assert batteries_in_words(plan, two) == "1: 2 flights, 28 min in the air; 15 min each at the most"


def test_hours_have_state_margin_window_and_element():
    hours = [
        line
        for line in render(brief(cubes=[with_gaps()], limits=TAKEN_ON), more=True).splitlines()
        if line.startswith("11:00–12:00")
    ]
    assert hours == ["11:00–12:00  not known                    gust not known"]
    lines = render(brief(cubes=[stormy()]), more=True).splitlines()
    outside = [line for line in lines if line.startswith("17:00–18:00")]
    assert outside == ["17:00–18:00  outside                      gust 13.2 m/s, 2.5 m/s over its limit"]


def test_an_hour_far_beyond_a_limit_says_by_how_much():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 40.0)
    assert re.search(r"gust 4\d\.\d m/s, 3\d\.\d m/s over its limit", render(brief(cubes=[cube]), more=True))


def test_dark_hours_share_a_line():
    lines = render(brief(cubes=[quiet_cube(36)]), more=True).splitlines()
    assert any(line.startswith("02:00–04:00  dark") for line in lines)


def test_a_window_inside_a_longer_stretch_is_told_with_it_and_once():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 7.5, 14, 36)
    assert "Ends within limits 04:29–22:42, at last light" in paragraphs(brief(cubes=[cube]))[0]
    more = " ".join(paragraphs(brief(cubes=[cube]), more=True))
    assert (
        "Within the best part of 04:29–22:42, which is within its limits throughout; at its tightest gust 19 % below"
        in more
    )
    assert "Other times" not in more


def test_another_units_system_and_zone():
    answer = paragraphs(brief(), units="aviation", time_zone="America/New_York", more=True)
    assert answer[0].startswith("Room to fly at Meadow, Tue 9 Jun 22:29 to Wed 10 Jun 16:42 EDT; ")
    assert "gust at 262 ft, 9.8 of 20.8 kt" in " ".join(answer)


def test_sites_are_compared_at_the_same_moments_on_both_clocks():
    briefing = brief("compare", sites=[MEADOW, RANCH])
    written = render(briefing, width=100, more=True)
    assert "hours CEST   hours MDT" in written
    row = next(line for line in written.splitlines() if line.startswith("14:00   06:00"))
    assert row.split() == ["14:00", "06:00", "inside", "52", "%", "inside", "52", "%", "equal"]
    assert "Ranch room Wed 10 Jun 05:02–20:57 MDT, " in " ".join(written.split())


def test_who_is_better_when_and_why():
    windy = with_values(quiet_cube(60), "wind_speed_of_gust", 8.0, 12, 60)
    written = render(
        brief("compare", [quiet_cube(60), windy], [MEADOW, replace(MEADOW, name="Hill")]), width=100, more=True
    )
    rows = [line.split(maxsplit=2) for line in written.splitlines() if line.startswith("13:00–23:00")]
    assert rows == [["13:00–23:00", "Meadow", "Hill: gust 14 % below its limit"]]
    assert written.startswith("Room to fly, best at Meadow, Wed 10 Jun 04:29–22:42 CEST; ")


def test_sites_that_are_equal_are_told_as_equal():
    verdict = facts_of(brief("compare", sites=[MEADOW, replace(MEADOW, name="Hill")])).verdict
    assert verdict.first_line.startswith("Room to fly, equal at Meadow and Hill, Wed 10 Jun 04:29–22:42 CEST; ")
    assert verdict.site_positions == [0, 1]


def test_a_site_of_which_nothing_is_known_is_never_equal_nor_the_best():
    lost = with_values(quiet_cube(36), "wind_speed_of_gust", np.nan)
    verdict = facts_of(brief("compare", [lost, quiet_cube(36)], [replace(MEADOW, name="Hill"), MEADOW])).verdict
    assert verdict.first_line.startswith("As far as known: room to fly at Meadow alone")
    assert verdict.lines[0].words == "Hill: gust in every lit hour"
    assert ("Hill", "not known whether there is room") in [(line.label, line.words) for line in verdict.lines]


def test_one_site_at_two_heights_is_told_apart():
    written = render(brief("compare", sites=[MEADOW, MEADOW], heights=[40.0, 110.0]))
    assert written.startswith("Room to fly, best at Meadow 40 m, Wed 10 Jun")
    assert "Meadow 110 m: room" in written


@pytest.mark.thorough
def test_a_margin_behind_which_something_is_hidden_is_marked():
    cubes = [quiet_cube(36), with_values(quiet_cube(36), "visibility_in_air", np.nan)]
    sites = [MEADOW, replace(MEADOW, name="Hill")]
    written = render(brief("compare", cubes, sites, limits=TAKEN_ON), more=True)
    row = next(line for line in written.splitlines() if line.startswith("14:00 "))
    assert row.split() == ["14:00", "inside", "52", "%", "inside", "52", "%?", "Meadow"]
    written = render(brief("compare", cubes, sites), more=True)
    row = next(line for line in written.splitlines() if line.startswith("14:00 "))
    assert row.split() == ["14:00", "inside", "52", "%", "not", "known", "visibility", "Meadow"]


def test_a_week_tells_every_day_the_better_first_and_why_there_is_none():
    cube = with_values(
        with_values(quiet_cube(84), "wind_speed_of_gust", 20.0, 22, 48), "wind_speed_of_gust", 7.5, 0, 22
    )
    lines = facts_of(brief("week", [cube], days=3)).verdict.lines
    assert [line.label for line in lines] == ["Fri 12", "Wed 10", "Thu 11", "Mind"]
    assert lines[3].words == "beyond three days an outlook only, ask again"
    first = facts_of(brief("week", [cube], days=3)).verdict.first_line
    assert "Fri 12 Jun 04:28–22:44" in first and lines[0].words == "room, as above"
    assert lines[1].words.startswith("little room 04:29–22:42, ") and " in 10 from " in lines[1].words
    assert lines[2].words == "no room: gust 21.4 m/s at best, 10.7 over"
    assert "look again" in render(brief("week", [cube], days=3), more=True)


@pytest.mark.parametrize(
    ("element", "demand", "limit", "words"),
    [
        ("gust", 21.4, 10.7, "gust 21.4 m/s at best, 10.7 over"),
        ("visibility", 300.0, 5000.0, "visibility 0.3 km at best, 4.7 short"),
        ("temperature", 260.85, 263.15, "temperature -12.3 °C at best, 2.3 beyond"),
        ("kp", 6.0, 4.0, "Kp 6.0 at best, 2.0 over"),
        ("gust", 10.72, 10.7, "gust 10.7 m/s at best, less than 0.1 over"),
    ],
)
def test_how_far_a_day_is_over_a_limit_is_said_in_few_words(element, demand, limit, words):
    assert excess(element, demand, limit, units="metric") == words


def test_days_of_two_months_have_theirs():
    cube = quiet_cube(36 + 24 * 24)
    labels = [line.label for line in facts_of(brief("week", [cube], days=24)).verdict.lines if line.about == "day"]
    assert {"Tue 30 Jun", "Wed 1 Jul"} <= set(labels)


@pytest.mark.parametrize("name", ["week", "week with gaps", "week without window"])
def test_no_day_of_a_week_stands_before_a_better_one(name):
    """A day with room comes before one without, a known before an unknown, and then the surer first."""
    facts = facts_of(ALL[name])
    (site,) = facts.sites
    days = {day_name(day.date, with_month=False): windows_of(site, day) for day in site.days}
    told = [days[line.label] for line in facts.verdict.lines if line.about == "day"]
    assert len(told) == len(days)
    places = [min((w.rank for w in windows), default=None) for windows in told]
    with_room = [place for place in places if place is not None]
    assert with_room == sorted(with_room)
    assert places == with_room + [None] * (len(places) - len(with_room))


def test_control_characters_in_a_name_do_not_reach_the_terminal():
    written = render(brief(sites=[replace(MEADOW, name="evil\x1b[2J\rname\u202e")]))
    assert not any(unicodedata.category(c) in ("Cc", "Cf") for c in written if c != "\n")


def test_wide_characters_keep_the_columns():
    written = render(brief("compare", sites=[replace(MEADOW, name="草原"), replace(MEADOW, name="Hill")]), more=True)
    header, row = (
        next(line for line in written.splitlines() if line.startswith(start)) for start in ("CEST ", "14:00 ")
    )
    assert header.index("Hill") + 2 == row.index("inside", 20)


@pytest.mark.thorough
def test_an_hour_that_comes_twice_is_told_apart_in_every_table():
    site = replace(MEADOW, latitude=-80.0)  # no night in late October, so that the hours of the clock change are lit
    cube = quiet_cube(60)
    cube = beginning(cube, "2026-10-24T20")
    now = np.datetime64("2026-10-24T12:00", "s")
    best = brief("best", [cube], [site], now=now)
    both = brief("compare", [cube, cube], [site, replace(site, name="Other")], now=now)
    compared = render(both, width=100, more=True).splitlines()
    starts = [" ".join(line.split()[:2]) for line in compared if line[:2].isdigit() and line[2::3][:2] == ": "]
    rows = [s for s in starts if "–" not in s]
    assert [r for r in rows if r.startswith(("01", "02", "03"))] == [
        "01:00 inside", "02:00 CEST", "02:00 CET", "03:00 inside",
    ]  # fmt: skip
    alone = render(best, width=100, more=True)
    assert "02:00 CEST–02:00 CET" in alone
    assert "02:00–02:00" not in alone
    readers = [reader_of(a) for a in both.answers]
    figure = overview.sites_overview(facts_of(both), readers, ["Meadow", "Other"], tall=True)
    assert {"02:00 CEST", "02:00 CET"} <= set(figure["layout"]["yaxis"]["ticktext"])
    figure = overview.sites_overview(facts_of(both), readers, ["Meadow", "Other"], tall=False)
    assert figure["layout"]["xaxis"]["title"]["text"] == "hour, CEST, then CET"


@pytest.mark.parametrize(
    ("zone", "place", "date", "words"),
    [
        ("Europe/Berlin", (52.5, 13.4), "2026-03-29", "CEST"),  # midnight is in CET
        ("Europe/Berlin", (52.5, 13.4), "2026-10-25", "CET"),  # midnight is in CEST
        ("Australia/Sydney", (-33.87, 151.21), "2026-10-04", "AEDT"),
    ],
)
def test_light_on_a_day_of_a_clock_change_has_the_zone_of_its_events(zone, place, date, words):
    clock = Clock(zone)
    site, day = Site("Place", *place, 30.0, zone), np.datetime64(date).astype(object)
    midnight = period_of(site, NOW, day=day)[0]
    assert clock.zone(midnight) != words
    told = details.light(SimpleNamespace(**sun_passes(site, day, 1)[0]), clock)
    assert told.endswith(f" {words}")
    assert told.count(words) == 1


def test_light_on_both_sides_of_a_clock_change_names_both_zones():
    clock = Clock("Europe/Helsinki")  # far east of the zone, so that dawn comes before the change at 01 UTC
    site, day = Site("Place", 60.0, 90.0, 30.0, "Europe/Helsinki"), np.datetime64("2026-03-29").astype(object)
    told = details.light(SimpleNamespace(**sun_passes(site, day, 1)[0]), clock)
    assert "EET, sun" in told and told.endswith("EEST")


def test_a_pressure_from_sea_level_over_high_ground_is_said_first():
    cube = quiet_cube(36).drop_vars("surface_air_pressure")
    high = replace(RANCH, surface_altitude=1600.0)
    told = brief(cubes=[mark_provided(cube.assign_coords(provided=""))], sites=[high])
    assert paragraphs(told)[0].startswith("Forecast 6 h old, see the note: ")
    assert ". Note The forecast gives pressure at sea level only" in paragraphs(told)[0]


def test_freezing_drizzle_is_named_where_frost_is_and_never_frost_alone():
    cube = quiet_cube(36)
    for name, value in {
        "air_temperature": 269.75, "air_temperature_aloft": (269.7, 269.4, 269.1), "dew_point_temperature": 267.5,
        "relative_humidity": 0.84, "cloud_area_fraction": 1.0, "low_type_cloud_area_fraction": 1.0,
        "cloud_base_altitude": 400.0, "weather_code": 3.0, "precipitation_probability": 0.4,
    }.items():  # fmt: skip
        cube = with_values(cube, name, value)
    short, text = (" ".join(render(brief(cubes=[cube]), width=200, more=more).split()) for more in (False, True))
    assert "Mind freezing drizzle and icing in flight 4 in 10: land at the first drop" in short
    assert "white with frost, too" in text
    assert "no icing in flight" not in text
    assert "icing at 80 m possible" in short


def tightest_line(cube):
    return next(line.words for line in facts_of(brief(cubes=[cube])).verdict.lines if line.about == "tightest")


def test_rain_that_is_likely_is_told_before_what_is_tightest():
    found = []
    for probability in (0.0, 0.88):
        cube = with_values(quiet_cube(36), "precipitation_probability", probability)
        found.append(tightest_line(with_values(cube, "weather_code", 2.0)))
    assert found[0] == "gust 52 % below its limit"
    assert re.match(r"precipitation 9 in 10 to break its limit; gust 52 % below", found[1])


def test_what_is_likely_to_break_a_limit_comes_first_beside_a_small_margin_too():
    """With a margin below a half the nearest by value alone was told: a gust of 8.6 m/s, while rain is 88 % likely."""
    cube = with_values(with_values(quiet_cube(36), "wind_speed_of_gust", 7.5), "precipitation_probability", 0.88)
    told = tightest_line(with_values(cube, "weather_code", 2.0))
    assert re.match(r"precipitation 9 in 10 to break its limit; gust [1-4]\d % below its limit", told)


def test_what_is_tightest_and_likely_to_break_is_told_once():
    told = tightest_line(with_values(quiet_cube(36), "wind_speed_of_gust", 8.5))
    assert re.fullmatch(r"gust \d+ % below its limit; at worst [345] in 10 over it", told)


@pytest.mark.parametrize("members", [10, 40])
def test_a_storm_in_one_member_of_ten_is_named_among_the_causes(members):
    windy = with_values(with_values(quiet_cube(36), "wind_speed_of_gust", 8.5), "precipitation_amount", 0.05)
    storm = with_values(windy, "weather_code", 95.0)
    ensemble = members_of([windy] * (members - members // 10) + [storm] * (members // 10)).expand_dims("site")
    text = " ".join(render(brief(cubes=[windy], ensembles=[ensemble]), width=200, more=True).split())
    assert re.search(r"may break: [^.]*; thunderstorm 1 in 10", text)


def test_every_grave_hazard_is_named_whatever_else_may_break():
    shares = {"gust": 0.5, "wind": 0.4, "precipitation": 0.35, "thunderstorm": 0.2, "icing": 0.15, "fog": 0.1}
    causes = [CauseFacts(name, share, 0.0) for name, share in shares.items()]
    told = [cause.element for cause in details.reported_causes(causes, "gust", by_members=True)]
    assert told == ["gust", "wind", "thunderstorm", "icing", "fog"]


def test_rain_that_is_likely_late_in_a_window_is_told_too():
    cube = with_values(quiet_cube(36), "precipitation_probability", 0.9, 14, 16)
    assert tightest_line(cube).startswith("precipitation ")


def test_the_storm_that_ends_a_window_is_named_before_its_rain_and_among_the_causes():
    cube = with_values(with_values(quiet_cube(36), "weather_code", 95.0, 14, 14), "precipitation_amount", 4.0, 14, 14)
    short, text = (" ".join(render(brief(cubes=[cube]), width=200, more=more).split()) for more in (False, True))
    assert "Ends then thunderstorm likely" in short
    sure = text[text.index("How sure") : text.index("Light")]
    assert "thunderstorm" in sure


def test_members_of_a_model_without_a_name_are_told_in_words():
    site = SimpleNamespace(chance_basis=ChanceBasis(20, ["not known"], False, [], []), sortie=None)
    assert details.whose(site) == "20 members of a model that is not known"


@pytest.mark.parametrize("name", ALL)
def test_no_sentence_is_long_and_no_amount_is_nothing(name):
    verdict = facts_of(ALL[name]).verdict
    for sentence in (verdict.first_line, *(part for line in verdict.lines for part in line.words.split("; "))):
        assert len(sentence.split()) <= 25, sentence
        assert not re.search(r"(?<!\d)0(\.0)? (m/s|m|km) (over|more|beyond|short)", sentence)


def test_a_window_at_night_names_the_light_that_the_rules_ask_for():
    night = replace(TAKEN_ON, daylight_rule="any", aircraft_light="a white flashing light")
    dark = replace(MEADOW, latitude=-80.0, time_zone="UTC")
    told = " ".join(render(brief(sites=[dark], limits=night)).split())
    assert "oom to fly at Meadow" in told
    assert "No room" not in told
    assert "part of it is night: you see the aircraft by its light alone; the rules ask for a white flashing" in told


def test_past_the_end_of_the_forecast_it_says_where_it_ends(wxfly):
    code, out, _ = wxfly("best", "Kelderness", "2026-04-20")
    assert code == 0 and "not known whether there is room" in " ".join(out.split())
    assert "Not known all of it: the forecast ends Mon 30 Mar 2026 06:00" in " ".join(out.split())
