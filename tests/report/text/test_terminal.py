import re
import unicodedata
from dataclasses import replace

import numpy as np
import pytest

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
    stormy,
    with_gaps,
    with_values,
)
from wxfly.answer.findings import Day
from wxfly.cube.contract import mark_carried
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.report.charts import overview
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import CAUTIONS, INVENTED
from wxfly.report.text import sentences, terminal
from wxfly.report.text.advice import _elevation
from wxfly.units import SYSTEMS


def render(briefing, *, units="metric", time_zone=None, width=80):
    return terminal.render(briefing, units=units, time_zone=time_zone, width=width)


def paragraphs(briefing, **options):
    """Return the blocks of an answer, each as one line."""
    return [" ".join(block.split()) for block in render(briefing, **options).split("\n\n")]


ALL = every_question()


@pytest.mark.parametrize(
    ("width", "units", "name"), spread([(w, u, n) for w in (60, 80, 100) for u in SYSTEMS for n in ALL], 10)
)
def test_every_answer_fits_the_terminal_and_carries_source_and_caution(name, units, width):
    written = render(ALL[name], units=units, width=width)
    # Three sites on three clocks take 72 columns before the last one.
    assert max(len(line) for line in written.splitlines()) <= (max(width, 72) if name == "compare three" else width)
    one_line = " ".join(written.split())
    for wanted in (
        "https://example.org/", "Model a_model", "run Tue 9 Jun 2026", "6 h old", "CC BY 4.0", CAUTIONS[0],
    ):  # fmt: skip
        assert wanted in one_line
    assert "nan" not in written.lower().split()
    assert not any(line != line.rstrip() for line in written.splitlines())


def test_the_answer_leads_then_the_reason_then_the_next_best_then_what_is_not_known():
    lines = render(brief()).splitlines()
    assert lines[0] == "Best       Meadow, Wed 10 Jun 04:29–22:42 CEST, inside, margin 0.52"
    assert lines[1] == "Decides    nothing is near a limit; nearest: gust at 80 m, 5.0 of 10.7 m/s"
    labels = [line[:11].strip() for line in lines if line[:11].strip()]
    assert labels[:7] == ["Best", "Decides", "Ends", "Expect", "How sure", "Planning", "Next best"]
    assert labels[7:9] == ["Not known", "Light"]


def test_what_the_decision_lacks_comes_before_the_answer():
    first, second = paragraphs(brief(cubes=[with_gaps()], limits=TAKEN_ON))[:2]
    assert first.startswith("Not known gust missing: 2 of 19 lit hours are not known; visibility, and Kp in some hours")
    assert second.startswith("Best")
    assert "visibility and Kp not known" in second


def test_what_is_advised_and_lost_leaves_no_hour_and_is_said_first():
    first, second = paragraphs(brief(cubes=[with_gaps()]))[:2]
    assert first.startswith("Not known gust, visibility and Kp missing: every lit hour is not known")
    assert second.startswith(
        "Best not known on Wed 10 Jun Because not known: gust, visibility and Kp missing in all 19 lit hours"
    )


def test_a_lost_probability_of_rain_is_named_and_never_told_as_certain_rain():
    cube = with_values(quiet_cube(36), "precipitation_probability", np.nan)
    some = with_values(quiet_cube(36), "precipitation_probability", np.nan, 10, 11)
    first = paragraphs(brief(cubes=[cube]))[0]
    assert first == "Not known probability of precipitation: it counts as certain in the chance"
    text = " ".join(render(brief(cubes=[cube]), width=200).split())
    assert "probability of precipitation: known in no hour" in text
    assert "100 %" not in text
    assert paragraphs(brief(cubes=[some]))[0].startswith("Not known probability of precipitation in some hours")
    assert "probability of precipitation: not 11:00–13:00" in " ".join(render(brief(cubes=[some]), width=200).split())


def test_a_demonstration_says_so_in_its_first_line():
    assert render(brief(sites=[invented()])).splitlines()[0] == INVENTED


