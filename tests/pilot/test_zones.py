"""Files of zones: every format says the same of one place, and nothing that cannot be read is lost or made smaller."""

import json
from pathlib import Path

import numpy as np
import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.zones import Circle, HeightReference, Polygon, SunEvent, ZoneKind, read_zones

SAMPLES = Path(__file__).parents[3] / "shared" / "samples" / "uas_zones"
SQUARE = [[6.8, 52.2], [6.9, 52.2], [6.9, 52.25], [6.8, 52.25], [6.8, 52.2]]
LAYER = {"upper": 120, "upperReference": "AGL", "lower": 0, "lowerReference": "AGL", "uom": "m"}


def feature(geometry=None, **says):
    """Return a zone of ED-318."""
    square = {"type": "Polygon", "coordinates": [SQUARE], "layer": LAYER}
    return {"type": "Feature", "id": "X1", "properties": says, "geometry": square if geometry is None else geometry}


def part(area, **says):
    """Return a volume of ED-269."""
    limits = {"uomDimensions": "FT", "lowerLimit": 100, "lowerVerticalReference": "AMSL"}
    return {**limits, "upperLimit": 400, "upperVerticalReference": "AGL", "horizontalProjection": area, **says}


@pytest.fixture
def read(tmp_path):
    """Return a function that reads a document from a file."""

    def read(document):
        path = tmp_path / "zones.json"
        path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
        return read_zones(path)

    return read


@pytest.fixture
def one(read):
    """Return a function that reads the only zone of a collection, without a fault."""

    def one(*features):
        file = read({"type": "FeatureCollection", "features": list(features)})
        assert file.faults == ()
        (zone,) = file.zones
        return zone

    return one


def test_ed269(read):
    circle = {"type": "Circle", "center": [6.95, 52.22], "radius": 500}
    zone = {
        "identifier": "TST1", "name": "Heath", "restriction": "REQ_AUTHORISATION", "reason": ["NATURE", "AIR_TRAFFIC"],
        "restrictionConditions": ["By day", "Below 60 m"], "message": "Ask first.",
        "applicability": [{"permanent": "NO", "startDateTime": "2026-03-15T00:00:00Z", "schedule": [
            {"day": ["SAT", "SUN"], "startTime": "06:00:00.00Z", "endTime": "18:00Z"}]}],
        "zoneAuthority": [{"name": "Ranger", "phone": "12", "email": "", "intervalBefore": "P1DT2H"}],
        "geometry": [part({"type": "Polygon", "coordinates": [SQUARE]}), part(circle)],
    }  # fmt: skip
    for key in ("features", "UASZoneList"):
        (found,) = read({key: [zone], "createdAt": "2026-11-01T00:00:00Z"}).zones
        assert (found.identifier, found.name, found.kind) == ("TST1", "Heath", ZoneKind.AUTHORISATION)
        assert (found.conditions, found.reasons) == ("By day, Below 60 m", "nature, air traffic")
        assert found.authority == "Ranger, 12, 1 d 2 h before"
        polygon, around = found.volumes
        assert around.area == Circle(6.95, 52.22, 500.0) and isinstance(polygon.area, Polygon)
        assert around.lower.value == pytest.approx(30.48) and around.lower.reference is HeightReference.SEA_LEVEL
        (times,) = found.times
        assert np.isnat(times.end) and times.hours[0].weekdays == {5, 6}
        assert (times.hours[0].start, times.hours[0].end) == (6 * 3600, 18 * 3600)


def test_ed318(one):
    schedule = [{"day": ["ANY"], "startEvent": "BMCT", "endTime": "23:59+01:00"}]
    zone = one(
        feature(
            {"type": "Point", "coordinates": [6.87, 52.27], "extent": {"subType": "Circle", "radius": 2500.0},
             "layer": {**LAYER, "lowerReference": "WGS84"}},
            name=[{"text": "Veld", "lang": "nl"}, {"text": "Field", "lang": "en-GB"}], type="REQ_AUTHORIZATION",
            limitedApplicability=[{"schedule": schedule}],
        )
    )  # fmt: skip
    assert (zone.name, zone.kind) == ("Field", ZoneKind.AUTHORISATION)
    assert zone.volumes[0].area == Circle(6.87, 52.27, 2500.0)
    assert zone.volumes[0].lower.reference is HeightReference.ELLIPSOID
    assert zone.times[0].hours[0].start is SunEvent.CIVIL_DAWN
    assert zone.times[0].hours[0].end == 23 * 3600  # the last minute of the day is its end, there as here


