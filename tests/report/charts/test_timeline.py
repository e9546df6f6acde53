from dataclasses import replace
from itertools import pairwise

import numpy as np
import plotly.graph_objects as go
import pytest

from tests.cubes import beginning, quiet_cube
from tests.halves import spread
from tests.report.briefings import (
    MEADOW,
    RANCH,
    TAKEN_ON,
    brief,
    drawing,
    every_question,
    reader_of,
    stormy,
    with_gaps,
    with_values,
)
from wxfly.physics.sun import sun_events
from wxfly.pilot.elements import ELEMENTS, NAMES
from wxfly.report.charts import overview, shades
from wxfly.report.charts.heights import sections
from wxfly.report.charts.timeline import THE_HOUR, DrawnHours, _parted, hours_shown, light_on_axis, timelines
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.verdict import names_of
from wxfly.report.facts.writing import in_ten, margin
from wxfly.report.text.details import readers_of

ROWS = (THE_HOUR, *NAMES)

ALL = every_question()
SHAPES = ("wide", "tall")


def drawn(briefing, units="metric"):
    """Return the figures of the first answer, and its first and last hour drawn."""
    answer = briefing.answers[0]
    reader = reader_of(answer, units)
    one = drawing(briefing)[1][0]
    first, last = hours_shown(one.site)
    return timelines(one, reader, first, last), first, last


def strip(figure, shape):
    """Return the strip's rows of numbers and hovers, whichever way they lie."""
    (grid,) = (trace for trace in figure["data"] if trace["type"] == "heatmap")
    turned = {key: np.array(grid[key], dtype=object) for key in ("z", "text", "customdata")}
    return turned if shape == "wide" else {key: value.T for key, value in turned.items()}


def hatched(figure, axis):
    return [t for t in figure["data"] if t["name"] == "not known" and t["yaxis"] == axis]


@pytest.mark.parametrize("name", spread(ALL, 6))
def test_every_figure_is_one_that_plotly_accepts(name):
    for units in ("metric", "aviation"):
        figures, _, _ = drawn(ALL[name], units)
        for shape in SHAPES:
            assert len(go.Figure(figures[shape]).data) >= 5


@pytest.mark.parametrize("shape", SHAPES)
def test_every_cell_carries_the_number_of_its_margin(shape):
    briefing = brief(cubes=[with_gaps()], limits=TAKEN_ON)
    figures, first, last = drawn(briefing)
    cells = strip(figures[shape], shape)
    margins = briefing.answers[0].assessment["margin"].values[:, first : last + 1]
    lit = briefing.answers[0].lit_hours[first : last + 1]
    is_short = shape == "tall" or last - first + 1 > 18
    for r, element in enumerate(ELEMENTS):
        for i in range(last - first + 1):
            text = cells["text"][r + 1, i]
            if np.isnan(margins[r, i]):
                assert text == ""
                assert cells["z"][r + 1, i] is None
            elif element.name == "daylight" and not lit[i]:
                assert cells["z"][r + 1, i] == shades.DARK + 0.5
            else:
                assert f">{shades.cell(margins[r, i], short=is_short)}<" in text
                assert int(cells["z"][r + 1, i]) == shades.shade_of(margins[r, i], 0.2)


@pytest.mark.parametrize("shape", SHAPES)
def test_what_is_not_known_is_hatched_and_says_so(shape):
    figures, first, last = drawn(brief(cubes=[with_gaps()], limits=TAKEN_ON))
    (cells,) = hatched(figures[shape], "y2")
    assert cells["marker"]["pattern"]["shape"] == "/"
    assert set(cells["text"]) == {"<b>?</b>"}
    rows = np.array(cells["base"]) + 0.5
    count = last - first + 1
    assert list(rows).count(ROWS.index("visibility")) == count
    assert list(rows).count(ROWS.index("gust")) == list(rows).count(ROWS.index(THE_HOUR)) == 2
    assert any("margin not known (advised)" in text for text in cells["customdata"])
    assert any("margin not known (required)" in text for text in cells["customdata"])
    (wind,) = hatched(figures[shape], "y")
    assert len(wind["x"]) == 2


def test_nothing_is_hatched_when_all_is_known():
    figures, _, _ = drawn(brief(cubes=[quiet_cube(36)]))
    assert all(trace["name"] != "not known" for shape in SHAPES for trace in figures[shape]["data"])