def test_notes_come_first():
    assert paragraphs(brief(notes=("this forecast is old",)))[0] == "This forecast is old"


def test_when_nothing_holds_it_says_so_and_how_near_it_came():
    answer = paragraphs(brief(cubes=[stormy()]))[0]
    assert answer.startswith(
        "Best none: no window of 45 min holds on Wed 10 Jun Because gust decides in 19 of 19 lit hours;"
    )
    assert "nearest 17:00–18:00: gust at 80 m, 13.2 of 10.7 m/s, margin -0.24" in answer


def test_a_stretch_that_is_too_short_is_told():
    cube = with_values(with_values(quiet_cube(36), "wind_speed_of_gust", 20.0), "wind_speed_of_gust", 4.0, 12, 13)
    answer = paragraphs(brief(cubes=[cube], minimum_duration=np.timedelta64(3, "h")))[0]
    assert "the longest stretch that holds is 13:00–15:00, 2 h, shorter than 3 h" in answer


def test_a_day_of_which_nothing_is_known_is_not_called_bad():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", np.nan)
    first, answer = paragraphs(brief(cubes=[cube]))[:2]
    assert first == "Not known gust missing: every lit hour is not known"
    assert answer.startswith("Best not known on Wed 10 Jun Because not known: gust missing in all 19 lit hours")


def test_a_polar_night_is_dark():
    site = replace(MEADOW, latitude=-80.0, time_zone="UTC")
    answer = paragraphs(brief(sites=[site]))[0]
    assert "Because dark throughout" in answer
    assert "Light the sun does not rise; no twilight all day" in answer


def test_a_polar_day_is_no_night():
    answer = " ".join(paragraphs(brief(sites=[replace(MEADOW, latitude=80.0, time_zone="UTC")])))
    assert "Light the sun does not set" in answer
    winter = " ".join(paragraphs(brief(sites=[replace(MEADOW, latitude=-68.0, time_zone="UTC")])))
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
    assert _elevation(low, high) == words


def test_an_aircraft_without_a_limit_is_told():
    limits = replace(limits_for(find_aircraft("folding-quad-249g")), maximum_density_altitude=None)
    briefing = brief(limits=limits)
    assert briefing.answers[0].assessment.attrs["not_judged"] == ["density_altitude"]
    assert "density altitude is not judged: the aircraft gives no limit" in paragraphs(briefing)[0]


def test_hours_have_state_margin_window_and_element():
    hours = [
        line
        for line in render(brief(cubes=[with_gaps()], limits=TAKEN_ON)).splitlines()
        if line.startswith("11:00–12:00")
    ]
    assert hours == ["11:00–12:00  not known       ?          gust not known"]
    outside = [line for line in render(brief(cubes=[stormy()])).splitlines() if line.startswith("17:00–18:00")]
    assert outside == ["17:00–18:00  outside     -0.24          gust at 80 m, 13.2 of 10.7 m/s"]


def test_dark_hours_share_a_line():
    lines = render(brief(cubes=[quiet_cube(36)])).splitlines()
    assert any(line.startswith("02:00–04:00  dark") for line in lines)


def test_a_window_inside_a_longer_stretch_is_told():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 7.5, 14, 36)
    answer = paragraphs(brief(cubes=[cube]))[0]
    assert "Within the best part of 04:29–22:42, which holds throughout, down to margin 0.19" in answer
    assert "Next best Wed 10 Jun 15:00–22:42 CEST" in answer


def test_another_units_system_and_zone():
    answer = paragraphs(brief(), units="aviation", time_zone="America/New_York")[0]
    assert answer.startswith("Best Meadow, Tue 9 Jun 22:29 to Wed 10 Jun 16:42 EDT, inside")
    assert "gust at 262 ft, 9.8 of 20.8 kt" in answer