def test_parts_of_a_collection_keep_their_own_heights(one):
    area = {"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE]]}
    parts = [{**area, "layer": {**LAYER, "lower": 50}}, {"type": "Polygon", "coordinates": [SQUARE]}]
    zone = one(feature({"type": "GeometryCollection", "geometries": parts, "layer": LAYER}))
    assert [volume.lower.value for volume in zone.volumes] == [50.0, 50.0, 0.0]


def test_plain_geojson_has_neither_kind_nor_height_nor_times(one):
    zone = one(feature({"type": "Polygon", "coordinates": [SQUARE[:-1]]}))
    assert (zone.name, zone.kind, zone.times, zone.times_known) == ("X1", ZoneKind.UNKNOWN, (), True)
    assert np.isnan(zone.volumes[0].lower.value)
    assert zone.volumes[0].area.rings[0][0] == zone.volumes[0].area.rings[0][-1]


@pytest.mark.parametrize(
    "value",
    [
        "weekdays", ["x"], [{"startDateTime": "soon"}], [{"startDateTime": "2026-03-15T00:00:00"}],
        [{"startDateTime": "2026-03-15T00:00:00Z", "endDateTime": "2026-03-14T00:00:00Z"}],
        [{"startDateTime": "2026-03-15T00:00:00Z", "endDateTime": "2026-03-15T01:00:00+01:00"}],
        [{"schedule": [{"day": ["MON"], "startTime": "06:00Z", "startEvent": "SR", "endTime": "18:00Z"}]}],
        [{"schedule": [{"day": ["MON"], "startTime": "06:00Z", "endEvent": "SS", "endTime": "18:00Z"}]}],
        [{"schedule": "daily"}], [{"schedule": [{"day": ["XYZ"], "startTime": "06:00Z", "endTime": "07:00Z"}]}],
        [{"schedule": [{"day": ["MON"], "startTime": "06:00", "endTime": "07:00Z"}]}],
        [{"schedule": [{"day": ["MON"], "startEvent": "NOON", "endTime": "07:00Z"}]}],
        [{"schedule": [{"day": ["MON"], "startTime": "26:00Z", "endTime": "07:00Z"}]}],
    ],
)  # fmt: skip
def test_times_that_cannot_be_read_are_unknown(one, value):
    zone = one(feature(limitedApplicability=value))
    assert (zone.times, zone.times_known) == ((), False)


@pytest.mark.parametrize("offset", ["Z", "+02:00", "-09:30"])
@pytest.mark.parametrize("last", ["23:59", "23:59:59", "24:00"])
def test_the_last_minute_of_the_day_is_its_end_on_its_own_clock(one, offset, last):
    schedule = [{"day": ["ANY"], "startTime": f"00:00{offset}", "endTime": f"{last}{offset}"}]
    (hours,) = one(feature(limitedApplicability=[{"schedule": schedule}])).times[0].hours
    assert hours.end - hours.start == 86400


def test_heights_that_cannot_be_read_are_unknown(one):
    square = {"type": "Polygon", "coordinates": [SQUARE]}
    for layer in ({**LAYER, "lower": "low"}, {**LAYER, "lower": 50, "uom": "fl"}, {**LAYER, "lower": None}, None):
        assert np.isnan(one(feature({**square, "layer": layer})).volumes[0].lower.value)
    unknown = one(feature({**square, "layer": {**LAYER, "lowerReference": "QNE"}})).volumes[0].lower
    assert unknown.reference is HeightReference.UNKNOWN


@pytest.mark.parametrize(
    "geometry",
    [
        None, "here", [], {"type": "Point", "coordinates": [6, 52]}, {"type": "Polygon", "coordinates": [SQUARE[:2]]},
        {"type": "Polygon", "coordinates": [[[6, 52], [7, 95], [6, 53], [6, 52]]]}, {"type": "Polygon"},
        {"type": "Polygon", "coordinates": [[[6, 52], "x", [6, 53], [6, 52]]]},
        {"type": "Point", "coordinates": [6, 52], "extent": {"radius": -1}},
        {"type": "GeometryCollection", "geometries": None}, {"type": "GeometryCollection", "geometries": []},
        {"type": "Sphere"},
    ],
)  # fmt: skip
def test_a_zone_without_an_outline_is_a_fault_and_the_others_stay(read, geometry):
    damaged = {**feature(name="Odd"), "geometry": geometry}
    file = read({"type": "FeatureCollection", "features": [damaged, feature(name="Whole")]})
    assert [zone.name for zone in file.zones] == ["Whole"]
    assert [fault.name for fault in file.faults] == ["Odd"]


def test_what_is_no_zone_is_a_fault(read):
    file = read({"features": [None, 3, {}]})
    assert [fault.name for fault in file.faults] == ["number 1", "number 2", "number 3"]


@pytest.mark.parametrize("text", ["", "{", "[]", "7", '{"a": 1}', '{"features": 3}', "[" * 100_000, "\xff"])
def test_a_file_that_is_none_of_these_is_an_error_in_one_line(read, text):
    with pytest.raises(WxflyError, match=r"^zones .*zones\.json: ") as error:
        read(text)
    assert "\n" not in str(error.value)


def places_in(value, way=()):
    """Yield the way to everything in a document."""
    for key, inside in value.items() if isinstance(value, dict) else enumerate(value):
        yield (*way, key)
        if isinstance(inside, dict | list):
            yield from places_in(inside, (*way, key))


WHOLE = {
    "UASZoneList": [{
        "identifier": "A", "name": "N", "restriction": "PROHIBITED", "reason": ["NATURE"], "message": "M",
        "applicability": [{"permanent": "NO", "startDateTime": "2026-03-15T00:00:00Z",
                           "schedule": [{"day": ["SAT"], "startTime": "06:00Z", "endTime": "18:00Z"}]}],
        "zoneAuthority": [{"name": "R", "intervalBefore": "P1D"}],
        "geometry": [part({"type": "Polygon", "coordinates": [SQUARE]})],
    }],
    "features": [feature(name=[{"text": "N", "lang": "en"}], type="PROHIBITED", limitedApplicability=[
        {"startDateTime": "2026-03-15T00:00:00Z", "schedule": [{"day": ["SAT"], "startEvent": "SR", "endEvent": "SS"}]}
    ])],
    "metadata": {"issued": "2026-11-01T00:00:00Z"},
}  # fmt: skip


@pytest.mark.parametrize("name", ["UASZoneList", "features"])
@pytest.mark.parametrize("value", [None, "x", [], {}, -1, 10**400, [[["x"]]], True], ids=lambda v: str(v)[:9])
def test_whatever_is_damaged_the_zone_is_there_or_a_fault(read, name, value):
    """And where it is there, the damage has not narrowed its times."""
    whole = {name: WHOLE[name], "metadata": WHOLE["metadata"]}
    for way in places_in(whole):
        if len(way) == 1:
            continue
        damaged = json.loads(json.dumps(whole))
        inside = damaged
        for key in way[:-1]:
            inside = inside[key]
        inside[way[-1]] = value
        file = read(damaged)
        assert len(file.zones) + len(file.faults) == 1, way
        if file.zones and any("pplicability" in str(key) for key in way):
            (times,) = file.zones[0].times or (None,)
            assert times is None or len(times.hours) == 1 or times.hours == (), way


def test_a_missing_file_is_an_error(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(WxflyError, match="cannot be read"):
            read_zones(path)


def test_dates_of_the_file(read):
    about = {"issued": "2026-11-01T12:00:00+01:00", "validFrom": "soon", "validTo": "2027-11-01T00:00:00Z"}
    file = read({"features": [], "metadata": about})
    assert file.issued == np.datetime64("2026-11-01T11:00:00")
    assert np.isnat(file.valid_from) and file.valid_to == np.datetime64("2027-11-01")
    assert not np.isnat(file.saved)


@pytest.mark.skipif(not SAMPLES.exists(), reason="the shared samples are not on this machine")
def test_samples():
    for name, count in (("ed269_example.json", 1), ("ed318_example.json", 2)):
        file = read_zones(SAMPLES / name)
        assert (len(file.zones), file.faults) == (count, ())
