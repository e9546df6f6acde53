"""Kp from its three products: both forms of the JSON, and the outlook in text."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.shared import SHARED, needs_samples
from wxfly.errors import WxflyError
from wxfly.sources.space_weather import kp_on, parse_kp, parse_outlook


def rows(*pairs, key="kp"):
    return json.dumps([{"time_tag": t, key: v, "observed": "predicted", "noaa_scale": None} for t, v in pairs]).encode()


def hours(start, count):
    return np.datetime64(start, "ns") + np.arange(count) * np.timedelta64(1, "h")


OUTLOOK = b""":Product: 27-day Space Weather Outlook Table 27DO.txt
:Issued: 2026 Mar 09 0312 UTC
# any comment
2026 Mar 10     110          12          3
2026 Mar 11     105           5          5
"""

TWO_FORMS = {
    "objects": rows(("2026-03-10T00:00:00", 3.67), ("2026-03-10T03:00:00", 4.67)),
    "observed, capital K": rows(("2026-03-10T00:00:00", 3.67), ("2026-03-10T03:00:00", 4.67), key="Kp"),
    "header and rows": json.dumps([
        ["time_tag", "kp", "observed", "noaa_scale"],
        ["2026-03-10 00:00:00.000", "3.67", "observed", None], ["2026-03-10 03:00:00", "4.67", "predicted", "G1"],
    ]).encode(),
}  # fmt: skip


@pytest.mark.parametrize("form", TWO_FORMS)
def test_every_published_form_gives_the_same_series(form):
    series = parse_kp(TWO_FORMS[form])
    assert series.kp.tolist() == [3.67, 4.67]
    assert series.start.tolist() == [
        np.datetime64("2026-03-10T00", "s").item(),
        np.datetime64("2026-03-10T03", "s").item(),
    ]


def test_kp_is_held_over_its_three_hours_and_not_known_past_the_end():
    kp = kp_on(hours("2026-03-09T23", 9), parse_kp(TWO_FORMS["objects"]), None)
    assert np.isnan(kp.values[[0, 7, 8]]).all()
    assert kp.values[1:7].tolist() == [3.67] * 3 + [4.67] * 3
    assert kp.attrs["known_until"] == "2026-03-10T06:00Z"
    assert kp.attrs["outlook_from"] == "none"


def test_a_hole_in_the_forecast_is_a_hole():
    series = parse_kp(rows(("2026-03-10T00:00:00", 2), ("2026-03-10T09:00:00", 3)))
    kp = kp_on(hours("2026-03-10T00", 12), series, None)
    assert np.isnan(kp.values[3:9]).all()


def test_a_null_in_the_forecast_is_a_hole():
    kp = kp_on(
        hours("2026-03-10T00", 6), parse_kp(rows(("2026-03-10T00:00:00", None), ("2026-03-10T03:00:00", 3))), None
    )
    assert np.isnan(kp.values[:3]).all()
    assert kp.values[3:].tolist() == [3.0] * 3


def test_the_outlook_takes_over_where_the_forecast_ends():
    until = np.datetime64("2026-03-10T06", "s")
    kp = kp_on(hours("2026-03-10T00", 49), parse_kp(TWO_FORMS["objects"]), parse_outlook(OUTLOOK), outlook_after=until)
    assert kp.values[3:6].tolist() == [4.67] * 3, "the forecast goes first, also where it is higher"
    assert kp.values[6:24].tolist() == [3.0] * 18
    assert kp.values[24:48].tolist() == [5.0] * 24
    assert np.isnan(kp.values[48])
    assert kp.attrs["outlook_from"] == "2026-03-10T06:00Z"
    assert kp.attrs["known_until"] == "2026-03-12T00:00Z"
    assert kp.attrs["outlook_issued"] == "2026-03-09T03:12Z"


def test_the_outlook_never_stands_in_for_hours_for_which_a_forecast_speaks():
    kp = kp_on(hours("2026-03-10T00", 49), parse_kp(TWO_FORMS["objects"]), parse_outlook(OUTLOOK))
    assert kp.values[3:6].tolist() == [4.67] * 3
    assert np.isnan(kp.values[6:]).all(), "three days from the first on, whatever of them came"


def test_nothing_known_is_nothing_known():
    assert np.isnan(
        kp_on(hours("2026-05-10T00", 5), parse_kp(TWO_FORMS["objects"]), parse_outlook(OUTLOOK)).values
    ).all()
    assert np.isnan(kp_on(hours("2026-05-10T00", 5), None, None).values).all()


@given(st.lists(st.floats(0, 9), min_size=1, max_size=20), st.integers(-30, 60))
def test_every_hour_has_the_value_of_its_interval(values, shift):
    start = np.datetime64("2026-03-10T00", "s")
    stamps = [str(start + np.timedelta64(3 * k, "h")) for k in range(len(values))]
    time = hours("2026-03-10T00", 24) + np.timedelta64(shift, "h")
    kp = kp_on(time, parse_kp(rows(*zip(stamps, values, strict=True))), None)
    for moment, value in zip(time, kp.values, strict=True):
        k = int((moment - start) // np.timedelta64(3, "h"))
        if 0 <= k < len(values):
            assert value == values[k]
        else:
            assert np.isnan(value)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"[]", "no rows"),
        (b"{}", "no rows"),
        (b'[["time_tag","kp"]]', "nothing below"),
        (b'[["time_tag","kp"],["2026-03-10 00:00:00","ten"]]', "Kp 'ten' is not between 0 and 9"),
        (rows(("2026-03-10T00:00:00", 12)), "Kp '12' is not between"),
        (rows(("2026-03-10T00:00:00", -1)), "Kp '-1' is not between"),
        (rows(("2026-03-10T00:00:00", True)), "Kp 'True' is not between"),
        (rows(("10 March", 2)), "the time '10 March' is not of the form"),
        (rows(("2026-02-31T00:00:00", 2)), "not on the calendar"),
        (rows(("2026-03-10T03:00:00", 2), ("2026-03-10T00:00:00", 2)), "not in order"),
        (rows(("2026-03-10T03:00:00", 2), ("2026-03-10T03:00:00", 2)), "not in order"),
        (rows(("2026-03-10T03:00:00", None)), "no value of Kp"),
        (b"[1]", "a row is not an object"),
        (b"<html>", "a web page"),
        (b"", "an empty body"),
    ],
)
def test_a_hostile_kp_reply_gives_one_clear_error(body, words):
    with pytest.raises(WxflyError, match=words) as caught:
        parse_kp(body)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "no line ':Issued:'"),
        (b"<html>not found</html>", "no line ':Issued:'"),
        (OUTLOOK.replace(b"Mar 09", b"Mar 39"), "not on the calendar"),
        (OUTLOOK.replace(b"5\n", b"15\n"), "Kp '15' is not between"),
        (OUTLOOK.replace(b"          12 ", b" "), "cannot be read"),
        (OUTLOOK.replace(b"Mar 11", b"Mar 10"), "not in order"),
        (OUTLOOK[: OUTLOOK.index(b"2026 Mar 10")], "no days"),
    ],
)
def test_a_hostile_outlook_gives_one_clear_error(body, words):
    with pytest.raises(WxflyError, match=words):
        parse_outlook(body)


@needs_samples
@pytest.mark.parametrize(
    ("name", "first", "kp"),
    [
        ("samples/swpc/kp_forecast_legacy_rows.json", "2025-10-04T00", [3.67, 5.0]),
        ("samples/swpc/kp_forecast_objects.json", "2026-10-01T18", [1.67, 4.67]),
        ("samples/swpc/kp_observed_legacy_rows.json", "2025-10-04T00", [3.67]),
        ("samples/swpc/kp_observed_objects.json", "2026-08-31T00", [3.0, 1.33]),
        ("data/kp/forecast_object_shape.json", "2026-07-10T00", [2.0, 4.67, 1.67]),
    ],
)
def test_the_published_samples_are_read(name, first, kp):
    series = parse_kp((SHARED / name).read_bytes())
    assert series.start[0] == np.datetime64(first)
    assert series.kp.tolist() == kp


@needs_samples
def test_a_sample_out_of_order_is_refused():
    with pytest.raises(WxflyError, match="not in order"):
        parse_kp((SHARED / "data/kp/forecast_array_shape_old.json").read_bytes())


@needs_samples
@pytest.mark.parametrize(
    ("name", "issued", "kp"),
    [
        ("samples/swpc/27_day_outlook_excerpt.txt", "2026-07-15T13:12", [3, 2, 2]),
        ("data/kp/27-day-outlook_2025-01-06_first3.txt", "2025-01-06T02:42", [5, 4, 3]),
    ],
)
def test_the_published_outlooks_are_read(name, issued, kp):
    outlook = parse_outlook((SHARED / name).read_bytes())
    assert outlook.issued == np.datetime64(issued)
    assert outlook.kp.tolist() == kp


@needs_samples
def test_the_three_day_text_is_not_taken_for_an_outlook():
    with pytest.raises(WxflyError, match="cannot be read"):
        parse_outlook((SHARED / "samples/swpc/three_day_forecast_2024-05-11_excerpt.txt").read_bytes())