def test_hover_gives_value_limit_and_margin():
    figures, first, _ = drawn(brief())
    texts = strip(figures["wide"], "wide")["customdata"]
    at = 12 - first - 2 + 4  # 12:00 UTC; the first hour of the day at the site is 22:00 UTC
    assert texts[ROWS.index("gust"), at] == "14:00–15:00 CEST<br><b>gust at 80 m<br>5.0 of 10.7 m/s</b><br>margin 0.52"
    assert texts[0, at].startswith("14:00–15:00 CEST<br><b>inside</b>, margin 0.52<br>decides: gust at 80 m")


def test_limits_are_drawn_where_they_are():
    figures, _, _ = drawn(brief())
    lines = [s["y0"] for s in figures["wide"]["layout"]["shapes"] if s["type"] == "line"]
    assert lines == [8.5, 10.7]
    words = [a["text"] for a in figures["wide"]["layout"]["annotations"]]
    assert "gust limit 10.7 m/s" in words
    assert "wind limit 8.5 m/s" in words


def test_windows_are_framed_to_the_minute_in_both_panels():
    briefing = brief()
    figures, first, _ = drawn(briefing)
    window = briefing.answers[0].best
    start = briefing.answers[0].assessment["time"].values[first]
    wanted = [(m - start) / np.timedelta64(1, "h") for m in (window.start, window.end)]
    for shape in SHAPES:
        frames = [s for s in figures[shape]["layout"]["shapes"] if s["line"]["width"] == 3]
        assert len(frames) == 2
        for frame in frames:
            along = ("y0", "y1") if frame["xref"] == "x2" else ("x0", "x1")
            assert [frame[key] for key in along] == pytest.approx(wanted)


def light_of(briefing):
    """Return the spans of light over all hours of the first answer."""
    reader = reader_of(briefing.answers[0])
    one = drawing(briefing)[1][0]
    return light_on_axis(DrawnHours(one, reader, 0, len(one.site.hours.start) - 1))


def test_night_and_twilight_follow_the_sun():
    spans = light_of(brief(cubes=[quiet_cube(36)]))
    assert [kind for *_, kind in spans] == ["night", "twilight", "day", "twilight", "night"]
    events = sun_events(MEADOW.latitude, MEADOW.longitude, "2026-06-10", 1)
    for (begin, *_), event in zip(spans[1:], events, strict=True):
        at = (event[0] - np.datetime64("2026-06-09T22:00")) / np.timedelta64(1, "h")
        assert begin == pytest.approx(at, abs=1.01 / 60)


def test_polar_day_and_night_have_no_change():
    for latitude, kind in ((80.0, "day"), (-80.0, "night")):
        assert [k for *_, k in light_of(brief(sites=[replace(MEADOW, latitude=latitude)]))] == [kind]


def test_dark_hours_before_dawn_and_after_dusk_are_left_out():
    briefing = brief()
    lit = np.flatnonzero(briefing.answers[0].lit_hours)
    assert hours_shown(facts_of(briefing).sites[0]) == (lit[0] - 1, lit[-1] + 1)
    dark = facts_of(brief(sites=[replace(MEADOW, latitude=-80.0)])).sites[0]
    assert hours_shown(dark) == (0, 23)


# --- shades ----------------------------------------------------------------------------------------------------


