"""The sun: against fixed values of other libraries in test_reference_values, and here by its own laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import sun as handbook_sun
from wxfly.physics import sun

HOUR = np.timedelta64(1, "h")
TROMSO = (69.6492, 18.9553)
REYKJAVIK = (64.1466, -21.9426)
LONDON = (51.5, -0.1275)

latitudes = st.floats(-89, 89)
longitudes = st.floats(-180, 180)
days = st.integers(0, 4000).map(lambda n: np.datetime64("2020-01-01") + np.timedelta64(n, "D"))


def hours(first: str, count: int) -> np.ndarray:
    return np.datetime64(first, "s") + np.arange(count) * HOUR.astype("timedelta64[s]")


@given(latitudes, longitudes, days)
def test_events_are_where_the_sun_is(latitude: float, longitude: float, day: np.datetime64) -> None:
    events = sun.sun_events(latitude, longitude, day, 3)
    for name, elevation in (("civil_dawn", -6), ("sunrise", -0.8333), ("sunset", -0.8333), ("civil_dusk", -6)):
        times = getattr(events, name)
        there = times[~np.isnat(times)]
        found, _ = sun.sun_position(latitude, longitude, there)
        assert np.all(np.abs(found - elevation) < 1e-3)
    order = [times[1] for times in events if not np.isnat(times[1])]
    assert order == sorted(order)


@given(latitudes, longitudes, days, st.sampled_from(["civil_twilight", "sun_up"]))
def test_lit_part_is_what_the_elevation_says(latitude: float, longitude: float, day: np.datetime64, rule: str) -> None:
    start = day.astype("datetime64[s]") + np.arange(48) * HOUR.astype("timedelta64[s]")
    begin, end = sun.lit_part(latitude, longitude, start, HOUR, rule=rule)
    bound = -6.0 if rule == "civil_twilight" else sun.HORIZON
    assert np.array_equal(np.isnat(begin), np.isnat(end))
    lit = ~np.isnat(begin)
    assert np.all((begin[lit] >= start[lit]) & (end[lit] <= start[lit] + HOUR) & (begin[lit] < end[lit]))
    for moment in (begin[lit], end[lit], begin[lit] + (end[lit] - begin[lit]) // 2):
        assert np.all(sun.sun_position(latitude, longitude, moment)[0] >= bound - 1e-3)
    # A hour said to be dark has no light at its edges and in its middle.
    for shift in (0, 1800, 3600):
        elevation = sun.sun_position(latitude, longitude, start[~lit] + np.timedelta64(shift, "s"))[0]
        assert np.all(elevation < bound + 1e-3)


@given(latitudes, longitudes, days)
def test_a_later_rule_never_gives_more_light(latitude: float, longitude: float, day: np.datetime64) -> None:
    start = day.astype("datetime64[s]") + np.arange(30) * HOUR.astype("timedelta64[s]")
    spans = {}
    for rule in sun.DAYLIGHT_RULES:
        begin, end = sun.lit_part(latitude, longitude, start, HOUR, rule=rule)
        spans[rule] = np.where(np.isnat(begin), 0, (end - begin).astype(int))
    assert np.all(spans["sun_up"] <= spans["half_hour"] + 2)
    assert np.all(spans["sun_up"] <= spans["civil_twilight"] + 2)


def test_midnight_sun_and_polar_night() -> None:
    events = sun.sun_events(*TROMSO, "2025-06-21", 1)
    assert all(np.isnat(t[0]) for t in events)
    begin, end = sun.lit_part(*TROMSO, hours("2025-06-20T12", 48), HOUR, rule="sun_up")
    assert np.all(end - begin == HOUR)
    events = sun.sun_events(*TROMSO, "2025-12-21", 1)
    assert np.isnat(events.sunrise[0]) and not np.isnat(events.civil_dawn[0])
    for rule in ("sun_up", "half_hour"):  # without a sunrise there is no half hour before it
        begin, _ = sun.lit_part(*TROMSO, hours("2025-12-21", 24), HOUR, rule=rule)
        assert np.isnat(begin).all()
    begin, end = sun.lit_part(*TROMSO, hours("2025-12-21", 24), HOUR)
    assert 3 <= (~np.isnat(begin)).sum() <= 7


def test_reykjavik_has_no_civil_dusk_in_june() -> None:
    events = sun.sun_events(*REYKJAVIK, "2025-06-21", 1)
    assert np.isnat(events.civil_dusk[0]) and not np.isnat(events.sunset[0])
    assert events.sunset[0] > np.datetime64("2025-06-22T00:00")  # after midnight UTC, of the same local day
    begin, end = sun.lit_part(*REYKJAVIK, hours("2025-06-21", 24), HOUR)
    assert np.all(end - begin == HOUR)


def test_a_slot_with_dark_in_its_middle_gives_the_longer_piece() -> None:
    """Near the last night of spring the dark lasts some minutes around local midnight."""
    latitude, longitude = 60.7, 0.0
    events = sun.sun_events(latitude, longitude, "2025-05-20", 60)
    dark = events.civil_dawn[1:] - events.civil_dusk[:-1]
    short = np.flatnonzero(~np.isnat(dark) & (dark < np.timedelta64(40, "m")))
    assert short.size
    dusk, dawn = events.civil_dusk[short[0]], events.civil_dawn[short[0] + 1]
    start = (dusk - np.timedelta64(12, "m")).astype("datetime64[s]")
    length = (dawn - start.astype("datetime64[ms]")) + np.timedelta64(25, "m")
    begin, end = sun.lit_part(latitude, longitude, np.array([start]), length)
    assert abs((begin[0] - dawn) / np.timedelta64(1, "s")) <= 1  # 25 minutes after, 12 before
    assert end[0] - begin[0] >= np.timedelta64(24, "m")


def test_edges_are_whole_seconds_inside() -> None:
    rise = sun.sun_events(*LONDON, "2025-06-21", 1).sunrise[0]
    begin, end = sun.lit_part(*LONDON, hours("2025-06-21T03", 1), HOUR, rule="sun_up")
    assert begin[0] >= rise and begin[0] - rise < np.timedelta64(1, "s")
    assert end[0] == np.datetime64("2025-06-21T04:00:00")
    half, _ = sun.lit_part(*LONDON, hours("2025-06-21T03", 1), HOUR, rule="half_hour")
    assert abs((half[0] - (rise - np.timedelta64(30, "m"))) / np.timedelta64(1, "s")) <= 1


def test_half_hour_rule_is_not_civil_twilight() -> None:
    """Civil twilight lasts 21 to 23 minutes at Quito and 48 in London in June, by ephem."""
    quito = sun.sun_events(-0.18, -78.47, "2025-06-21", 1)
    london = sun.sun_events(*LONDON, "2025-06-21", 1)
    minute = np.timedelta64(1, "m")
    assert 21 <= (quito.sunrise - quito.civil_dawn)[0] / minute <= 23
    assert 47 <= (london.sunrise - london.civil_dawn)[0] / minute <= 49


def test_unknown_in_unknown_out_and_shapes() -> None:
    elevation, azimuth = sun.sun_position(
        np.array([[51.5], [np.nan]]), -0.1, np.array(["2025-06-21T12", "NaT"], dtype="datetime64[h]")
    )
    assert elevation.shape == azimuth.shape == (2, 2)
    assert np.isnan(elevation).tolist() == [[False, True], [True, True]]
    begin, end = sun.lit_part(*LONDON, np.array(["2025-06-21T12", "NaT"], dtype="datetime64[h]"), HOUR)
    assert np.isnat(begin).tolist() == [False, True]
    begin, _ = sun.lit_part(np.nan, 0.0, hours("2025-06-21", 3), HOUR)
    assert np.isnat(begin).all()
    begin, end = sun.lit_part(*LONDON, np.empty(0, dtype="datetime64[s]"), HOUR)
    assert begin.shape == end.shape == (0,)


def test_the_rules_are_named_when_one_is_wrong() -> None:
    with pytest.raises(ValueError, match="half_hour"):
        sun.lit_part(0.0, 0.0, hours("2025-06-21", 1), HOUR, rule="night")


def test_agrees_with_ephem_over_a_year() -> None:
    """Brandon Rhodes' PyEphem asked for each event; ours comes from samples of it every six hours."""
    ephem = pytest.importorskip("ephem")
    for latitude, longitude in (LONDON, (-33.8688, 151.2093), (39.7392, -104.9903), (62.0, 25.0)):
        observer = ephem.Observer()
        observer.lat, observer.lon, observer.pressure = str(latitude), str(longitude), 0
        ours = sun.sun_events(latitude, longitude, "2026-01-01", 365)
        for k in range(0, 365, 29):
            noon = handbook_sun.solar_noon(longitude, "2026-01-01", 365)[k]
            observer.date = str(noon.astype("datetime64[s]")).replace("T", " ")
            for name, horizon, find in (
                ("sunrise", "-0:50", observer.previous_rising),
                ("civil_dusk", "-6", observer.next_setting),
            ):
                observer.horizon = horizon
                try:
                    theirs = np.datetime64(find(ephem.Sun(), use_center=True).datetime(), "ms")
                except ephem.CircumpolarError:
                    assert np.isnat(getattr(ours, name)[k])
                    continue
                assert abs((getattr(ours, name)[k] - theirs) / np.timedelta64(1, "s")) < 2.0


