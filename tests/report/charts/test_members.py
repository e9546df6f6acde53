"""The band of members and the row of chances on a timeline, and how sure in words."""

import math
import re

import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.probability.test_chance import members_cube
from tests.report.briefings import drawing, page, reader_of
from wxfly.answer.briefing import make_briefing
from wxfly.answer.findings import better_of_two
from wxfly.answer.request import Request
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.report.charts.timeline import timelines
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.windows import CauseFacts
from wxfly.report.facts.writing import in_ten
from wxfly.report.text.answer import render
from wxfly.report.text.details import causes_in_words, whose
from wxfly.retrieval.origin import ForecastOrigin

SITE = Site("Meadow", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
AIRCRAFT, SMALL = (find_aircraft(name, None) for name in ("camera-quad-1kg", "camera-quad-250g"))
NOW = np.datetime64("2026-06-10T00", "s")


def brief(members=None, question="best", sites=1, cube=None):
    import xarray as xr

    def spread(one):
        listed = [one.expand_dims(site=[str(i)], axis=1) for i in range(sites)]
        joined = xr.concat(listed, "site", data_vars="all", coords="different", compat="equals")
        return joined.assign_coords(
            {k: ("site", [float(one[k])] * sites) for k in ("latitude", "longitude", "surface_altitude")}
        )

    period = period_of(SITE, NOW, first_day=0)
    return make_briefing(
        question,
        spread(quiet_cube() if cube is None else cube),
        [Request(SITE, a, limits_for(a), 60.0) for a in (AIRCRAFT, SMALL)[:sites]],
        [period] * sites,
        minimum_duration=np.timedelta64(45, "m"),
        now=NOW,
        provenance=ForecastOrigin(run=NOW, model="a test"),
        ensembles=[] if members is None else [spread(members)],
    )


def drawn(briefing, shape):
    answer = briefing.answers[0]
    one = drawing(briefing)[1][0]
    return timelines(one, reader_of(answer), 4, 20, whose(one.site))[shape]


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_the_band_lies_between_its_lines_and_the_chances_below_the_axis(shape):
    briefing = brief(members_cube(21))
    figure = drawn(briefing, shape)
    (band,) = [t for t in figure["data"] if t.get("name") == "eight of ten members"]
    lines = briefing.answers[0].site_chance.band["wind_speed_of_gust"].values[4:21]
    half = len(band["x"]) // 2
    assert max(band["y"][:half]) == pytest.approx(lines[:, 3].max(), abs=0.01)
    assert min(band["y"][half:]) == pytest.approx(lines[:, 1].min(), abs=0.01)
    assert len([t for t in figure["data"] if t.get("name") == "all members"]) == 2
    (row,) = [t for t in figure["data"] if t.get("name") == "chance"]
    assert len(row["text"]) == len(row["x"]) == 17
    assert all(y < 0 for y in row["y"])
    assert all("21 members of a test" in hover for hover in row["customdata"])
    assert figure["layout"]["yaxis"]["range"][0] < min(row["y"])


def test_without_members_there_is_a_chance_and_no_band():
    figure = drawn(brief(), "wide")
    assert not [t for t in figure["data"] if "members" in str(t.get("name"))]
    (row,) = [t for t in figure["data"] if t.get("name") == "chance"]
    assert all("weaker than" in hover for hover in row["customdata"])


def test_hours_that_are_not_known_have_no_chance_and_break_the_band():
    cube, members = quiet_cube(), members_cube(9)
    for part in (cube, members):
        part["wind_speed_of_gust"][{"time": slice(10, 13)}] = np.nan
    figure = drawn(brief(members, cube=cube), "wide")
    assert len([t for t in figure["data"] if t.get("name") == "eight of ten members"]) == 2
    (row,) = [t for t in figure["data"] if t.get("name") == "chance"]
    assert len(row["text"]) < 17


def test_the_page_says_what_the_band_is():
    with_members = page(brief(members_cube(9)))
    assert "eight of ten members" in with_members
    assert "Shaded: the gusts" not in page(brief())


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.01, "less than 1 in 10"), (0.06, "1 in 10"), (0.44, "4 in 10"), (0.46, "4 in 10"), (0.499, "4 in 10"),
        (0.5, "5 in 10"), (0.85, "8 in 10"), (0.94, "9 in 10"),
        (0.96, "more than 9 in 10"), (math.nan, "not known"),
    ],
)  # fmt: skip
def test_so_many_in_ten(chance, words):
    assert in_ten(chance) == words


def test_causes_are_told_with_their_share_alone():
    told = causes_in_words(
        [CauseFacts("gust", 0.2, 0.1), CauseFacts("precipitation", 0.2, 0.1), CauseFacts("kp", 0.01, 0.004)]
    )
    assert told == "gust 2 in 10 (1 in 10 on its own); precipitation 2 in 10 (1 in 10 on its own); Kp less than 1 in 10"


def test_a_week_tells_each_day():
    written = " ".join(render(facts_of(brief(members_cube(9), "week")), width=100).split())
    best = r"Wed 10 Jun 04:29–22:42 CEST; surest 45 min from 0\d:00, \d in 10\. Wed 10 room, as above"
    assert re.search(best, written)


@pytest.mark.thorough
def test_a_comparison_tells_who_is_better():
    briefing = brief(members_cube(31), "compare", sites=2)
    written = " ".join(render(facts_of(briefing), width=100).split())
    assert re.search(r"Better +\S.* [4-9] in 10, .* in 10", written)
    shares = better_of_two(briefing, 10, 10)
    assert sum(shares) == pytest.approx(1.0)
    assert shares[0] > shares[1]  # the same weather, and the second aircraft stands less of it


def test_when_nothing_holds_the_surest_stretch_is_told():
    cube, members = quiet_cube(), members_cube(21)
    for part in (cube, members):
        gust = part["wind_speed_of_gust"]
        part["wind_speed_of_gust"] = (gust + 9.0).assign_attrs(gust.attrs)
    written = " ".join(render(facts_of(brief(members, cube=cube)), width=100).split())
    assert "Surest" in written