def luminance(colour):
    """Relative luminance of sRGB, WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_numbers_stand_out_from_their_shade():
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    for of in (shades.SHADES, shades.CHANCE_SHADES):
        assert all(contrast(n, s) >= 5 for n, s in zip(shades.NUMBERS, of, strict=True))
        on_dark = [(shades.ON_DARK[n], shades.ON_DARK[s]) for n, s in zip(shades.NUMBERS, of, strict=True)]
        assert all(contrast(*pair) >= 5 for pair in on_dark)
    assert contrast(shades.ON_DARK[shades.LIMIT_WORDS], shades.ON_DARK[shades.DARK_HOUR]) >= 4.5
    assert contrast(shades.ON_DARK[shades.LIMIT_LINE], shades.ON_DARK[shades.PAPER]) >= 3
    assert contrast(shades.INK, shades.DARK_HOUR) >= 4.5
    assert contrast(shades.LIMIT_WORDS, shades.DARK_HOUR) >= 4.5  # names of the limits, over night
    assert contrast(shades.SHADES[shades.NARROW], "#ffffff") >= 3  # lines of the limits, criterion 1.4.11


def test_shades_darken_in_steps_that_any_eye_can_tell():
    # Without hue only luminance is left; neighbours differ by at least 1.4 to 1.
    for of in (shades.SHADES, shades.CHANCE_SHADES):
        on_dark = [shades.ON_DARK[shade] for shade in of]
        for colours, is_dark in ((of, False), (on_dark, True)):
            values = [luminance(shade) for shade in colours]
            assert values == sorted(values, reverse=not is_dark)
            assert all(contrast(a, b) >= 1.4 for a, b in pairwise(colours))


def test_dark_hours_and_frames_stand_out_from_every_shade_three_to_one():
    for stands in ({}, shades.ON_DARK, shades.IN_SUN):
        dots, ground, frame, halo = (
            stands.get(c, c) for c in (shades.HATCH, shades.DARK_HOUR, shades.BLACK, shades.PAPER)
        )
        assert contrast(dots, ground) >= 3
        for shade in (*shades.SHADES, *shades.CHANCE_SHADES, shades.DARK_HOUR):
            shown = stands.get(shade, shade)
            assert max(contrast(frame, shown), contrast(halo, shown)) >= 3


def test_in_bright_sun_numbers_stand_out_seven_to_one():
    for of in (shades.SHADES, shades.CHANCE_SHADES):
        pairs = zip(shades.NUMBERS, of, strict=True)
        assert all(contrast(shades.IN_SUN.get(n, n), shades.IN_SUN.get(s, s)) >= 7 for n, s in pairs)


def test_two_heights_of_one_site_have_headings_of_their_own():
    names = [f"Old airfield by the northern meadow {height} m" for height in (40, 60, 80, 100, 110, 120)]
    for count in (2, 6):
        titles = overview._cut(names[:count])
        assert len(set(titles)) == len(set(overview._across(titles))) == count


def test_words_beside_the_panel_keep_their_distance():
    placed = _parted([5.0, 5.1, 5.2, 9.9], 1.0, 10.0)
    assert np.diff(placed).min() >= 1.0 - 1e-9
    assert max(placed) <= 10.0


def test_a_margin_and_a_chance_share_no_colour():
    assert not set(shades.SHADES) & set(shades.CHANCE_SHADES)
    assert len(set(shades.ON_DARK.values())) == len(shades.ON_DARK)


@pytest.mark.parametrize(
    ("margin", "shade"),
    [
        (-0.01, shades.OUTSIDE), (0.0, shades.NARROW), (0.19, shades.NARROW), (0.2, shades.INSIDE),
        (0.59, shades.INSIDE), (0.6, shades.AMPLE), (np.nan, None),
    ],
)  # fmt: skip
def test_shades_part_where_the_states_do(margin, shade):
    assert shades.shade_of(margin, 0.2) == shade


@pytest.mark.parametrize(
    ("margin", "text"), [(0.43, ".43"), (-0.05, "-.1"), (-0.31, "-.4"), (1.0, "1"), (-1.0, "-1"), (0.0, ".00")]
)
def test_short_numbers(margin, text):
    assert shades.cell(margin, short=True) == text


# --- overview --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "tall"), spread([(n, t) for n in ALL if n.startswith(("week", "compare")) for t in (False, True)], 6)
)
def test_every_overview_is_one_that_plotly_accepts(name, tall):
    briefing = ALL[name]
    readers = [reader_of(a) for a in briefing.answers]
    if briefing.question == "week":
        figure = overview.week_overview(facts_of(briefing).sites[0], readers[0], tall=tall)
    else:
        names = names_of(facts_of(briefing).sites, "metric")
        figure = overview.sites_overview(facts_of(briefing), readers, names, tall=tall)
    assert go.Figure(figure).data[0].type == "heatmap"


def test_days_stand_under_each_other_with_the_hours_chance():
    briefing = brief("week", [with_values(quiet_cube(84), "wind_speed_of_gust", 20.0, 22, 48)], days=3)
    answer = briefing.answers[0]
    reader = reader_of(answer)
    figure = overview.week_overview(facts_of(briefing).sites[0], reader, tall=False)
    grid = figure["data"][0]
    assert figure["layout"]["yaxis"]["ticktext"] == ["Wed 10 Jun", "Thu 11 Jun", "Fri 12 Jun"]
    assert ["outside" in row[10] for row in grid["customdata"]] == [False, True, False]
    assert grid["name"] == "chance"
    lit = [(r, k) for r, row in enumerate(grid["text"]) for k, text in enumerate(row) if text]
    assert lit
    for r, k in lit:
        told = in_ten(chance_at(answer, reader, r, k + first_hour(figure)))
        assert f"<b>{told}</b> that every limit holds" in grid["customdata"][r][k]
    frames = [s for s in figure["layout"]["shapes"] if s["line"]["color"] == shades.BLACK]
    assert len(frames) == len(answer.windows) == 2
    assert [s["line"]["width"] for s in frames] == [4, 2]


def first_hour(figure):
    """Return the first hour on the clock that an overview shows."""
    return int(figure["layout"]["xaxis"]["ticktext"][0][:2])


def chance_at(answer, reader, day, hour):
    """Return the chance of an hour of a day on the site's clock."""
    clocks = [reader.clock.local(t) for t in answer.assessment["time"].values]
    at = next(i for i, c in enumerate(clocks) if (c.date() - clocks[0].date()).days == day and c.hour == hour)
    return float(answer.site_chance.hours.values[at])