def _by_ephem(latitude: float, longitude: float, time: np.datetime64) -> float:
    """Return the elevation of the sun's centre by PyEphem [degree]."""
    ephem = pytest.importorskip("ephem")
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = str(latitude), str(longitude), 0
    observer.date = str(time.astype("datetime64[ms]")).replace("T", " ")
    return float(np.degrees(ephem.Sun(observer).alt))


PLACES = 9
SECOND = np.timedelta64(1, "s")


def _agree_with_ephem(seed: int, dates: int) -> int:
    """Compare dates of 2000 to 2040, each at places over the globe; return how many changes of light were compared."""
    random = np.random.default_rng(seed)
    changes = 0
    for day in np.datetime64("2000-01-01", "s") + random.integers(0, 40 * 365, dates) * 86400:
        latitude = np.degrees(np.arcsin(random.uniform(-1, 1, PLACES)))
        latitude[::4] = np.sign(latitude[::4]) * random.uniform(58.0, 89.5, latitude[::4].size)
        longitude = random.uniform(-180, 180, PLACES)
        time = day + random.integers(0, 86400, PLACES)
        elevation, _ = sun.sun_position(latitude, longitude, time)
        theirs = [_by_ephem(*row) for row in zip(latitude, longitude, time, strict=True)]
        assert np.abs(elevation - theirs).max() < 0.01
        starts = day + np.arange(24)[:, None] * 3600
        rule, bound = (("civil_twilight", -6.0), ("sun_up", sun.HORIZON))[int(random.integers(2))]
        begin, end = sun.lit_part(latitude, longitude, starts, HOUR, rule=rule)
        k = int(random.integers(PLACES))
        for edges, inward, whole in ((begin[:, k], SECOND, starts[:, 0]), (end[:, k], -SECOND, starts[:, 0] + HOUR)):
            # An edge is rounded to the whole second inside.
            for edge in edges[~np.isnat(edges) & (edges != whole)]:
                assert _by_ephem(latitude[k], longitude[k], edge + inward) >= bound
                assert _by_ephem(latitude[k], longitude[k], edge - 2 * inward) <= bound
                changes += 1
    return changes