def test_sites_are_compared_at_the_same_moments_on_both_clocks():
    briefing = brief("compare", sites=[MEADOW, RANCH])
    written = render(briefing, width=100)
    assert "hours CEST   hours MDT" in written
    row = next(line for line in written.splitlines() if line.startswith("14:00   06:00"))
    assert row.split() == ["14:00", "06:00", "inside", "0.52", "inside", "0.52", "equal"]
    assert "MDT (Wed 10 Jun 13:02" in " ".join(written.split())


def test_who_is_better_when_and_why():
    windy = with_values(quiet_cube(60), "wind_speed_of_gust", 8.0, 12, 60)
    written = render(brief("compare", [quiet_cube(60), windy], [MEADOW, replace(MEADOW, name="Hill")]), width=100)
    rows = [line.split(maxsplit=2) for line in written.splitlines() if line.startswith("13:00–23:00")]
    assert rows == [["13:00–23:00", "Meadow", "Hill: gust at 80 m, 9.1 of 10.7 m/s"]]
    assert "Meadow is better in 10, Hill is better in 0, equal in 9, none holds in 0 of 19 lit hours" in " ".join(
        written.split()
    )


def test_one_site_at_two_heights_is_told_apart():
    written = render(brief("compare", sites=[MEADOW, MEADOW], heights=[40.0, 110.0]))
    assert "Best       Meadow 40 m, Wed 10 Jun" in written
    assert "Meadow 110 m" in written


@pytest.mark.thorough
def test_a_margin_behind_which_something_is_hidden_is_marked():
    cubes = [quiet_cube(36), with_values(quiet_cube(36), "visibility_in_air", np.nan)]
    sites = [MEADOW, replace(MEADOW, name="Hill")]
    written = render(brief("compare", cubes, sites, limits=TAKEN_ON))
    row = next(line for line in written.splitlines() if line.startswith("14:00 "))
    assert row.split() == ["14:00", "inside", "0.52", "inside", "0.52?", "Meadow"]
    written = render(brief("compare", cubes, sites))
    row = next(line for line in written.splitlines() if line.startswith("14:00 "))
    assert row.split() == ["14:00", "inside", "0.52", "not", "known", "?", "Meadow"]


def test_a_week_lists_days_without_a_window_and_why():
    cube = with_values(quiet_cube(84), "wind_speed_of_gust", 20.0, 22, 48)
    written = render(brief("week", [cube], days=3))
    days = [line for line in written.splitlines() if line.startswith(("Wed 10", "Thu 11", "Fri 12"))]
    assert ["none" in line for line in days] == [False, True, False]
    assert "gust decides in 19 of 19 lit hours" in " ".join(written.split())
    assert "look again" in written


def test_control_characters_in_a_name_do_not_reach_the_terminal():
    written = render(brief(sites=[replace(MEADOW, name="evil\x1b[2J\rname\u202e")]))
    assert not any(unicodedata.category(c) in ("Cc", "Cf") for c in written if c != "\n")


def test_wide_characters_keep_the_columns():
    written = render(brief("compare", sites=[replace(MEADOW, name="草原"), replace(MEADOW, name="Hill")]))
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
    compared = render(both, units="metric", time_zone=None, width=100).splitlines()
    starts = [" ".join(line.split()[:2]) for line in compared if line[:2].isdigit() and line[2] == ":"]
    rows = [s for s in starts if "–" not in s]
    assert [r for r in rows if r.startswith(("01", "02", "03"))] == [
        "01:00 inside", "02:00 CEST", "02:00 CET", "03:00 inside",
    ]  # fmt: skip
    alone = render(best, units="metric", time_zone=None, width=100)
    assert "02:00 CEST–02:00 CET" in alone
    assert "02:00–02:00" not in alone
    readers = [sentences.reader_for(a, units="metric", time_zone=None) for a in both.answers]
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
    clock = sentences.Clock(zone)
    answer = brief(sites=[Site("Place", *place, 30.0, zone)]).answers[0]
    midnight = period_of(answer.request.site, NOW, day=np.datetime64(date).astype(object))[0]
    day = Day(
        np.datetime64(date).astype(object), midnight, midnight + np.timedelta64(24, "h"), np.ones(1, dtype=bool), ()
    )
    assert clock.zone(midnight) != words
    told = sentences.light(answer, day, clock)
    assert told.endswith(f" {words}")
    assert told.count(words) == 1