@pytest.mark.parametrize(
    ("chance", "text", "shade"),
    [
        (0.99, "&gt;.9", shades.AMPLE), (0.95, "&gt;.9", shades.AMPLE), (0.9, ".9", shades.AMPLE),
        (0.76, ".8", shades.AMPLE), (0.74, ".7", shades.INSIDE), (0.56, ".6", shades.INSIDE),
        (0.5, ".5", shades.NARROW), (0.36, ".4", shades.NARROW), (0.34, ".3", shades.OUTSIDE),
        (0.06, ".1", shades.OUTSIDE), (0.05, "&lt;.1", shades.OUTSIDE), (0.02, "&lt;.1", shades.OUTSIDE),
    ],
)  # fmt: skip
def test_a_chance_has_the_shade_of_what_is_told(chance, text, shade):
    assert shades.chance_cell(chance) == text
    assert shades.chance_shade_of(chance) == shade


def test_no_chance_is_told_as_never_or_always():
    for chance in np.linspace(0, 1, 101):
        assert shades.chance_cell(float(chance)) not in (".0", "0", "1", ".10", "1.0")
    assert shades.chance_shade_of(float("nan")) is None


def test_a_week_without_a_chance_shows_margins():
    made = brief("week", [quiet_cube(84)], days=3)
    briefing = replace(made, answers=(replace(made.answers[0], site_chance=None),))
    answer = briefing.answers[0]
    reader = reader_of(answer)
    figure = overview.week_overview(facts_of(briefing).sites[0], reader, tall=False)
    assert figure["data"][0]["name"] == "margin"
    assert margin(answer.best.margin) in "".join(t for row in figure["data"][0]["text"] for t in row)


@pytest.mark.parametrize("stamp", [5, 6])  # the first, the second of the two hours from 02:00
def test_an_hour_that_comes_twice_shows_the_worse(stamp):
    site = replace(MEADOW, latitude=-80.0)  # no night in late October, so that the hours of the clock change are lit
    cube = quiet_cube(60)
    cube = beginning(cube, "2026-10-24T20")
    cube = with_values(cube, "wind_speed_of_gust", 20.0, stamp, stamp)
    briefing = brief("week", [cube], [site], now=np.datetime64("2026-10-24T12:00", "s"))
    answer = briefing.answers[0]
    reader = reader_of(answer)
    assert [reader.clock.hour(t) for t in answer.assessment["time"].values[1:5]] == ["01:00", "02:00", "02:00", "03:00"]
    figure = overview.week_overview(facts_of(briefing).sites[0], reader, tall=False)
    (row,) = figure["data"][0]["customdata"]
    assert len(row) == 24
    assert ["outside" in text for text in row[1:4]] == [False, True, False]
    assert figure["layout"]["xaxis"]["title"]["text"] == "hour, CEST, then CET"


def test_sites_share_their_hours_and_show_every_clock():
    briefing = brief("compare", sites=[MEADOW, RANCH])
    readers = [reader_of(a) for a in briefing.answers]
    figure = overview.sites_overview(facts_of(briefing), readers, ["Meadow", "<b>Ranch</b>"], tall=False)
    assert figure["layout"]["yaxis"]["ticktext"] == ["Meadow", "&lt;b&gt;Ranch&lt;/b&gt;"]
    assert figure["layout"]["xaxis"]["title"]["text"] == "hour, CEST / MDT"
    first = figure["layout"]["xaxis"]["ticktext"][0].split("<br>")
    assert (int(first[0][:2]) - int(first[1][:2])) % 24 == 8


