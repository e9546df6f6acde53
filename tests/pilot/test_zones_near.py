"""Zones round a site: distances against the geodesic of pyproj (Karney 2013), heights and times by hand."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wxfly.physics.sun import sun_events
from wxfly.pilot.zones import (
    FAR,
    NEAR,
    Applicability,
    Circle,
    DailyHours,
    HeightLimit,
    HeightReference,
    Polygon,
    SunEvent,
    Volume,
    Zone,
    ZoneFile,
    ZoneKind,
    ZoneSearch,
    is_any_within,
    local_plane,
    times_of,
    unwrapped,
    zones_near,
)

NAT = np.datetime64("NaT", "s")
GROUND = HeightLimit(0.0, HeightReference.GROUND)
TOP = HeightLimit(120.0, HeightReference.GROUND)
START, END = np.datetime64("2026-06-06T00:00:00"), np.datetime64("2026-06-08T00:00:00")  # Saturday and Sunday
ANY = frozenset(range(7))


def near(*areas, at=(52.0, 6.0), lower=GROUND, upper=TOP, altitude=100.0, height=60.0, radius=300.0, **says):
    """Return what is near a site, of one zone with these areas."""
    zone = Zone("Z", "Z", says.pop("kind", ZoneKind.CONDITIONAL), tuple(Volume(a, lower, upper) for a in areas), **says)
    search = ZoneSearch(ZoneFile(Path("z.json"), (zone,), (), NAT, START, NAT, NAT), radius)
    return zones_near(search, *at, altitude, height, START, END)


def square(west, south, east, north, *holes):
    """Return a polygon with four corners."""
    return Polygon((((west, south), (east, south), (east, north), (west, north), (west, south)), *holes))


def is_inside(area, latitude, longitude):
    return any(one.distance == 0 for one in near(area, at=(latitude, longitude)))


LATITUDES, LONGITUDES = st.floats(-89, 89), st.floats(-180, 180)


@given(LATITUDES, LONGITUDES, st.floats(0, 359), st.floats(1, 100_000))
def test_distance_and_direction_are_those_of_the_geodesic(latitude, longitude, bearing, distance):
    geod = pytest.importorskip("pyproj").Geod(ellps="WGS84")
    lon, lat, _ = geod.fwd(longitude, latitude, bearing, distance)
    (east,), (north,) = local_plane(np.array([lon]), np.array([lat]), latitude, longitude)
    assert np.hypot(east, north) == pytest.approx(distance, rel=2e-5, abs=0.01)
    assert np.hypot(east, north) * np.hypot(
        np.sin(np.arctan2(east, north)) - np.sin(np.radians(bearing)),
        np.cos(np.arctan2(east, north)) - np.cos(np.radians(bearing)),
    ) == pytest.approx(0, abs=0.01 + 1e-4 * distance)


@given(LATITUDES, LONGITUDES, st.floats(0, 359), st.floats(100, 4000), st.floats(0, 4000))
def test_distance_from_a_circle(latitude, longitude, bearing, radius, beyond):
    geod = pytest.importorskip("pyproj").Geod(ellps="WGS84")
    lon, lat, _ = geod.fwd(longitude, latitude, bearing, radius + beyond)
    (found,) = near(Circle(lon, lat, radius), at=(latitude, longitude))
    assert found.distance == pytest.approx(beyond, abs=0.2)


@given(st.floats(-80, 80), LONGITUDES, st.floats(0.005, 0.03))
def test_distance_from_an_edge_is_that_of_its_nearest_point(latitude, longitude, beyond):
    """A long edge along a parallel is no great circle: its nearest point may lie away from the meridian of the site."""
    geod = pytest.importorskip("pyproj").Geod(ellps="WGS84")
    (found,) = near(
        square(longitude - 2, latitude + beyond, longitude + 2, latitude + beyond + 0.5), at=(latitude, longitude)
    )
    along = longitude + np.linspace(-2, 2, 4001)
    edge = np.full_like(along, latitude + beyond)
    _, _, distances = geod.inv(np.full_like(along, longitude), np.full_like(along, latitude), along, edge)
    assert found.distance == pytest.approx(distances.min(), abs=2)


@given(st.floats(-80, 80), LONGITUDES, st.floats(-180, 180))
def test_the_place_on_the_globe_makes_no_difference(latitude, longitude, turn):
    """A square that is turned round the Earth has the site inside or at the same distance, over the date line too."""
    for west, east in ((-0.01, 0.01), (0.01, 0.02)):
        here, there = (
            near(square(at + west, latitude - 0.01, at + east, latitude + 0.01), at=(latitude, (at + 180) % 360 - 180))
            for at in (longitude, longitude + turn)
        )
        assert here[0].distance == pytest.approx(there[0].distance, abs=0.01)
        assert (here[0].distance == 0) == (west < 0)


def test_a_square_over_the_date_line():
    for area in (square(179.9, 10, -179.9, 11), square(179.9, 10, 180.1, 11), square(-180.1, 10, -179.9, 11)):
        assert is_inside(area, 10.5, 179.95) and is_inside(area, 10.5, -179.95)
        assert is_inside(area, 10.5, 180.0) and is_inside(area, 10.5, -180.0)
        assert not is_inside(area, 10.5, 0.0) and not is_inside(area, 10.5, 179.8)
    (found,) = near(square(179.99, 0, -179.99, 1), at=(0.5, -179.98))
    assert found.bearing == pytest.approx(270, abs=0.1)
    assert found.distance == pytest.approx(0.01 * 111_319.5, rel=1e-3)  # one degree of the equator


@pytest.mark.parametrize("pole", [1, -1])
def test_rings_round_a_pole(pole):
    """With corners all round it, and as a rectangle that is drawn up to the pole."""
    rounds = Polygon((tuple((lon, pole * 80.0) for lon in (0.0, 90.0, 180.0, -90.0, 0.0)),))
    for area in (rounds, square(-180.0, pole * 80.0, 180.0, pole * 90.0)):
        for longitude in (-180, -91, 0, 45, 179.9):
            assert is_inside(area, pole * 85, longitude)
            assert is_inside(area, pole * 90, longitude)
            assert not is_inside(area, pole * 79, longitude)
            assert not is_inside(area, -pole * 85, longitude)
            (found,) = near(area, at=(pole * 79.99, longitude))
            assert found.distance == pytest.approx(0.01 * 111_660, rel=2e-3)  # a degree of latitude there


@given(st.lists(st.tuples(st.floats(-179, 179), st.floats(-89, 89)), min_size=3, max_size=8))
def test_a_continuous_ring_names_the_same_places(corners):
    ring = (*corners, corners[0])
    assume(all(abs(a[0] - b[0]) < 179 for a, b in itertools.pairwise(ring)))
    continuous = unwrapped(ring)[: len(ring)]
    assert np.abs((continuous[:, 0] - np.array(ring)[:, 0] + 180) % 360 - 180).max() < 1e-9
    assert np.abs(np.diff(continuous[:, 0])).max() <= 180


def test_a_hole_is_outside_and_as_far_as_its_edge():
    hole = ((5.95, 51.95), (6.05, 51.95), (6.05, 52.05), (5.95, 52.05), (5.95, 51.95))
    area = square(5, 51, 7, 53, hole)
    assert is_inside(area, 51.5, 6.0)
    (found,) = near(area, at=(52.0, 5.96))
    assert found.distance == pytest.approx(0.01 * 68_677, rel=5e-3)  # a degree of the parallel of 52 degrees


def test_an_outline_that_crosses_itself_counts_with_all_that_it_may_enclose():
    bow = Polygon((((6.0, 52.0), (6.1, 52.1), (6.1, 52.0), (6.0, 52.1), (6.0, 52.0)),))
    assert is_inside(bow, 52.05, 6.01) and is_inside(bow, 52.09, 6.05)
    line = Polygon((((6.0, 52.0), (6.1, 52.0), (6.05, 52.0), (6.0, 52.0)),))
    assert near(line, at=(52.001, 6.05))[0].distance == pytest.approx(111.3, rel=0.01)


def test_only_what_is_near_is_told_and_a_longer_flight_looks_farther():
    far = Circle(6.0, 52.1, 100.0)
    assert near(far) == []
    assert near(far, radius=12_000.0)[0].distance > NEAR


@pytest.mark.parametrize(
    ("reference", "value", "altitude", "at_height", "known"),
    [
        ("AGL", 60.0, 100.0, True, True), ("AGL", 61.0, 100.0, False, True), ("AGL", np.nan, 100.0, True, False),
        ("AMSL", 160.0, 100.0, True, True), ("AMSL", 161.0, 100.0, False, True), ("AMSL", 900.0, np.nan, True, False),
        ("WGS84", 246.0, 100.0, True, False), ("WGS84", 250.0, 100.0, False, True), ("WGS84", 50.0, 100.0, True, True),
        ("reference not known", 900.0, 100.0, True, False), ("reference not known", 0.0, 100.0, True, True),
    ],
)  # fmt: skip
def test_heights(reference, value, altitude, at_height, known):
    lower = HeightLimit(value, HeightReference(reference))
    (found,) = near(Circle(6, 52, 100), lower=lower, altitude=altitude)
    assert (found.is_at_height, found.height_known) == (at_height, known)


def test_a_zone_that_ends_below_the_ground_is_not_met():
    upper = HeightLimit(50.0, HeightReference.SEA_LEVEL)
    (found,) = near(Circle(6, 52, 100), lower=HeightLimit(0.0, HeightReference.SEA_LEVEL), upper=upper)
    assert not found.is_at_height


@pytest.mark.parametrize(
    ("lower", "upper"),
    [
        (("AGL", 400.0), ("AGL", 120.0)), (("AGL", 120.0), ("AGL", 120.0)), (("AMSL", 600.0), ("AMSL", 200.0)),
        (("AMSL", 0.0), ("AMSL", 0.0)), (("WGS84", 500.0), ("WGS84", 450.0)), (("AGL", 400.0), ("AMSL", 200.0)),
        (("AMSL", 900.0), ("AGL", 120.0)),
    ],
)  # fmt: skip
@given(height=st.floats(1, 500))
def test_limits_with_nothing_between_them_are_unknown_and_count(lower, upper, height):
    low, high = (HeightLimit(value, HeightReference(reference)) for reference, value in (lower, upper))
    (found,) = near(Circle(6, 52, 100), lower=low, upper=high, height=height)
    assert (found.is_at_height, found.height_known) == (True, False)


@given(LATITUDES, LONGITUDES, st.floats(0, 359), st.floats(10_000, 1_500_000))
def test_whether_a_file_is_for_the_region(latitude, longitude, bearing, distance):
    assume(abs(distance - FAR) > 5000)
    geod = pytest.importorskip("pyproj").Geod(ellps="WGS84")
    lon, lat, _ = geod.fwd(longitude, latitude, bearing, distance)
    assume(abs(lat) < 89.8)
    for area in (Circle(lon, lat, 100), square(lon - 0.001, lat - 0.001, lon + 0.001, lat + 0.001)):
        zone = Zone("Z", "Z", ZoneKind.CONDITIONAL, (Volume(area, GROUND, TOP),))
        search = ZoneSearch(ZoneFile(Path("z.json"), (zone,), (), NAT, START, NAT, NAT), 300.0)
        assert is_any_within(search, latitude, longitude, FAR) is (distance < FAR)


def test_the_gravest_comes_first():
    areas = (Circle(6.02, 52, 100), Circle(6, 52, 100))
    assert [one.distance == 0 for one in near(*areas)] == [True, False]


# --- times -----------------------------------------------------------------------------------------------------


def spans(*times, at=(52.0, 6.0), start=START, end=END, known=True):
    zone = Zone("Z", "Z", ZoneKind.PROHIBITED, (), times, known)
    found, certain = times_of(zone, *at, start, end)
    return [(str(a)[8:16], str(b)[8:16]) for a, b in found], certain


ALL = [("06T00:00", "08T00:00")]


def test_without_times_it_always_applies():
    assert spans() == (ALL, True)
    assert spans(known=False) == (ALL, False)


def test_dates_bound_it():
    assert spans(Applicability(np.datetime64("2026-06-06T05:00:00"), NAT)) == ([("06T05:00", "08T00:00")], True)
    assert spans(Applicability(NAT, np.datetime64("2026-06-05T05:00:00"))) == ([], True)


def test_weekdays_and_hours():
    sunday = Applicability(NAT, NAT, (DailyHours(frozenset([6]), 6 * 3600, 18 * 3600),))
    assert spans(sunday) == ([("07T06:00", "07T18:00")], True)
    night = Applicability(NAT, NAT, (DailyHours(frozenset([4, 5]), 22 * 3600, 6 * 3600),))
    assert spans(night) == ([("06T00:00", "06T06:00"), ("06T22:00", "07T06:00")], True)
    always = Applicability(NAT, NAT, (DailyHours(ANY, 0, 86400),))
    assert spans(always) == (ALL, True)
    assert spans(Applicability(NAT, NAT, (DailyHours(ANY, 0, 0),))) == (ALL, True)
    offset = Applicability(NAT, NAT, (DailyHours(frozenset([6]), -2 * 3600, 3600),))  # 00:00 to 03:00 at +02:00
    assert spans(offset) == ([("06T22:00", "07T01:00")], True)


def test_events_of_the_sun():
    follow_one_another(-38.0, 176.0)


@pytest.mark.thorough
@given(st.floats(-60, 60), LONGITUDES)
def test_events_of_the_sun_everywhere(latitude, longitude):
    follow_one_another(latitude, longitude)


def follow_one_another(latitude, longitude):
    """Dawn to sunrise, day, sunset to dusk and the night make up the whole time."""
    ends = [SunEvent.CIVIL_DAWN, SunEvent.SUNRISE, SunEvent.SUNSET, SunEvent.CIVIL_DUSK, SunEvent.CIVIL_DAWN]
    parts = [
        Applicability(NAT, NAT, (DailyHours(ANY, first, last),)) for first, last in itertools.pairwise(ends)
    ]  # fmt: skip
    found, certain = spans(*parts, at=(latitude, longitude))
    assert (found, certain) == (ALL, True)
    day, _ = spans(parts[1], at=(latitude, longitude))
    sun = sun_events(latitude, longitude, np.datetime64("2026-06-05"), 4)
    expected = [
        (str(max(a, START))[8:16], str(min(b, END))[8:16])
        for a, b in zip(sun.sunrise.astype("datetime64[s]"), sun.sunset.astype("datetime64[s]"), strict=True)
        if max(a, START) < min(b, END)
    ]
    assert day == expected


def test_where_the_sun_does_not_set_the_times_are_unknown():
    daytime = Applicability(NAT, NAT, (DailyHours(ANY, SunEvent.SUNRISE, SunEvent.SUNSET),))
    assert spans(daytime, at=(75.0, 20.0)) == (ALL, False)
    mixed = Applicability(NAT, NAT, (DailyHours(ANY, SunEvent.SUNRISE, 18 * 3600),))
    assert spans(mixed, at=(75.0, 20.0)) == (ALL, False)
    found, certain = spans(mixed)
    assert certain and [last for _, last in found] == ["06T18:00", "07T18:00"]