def test_light_on_both_sides_of_a_clock_change_names_both_zones():
    clock = sentences.Clock("Europe/Helsinki")  # far east of the zone, so that dawn comes before the change at 01 UTC
    answer = brief(sites=[Site("Place", 60.0, 90.0, 30.0, "Europe/Helsinki")]).answers[0]
    day = Day(np.datetime64("2026-03-29").astype(object), np.datetime64("2026-03-28T22", "s"), NOW, np.ones(1), ())
    told = sentences.light(answer, day, clock)
    assert "EET, sun" in told and told.endswith("EEST")


def test_a_pressure_from_sea_level_over_high_ground_is_said_first():
    cube = quiet_cube(36).drop_vars("surface_air_pressure")
    high = replace(RANCH, surface_altitude=1600.0)
    told = brief(cubes=[mark_carried(cube.assign_attrs(carried=""))], sites=[high])
    assert "The forecast gives pressure at sea level only" in paragraphs(told)[0]


def test_freezing_drizzle_is_named_where_frost_is_and_never_frost_alone():
    cube = quiet_cube(36)
    for name, value in {
        "air_temperature": 269.75, "air_temperature_aloft": (269.7, 269.4, 269.1), "dew_point_temperature": 267.5,
        "relative_humidity": 0.84, "cloud_area_fraction": 1.0, "low_type_cloud_area_fraction": 1.0,
        "cloud_base_altitude": 400.0, "weather_code": 3.0, "precipitation_probability": 0.4,
    }.items():  # fmt: skip
        cube = with_values(cube, name, value)
    text = " ".join(render(brief(cubes=[cube]), width=200).split())
    assert "freezing drizzle and icing in flight are 40 % likely" in text
    assert "white with frost, too" in text
    assert "no icing in flight" not in text
    assert "Decides icing at 80 m possible" in text


def test_rain_that_is_likely_is_never_nothing_near_a_limit():
    found = []
    for probability in (0.0, 0.88):
        cube = with_values(quiet_cube(36), "precipitation_probability", probability)
        answer = brief(cubes=[with_values(cube, "weather_code", 2.0)])
        found.append(sentences.window_reason(answer.answers[0], answer.answers[0].best, "metric"))
    assert found[0].startswith("nothing is near a limit; nearest: gust")
    assert re.match(r"precipitation (8[5-9]|9\d) % likely to break its limit; nearest by value: gust", found[1])


def test_rain_that_is_likely_late_in_a_window_is_told_too():
    cube = with_values(quiet_cube(36), "precipitation_probability", 0.9, 14, 16)
    answer = brief(cubes=[cube]).answers[0]
    assert sentences.window_reason(answer, answer.best, "metric").startswith("precipitation ")


def test_the_storm_that_ends_a_window_is_named_before_its_rain_and_among_the_causes():
    cube = with_values(with_values(quiet_cube(36), "weather_code", 95.0, 14, 14), "precipitation_amount", 4.0, 14, 14)
    text = " ".join(render(brief(cubes=[cube]), width=200).split())
    assert "Ends at 15:00, then thunderstorm likely" in text
    sure = text[text.index("How sure") : text.index("Planning")]
    assert "thunderstorm" in sure


def test_members_of_a_model_without_a_name_are_told_in_words():
    from types import SimpleNamespace

    from wxfly.report.text.chances import whose

    sureness = SimpleNamespace(by_percentiles=(), is_weak=False, members=20, models=("not known",))
    answer = SimpleNamespace(sureness=sureness, request=SimpleNamespace(energy_missing=()))
    assert whose(answer) == "20 members of a model that is not known"