def test_a_storm_has_no_frame():
    figures, _, _ = drawn(brief(cubes=[stormy()]))
    assert not [s for s in figures["wide"]["layout"]["shapes"] if s["line"]["width"] == 3]


def test_sites_that_are_compared_share_their_scale_of_wind():
    facts, (calm, windy) = drawing(brief("compare", [quiet_cube(36), stormy()], [MEADOW, RANCH]))
    (reader, _) = readers_of(facts)
    tops = [
        timelines(one, reader, 4, 20, beside=(calm, windy))["wide"]["layout"]["yaxis"]["range"] for one in (calm, windy)
    ]
    assert tops[0] == tops[1]
    assert timelines(calm, reader, 4, 20)["wide"]["layout"]["yaxis"]["range"][1] < tops[0][1]


@pytest.mark.parametrize("shape", SHAPES)
def test_charts_name_their_axes_and_the_zone(shape):
    layout = drawn(brief())[0][shape]["layout"]
    assert layout["xaxis"]["title"]["text"] == "hour, CEST"
    assert layout["yaxis"]["title"]["text"] == "wind at 80 m [m/s]"
    (one,) = drawing(brief())[1]
    section = sections(one, readers_of(facts_of(brief()))[0], 4, 20)[shape]["layout"]
    assert section["xaxis"]["title"]["text"] == "hour, CEST"
    assert section["yaxis"]["title"]["text"] == "height above ground [m]"


@pytest.mark.parametrize("shape", SHAPES)
def test_the_height_picture_has_the_shades_of_the_margins(shape):
    briefing = brief(cubes=[stormy()])
    facts, (one,) = drawing(briefing)
    grid = sections(one, readers_of(facts)[0], 8, 12)[shape]["data"][0]
    for row, margins in zip(grid["z"], one.margin_by_height, strict=True):
        assert [int(z) for z in row] == [shades.shade_of(m, 0.2) for m in margins[8:13]]
    assert grid["zmax"] == 5


@pytest.mark.parametrize(
    ("name", "value", "element", "shade"),
    [
        ("visibility_in_air", 800.0, "visibility", shades.OUTSIDE),
        ("weather_code", 61.0, "precipitation", shades.OUTSIDE),
        ("precipitation_amount", np.nan, "precipitation", None),
    ],
)
def test_the_height_picture_shades_what_the_hour_says(name, value, element, shade):
    cube = with_values(quiet_cube(36), name, value, 11, 13)
    briefing = brief(cubes=[cube])
    facts, (one,) = drawing(briefing)
    (row,) = (e.margin for e in one.site.elements if e.name == element)
    at = next(i for i in range(4, 24) if row[i] is None or row[i] < 0)
    grid, *others = sections(one, readers_of(facts)[0], 2, at + 3)["wide"]["data"]
    assert {row[at] for row in one.decides_by_height} == {element}
    assert {None if row[at - 2] is None else int(row[at - 2]) for row in grid["z"]} == {shade}
    assert any(trace["name"] == "not known" for trace in others) == (shade is None)
    hover = grid["customdata"][0][at - 2]
    assert f"{element} not known" in hover if shade is None else f"{element} decides" in hover
    assert {int(row[0]) for row in grid["z"]} == {shades.DARK}


def test_at_no_height_is_more_left_than_the_elements_beside_wind_leave():
    of_height = ("wind", "gust", "wind_difference", "cloud_base")
    for briefing in (brief(), brief(cubes=[stormy()]), brief(cubes=[with_gaps()])):
        for one in drawing(briefing)[1]:
            rest = [np.array(e.margin, dtype=float) for e in one.site.elements if e.name not in of_height and e.judged]
            least = np.fmin.reduce(np.stack(rest))
            for row in one.margin_by_height:
                assert not (np.array(row, dtype=float) > least + 1e-9).any()


def test_cloud_counts_at_each_height_by_itself():
    cube = with_values(quiet_cube(36), "cloud_base_altitude", 30.0 + 200.0)
    _, (one,) = drawing(brief(cubes=[cube]))
    noon = [row[12] for row in one.margin_by_height]
    assert min(noon) < 0 <= noon[0]
    assert one.decides_by_height[-1][12] == "cloud_base"
