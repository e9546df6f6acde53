"""Coordinates as people write them: every spelling there and back, and what is swapped or impossible."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.site import parse_coordinates

PLACES = 500
SECOND = 1.0 / 3600.0


def in_parts(angle: float, letters: str, degree: str, minute: str, second: str, width: int = 1) -> str:
    """Write an angle in degrees, minutes and seconds to a hundredth of a second, with its letter."""
    hundredths = round(abs(angle) * 360_000)
    degrees, rest = divmod(hundredths, 360_000)
    minutes, rest = divmod(rest, 6_000)
    letter = letters[1 if angle < 0 else 0]
    return f"{degrees:0{width}d}{degree}{minutes:02d}{minute}{rest / 100:05.2f}{second}{letter}"


def in_minutes(angle: float, letters: str, degree: str, minute: str, gap: str) -> str:
    """Write an angle in degrees and minutes to a ten-thousandth of a minute, with its letter."""
    parts = round(abs(angle) * 600_000)
    degrees, rest = divmod(parts, 600_000)
    return f"{degrees}{degree}{rest / 10_000:07.4f}{minute}{gap}{letters[1 if angle < 0 else 0]}"


def signed_parts(angle: float) -> str:
    """Write an angle in degrees, minutes and seconds with a sign, without marks."""
    return ("-" if angle < 0 else "") + in_parts(abs(angle), "  ", " ", " ", "").strip()


def lettered(angle: float, letters: str, after: bool = True) -> str:
    """Write an angle in decimal degrees with its letter."""
    letter, value = letters[1 if angle < 0 else 0], f"{abs(angle):.6f}"
    return value + letter if after else f"{letter} {value}"


def pair(write: Callable[..., str], latitude: float, longitude: float, between: str, *marks: str) -> str:
    """Write both angles in one way."""
    return between.join((write(latitude, "NS", *marks), write(longitude, "EW", *marks)))


SPELLINGS: dict[str, Callable[[float, float], str]] = {
    "sign, comma": lambda y, x: f"{y:.6f},{x:.6f}",
    "sign, comma and space": lambda y, x: f"{y:+.6f}, {x:+.6f}",
    "sign, space": lambda y, x: f"{y:.6f} {x:.6f}",
    "true minus": lambda y, x: f"{y:.6f}, {x:.6f}".replace("-", "\u2212"),
    "sign, semicolon, decimal commas": lambda y, x: f"{y:.6f}; {x:.6f}".replace(".", ","),
    "sign, space, decimal commas": lambda y, x: f"{y:.6f} {x:.6f}".replace(".", ","),
    "sign and degree mark": lambda y, x: f"{y:.6f}°, {x:.6f}°",
    "letter after, comma": lambda y, x: f"{lettered(y, 'NS')}, {lettered(x, 'EW')}",
    "letter after, together": lambda y, x: f"{lettered(y, 'NS')}{lettered(x, 'EW')}",
    "small letter after, space": lambda y, x: f"{lettered(y, 'ns')} {lettered(x, 'ew')}",
    "letter before": lambda y, x: f"{lettered(y, 'NS', False)}, {lettered(x, 'EW', False)}",
    "longitude first, with letters": lambda y, x: f"{lettered(x, 'EW')} {lettered(y, 'NS')}",
    "minutes": lambda y, x: pair(in_minutes, y, x, " ", "°", "'", ""),
    "minutes, typographic": lambda y, x: pair(in_minutes, y, x, ", ", "° ", "′", " "),
    "minutes without marks": lambda y, x: pair(in_minutes, y, x, " ", " ", "", " "),
    "seconds": lambda y, x: pair(in_parts, y, x, " ", "°", "'", '"'),
    "seconds, typographic": lambda y, x: pair(in_parts, y, x, ", ", "°", "′", "″"),
    "seconds, quotation marks": lambda y, x: pair(in_parts, y, x, " ", "º", "’", "”"),
    "seconds, two primes": lambda y, x: pair(in_parts, y, x, " ", "° ", "′ ", "′′ "),
    "seconds, decimal comma": lambda y, x: pair(in_parts, y, x, " ", "°", "′", "″").replace(".", ","),
    "seconds, sign, spaces": lambda y, x: f"{signed_parts(y)} {signed_parts(x)}",
    "seconds, sign, comma": lambda y, x: f"{signed_parts(y)}, {signed_parts(x)}",
    "seconds, colons": lambda y, x: pair(in_parts, y, x, " ", ":", ":", ""),
    "as in aeronautical notices": lambda y, x: in_parts(y, "NS", "", "", "", 2) + in_parts(x, "EW", "", "", "", 3),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_ten_thousand_random_places_come_back_from_every_spelling(spelling: str) -> None:
    rng = np.random.default_rng(20)
    latitudes, longitudes = rng.uniform(-90, 90, PLACES), rng.uniform(-180, 180, PLACES)
    small = slice(0, PLACES // 10)  # next to the equator and the first meridian, where a sign is soon lost
    latitudes[small], longitudes[small] = latitudes[small] / 100, longitudes[small] / 300
    for latitude, longitude in zip(latitudes, longitudes, strict=True):
        text = SPELLINGS[spelling](float(latitude), float(longitude))
        read = parse_coordinates(text)
        assert read is not None, text
        assert max(abs(read[0] - latitude), abs(read[1] - longitude)) < 0.006 * SECOND, text


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("52.3,6.8", (52.3, 6.8)),
        (" -33.9 , +151.2 ", (-33.9, 151.2)),
        ("0,0", (0.0, 0.0)),
        ("52,6", (52.0, 6.0)),
        ("(52.3, 6.8)", (52.3, 6.8)),
        ("52.3;6.8", (52.3, 6.8)),
        ("52,3; 6,8", (52.3, 6.8)),
        ("-0 30 0, -0 15 0", (-0.5, -0.25)),
        ("0°30'S 0°15'W", (-0.5, -0.25)),
        ("52 30, 6 45", (52.5, 6.75)),
        ("5230N 00645E", (52.5, 6.75)),
        ("90S 180W", (-90.0, -180.0)),
        ("52.3", None),
        ("1e2,3", None),
        ("Paris, France", None),
        ("Sees", None),
        ("W3 6NE", None),  # a postal code
        ("N1 7SE", None),
        ("41105", None),
    ],
)
def test_coordinates_are_told_from_names(text: str, wanted: tuple[float, float] | None) -> None:
    assert parse_coordinates(text) == (None if wanted is None else pytest.approx(wanted, abs=1e-12))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("151.2, -33.9", "latitude 151.2 is outside -90 to 90 degrees; latitude comes first: did you mean -33.9,"),
        ("-122.5 37.8", "did you mean 37.8,-122.5?"),
        ("151.2N 33.9E", "did you mean 33.9N 151.2E?"),
        ("52.3, 353.2", "longitude 353.2 is outside -180 to 180 degrees: did you mean 52.3,-6.8?"),
        ("95, 200", "latitude 95 is outside -90 to 90 degrees and longitude 200 is outside -180 to 180"),
        ("91,181", "latitude 91 is outside -90 to 90 degrees and longitude 181 is outside -180 to 180"),
        ("52.3N 6.8N", "two latitudes"),
        ("-52.3S 6.8E", "a sign and a letter"),
        ("52°75'N 6°10'E", "75 minutes"),
        ("52 30 61, 6 45 0", "61 seconds"),
        ("52.5°30'N 6°45'E", "52.5 degrees and minutes"),
        ("523000N 0066100E", "61 minutes"),
        ("52 30 6", "cannot be read as coordinates"),
        ("52,31,6,84", "cannot be read as coordinates"),
        ("52.3°", "cannot be read as coordinates"),
        ("52.3,6.8,100", "cannot be read as coordinates"),
        ("5.2.3,6.8", "cannot be read as coordinates"),
    ],
)  # fmt: skip
def test_what_is_swapped_or_impossible_is_refused_with_the_likely_one(text: str, told: str) -> None:
    with pytest.raises(WxflyError, match=re.escape(told)) as fault:
        parse_coordinates(text)
    assert "\n" not in str(fault.value)
    assert f"'{text}'" in str(fault.value)


def test_the_likely_pair_is_one_that_can_be_read() -> None:
    for text in ("151.2, -33.9", "151.2N 33.9E", "52.3, 353.2"):
        with pytest.raises(WxflyError) as fault:
            parse_coordinates(text)
        likely = re.search(r"did you mean (.*)\?", str(fault.value))
        assert likely is not None
        assert parse_coordinates(likely[1]) is not None
