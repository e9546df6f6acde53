"""The map of places: labels that cover nothing, and zones by what they demand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.report.charts.outlines import ZoneSpot, zone_traces
from wxfly.report.charts.sites import _BOLD, _GAP_WIDTH, _LETTER, _LINE, Spot, _sides, frame_of, sites_map
from wxfly.report.facts.zones import ZoneCircle, ZoneFacts, ZoneHeight

ROOM, SIZE = (700.0, 500.0), 24.0
POINT = st.tuples(st.floats(5.0, 7.0), st.floats(51.5, 52.5))


def boxes(places, lines, sides, frame):
    """Return the circle of each place and its label, as boxes [px]."""
    scale = min(ROOM[0] / (2 * frame.half_width), ROOM[1] / (2 * frame.half_height))
    for (x, y), words, side in zip(places, lines, sides, strict=True):
        a, b = (x - frame.longitude) * frame.squeeze * scale, (y - frame.latitude) * scale
        long = max(_BOLD * len(words[0]), _LETTER * len(words[1])) + _GAP_WIDTH
        label = sorted((a + side * SIZE / 2, a + side * long))
        yield (a - SIZE / 2, b - SIZE / 2, a + SIZE / 2, b + SIZE / 2), (label[0], b - _LINE, label[1], b + _LINE)


@given(st.lists(POINT, min_size=1, max_size=20, unique=True))
def test_no_label_covers_another_or_the_circle_of_another_place_and_none_is_cut(places):
    frame = frame_of([(y, x) for x, y in places])
    lines = [(f"meadow-{k}", "room 08:00-09:00") for k in range(len(places))]
    sides = _sides(places, (), lines, frame, ROOM, SIZE)
    every = list(boxes(places, lines, sides, frame))
    labels = [(k, label) for k, (_, label) in enumerate(every) if sides[k]]
    for k, one in labels:
        assert -ROOM[0] / 2 <= one[0] and one[2] <= ROOM[0] / 2
        for i, other in [(i, box) for i, box in labels if i != k] + [(i, box[0]) for i, box in enumerate(every)]:
            assert max(one[0] - other[2], other[0] - one[2], one[1] - other[3], other[1] - one[3]) >= -1, (k, i)


def test_a_place_alone_has_its_label_and_turns_it_away_from_the_mark_of_a_zone():
    place, lines = (6.0, 52.0), [("meadow", "room")]
    frame = frame_of([place[::-1]])
    assert _sides([place], [], lines, frame, ROOM, SIZE) == [1]
    assert _sides([place], [(6.02, 52.0)], lines, frame, ROOM, SIZE) == [-1]


def zone(kind, circle=None, rings=()):
    nothing = dict.fromkeys(("conditions", "message", "reasons", "authority"), "")
    ground = ZoneHeight(0.0, "above ground")
    return ZoneFacts(
        1, "Z", "Z", kind, 0.0, None, ground, ground, True, True, True, [], True, **nothing, circle=circle,
        rings=[list(ring) for ring in rings],
    )  # fmt: skip


SQUARE = [(6.0, 52.0), (6.1, 52.0), (6.1, 52.1), (6.0, 52.1), (6.0, 52.0)]
HOLE = [(6.04, 52.04), (6.06, 52.04), (6.06, 52.06), (6.04, 52.06), (6.04, 52.04)]


@pytest.mark.parametrize("over_shades", [False, True])
@pytest.mark.parametrize(
    ("kind", "dash"),
    [("prohibited", "solid"), ("needs authorisation", "dash"), ("has conditions", "dot"), ("U-space", "dashdot")],
)
def test_an_outline_tells_what_a_zone_demands_and_is_hatched_where_no_shade_is_below(kind, dash, over_shades):
    traces = zone_traces(
        ZoneSpot("Z1", zone(kind, rings=[SQUARE, HOLE]), "said"), lambda x, y: (x, y), 1e-6, over_shades=over_shades
    )  # fmt: skip
    (outline,) = [one for one in traces if one.get("name") == "zone"]
    assert outline["line"]["dash"] == dash
    assert ("fillpattern" in outline) != over_shades
    assert outline["x"].count(None) == 1  # between the outline and its hole
    assert (traces[-1]["x"], traces[-1]["y"]) == ([6.05], [52.05])


def test_a_circle_is_as_wide_as_high_on_the_ground():
    traces = zone_traces(
        ZoneSpot("Z1", zone("prohibited", ZoneCircle(60.0, 10.0, 5000.0)), ""), lambda x, y: (x, y), 1e-9
    )
    x, y = (np.ptp(np.array(traces[0][axis])) for axis in "xy")
    assert x * np.cos(np.radians(60.0)) == pytest.approx(y, rel=1e-3)
    assert y == pytest.approx(10_000 / 111_195, rel=1e-3)


def test_of_many_places_the_picture_is_larger():
    def heights(count):
        spots = [Spot(k, str(k), 52 + k / 100, 6.0, "room", 0, "", (), "/") for k in range(count)]
        figures = sites_map(spots, [], frame_of([(spot.latitude, spot.longitude) for spot in spots]), "km")
        return [figure["layout"]["height"] for figure in figures.values()]

    assert all(many > few for many, few in zip(heights(20), heights(3), strict=True))
