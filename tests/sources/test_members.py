"""Members folded into one array: exactly what the reply said, small and quick to read again."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from tests.sources.open_meteo.test_ensemble import make_reply
from wxfly.errors import WxflyError
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.ensemble import SERVICE, MembersAtPlace, fold_ensemble, parse_ensemble, parse_kept
from wxfly.sources.reply import PlaceReply, split_places

NOW = datetime(2026, 5, 28, 21, tzinfo=UTC)


def folded(document, model="icon_d2_eps"):
    ((_, (place,)),) = fold_ensemble(json.dumps(document).encode(), model=model, count=1, what="test")
    return place


def kept_cube(document):
    place = Site("here", 52.1, 6.9)
    body = folded(document).pack()
    return parse_kept(PlaceReply.at(place, body, service=SERVICE, model="icon_d2_eps", retrieved=NOW, run=NOW))


@pytest.mark.parametrize("amount", [3.27, 0.1, -0.0, 1 / 3, 123456.789, None])
def test_what_is_read_again_is_what_the_reply_says(amount):
    document = make_reply("icon_d2_eps", precipitation=lambda member, hour: amount if hour else 0.5 + member)
    came = parse_ensemble(json.dumps(document).encode(), retrieved=NOW, run=NOW, names=["here"])[0] if amount != (
        123456.789
    ) else None  # fmt: skip
    if came is None:
        with pytest.raises(WxflyError, match="outside"):
            kept_cube(document)
        return
    xr.testing.assert_identical(kept_cube(document), came)
    told = came["precipitation_amount"].isel(realization=slice(4)).values[1:]  # the others did not come
    assert np.array_equal(told, np.full(told.shape, np.nan if amount is None else amount), equal_nan=True)


@given(
    st.lists(
        st.one_of(st.none(), st.floats(-1e5, 1e5), st.decimals(-999, 999, places=2).map(float)), min_size=3, max_size=3
    )
)
def test_any_number_comes_back_to_the_last_digit(numbers):
    values = np.array([numbers, numbers[::-1]], dtype=float)[None]
    head = {"latitude": 1.0, "longitude": 2.0, "elevation": None, "utc_offset_seconds": 0, "time": [0, 3600, 7200]}
    place = MembersAtPlace(
        head | {"time_unit": "unixtime", "units": {"wind_gusts_10m": "m/s"}}, ("wind_gusts_10m",), (0, 1), values
    )
    back = MembersAtPlace.unpack(place.pack(), "test")
    assert np.array_equal(back.values, values, equal_nan=True)
    assert (back.names, back.members, back.head) == (place.names, place.members, place.head)


def test_decimals_are_kept_as_whole_numbers():
    assert len(folded(make_reply("icon_d2_eps", wind_speed_10m=lambda m, h: 1.25)).pack()) < len(
        folded(make_reply("icon_d2_eps", wind_speed_10m=lambda m, h: 1 / 3)).pack()
    )


@pytest.mark.parametrize("body", [b"", b"{}", b"PK", folded(make_reply("icon_d2_eps")).pack()[:-30]])
def test_another_form_is_one_line(body):
    with pytest.raises(WxflyError, match=r"^test: the members are not in a form that this wxfly reads"):
        MembersAtPlace.unpack(body, "test")


def test_members_of_one_name_in_several_units_are_refused():
    document = make_reply("icon_d2_eps")
    document["hourly_units"]["wind_gusts_10m_member01_icon_d2_eps"] = "km/h"
    with pytest.raises(WxflyError, match="the members of wind_gusts_10m came in several units"):
        folded(document)


def test_a_member_without_values_needs_no_unit():
    document = make_reply("icon_d2_eps")
    document["hourly"]["wind_gusts_10m_member02_icon_d2_eps"] = [None] * 6
    document["hourly_units"]["wind_gusts_10m_member02_icon_d2_eps"] = "undefined"
    gust = kept_cube(document)["wind_speed_of_gust"]
    assert gust.sel(realization=2).isnull().all()
    assert gust.sel(realization=1).notnull().all()


@pytest.mark.parametrize("space", ["", " ", "\r\n\t "])
def test_a_reply_of_many_places_is_cut_byte_for_byte(space):
    places = ['{"a": [1, 2.50]}', '{"b":"],{[é\\""}', "{}"]
    body = f"{space}[{space}{f'{space},{space}'.join(places)}{space}]{space}".encode()
    assert [part.decode() for part in split_places(body)] == places
    assert split_places(b'{"a": [1]}') == [b'{"a": [1]}']