def test_agrees_with_ephem_over_the_globe() -> None:
    """To 0.01 degree and 1 s; many places at once."""
    assert _agree_with_ephem(7, 60) > 60


@pytest.mark.thorough
def test_agrees_with_ephem_over_the_globe_on_a_thousand_dates() -> None:
    assert _agree_with_ephem(8, 1000) > 1000


@pytest.mark.parametrize("rule", sun.DAYLIGHT_RULES)
def test_places_together_are_the_places_alone(rule: str) -> None:
    latitude = np.array([[-89.9, -66.6, -33.9], [0.0, 60.7, 66.5], [69.6, 78.2, np.nan]])
    longitude = np.array([[0.0, 179.99, 151.2], [-180.0, 0.0, 25.7], [18.9, 15.6, 4.0]])
    for first in ("2026-06-20T05", "2026-12-20T22", "2026-03-20T00"):
        start = hours(first, 49)
        together = sun.lit_part(latitude, longitude, start[:, None, None], HOUR, rule=rule)
        for index in np.ndindex(latitude.shape):
            alone = sun.lit_part(latitude[index], longitude[index], start, HOUR, rule=rule)
            for one, other in zip(together, alone, strict=True):
                assert np.array_equal(one[:, *index], other, equal_nan=True)


class TestLight:
    def test_low_light_in_order(self) -> None:
        low = sun.low_light(*LONDON, "2026-06-01", 5)
        stacked = np.stack(low)
        assert not np.isnat(stacked).any()
        assert np.all(np.diff(stacked, axis=0) > np.timedelta64(0, "s"))
        assert np.all(sun.sun_position(*LONDON, low.morning_golden_end)[0] == pytest.approx(6.0, abs=1e-3))

    def test_kinds(self) -> None:
        kinds = sun.kind_of_light([-6.1, -5.9, -3.9, 6, 6.1, np.nan])
        assert [sun.Light(k).name for k in kinds] == [
            "DARK", "BLUE_HOUR", "GOLDEN_HOUR", "GOLDEN_HOUR", "HIGH_SUN", "NOT_KNOWN",
        ]  # fmt: skip

    def test_glare(self) -> None:
        assert sun.glare(10.0, 90.0, 90.0) == 1
        assert sun.glare(10.0, 90.0, 270.0) == 0
        assert sun.glare(30.0, 90.0, 90.0, 30.0) == 0  # a high sun is looked away from
        assert sun.glare(-5.0, 90.0, 90.0) == 0
        assert np.isnan(sun.glare(np.nan, 90.0, 90.0))

    @given(st.floats(-90, 90), st.floats(0, 360), st.floats(0, 360), st.floats(-90, 90))
    def test_angle_to_sun(self, h: float, azimuth: float, direction: float, elevation: float) -> None:
        angle = float(sun.angle_to_sun(h, azimuth, direction, elevation))
        assert 0 <= angle <= 180
        assert angle >= abs(h - elevation) - 1e-4  # no turn brings the two nearer
        assert float(sun.angle_to_sun(h, azimuth, azimuth, h)) == pytest.approx(0, abs=1e-4)

    @given(st.floats(0.1, 89.9), st.floats(0.1, 500))
    def test_shadow(self, h: float, height: float) -> None:
        assert float(sun.shadow_length(height, h)) * np.tan(np.radians(h)) == pytest.approx(height)
        assert np.isnan(sun.shadow_length(height, -h))


def test_where_any_light_will_do_every_hour_is_whole():
    given = hours("2025-12-21", 24)
    begin, end = sun.lit_part(*TROMSO, given, HOUR, rule="any")
    assert (begin == given).all()
    assert (end == given + HOUR).all()
    begin, end = sun.lit_part(*TROMSO, np.array(["NaT"], dtype="datetime64[s]"), HOUR, rule="any")
    assert np.isnat(begin).all()
    assert np.isnat(end).all()
